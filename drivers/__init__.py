"""How an instrument is reached."""
