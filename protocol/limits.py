"""Safety limits, checked on every batch: outside a window for too long, or outside a hard window at all.

Rules, all in instrument time and independent of how the points were cut into batches:

- Soft: a quantity that stays outside [low, high] for `persistence` seconds violates it.  Between two points nothing
  is assumed, so a single outlier trips nothing unless `persistence` is zero.
- Hard: one point outside [hard_low, hard_high] violates it.
- A SETTLING point (range change, step) is passed over: it neither starts nor ends an excursion, and hard limits skip
  it too.  An instrument that settles without a break for longer than LONGEST_SETTLING is not believed any more.
- At open circuit (CELL_OPEN) only temperature and duration are looked at; an excursion ends there.
- A value that is no number is outside its soft window: a quantity that can't be read can't be called safe.
- A column that the instrument doesn't measure is not checked.  Pulses have each of their currents checked, which other
  points don't have.
- Charge is that of the segment, as in the column; without the column it is integrated from the current and starts
  again with each phase and cycle, the finest division that the points show.
- The control loop counts as lost when CONTROL_OVERLOAD lasts longer than `control_overload` seconds.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from luggin.protocol.points import Array, Batch, Flag
from luggin.protocol.program import Limit, Program
from luggin.protocol.quantity import show

Quantity = Literal["potential", "current", "charge", "cell voltage", "temperature", "control loop", "duration"]
LONGEST_SETTLING = 5.0
_OF_PULSES = ("forward_current", "reverse_current")


@dataclass(frozen=True)
class Violation:
    """The first point at which a limit was violated.  `value` and `limit` are in the quantity's SI unit."""

    quantity: Quantity
    value: float
    limit: float
    index: int
    time: float
    sentence: str


@dataclass(frozen=True)
class LimitState:
    """What earlier batches left behind; a run starts with `LimitState()`.

    `since` maps what is outside at the newest point to the time of the first point of that excursion.
    """

    since: Mapping[str, float] = field(default_factory=dict)
    charge: float = 0.0
    time: float | None = None
    division: tuple[int, int] | None = None


def check(state: LimitState, batch: Batch, program: Program) -> tuple[LimitState, Violation | None]:
    """Check a batch that continues the one before; returns the state to go on with and the earliest violation.

    Time and memory are proportional to the batch.
    """
    excursions = _Excursions(state.since, np.asarray(batch.columns["time"]))
    limits = program.limits
    flags = np.asarray(batch.columns.get("flags", np.zeros(batch.count, dtype="<u2")))
    settling = (flags & Flag.SETTLING) != 0
    settled = ~settling | (excursions.lasting("settling", settling) >= LONGEST_SETTLING)
    closed = (flags & Flag.CELL_OPEN) == 0
    state, charge = (state, None) if limits.charge == Limit() else _charge(state, batch, closed)
    found: list[_Trip] = []
    for quantity, name, unit, limit, values in _watched(batch, program, charge):
        electrical = quantity != "temperature"
        looked = settled if electrical else np.ones_like(settled)
        counted = closed if electrical else looked
        found += _window(excursions, quantity, name, unit, limit, values, looked, counted)
    lost = ((flags & Flag.CONTROL_OVERLOAD) != 0) & closed
    lasting = excursions.lasting("control loop", lost, settled)
    for at in _first(lasting > limits.control_overload):
        words = f"the control loop was overloaded for {show(lasting[at], 's')}"
        found.append(_Trip(at, "control loop", lasting[at], limits.control_overload, "s", words))
    for at in _first(excursions.time > limits.duration):
        words = f"the run lasts {show(excursions.time[at], 's')}"
        found.append(_Trip(at, "duration", excursions.time[at], limits.duration, "s", words))
    state = replace(state, since=excursions.since)
    return state, min(found, key=lambda trip: trip.at).violation(batch, excursions.time) if found else None


@dataclass(frozen=True)
class _Trip:
    at: int
    quantity: Quantity
    value: float
    limit: float
    unit: str
    words: str

    def violation(self, batch: Batch, time: Array) -> Violation:
        index, when = batch.first + self.at, float(time[self.at])
        sentence = f"{self.words}; the limit is {show(self.limit, self.unit)} (point {index} at {show(when, 's')})"
        return Violation(self.quantity, float(self.value), self.limit, index, when, sentence)


class _Excursions:
    """How long each condition has held without a break, carried from batch to batch."""

    def __init__(self, since: Mapping[str, float], time: Array) -> None:
        self.since = dict(since)
        self.time = time

    def lasting(self, name: str, holds: Array, looked: Array | None = None) -> Array:
        """Seconds, shape (count,), for which `holds` has held at each point; below zero where it doesn't.

        Points that are not `looked` at are passed over.
        """
        lasting = np.full(len(holds), -1.0)
        chosen = slice(None) if looked is None or looked.all() else np.flatnonzero(looked)
        holding, time = holds[chosen], self.time[chosen]
        if not len(holding):
            return lasting
        if not holding.any():
            self.since.pop(name, None)
            return lasting
        begin = self.since.get(name, float(time[0]))
        last_break = np.maximum.accumulate(np.where(holding, -1, np.arange(len(holding))))
        started = np.where(last_break < 0, begin, time[np.minimum(last_break + 1, len(time) - 1)])
        lasting[chosen] = np.where(holding, time - started, -1.0)
        if holding[-1]:
            self.since[name] = float(started[-1])
        else:
            self.since.pop(name, None)
        return lasting


