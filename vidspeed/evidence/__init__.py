"""What a stranger can recompute: a session packed with its hashes, and measured again."""
