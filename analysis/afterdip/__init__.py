"""What a coral farm's dip logs say: survival, pest removal, working strength, labour."""

__version__ = "0.1.0"
