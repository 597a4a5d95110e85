"""Runs, points and events in SQLite."""
