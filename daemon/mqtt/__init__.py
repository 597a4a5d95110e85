"""Points out, commands in."""
