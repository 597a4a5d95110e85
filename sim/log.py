"""The simulator's own account of a run: every point as it was made and everything done to the cell, as JSON lines."""

import json
import math
from collections.abc import Mapping
from pathlib import Path

from luggin.protocol.points import Batch


class JsonLog:
    """One JSON object a line: `{"run", "first", "columns": {name: [...]}}` or `{"run", "time", "event", "value"}`.

    Numbers that do not exist are null.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("a", encoding="utf-8")

    def points(self, batch: Batch) -> None:
        plain = {name: [_plain(value) for value in column.tolist()] for name, column in batch.columns.items()}
        self._write({"run": batch.run, "first": batch.first, "columns": plain})

    def event(self, run: str, time: float, what: str, value: object) -> None:
        self._write({"run": run, "time": time, "event": what, "value": value})

    def close(self) -> None:
        self._file.close()

    def _write(self, entry: Mapping[str, object]) -> None:
        self._file.write(json.dumps(entry) + "\n")
        self._file.flush()


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None
