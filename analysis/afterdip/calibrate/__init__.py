"""Long simulations that measure what the intervals claim: `python -m afterdip.calibrate [name ...]`."""
