"""Find a pass that is too faint for single frames: added up along the flight line."""
