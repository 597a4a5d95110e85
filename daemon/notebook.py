"""Stored or exported runs in a notebook: numpy arrays, and pandas tables where pandas is installed.

from luggin.daemon.notebook import open_runs

runs = open_runs("outlet.zip")          # or an export's folder, or a store: runs.sqlite
runs.table()                            # one row a run
run = runs["20261125-134500-bench-1a2b3c"]
run.columns["potential"], run.units["potential"]
run.measured()                          # points of the measuring phase that are fit to be judged by
run.evaluations[-1].body                # the newest evaluation
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from luggin.daemon.evaluation.run_data import RunData
from luggin.daemon.export import PackageError, package_folder, read_package
from luggin.daemon.export.reading import Told
from luggin.daemon.store import Archive, open_store
from luggin.protocol.payloads import Evaluation, RunEvent, RunHeader, RunResult
from luggin.protocol.points import COLUMNS, Array, Flag

if TYPE_CHECKING:
    import pandas as pd

_SQLITE = b"SQLite format 3\x00"


@dataclass(frozen=True, eq=False)
class Run:
    """One run.  `header`, `result` (None while there is none), `events` and `evaluations` (oldest first) are records;
    `method` is the method's document in SI numbers."""

    name: str
    header: RunHeader
    result: RunResult | None
    events: tuple[RunEvent, ...]
    evaluations: tuple[Evaluation, ...]
    gaps: tuple[tuple[int, int], ...]
    _read: Callable[[], Mapping[str, Array]]

    @property
    def method(self) -> dict[str, Any]:
        return self.header.method

    @cached_property
    def columns(self) -> dict[str, Array]:
        """`index` and every measured column, arrays of shape (points,), SI units; read when first asked for."""
        return dict(self._read())

    @property
    def units(self) -> dict[str, str]:
        """The SI unit of each column, "1" for counts and flags."""
        return {name: "1" if name == "index" else COLUMNS[name].unit for name in self.columns}

    def measured(self) -> dict[str, Array]:
        """The columns of the measuring phase without points that are flagged as settling, overloaded or open."""
        data = RunData(self.header, self.columns)
        return {name: values[data.fit] for name, values in data.measured.items()}

    def newest(self, kind: str) -> Evaluation | None:
        """The newest evaluation of a kind."""
        return next((each for each in reversed(self.evaluations) if each.kind == kind), None)

    def flagged(self, flag: Flag) -> Array:
        """Which points bear a flag, of shape (points,)."""
        flags = self.columns.get("flags", np.zeros(len(self.columns["index"]), dtype="<u2"))
        return np.asarray((flags & int(flag)) != 0)

    def table(self) -> "pd.DataFrame":
        """The columns as a pandas table, indexed by the points' index; `attrs["units"]` has the units."""
        frame = _pandas().DataFrame(self.columns).set_index("index")
        frame.attrs["units"] = self.units
        return frame


class Runs(Mapping[str, Run]):
    """Runs by name, in the order in which they were measured or exported."""

    def __init__(self, runs: Mapping[str, Callable[[], Run]]) -> None:
        self._loaders, self._loaded = dict(runs), dict[str, Run]()

    def __getitem__(self, name: str) -> Run:
        if name not in self._loaded:
            self._loaded[name] = self._loaders[name]()
        return self._loaded[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._loaders)

    def __len__(self) -> int:
        return len(self._loaders)

    def table(self) -> "pd.DataFrame":
        """One row a run: when, on what, with which technique, electrode and sample, and how it ended."""
        rows = [_row(run) for run in self.values()]
        return _pandas().DataFrame(rows, columns=list(_COLUMNS)).set_index("run")


_COLUMNS = ("run", "started", "instrument", "technique", "method", "electrode", "sample", "points", "state", "flagged")


def open_runs(path: Path | str) -> Runs:
    """The runs of a store, or of an export: a folder or a zip file.

    Points of a store are read when they are asked for, and what was measured meanwhile is not seen; an export is read
    and checked at once.  Raises StoreError, PackageError with a sentence where there is neither.
    """
    given = Path(path)
    if _is_store(given):
        with open_store(given) as archive:
            names = [each for each in archive.names() if archive.deletion(each) is None]
        return Runs({name: _stored(given, name) for name in names})
    if not given.exists():
        raise PackageError(f"there is nothing at {given}; name a store, or what `luggin export` wrote")
    with package_folder(given) as folder:
        found = read_package(folder)
    return Runs({name: _exported(name, told, columns) for name, (told, columns) in found.items()})


def _is_store(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        return file.read(len(_SQLITE)) == _SQLITE


def _stored(path: Path, name: str) -> Callable[[], Run]:
    def columns() -> Mapping[str, Array]:
        with open_store(path) as archive:
            return archive.columns(name)

    def load() -> Run:
        with open_store(path) as archive:
            return Run(
                name,
                archive.header(name),
                archive.result(name),
                tuple(archive.events(name)),
                _made(archive, name),
                tuple(archive.gaps(name)),
                columns,
            )

    return load


def _made(archive: Archive, name: str) -> tuple[Evaluation, ...]:
    return tuple(made for _, made in archive.evaluations_of(name, limit=-1))


def _exported(name: str, told: Told, columns: Mapping[str, Array]) -> Callable[[], Run]:
    def load() -> Run:
        hashes = told["chain"]
        events = [
            RunEvent.model_validate({**event, "run": name, "hash": digest})
            for event, digest in zip(told["events"], hashes["events"], strict=True)
        ]
        order = [event.data["name"] for event in events if event.kind == "evaluated"]
        made = {row["name"]: Evaluation.model_validate(row) for row in told["evaluations"]}
        result = told["result"] and RunResult.model_validate({**told["result"], "hash": hashes["result"]})
        gaps = tuple((first, after) for first, after in told["gaps"])
        header = RunHeader.model_validate(told["header"])
        return Run(name, header, result, tuple(events), tuple(made[each] for each in order), gaps, lambda: columns)

    return load


def _row(run: Run) -> tuple[Any, ...]:
    setup = run.method.get("setup", {})
    ended = (None, None) if run.result is None else (run.result.state, run.result.flagged)
    points = len(run.columns["index"])
    told = (run.header.instrument, run.method.get("technique"), run.method.get("name"))
    started = _pandas().Timestamp(run.header.utc, unit="s", tz="UTC")
    return (run.name, started, *told, setup.get("electrode"), setup.get("sample"), points, *ended)


def _pandas() -> Any:
    try:
        import pandas as pd
    except ImportError:
        raise ImportError("tables need pandas: pip install 'luggin[notebook]'") from None
    return pd
