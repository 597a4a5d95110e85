"""Pure functions on arrays: from curve to number."""
