"""Electrochemical cells that compute."""
