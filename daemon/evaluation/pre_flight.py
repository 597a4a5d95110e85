"""The kind `pre-flight`: resistance, capacitance and noise of a cell, and what is likely wrong with it."""

from collections.abc import Iterator, Sequence

import numpy as np

from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.pre_flight_settings import Fault, PreFlight, PreFlightBody
from luggin.protocol.instrument import Outcome
from luggin.protocol.points import Array, Flag
from luggin.protocol.quantity import show

_UNITS = {
    "open-circuit-potential": "V",
    "open-circuit-noise": "V",
    "open-circuit-drift": "V/s",
    "uncompensated-resistance": "ohm",
    "capacitance": "F",
    "charging-current": "A",
}
_HEADROOM = 5.0
"""How many times the charging current the proposed range holds."""
_FEWEST = 5
_SEEN = 0.02
"""Share of the impedance that what lies behind the resistance must have, to be told apart from it."""


def look(runs: Sequence[RunData], settings: PreFlight) -> Finding:
    """Of one run, however it ended: an aborted one tells most of what is wrong."""
    (run,) = runs
    found = dict(_at_rest(run))
    frequency, z, flags = _spectrum(run)
    fit = np.isfinite(z) & (flags & int(Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD) == 0)
    found |= _parts(frequency[fit], z[fit])
    if "capacitance" in found and settings.scan_rate is not None:
        found["charging-current"] = found["capacitance"] * settings.scan_rate
    faults = tuple(_faults(run, settings, found, z, flags, fit))
    body = PreFlightBody(
        passed=not faults,
        faults=faults,
        proposed_range=_range(settings, found.get("charging-current")),
        quantities=found,
        units={name: _UNITS[name] for name in found},
    )
    warnings = [each.sentence for each in faults]
    if run.technique == "chronoamperometry":
        warnings.append("the instrument measures no impedance: resistance and capacitance are not known")
    subject = f"instrument/{run.header.instrument}"
    return Finding(body.model_dump(mode="json"), tuple(warnings), subject, settings.valid_for)


def _at_rest(run: RunData) -> Iterator[tuple[str, float]]:
    """Potential, its noise about its drift, and the drift, at open circuit before the measurement."""
    columns = run.columns
    if "potential" not in columns or "phase" not in columns:
        return
    resting = (columns["phase"] == 0) & np.isfinite(columns["potential"])
    time, potential = columns["time"][resting].astype(float), columns["potential"][resting].astype(float)
    if len(time) < _FEWEST:
        return
    away = time - time.mean()
    slope = float((away * potential).sum() / (away**2).sum())
    about = potential - potential.mean() - slope * away
    yield "open-circuit-potential", float(potential[-1])
    yield "open-circuit-noise", float(np.sqrt((about**2).sum() / (len(about) - 2)))
    yield "open-circuit-drift", slope


def _spectrum(run: RunData) -> tuple[Array, Array, Array]:
    """Frequencies (Hz, falling), impedances (ohm) and flags of shape (n,)."""
    columns = run.measured
    if "impedance_real" not in columns:
        return np.empty(0), np.empty(0, dtype=complex), np.empty(0, dtype=int)
    z = columns["impedance_real"].astype(float) + 1j * columns["impedance_imaginary"].astype(float)
    here = columns["frequency"] > 0
    flags = columns["flags"].astype(int) if "flags" in columns else np.zeros(len(z), dtype=int)
    return columns["frequency"][here].astype(float), z[here], flags[here]


def _parts(frequency: Array, z: Array) -> dict[str, float]:
    """The resistance at the highest frequency, and the capacitance behind it: the median over the lower ones."""
    if not len(z):
        return {}
    order = np.argsort(frequency)
    f, z = frequency[order], z[order]
    found = {"uncompensated-resistance": float(z[-1].real)}
    behind = z[:-1] - z[-1].real
    seen = np.abs(behind) > _SEEN * np.abs(z[:-1])
    if seen.any():
        capacitance = float(np.median((1 / behind[seen]).imag / (2 * np.pi * f[:-1][seen])))
        if capacitance > 0:
            found["capacitance"] = capacitance
    return found


def _faults(
    run: RunData, settings: PreFlight, found: dict[str, float], z: Array, flags: Array, fit: Array
) -> Iterator[Fault]:
    outcome = None if run.result is None else run.result.outcome
    resistance, noise = found.get("uncompensated-resistance"), found.get("open-circuit-noise")
    measured = run.measured.get("flags", np.empty(0, dtype=int)).astype(int)
    if outcome in (Outcome.CONTROL_OVERLOAD, Outcome.LIMIT) or (measured & int(Flag.CONTROL_OVERLOAD)).any():
        yield Fault(
            kind="reference-open",
            sentence="the potential that is asked for is not reached: the reference or the counter electrode is open,"
            " by a loose lead, a bubble in the Luggin capillary or a dry frit",
        )
    elif len(measured) and (measured & int(Flag.CURRENT_OVERLOAD)).all():
        yield Fault(kind="short", sentence="a few millivolts drive more current than the largest range holds: a short")
    elif run.technique == "chronoamperometry":
        yield from _of_step(run, settings)
    elif not fit.any():
        yield Fault(kind="no-answer", sentence="the cell gave no impedance that can be evaluated; look at its run")
    elif abs(z[fit][0]) > settings.open_above:
        words = f"next to no current flows ({_told(abs(z[fit][0]))}): a lead is loose, or an electrode is dry"
        yield Fault(kind="open", sentence=words)
    elif resistance is not None and resistance < settings.smallest_resistance:
        words = f"the uncompensated resistance is {_told(resistance)}, less than a cell has: a short"
        yield Fault(kind="short", sentence=words)
    elif resistance is not None and resistance > settings.largest_resistance:
        yield Fault(
            kind="resistance",
            sentence=f"the uncompensated resistance is {_told(resistance)}, above {_told(settings.largest_resistance)}:"
            " a blocked or dry reference, a bubble, or too little electrolyte",
        )
    if noise is not None and noise > settings.largest_noise:
        yield Fault(
            kind="noise",
            sentence=f"the open-circuit potential scatters by {show(float(f'{noise:.3g}'), 'V')}, more than"
            f" {show(settings.largest_noise, 'V')}: a blocked reference, a loose lead or a missing screen",
        )


def _of_step(run: RunData, settings: PreFlight) -> Iterator[Fault]:
    """Of a slow instrument's step nothing but a short can be told: a sound electrode passes next to no current."""
    current, potential = run.measured.get("current"), run.measured.get("potential")
    if current is None or potential is None or not len(current):
        yield Fault(kind="no-answer", sentence="the step of potential gave no point; look at its run")
        return
    before = dict(_at_rest(run)).get("open-circuit-potential", 0.0)
    largest = float(np.nanmax(np.abs(current)))
    moved = float(np.nanmedian(np.abs(potential - before)))
    if largest > 0 and moved / largest < settings.smallest_resistance:
        yield Fault(kind="short", sentence=f"a step of {show(moved, 'V')} meets {_told(moved / largest)}: a short")


def _range(settings: PreFlight, charging: float | None) -> float | None:
    if charging is None:
        return None
    return next((each for each in settings.current_ranges if each >= _HEADROOM * charging), None)


def _told(resistance: float) -> str:
    return show(float(f"{resistance:.3g}"), "ohm")
