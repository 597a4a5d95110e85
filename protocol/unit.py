"""The run machine."""

from enum import StrEnum


class State(StrEnum):
    """Unit states after ANSI/ISA-TR88.00.02, as far as they are needed."""

    IDLE = "Idle"
    STARTING = "Starting"
    EXECUTE = "Execute"
    HOLDING = "Holding"
    HELD = "Held"
    UNHOLDING = "Unholding"
    COMPLETING = "Completing"
    COMPLETE = "Complete"
    STOPPING = "Stopping"
    STOPPED = "Stopped"
    ABORTING = "Aborting"
    ABORTED = "Aborted"
    CLEARING = "Clearing"
