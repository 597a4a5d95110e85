"""From a run's columns to the curve that its technique is usually looked at by."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from luggin.protocol import techniques
from luggin.protocol.points import Array, Flag
from luggin.protocol.techniques.base import View

Convention = Literal["iupac", "polarographic"]
"""IUPAC: anodic currents positive, potentials grow to the right.  Polarographic (also called American): cathodic
currents positive, potentials grow to the left."""

UNFIT = Flag.SETTLING | Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD
_SYMBOLS = {
    "applied_potential": ("E", "V"),
    "potential": ("E", "V"),
    "current": ("i", "A"),
    "charge": ("Q", "C"),
    "time": ("t", "s"),
    "impedance_real": ("Z'", "Ω"),
    "impedance_imaginary": ("Z''", "Ω"),
    "impedance": ("Z", "Ω"),
    "phase_angle": ("φ", "°"),
    "frequency": ("f", "Hz"),
}
HOUR = 3600.0
_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


@dataclass(frozen=True)
class Curve:
    """x and y of shape (points,) in SI units; y is NaN where a point is not fit to be judged by.

    Time counts from the beginning of the measuring phase, charge from there through all its steps.  `beside` are
    further columns over the same x, by name; `frequency` (Hz, same shape) is there where y is an impedance; `band` are
    lower and upper limits of y, same shape.
    """

    label: str
    view: View
    reference: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    beside: Mapping[str, NDArray[np.float64]] = field(default_factory=dict)
    frequency: NDArray[np.float64] | None = None
    band: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None


class CannotDraw(ValueError):
    """What doesn't go into one picture, or into any; the text says why and what to do."""


def curve(label: str, method: Mapping[str, Any], columns: Mapping[str, Array]) -> Curve:
    """The measuring phase of a run as its technique's usual curve; all points when that phase has none.

    Raises CannotDraw for a technique that this program doesn't know.
    """
    technique = techniques.TECHNIQUES.get(str(method.get("technique")))
    if technique is None:
        raise CannotDraw(f"{method.get('technique')!r} is no technique that this program knows; use a newer version")
    x_name, y_name = technique.view.x, technique.view.y
    count = len(next(iter(columns.values()), ()))
    wanted = np.ones(count, dtype=bool)
    if "phase" in columns:
        phases = enumerate(method.get("phases", ()))
        number = next((number for number, phase in phases if phase["phase"] == "measure"), None)
        measured = columns["phase"] == number
        wanted = measured if measured.any() else wanted
    x = _column(columns, x_name, count)[wanted]
    if x_name == "time":
        x = x - _begin(columns, wanted)
    drawn = {name: _column(columns, name, count)[wanted] for name in (y_name, *technique.view.beside)}
    if y_name == "charge":
        drawn[y_name] = _through(drawn[y_name], _column(columns, "applied_potential", count)[wanted])
    frequency = _column(columns, "frequency", count)[wanted] if y_name.startswith("impedance") else None
    if "flags" in columns:
        unfit = (columns["flags"][wanted] & int(UNFIT)) != 0
        for each in drawn.values():
            each[unfit] = np.nan
    return Curve(
        label, technique.view, str(method["setup"].get("reference", "")), x, drawn.pop(y_name), drawn, frequency
    )


def _begin(columns: Mapping[str, Array], wanted: NDArray[np.bool_]) -> float:
    """When the phase that is looked at began (s): at the last point before it."""
    first = int(np.argmax(wanted))
    return float(columns["time"][first - 1]) if first > 0 else 0.0


def _through(charge: NDArray[np.float64], applied: NDArray[np.float64]) -> NDArray[np.float64]:
    """Charge that goes on where another potential is stepped to, at which the column starts again."""
    steps = np.flatnonzero(np.abs(np.diff(applied)) > 0) + 1
    before = np.zeros(len(charge))
    before[steps] = charge[steps - 1]
    return charge + np.cumsum(before)


def _column(columns: Mapping[str, Array], name: str, count: int) -> NDArray[np.float64]:
    found = columns.get(name)
    return np.full(count, np.nan) if found is None else found.astype(np.float64)


def scale(values: NDArray[np.float64]) -> tuple[float, str]:
    """(factor, prefix) that bring the largest magnitude between 1 and 1000."""
    finite = np.abs(values[np.isfinite(values)])
    largest = float(finite.max()) if finite.size else 0.0
    if largest == 0.0:
        return 1.0, ""
    exponent = min(max(int(np.floor(np.log10(largest) / 3)) * 3, -12), 9)
    return 10.0**-exponent, _PREFIXES[exponent]


def time_scale(times: NDArray[np.float64]) -> tuple[float, str]:
    """(factor, unit) in which times are shown: hours or days for long runs, else seconds ("")."""
    longest = float(np.nanmax(times, initial=0.0))
    return (1.0, "") if longest < 3 * HOUR else (1 / HOUR, "h") if longest < 5 * 24 * HOUR else (1 / (24 * HOUR), "d")


def title(
    name: str, prefix: str, reference: str, *, minus: bool = False, magnitude: bool = False, net: bool = False
) -> str:
    """An axis title: symbol, solidus, unit.  A `net` quantity is a difference; of time `prefix` may be another unit."""
    symbol, unit = _SYMBOLS[name]
    if name == "time" and prefix:
        unit = ""
    symbol = f"Δ{symbol}" if net else symbol
    symbol = f"−{symbol}" if minus else f"|{symbol}|" if magnitude else symbol
    against = f" vs {reference}" if name in ("applied_potential", "potential") else ""
    return f"{symbol} / {prefix}{unit}{against}"
