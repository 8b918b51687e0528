"""How work is spread over processes and machines."""
