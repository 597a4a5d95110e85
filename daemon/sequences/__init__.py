"""Sequences as the daemon carries them out: one at a time on each instrument, remembered over restarts."""

from luggin.daemon.sequences.conductor import Conductor

__all__ = ["Conductor"]