def _watched(batch: Batch, program: Program, charge: Array | None) -> Iterator[tuple[Quantity, str, str, Limit, Array]]:
    """Quantity, name of its excursion, unit, window and values of everything that has a limit and was measured."""
    limits, columns = program.limits, batch.columns
    candidates: list[tuple[Quantity, str, str, Limit, Array | None]] = [
        ("potential", "potential", "V", limits.potential, columns.get("potential")),
        *(("current", name, "A", limits.current, columns.get(name)) for name in ("current", *_OF_PULSES)),
        ("charge", "charge", "C", limits.charge, charge),
        ("cell voltage", "cell_voltage", "V", limits.cell_voltage, columns.get("cell_voltage")),
        ("temperature", "temperature", "K", limits.temperature, columns.get("temperature")),
    ]
    for quantity, name, unit, limit, values in candidates:
        if values is not None and limit != Limit():
            yield quantity, name, unit, limit, values


def _window(
    excursions: _Excursions,
    quantity: Quantity,
    name: str,
    unit: str,
    limit: Limit,
    values: Array,
    looked: Array,
    counted: Array,
) -> Iterator[_Trip]:
    edges = _Edges(limit.low, limit.high, values)
    beyond = edges.beyond & counted
    if name not in _OF_PULSES and (limit.low is not None or limit.high is not None):
        beyond |= np.isnan(values) & counted
    lasting = excursions.lasting(name, beyond, looked)
    for at in _first(lasting >= limit.persistence):
        if edges.beyond[at]:
            edge, side = edges.crossed(at)
            words = f"{quantity} {show(float(values[at]), unit)} is {side} its limit"
            words += f" for {show(lasting[at], 's')}" if lasting[at] > 0 else ""
            yield _Trip(at, quantity, values[at], edge, unit, words)
        else:
            words = f"{quantity} could not be measured for {show(lasting[at], 's')}"
            yield _Trip(at, quantity, values[at], limit.persistence, "s", words)
    edges = _Edges(limit.hard_low, limit.hard_high, values)
    for at in _first(edges.beyond & counted & looked):
        edge, side = edges.crossed(at)
        words = f"{quantity} {show(float(values[at]), unit)} is {side} its hard limit"
        yield _Trip(at, quantity, values[at], edge, unit, words)


class _Edges:
    """Which values lie beyond a window's edges."""

    def __init__(self, low: float | None, high: float | None, values: Array) -> None:
        # Edges are rounded as the values were: a level asked for exactly at its limit is not beyond it.
        round_ = values.dtype.type
        self.low, self.high = -np.inf if low is None else low, np.inf if high is None else high
        self.below = values < round_(self.low)
        self.beyond = self.below | (values > round_(self.high))

    def crossed(self, at: int) -> tuple[float, str]:
        return (self.low, "below") if self.below[at] else (self.high, "above")


def _first(mask: Array) -> Iterator[int]:
    if mask.any():
        yield int(np.argmax(mask))


def _charge(state: LimitState, batch: Batch, closed: Array) -> tuple[LimitState, Array | None]:
    """Charge of the segment at each point: the column, or the current times the period that the point ends."""
    columns = batch.columns
    if "charge" in columns:
        return state, columns["charge"]
    if "current" not in columns:
        return state, None
    time, count = columns["time"], batch.count
    before = time[0] if state.time is None else state.time
    passed = np.where(closed, np.nan_to_num(columns["current"].astype("<f8")), 0.0) * np.diff(time, prepend=before)
    zeros = np.zeros(count, dtype=int)
    phase = columns.get("phase", zeros).astype(int)
    cycle = columns.get("cycle", zeros).astype(int)
    former = state.division or (int(phase[0]), int(cycle[0]))
    turns = np.diff(phase, prepend=former[0]).astype(bool) | np.diff(cycle, prepend=former[1]).astype(bool)
    charge, carried, begin = np.empty(count), state.charge, 0
    for end in (*np.flatnonzero(turns), count):
        if end > begin:
            # A running sum from the carried value adds in the same order however the points are cut.
            charge[begin:end] = np.cumsum(np.concatenate(([carried], passed[begin:end])))[1:]
            carried = float(charge[end - 1])
        if end < count:
            carried, begin = 0.0, int(end)
    division = (int(phase[-1]), int(cycle[-1]))
    return replace(state, charge=carried, time=float(time[-1]), division=division), charge
