"""One thing that was looked at."""

from dataclasses import dataclass
from enum import StrEnum


class Grade(StrEnum):
    GOOD = "good"
    REMARK = "remark"  # works; somebody should know
    BAD = "bad"  # does not work, or puts data or cells at risk


@dataclass(frozen=True)
class Finding:
    """`what` was looked at, `sentence` says how it is, `remedy` what to do, empty where nothing is to be done."""

    what: str
    grade: Grade
    sentence: str
    remedy: str = ""


def good(what: str, sentence: str) -> Finding:
    return Finding(what, Grade.GOOD, sentence)


def remark(what: str, sentence: str, remedy: str) -> Finding:
    return Finding(what, Grade.REMARK, sentence, remedy)


def bad(what: str, sentence: str, remedy: str) -> Finding:
    return Finding(what, Grade.BAD, sentence, remedy)
