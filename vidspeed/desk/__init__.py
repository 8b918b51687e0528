"""The desk: a local web page for the day. It changes nothing but the session's own files."""
