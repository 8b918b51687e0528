"""Synthetic clips with a known truth."""
