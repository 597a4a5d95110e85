"""Sequences: methods in order, repeated, at intervals, with prompts, checks and brackets; document and machine."""

from luggin.protocol.sequence.course import Course
from luggin.protocol.sequence.document import SequenceDocument, parse
from luggin.protocol.sequence.progress import OVER, Progress, Status
from luggin.protocol.sequence.step import begin, next_deadline, step

__all__ = [
    "OVER",
    "Course",
    "Progress",
    "SequenceDocument",
    "Status",
    "begin",
    "next_deadline",
    "parse",
    "step",
]
