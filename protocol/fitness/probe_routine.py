"""The runs that qualify an electrode in a redox probe: the resistance, and a voltammogram for each scan rate."""

from typing import Any

from luggin.protocol.capability import Capability
from luggin.protocol.fitness.dummy_routine import Place, Routine, qualifying
from luggin.protocol.fitness.probe import RedoxProbe

_SETTLE = 5.0
_FREQUENCY = 10e3
_AMPLITUDE = 0.01


def probe_routine(capability: Capability, probe: RedoxProbe, place: Place, valid_for: float | None = None) -> Routine:
    """The sequence that qualifies the electrode of `place`: a prompt, the runs, and the evaluation of all of them."""
    methods: dict[str, dict[str, Any]] = {}
    left_out: list[str] = []
    highest = capability.highest_frequency
    if "sine" in capability.segments and highest is not None:
        methods["resistance"] = _resistance(probe, place, min(_FREQUENCY, highest))
    else:
        left_out.append("the uncompensated resistance: the instrument measures no impedance")
    for rate in sorted(probe.scan_rates):
        methods[f"cv-{rate * 1e3:.4g}mv-s".replace(".", "-")] = _voltammogram(probe, place, rate)
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


def _voltammogram(probe: RedoxProbe, place: Place, rate: float) -> dict[str, Any]:
    start, turn = _start(probe)
    measure = {
        "phase": "measure",
        "initial_potential": start,
        "first_switching_potential": turn,
        "second_switching_potential": start,
        "scan_rate": rate,
        "step": probe.step,
    }
    settle = {"phase": "settle", "duration": _SETTLE, "period": 1.0}
    head = _head(f"cv-{rate * 1e3:.4g}mv-s".replace(".", "-"), probe, place)
    return {**head, "technique": "cyclic-voltammetry", "phases": [settle, measure]}


def _resistance(probe: RedoxProbe, place: Place, frequency: float) -> dict[str, Any]:
    measure = {"phase": "measure", "potential": _start(probe)[0], "amplitude": _AMPLITUDE, "frequency": frequency}
    settle = {"phase": "settle", "duration": 1.0, "period": 1.0}
    head = _head("resistance", probe, place)
    return {**head, "technique": "uncompensated-resistance", "phases": [settle, measure]}


def _head(name: str, probe: RedoxProbe, place: Place) -> dict[str, Any]:
    setup: dict[str, Any] = {"reference": place.reference, "electrode": place.electrode, "sample": probe.name}
    if place.area is not None:
        setup["area"] = place.area
    return {"version": 1, "name": name, "notes": f"Qualification in the probe {probe.name}", "setup": setup}
