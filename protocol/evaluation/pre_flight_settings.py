"""The kind `pre-flight`: what a look at the cell before a run tells of resistance, capacitance, noise and faults."""

from typing import Literal

from pydantic import Field

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Current, Duration, Potential, Resistance, ScanRate

FaultKind = Literal["open", "reference-open", "short", "resistance", "noise", "no-answer"]


class PreFlight(EvaluationSettings):
    """Settings: the bounds of the method that is to be run, its scan rate where it has one, and the instrument's
    current ranges (full scales, A, ascending), for a proposal of the smallest one.

    Above `open_above` (ohm, of the impedance at the highest frequency) next to nothing is connected.
    """

    kind: Literal["pre-flight"] = "pre-flight"
    smallest_resistance: Resistance = Field(1.0, gt=0)
    largest_resistance: Resistance = Field(10e3, gt=0)
    open_above: Resistance = Field(1e6, gt=0)
    largest_noise: Potential = Field(1e-3, gt=0)
    scan_rate: ScanRate | None = Field(None, gt=0)
    current_ranges: tuple[Current, ...] = Field((), max_length=32)
    valid_for: Duration = Field(60.0, gt=0, le=86400)


class Fault(Frozen):
    """Something that is likely wrong with the cell or its leads."""

    kind: FaultKind
    sentence: str


class PreFlightBody(Frozen):
    """`passed` without faults.  `proposed_range` (full scale, A) is the smallest that holds the charging current."""

    passed: bool
    faults: tuple[Fault, ...]
    proposed_range: float | None = None
    quantities: dict[str, float] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)


PRE_FLIGHT = Kind(
    "pre-flight", "a look at the cell before a run: resistance, capacitance, noise, likely faults", PreFlight
)
