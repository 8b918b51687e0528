"""The speed of a small, fast craft from fixed cameras on the ground, with its uncertainty."""

__version__ = "0.1.0"
