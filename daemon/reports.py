"""What is said of one instrument to the outside: its payloads, made from the unit and its newest readings."""

from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.settings import InstrumentSettings
from luggin.protocol.capability import Capability
from luggin.protocol.instrument import Reading
from luggin.protocol.method import Method
from luggin.protocol.payloads import Alarm, Health, InstrumentState, RunHeader
from luggin.protocol.points import COLUMNS
from luggin.protocol.program import Program, bounds
from luggin.protocol.unit import Unit, trouble


def state_of(node: str, name: str, unit: Unit, clock: Clock) -> InstrumentState:
    utc, now = clock.utc(), clock.monotonic()
    return InstrumentState(
        node=node,
        instrument=name,
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


def alarm_of(node: str, name: str, unit: Unit, since: float | None, clock: Clock) -> Alarm:
    found = trouble(unit)
    return Alarm(
        node=node,
        instrument=name,
        active=found is not None,
        kind=found.kind if found else "",
        sentence=found.sentence if found else "",
        since=since if found else None,
        utc=clock.utc(),
    )


def health_of(node: str, name: str, capability: Capability, reading: Reading, clock: Clock) -> Health:
    return Health(
        node=node,
        instrument=name,
        **capability.identity.model_dump(),
        battery=reading.battery,
        temperature=reading.temperature,
        signal_strength=reading.signal_strength,
        potential=reading.potential,
        current=reading.current,
        utc=clock.utc(),
    )


def header_of(
    node: str,
    name: str,
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
) -> RunHeader:
    """Everything needed to understand and repeat the run."""
    able = {"dead_man": capability.dead_man, "floating": capability.floating}
    return RunHeader(
        node=node,
        instrument=name,
        run=run,
        method=method.document(),
        program=program.model_dump(mode="json"),
        bounds=bounds(program).model_dump(mode="json"),
        identity={**capability.identity.model_dump(), **able},
        boot=boot,
        settings=dict(settings.shown),
        software=software,
        asked_by=command.client,
        verified=command.verified,
        columns={column: COLUMNS[column].unit for column in COLUMNS if column in capability.columns},
        utc=clock.utc(),
    )
