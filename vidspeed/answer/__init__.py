"""What people ask of the passes."""
