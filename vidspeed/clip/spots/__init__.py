"""Find what stands out of the background, and follow what moves."""
