"""The numbers that stand for words on the line.  They are fixed for ever; a new word takes a new number."""

from enum import StrEnum

from luggin.protocol.instrument import Activity, Cell, Outcome

ACTIVITY_NUMBERS = {
    Activity.IDLE: 0,
    Activity.ARMED: 1,
    Activity.RUNNING: 2,
    Activity.HELD: 3,
    Activity.CLOSING: 4,
    Activity.AFTER_RUN: 5,
    Activity.ENDED: 6,
}
CELL_NUMBERS = {Cell.OFF: 0, Cell.ON: 1, Cell.UNKNOWN: 2}
OUTCOME_NUMBERS = {
    Outcome.COMPLETED: 0,
    Outcome.STOPPED: 1,
    Outcome.OFF: 2,
    Outcome.LIMIT: 3,
    Outcome.CONTROL_OVERLOAD: 4,
    Outcome.DEAD_MAN: 5,
    Outcome.HOLD_EXPIRED: 6,
    Outcome.FAULT: 7,
}


class Code(StrEnum):
    """Why an instrument refused a request."""

    NOT_UNDERSTOOD = "not-understood"  # the message is malformed or of an unknown type
    NO_SESSION = "no-session"  # no hello since the instrument's start: it was restarted
    STALE = "stale"  # overtaken by a later request, or the quoted clock is too old
    WRONG_STATE = "wrong-state"  # not possible in the present activity
    WRONG_RUN = "wrong-run"  # another run id than the one armed or held here
    OUT_OF_RANGE = "out-of-range"  # an index or offset that does not exist
    POINTS_HELD = "points-held"  # points of the former run wait to be acknowledged
    WRONG_HASH = "wrong-hash"  # the uploaded bytes are not the program that was meant
    NOT_EXECUTABLE = "not-executable"  # the program is malformed or asks what the instrument can't do
    HOLD_NOT_ALLOWED = "hold-not-allowed"  # the program has no place from here on where it may pause
    FAULT = "fault"  # the instrument is not fit to energise a cell, for instance its relay doesn't obey


CODE_NUMBERS = {
    Code.NOT_UNDERSTOOD: 1,
    Code.NO_SESSION: 2,
    Code.STALE: 3,
    Code.WRONG_STATE: 4,
    Code.WRONG_RUN: 5,
    Code.OUT_OF_RANGE: 6,
    Code.POINTS_HELD: 7,
    Code.WRONG_HASH: 8,
    Code.NOT_EXECUTABLE: 9,
    Code.HOLD_NOT_ALLOWED: 10,
    Code.FAULT: 11,
}
