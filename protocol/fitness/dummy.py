"""A dummy cell: what its maker says of its parts, and what an instrument has to make of them.

The parts are a resistance in series with a resistance and a capacitance side by side, each of which may be absent.
The bounds are common practice, no source: a laboratory sets its own.
"""

import math
from collections.abc import Mapping

from pydantic import Field, model_validator

from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Capacitance, Current, Potential, Ratio, Resistance


class DummyBounds(Frozen):
    """How far a reading may lie off, beside what the tolerance of the parts explains.

    `resistance` and `capacitance` are shares of the value.  `offset` and `noise` are shares of the current range; what
    `potential_offset` and `potential_noise` (V, standard deviation) drive through the cell comes on top of them.
    """

    resistance: Ratio = Field(0.01, gt=0, le=1)
    capacitance: Ratio = Field(0.03, gt=0, le=1)
    offset: Ratio = Field(0.002, ge=0, le=1)
    potential_offset: Potential = Field(1e-3, ge=0, le=0.1)
    noise: Ratio = Field(5e-4, ge=0, le=1)
    potential_noise: Potential = Field(20e-6, ge=0, le=0.1)


class DummyCell(Frozen):
    """Parts of a dummy cell with their tolerances, the largest potential (V) that it is to see, and bounds."""

    name: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    series_resistance: Resistance | None = Field(None, gt=0)
    parallel_resistance: Resistance | None = Field(None, gt=0)
    capacitance: Capacitance | None = Field(None, gt=0)
    resistance_tolerance: Ratio = Field(0.001, ge=0, lt=1)
    capacitance_tolerance: Ratio = Field(0.02, ge=0, lt=1)
    largest_potential: Potential = Field(1.0, gt=0, le=5)
    bounds: DummyBounds = DummyBounds()

    @model_validator(mode="after")
    def _conducts(self) -> "DummyCell":
        if self.parallel_resistance is None and self.capacitance is None:
            raise ValueError("nothing stands in the cell; give parallel_resistance, capacitance or both")
        return self

    @property
    def resistance(self) -> float | None:
        """To a direct current, ohm; None when the cell passes none."""
        return None if self.parallel_resistance is None else (self.series_resistance or 0.0) + self.parallel_resistance

    @property
    def parts(self) -> Mapping[str, tuple[str, float]]:
        """(unit, value) of each part by its name."""
        named = {
            "series-resistance": ("ohm", self.series_resistance),
            "parallel-resistance": ("ohm", self.parallel_resistance),
            "capacitance": ("F", self.capacitance),
        }
        return {name: (unit, value) for name, (unit, value) in named.items() if value is not None}

    @property
    def circuit(self) -> str:
        """In the notation of circuit fits; its parameters are the parts in their order."""
        parallel, capacitor = self.parallel_resistance is not None, self.capacitance is not None
        rest = "(RC)" if parallel and capacitor else "R" if parallel else "C"
        if rest == "R" and self.series_resistance is not None:
            return "R"  # two resistances in series are one
        return ("R" if self.series_resistance is not None else "") + rest

    @property
    def time_constant(self) -> float | None:
        """Of the charging after a step of the potential, s; None where there is none, or nothing limits the current."""
        if self.capacitance is None or self.series_resistance is None:
            return None
        across = self.series_resistance
        if self.parallel_resistance is not None:
            across = 1 / (1 / across + 1 / self.parallel_resistance)
        return across * self.capacitance

    @property
    def corners(self) -> tuple[float, float] | None:
        """Lowest and highest frequency (Hz) at which one part takes over from another; None without a capacitance."""
        if self.capacitance is None:
            return None
        found = [
            1 / (2 * math.pi * r * self.capacitance) for r in (self.series_resistance, self.parallel_resistance) if r
        ]
        return (min(found), max(found)) if found else None

    def most_offset(self, full_scale: Current) -> float:
        """Largest current (A) at 0 V in a range."""
        driven = 0.0 if self.resistance is None else self.bounds.potential_offset / self.resistance
        return self.bounds.offset * full_scale + driven

    def most_noise(self, full_scale: Current) -> float:
        """Largest standard deviation of the current (A) at 0 V in a range."""
        across = self.resistance if self.series_resistance is None else self.series_resistance
        driven = 0.0 if across is None else self.bounds.potential_noise / across
        return self.bounds.noise * full_scale + driven

    def share(self, part: str) -> float:
        """How far a part may lie off, as a share of its value."""
        if part == "capacitance":
            return self.capacitance_tolerance + self.bounds.capacitance
        return self.resistance_tolerance + self.bounds.resistance


DUMMY_CELLS: Mapping[str, DummyCell] = {
    cell.name: cell
    for cell in (
        DummyCell(name="dummy-resistor", parallel_resistance="10 kohm"),
        DummyCell(name="dummy-r-rc", series_resistance="1 kohm", parallel_resistance="10 kohm", capacitance="1 uF"),
        DummyCell(name="dummy-capacitor", series_resistance="1 kohm", capacitance="1 uF"),
    )
}
