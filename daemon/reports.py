"""What is said of one instrument to the outside: payloads made from the unit and its newest readings, on the board."""

from typing import Literal

import structlog

from luggin.daemon.bell import Bell, Call
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.execution import Execution
from luggin.daemon.settings import InstrumentSettings
from luggin.protocol import topics
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Reading
from luggin.protocol.method import Method
from luggin.protocol.payloads import Health, InstrumentState, Payload, Progress, RunHeader
from luggin.protocol.points import COLUMNS, Batch
from luggin.protocol.program import Program, bounds
from luggin.protocol.unit import Unit, trouble

log = structlog.get_logger(__name__)


class Reports:
    """Posts to the board under the topics of one instrument; progress at most each `interval` s."""

    def __init__(self, node: str, instrument: str, board: Board, clock: Clock, interval: float) -> None:
        self._node, self._instrument, self._board, self._clock = node, instrument, board, clock
        self._interval = interval
        self._progress_at = float("-inf")
        self.bell = Bell(node, instrument, board, clock)

    def state(self, unit: Unit) -> None:
        """State and alarm.  Moments of the monotonic clock are told in UTC, for people."""
        utc, now = self._clock.utc(), self._clock.monotonic()
        state = InstrumentState(
            node=self._node,
            instrument=self._instrument,
            state=unit.state,
            run=None if unit.run is None else unit.run.id,
            link=unit.link.value,
            link_since=utc - (now - unit.link_since),
            cell=unit.cell,
            cell_read=None if unit.cell_read is None else utc - (now - unit.cell_read),
            token=unit.token,
            reason=unit.reason,
            utc=utc,
        )
        self._post("state", state)
        found = trouble(unit)
        self.bell.call("unit", None if found is None else Call(found.kind, found.sentence))

    def progress(self, execution: Execution, batch: Batch) -> None:
        now, columns = self._clock.monotonic(), batch.columns
        if now - self._progress_at < self._interval:
            return
        self._progress_at = now
        phase = int(columns["phase"][-1]) if "phase" in columns else 0
        progress = Progress(
            node=self._node,
            instrument=self._instrument,
            run=execution.run,
            phase=phase,
            phase_name=execution.phases[phase] if phase < len(execution.phases) else "after-run",
            cycle=int(columns["cycle"][-1]) if "cycle" in columns else 1,
            points=batch.after,
            run_time=float(columns["time"][-1]),
            longest=float(execution.header.bounds["duration"]),
            utc=self._clock.utc(),
        )
        self._post("progress", progress)

    def health(self, capability: Capability, reading: Reading, unpublished: int) -> None:
        health = Health(
            node=self._node,
            instrument=self._instrument,
            **capability.identity.model_dump(),
            battery=reading.battery,
            temperature=reading.temperature,
            signal_strength=reading.signal_strength,
            potential=reading.potential,
            current=reading.current,
            unpublished=unpublished,
            utc=self._clock.utc(),
        )
        self._post("health", health)

    def _post(self, kind: Literal["state", "health", "progress"], payload: Payload) -> None:
        self._board.post(topics.instrument(self._node, self._instrument, kind), payload)


def header_of(
    node: str,
    instrument: str,
    run: str,
    *,
    method: Method,
    program: Program,
    capability: Capability,
    boot: str,
    settings: InstrumentSettings,
    software: str,
    command: ReceivedCommand,
    clock: Clock,
    doubts: tuple[str, ...] = (),
) -> RunHeader:
    """Everything needed to understand and repeat the run."""
    able = {"dead_man": capability.dead_man, "floating": capability.floating}
    cell = {
        "reference": settings.reference,
        "electrode": settings.electrode,
        "area": settings.area,
        "notes": settings.notes,
        "without_dead_man": settings.without_dead_man,
    }
    return RunHeader(
        node=node,
        instrument=instrument,
        run=run,
        method=method.document(),
        program=program.model_dump(mode="json"),
        bounds=bounds(program).model_dump(mode="json"),
        identity={**capability.identity.model_dump(), **able},
        boot=boot,
        settings={**cell, **settings.shown},
        software=software,
        asked_by=command.client,
        verified=command.verified,
        columns={column: COLUMNS[column].unit for column in COLUMNS if column in capability.columns},
        doubts=doubts,
        utc=clock.utc(),
    )
