"""How the craft moved: the path, its solution, and the budget of its speed."""
