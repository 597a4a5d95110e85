"""The error tree of drivers.  Each error says whether a retry makes sense and what is known of the cell.

DriverError
  SettingsError      the settings name something impossible: the person who wrote them must act
  LinkError          the connection: nothing reached, or nothing came back
    NotReachable     the port is missing or nobody answers: try again later
      InUse          another program has it
    LinkLost         an open connection died: reopen, then ask what the instrument is doing
    NoAnswer         one request timed out on a live connection: ask for the state, never repeat blindly
  Refused            the instrument answered and said no: a retry gets the same answer
  ProtocolViolation  the peer speaks, but not this protocol or not this version of it
"""

from typing import ClassVar

from luggin.protocol.instrument import Cell
from luggin.protocol.problem import Problem


class DriverError(Exception):
    """Base of all errors of drivers; its text is a sentence for the user."""

    retry: ClassVar[bool] = False

    def __init__(self, sentence: str, cell: Cell = Cell.UNKNOWN) -> None:
        super().__init__(sentence)
        self.cell = cell


class SettingsError(DriverError):
    """Wrong settings; `problems` names each field.  No instrument was touched."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(map(str, problems)))
        self.problems = problems


class LinkError(DriverError):
    retry = True


class NotReachable(LinkError):
    pass


class InUse(NotReachable):
    pass


class LinkLost(LinkError):
    pass


class NoAnswer(LinkError):
    pass


class Refused(DriverError):
    pass


class ProtocolViolation(DriverError):
    pass
