"""Measurements; `python tests/bench` runs them."""
