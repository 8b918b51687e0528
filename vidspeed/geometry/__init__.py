"""Where it was seen from: lens, survey and pose."""
