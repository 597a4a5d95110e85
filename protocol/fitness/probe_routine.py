"""The runs that qualify an electrode in a redox probe: the resistance, and a voltammogram for each scan rate."""

from typing import Any

from luggin.protocol.capability import Capability
from luggin.protocol.fitness.dummy_routine import Place, Routine, qualifying
from luggin.protocol.fitness.probe import RedoxProbe
from luggin.protocol.problem import DocumentError, Problem
from luggin.protocol.quantity import show

_SETTLE = 5.0
_FREQUENCY = 10e3
_AMPLITUDE = 0.01
_COARSEST = 0.005
"""Largest distance (V) of two points that a peak is still read from."""


def probe_routine(capability: Capability, probe: RedoxProbe, place: Place, valid_for: float | None = None) -> Routine:
    """The sequence that qualifies the electrode of `place`: a prompt, the runs, and the evaluation of all of them.

    Raises DocumentError when the instrument is too slow for every scan rate.
    """
    methods: dict[str, dict[str, Any]] = {}
    left_out: list[str] = []
    highest = capability.highest_frequency
    if "sine" in capability.segments and highest is not None:
        methods["resistance"] = _resistance(probe, place, min(_FREQUENCY, highest))
    else:
        left_out.append("the uncompensated resistance: the instrument measures no impedance")
    for rate in sorted(probe.scan_rates):
        step = max(probe.step, rate * capability.fastest_period)
        if step > _COARSEST or rate > capability.steepest_sweep:
            left_out.append(f"the scan rate {show(rate, 'V/s')}: the instrument samples too slowly for it")
            continue
        methods[_name(rate)] = _voltammogram(probe, place, rate, step)
    if not any(each["technique"] == "cyclic-voltammetry" for each in methods.values()):
        reason = "the instrument samples too slowly for every one of them"
        raise DocumentError([Problem("scan_rates", list(probe.scan_rates), reason, "give slower ones")])
    evaluation = {
        "kind": "qualification",
        "probe": probe.model_dump(mode="json", exclude_none=True),
        "left_out": left_out,
        **({} if valid_for is None else {"valid_for": valid_for}),
    }
    prompt = f"Put the electrode {place.electrode}, rinsed, with its reference and counter into the probe {probe.name}."
    return Routine(qualifying(probe.name, prompt, methods, evaluation), tuple(left_out))


def _start(probe: RedoxProbe) -> tuple[float, float]:
    """Where the form in solution is stable, and the other end of the sweep (V)."""
    sign = 1 if probe.contains == "oxidised" else -1
    return probe.half_wave_potential + sign * probe.span, probe.half_wave_potential - sign * probe.span


def _voltammogram(probe: RedoxProbe, place: Place, rate: float, step: float) -> dict[str, Any]:
    start, turn = _start(probe)
    measure = {
        "phase": "measure",
        "initial_potential": start,
        "first_switching_potential": turn,
        "second_switching_potential": start,
        "scan_rate": rate,
        "step": step,
    }
    settle = {"phase": "settle", "duration": _SETTLE, "period": 1.0}
    head = _head(_name(rate), probe, place)
    return {**head, "technique": "cyclic-voltammetry", "phases": [settle, measure]}


def _resistance(probe: RedoxProbe, place: Place, frequency: float) -> dict[str, Any]:
    measure = {"phase": "measure", "potential": _start(probe)[0], "amplitude": _AMPLITUDE, "frequency": frequency}
    settle = {"phase": "settle", "duration": 1.0, "period": 1.0}
    head = _head("resistance", probe, place)
    return {**head, "technique": "uncompensated-resistance", "phases": [settle, measure]}


def _name(rate: float) -> str:
    return f"cv-{rate * 1e3:.4g}mv-s".replace(".", "-")


def _head(name: str, probe: RedoxProbe, place: Place) -> dict[str, Any]:
    setup: dict[str, Any] = {"reference": place.reference, "electrode": place.electrode, "sample": probe.name}
    if place.area is not None:
        setup["area"] = place.area
    return {"version": 1, "name": name, "notes": f"Qualification in the probe {probe.name}", "setup": setup}
