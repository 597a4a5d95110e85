"""A whole instrument with a cell on it, in software."""
