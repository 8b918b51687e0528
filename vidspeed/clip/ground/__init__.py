"""How the still part of the picture moves: pieces of it, looked up in every frame."""
