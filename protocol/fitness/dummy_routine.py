"""The runs by which an instrument is qualified on a dummy cell, made for what the instrument can do.

In each current range the cell is held at 0 V, for offset and noise, and the potential is swept through zero, for the
resistance.  The parts are told apart by a spectrum where the instrument measures impedance, else by the current after a
step of the potential.
"""

from dataclasses import dataclass
from typing import Any

from luggin.protocol.capability import Capability
from luggin.protocol.fitness.dummy import DummyCell
from luggin.protocol.quantity import show

PERIOD = 0.02
"""Seconds: a whole cycle of mains of 50 Hz, and close to one of 60 Hz."""
HOLD_POINTS, SWEEP_POINTS, STEP_POINTS = 150, 200, 40
FILL = 0.8
"""Share of a range that its sweep reaches."""
_LEAST_FILL = 0.05
_SMALLEST_SWEEP = 0.5e-3
_AMPLITUDE = 0.01
_STEP_TIMES = 10
"""A step lasts so many time constants, and is sampled STEP_POINTS / _STEP_TIMES times in each."""
_MOST_RANGES = 30


@dataclass(frozen=True)
class Routine:
    """A sequence document, and what the instrument can't be asked with this dummy cell or probe, a sentence each."""

    document: dict[str, Any]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Place:
    """The reference and the electrode that the instrument's configuration names."""

    reference: str
    electrode: str = ""
    area: float | None = None


def dummy_routine(capability: Capability, cell: DummyCell, place: Place, valid_for: float | None = None) -> Routine:
    """The sequence that qualifies an instrument: a prompt, the runs, and the evaluation of all of them."""
    left_out: list[str] = []
    methods: dict[str, dict[str, Any]] = {}
    for full_scale in capability.current_ranges[:_MOST_RANGES]:
        methods[_name("range", full_scale)] = _range_method(capability, cell, place, full_scale, left_out)
    parts = _spectrum(capability, cell, place) or _step(capability, cell, place)
    if parts is not None:
        methods[str(parts["name"])] = parts
    elif cell.capacitance is not None:
        left_out.append("the capacitance: the instrument measures no impedance, and samples too slowly for a step")
    return Routine(
        qualifying(
            cell.name,
            f"Put the dummy cell {cell.name} in the place of the cell; nothing else is connected.",
            methods,
            {
                "kind": "qualification",
                "dummy": cell.model_dump(mode="json", exclude_none=True),
                "left_out": left_out,
                **({} if valid_for is None else {"valid_for": valid_for}),
            },
        ),
        tuple(left_out),
    )


def qualifying(
    against: str, prompt: str, methods: dict[str, dict[str, Any]], evaluation: dict[str, Any]
) -> dict[str, Any]:
    """One run of each method.  A sequence that a restart interrupts is not worth going on with."""
    return {
        "version": 1,
        "name": f"qualify-{against}"[:64],
        "after_restart": "stop",
        "methods": methods,
        "steps": [{"prompt": prompt}, *({"run": each} for each in methods)],
        "evaluation": evaluation,
    }


def _range_method(
    capability: Capability, cell: DummyCell, place: Place, full_scale: float, left_out: list[str]
) -> dict[str, Any]:
    period = max(PERIOD, capability.fastest_period)
    hold = {"duration": HOLD_POINTS * period, "period": period}
    head = _head(_name("range", full_scale), cell, place, fixed=full_scale)
    reach = _reach(capability, cell, full_scale, left_out)
    if reach is None:
        measure = {"phase": "measure", "potential": 0.0, **hold}
        return {**head, "technique": "chronoamperometry", "phases": [measure]}
    sweep = {
        "phase": "measure",
        "initial_potential": -reach,
        "final_potential": reach,
        "scan_rate": 2 * reach / (SWEEP_POINTS * period),
        "step": 2 * reach / SWEEP_POINTS,
    }
    settle = {"phase": "condition", "potential": 0.0, **hold}
    return {**head, "technique": "linear-sweep-voltammetry", "phases": [settle, sweep]}


def _reach(capability: Capability, cell: DummyCell, full_scale: float, left_out: list[str]) -> float | None:
    """Potential (V) on either side of zero of the sweep in a range, None where none tells anything."""
    if cell.resistance is None:
        return None
    window = min(
        cell.largest_potential, capability.potential_high, -capability.potential_low, capability.compliance / 2
    )
    reach = min(FILL * full_scale * cell.resistance, window)
    shown, filled = show(full_scale, "A"), reach / cell.resistance / full_scale
    if reach < _SMALLEST_SWEEP:
        left_out.append(f"the resistance in the range of {shown}: it would take a sweep of {show(reach, 'V')} only")
        return None
    if filled < _LEAST_FILL:
        words = f"{show(reach, 'V')} through this cell fills {filled:.2%} of it"
        left_out.append(f"the resistance in the range of {shown}: {words}; take a cell of a lower resistance")
        return None
    return reach


def _spectrum(capability: Capability, cell: DummyCell, place: Place) -> dict[str, Any] | None:
    low, high = capability.lowest_frequency, capability.highest_frequency
    if "sine" not in capability.segments or low is None or high is None:
        return None
    first, last = cell.corners or (50.0, 50.0)
    low, high = max(low, first / 10), min(high, last * 30)
    if high < 10 * low:
        return None
    measure = {
        "phase": "measure",
        "potential": 0.0,
        "amplitude": _AMPLITUDE,
        "highest_frequency": high,
        "lowest_frequency": low,
        "per_decade": 5,
    }
    settle = {"phase": "settle", "duration": 1.0, "period": 1.0}
    return {**_head("spectrum", cell, place), "technique": "impedance-spectroscopy", "phases": [settle, measure]}


def _step(capability: Capability, cell: DummyCell, place: Place) -> dict[str, Any] | None:
    time = cell.time_constant
    if time is None or cell.series_resistance is None:
        return None
    period = _STEP_TIMES * time / STEP_POINTS
    if period < capability.fastest_period:
        return None
    ranges = capability.current_ranges
    level = min(cell.largest_potential, capability.potential_high, FILL * ranges[-1] * cell.series_resistance)
    fixed = next(each for each in ranges if FILL * each * cell.series_resistance >= level * (1 - 1e-9))
    measure = {"phase": "measure", "potential": level, "duration": _STEP_TIMES * time, "period": period}
    settle = {"phase": "condition", "potential": 0.0, "duration": max(1.0, 10 * time), "period": 1.0}
    head = _head("step", cell, place, fixed=fixed)
    return {**head, "technique": "chronoamperometry", "phases": [settle, measure]}


def _head(name: str, cell: DummyCell, place: Place, fixed: float | None = None) -> dict[str, Any]:
    return {
        "version": 1,
        "name": name,
        "notes": f"Qualification on the dummy cell {cell.name}",
        "setup": {"reference": place.reference, "sample": cell.name, "cell": "a dummy cell in the place of the cell"},
        **({} if fixed is None else {"ranging": {"fixed": fixed}}),
    }


def _name(what: str, full_scale: float) -> str:
    """A name that bears a current range: range-10ua."""
    return f"{what}-{range_word(full_scale).lower()}".replace(".", "-")


def range_word(full_scale: float) -> str:
    """A current range as part of a quantity's name: 10uA."""
    return "".join(show(full_scale, "A").replace("µ", "u").split())
