"""Other ways to the same number: what light, beside the stamps, says of time and speed."""
