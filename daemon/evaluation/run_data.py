"""A stored run as an evaluation sees it."""

from collections.abc import Callable, Mapping, Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.store import Archive, NoSuchEvaluation
from luggin.protocol.payloads import Evaluation, RunHeader, RunResult
from luggin.protocol.points import Array, Flag

Columns = Mapping[str, Array]
UNFIT = Flag.SETTLING | Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD | Flag.CELL_OPEN
"""Points with one of these flags say nothing of the cell's current."""


def _none(_: str) -> None:
    return None


def _nothing() -> tuple[str, ...]:
    return ()


class RunData:
    """`columns`, or a function that fetches them when they are first asked for, hold `index` and the stored columns,
    arrays of shape (points,).  `newest` gives the run's newest evaluation of a kind; `stored` an evaluation by its
    name, or else the newest with that subject; `flags` why the run was marked."""

    def __init__(
        self,
        header: RunHeader,
        columns: Columns | Callable[[], Columns],
        result: RunResult | None = None,
        newest: Callable[[str], Evaluation | None] = _none,
        stored: Callable[[str], Evaluation | None] = _none,
        flags: Callable[[], tuple[str, ...]] = _nothing,
    ) -> None:
        self.header, self.result, self.newest, self.stored, self.flags = header, result, newest, stored, flags
        self._columns = columns

    @property
    def run(self) -> str:
        return self.header.run

    @property
    def technique(self) -> str:
        return str(self.header.method.get("technique", ""))

    @cached_property
    def columns(self) -> Columns:
        """All points."""
        return self._columns() if callable(self._columns) else self._columns

    @cached_property
    def measured(self) -> Columns:
        """The points of the measuring phase."""
        if "phase" not in self.columns:
            return self.columns
        phases = self.header.method.get("phases", ())
        number = next((n for n, phase in enumerate(phases) if phase.get("phase") == "measure"), None)
        wanted = self.columns["phase"] == number
        return {name: values[wanted] for name, values in self.columns.items()}

    @cached_property
    def fit(self) -> NDArray[np.bool_]:
        """Which points of `measured` are fit to be evaluated."""
        count = len(self.measured["index"])
        flags = self.measured.get("flags")
        if flags is None:
            return np.ones(count, dtype=bool)
        fit: NDArray[np.bool_] = (flags & int(UNFIT)) == 0
        return fit


def load_runs(archive: Archive, names: Sequence[str]) -> list[RunData]:
    """Stored runs for `functions.evaluate`; points are read when they are needed, while the archive is open.

    Raises NoSuchRun, EvaluationError for a run that has not ended.
    """
    return [_load(archive, name) for name in names]


def _load(archive: Archive, name: str) -> RunData:
    header, result = archive.header(name), archive.result(name)
    if result is None:
        raise EvaluationError(f"run {name} has not ended; evaluate it then")
    return RunData(
        header,
        lambda: archive.columns(name),
        result,
        lambda kind: archive.newest_evaluation(kind, run=name),
        lambda wanted: _stored(archive, wanted),
        lambda: tuple(event.sentence for event in archive.events(name) if event.kind == "flagged"),
    )


def _stored(archive: Archive, wanted: str) -> Evaluation | None:
    try:
        return archive.evaluation(wanted)
    except NoSuchEvaluation:
        return archive.newest_evaluation(subject=wanted)
