"""Set results as text: the only place that rounds and formats."""
