"""The luggin command."""
