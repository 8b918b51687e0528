"""Fit lights to pixels: what a moving lamp looks like, and how well its place is known."""
