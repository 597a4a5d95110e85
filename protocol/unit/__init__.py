"""The run machine of one instrument: states, events, effects and the step between them; see step.py."""

from luggin.protocol.unit.state import Link, Off, Order, Run, State, Trouble, Unit, leavable, trouble, wanted_on
from luggin.protocol.unit.step import begin, next_deadline, restored, step

__all__ = [
    "Link",
    "Off",
    "Order",
    "Run",
    "State",
    "Trouble",
    "Unit",
    "begin",
    "leavable",
    "next_deadline",
    "restored",
    "step",
    "trouble",
    "wanted_on",
]
