"""Reports: runs, evaluations and sequences as one HTML page that stands alone and prints."""

from luggin.daemon.report.page import render
from luggin.daemon.report.subjects import evaluation_part, run_part, sequence_part

__all__ = ["evaluation_part", "render", "run_part", "sequence_part"]
