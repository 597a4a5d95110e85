"""What the store hands out beside the payloads and batches of the protocol: small immutable records."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

Stream = Literal["header", "points", "events", "result", "evaluations"]


class StoreState(StrEnum):
    """Whether points can be stored now."""

    OK = "ok"
    FULL = "full"  # no room for points; events and results still go to the reserve
    FAULT = "fault"  # the last write failed; the next one tries again on a new connection


@dataclass(frozen=True)
class RunSummary:
    """One line of a list of runs.  `utc` is the start, `points` what is stored, `state` None while unfinished."""

    run: str
    instrument: str
    method: str
    technique: str
    utc: float
    points: int
    state: str | None
    outcome: str | None
    sample: str = ""
    electrode: str = ""


@dataclass(frozen=True)
class Deletion:
    """Who deleted a run, when (s since 1970) and why; `purging` says that it can't be restored any more."""

    utc: float
    asked_by: str
    reason: str
    purging: bool


@dataclass(frozen=True)
class Anchor:
    """One moment seen by several clocks, all in s.

    `monotonic` is the host's monotonic clock, `utc` its wall clock since 1970, which is worth something only when
    `synchronised`; `instrument_time` is the instrument's clock since boot, `run_time` its time since the start of the
    run, the clock of the points; None when no run is on.
    """

    instrument: str
    run: str | None
    boot: str
    monotonic: float
    utc: float
    synchronised: bool
    instrument_time: float
    run_time: float | None


@dataclass(frozen=True)
class RunTexts:
    """The texts that are hashed of a run, as they are stored: see `chain`.

    `events` are (number, text, hash) in order.  `result`, `seal` and `result_hash` are None while the run is
    unfinished; `sealed_events` is how many events the result's hash covers.
    """

    header: str
    header_hash: bytes
    events: tuple[tuple[int, str, bytes], ...]
    result: str | None
    seal: str | None
    sealed_events: int
    result_hash: bytes | None

    @property
    def head(self) -> bytes:
        """The newest hash of the chain of events."""
        return self.events[-1][2] if self.events else self.header_hash


@dataclass(frozen=True)
class EvaluationSummary:
    """One line of a list of evaluations.  `size` is that of the whole in bytes."""

    name: str
    kind: str
    subject: str
    runs: tuple[str, ...]
    utc: float
    expires: float | None
    size: int


@dataclass(frozen=True)
class LogEntry:
    """An event of an instrument's or the node's own log: of what belongs to no run."""

    number: int
    kind: str
    sentence: str
    data: Mapping[str, Any]
    utc: float


@dataclass(frozen=True)
class Outstanding:
    """What of one run is committed and not yet published.

    `points`, `events` and `evaluations` are the index of the first unpublished point, the number of the first
    unpublished event and the position of the first unpublished evaluation, None when there is none; `stored` is the
    index after the newest stored point; `finished` says that the run has a result, `result` that it waits to be
    published.
    """

    run: str
    instrument: str
    header: bool
    points: int | None
    events: int | None
    result: bool
    finished: bool
    stored: int
    evaluations: int | None = None
