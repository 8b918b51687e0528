"""What the camera saw: frames, their times, lights and tracks."""
