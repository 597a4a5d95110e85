"""The open instrument link."""
