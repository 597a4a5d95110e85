"""A driver of luggin for the Brook, which was invented for this purpose: it sets a potential and reads a current."""
