"""Count a validated log into arrays: the only place besides the log layer that knows column names."""
