"""Draw results on matplotlib Axes: a function a chart, no numbers computed here."""
