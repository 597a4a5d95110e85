"""Following a run as it is published: which points came, which are missing, how far it is."""

from dataclasses import dataclass, field
from typing import Any

from luggin.protocol.payloads import InstrumentState, Points, Progress, RunEvent, RunHeader, RunResult


@dataclass
class Follower:
    """Collects what is published of one run.  Pure: messages in, state out.

    `columns` holds every point up to the first gap in the order of their indices; `waiting` those beyond it.
    """

    run: str
    header: RunHeader | None = None
    progress: Progress | None = None
    state: InstrumentState | None = None
    result: RunResult | None = None
    events: list[RunEvent] = field(default_factory=list)
    columns: dict[str, list[Any]] = field(default_factory=dict)
    after: int = 0
    waiting: dict[int, Points] = field(default_factory=dict)

    def take(self, topic: str, payload: bytes) -> None:
        """One message of the instrument's topics; what belongs to other runs is left alone."""
        parts = topic.split("/")
        if len(parts) == 4 and parts[3] == "state":
            self.state = InstrumentState.model_validate_json(payload)
        elif len(parts) == 4 and parts[3] == "progress":
            progress = Progress.model_validate_json(payload)
            self.progress = progress if progress.run == self.run else self.progress
        elif len(parts) == 6 and parts[4] == self.run:
            match parts[5]:
                case "header":
                    self.header = RunHeader.model_validate_json(payload)
                case "points":
                    self.add(Points.model_validate_json(payload))
                case "event":
                    self.events.append(RunEvent.model_validate_json(payload))
                case "result":
                    self.result = RunResult.model_validate_json(payload)

    def add(self, points: Points) -> None:
        other = self.waiting.get(points.first)
        if other is None or other.count < points.count:
            self.waiting[points.first] = points
        while self.waiting:
            first = min(self.waiting)
            if first > self.after:
                return
            self._append(self.waiting.pop(first))

    def _append(self, points: Points) -> None:
        skip = self.after - points.first
        if skip >= points.count:
            return
        for name, values in points.columns.items():
            self.columns.setdefault(name, []).extend(values[skip:])
        self.after = points.first + points.count

    @property
    def gap(self) -> tuple[int, int] | None:
        """Indices [first, after) that are missing before the points that came later."""
        return (self.after, min(self.waiting)) if self.waiting else None

    def skip_gap(self) -> None:
        """Go on behind a gap that the store doesn't have either."""
        if self.waiting:
            self.after = min(self.waiting)
            self.add(self.waiting[self.after])
