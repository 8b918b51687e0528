"""What the user wrote: session, markers, picks, lens and track files."""
