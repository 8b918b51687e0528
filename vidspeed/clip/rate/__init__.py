"""Measure a camera's clock and read-out by a lamp of known rate."""
