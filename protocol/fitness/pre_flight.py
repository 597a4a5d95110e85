"""The method of a look at the cell before a run, made from the method that is to be run and what the instrument can do.

It is a run like any other: the cell rests at open circuit, then an alternating potential of a few millivolts about the
open-circuit potential goes from a high frequency down; where the instrument measures no impedance, a step of as much.
"""

from typing import Any

from luggin.protocol.capability import Capability
from luggin.protocol.method import Method

TAG = "pre-flight"
_PERIOD = 0.02
_HIGHEST, _LOWEST, _PER_DECADE = 10e3, 100.0, 4
_STEP_SECONDS = 1.0
_SPARE = 3.0
"""How many amplitudes the window of plausible potentials keeps from the instrument's own."""


def pre_flight_method(method: Method, capability: Capability) -> dict[str, Any]:
    """The document of the look before `method`, which asks for one."""
    choice = method.pre_flight
    assert choice is not None
    period = max(_PERIOD, capability.fastest_period)
    rest = {"phase": "rest", "duration": max(choice.rest, 10 * period), "period": period}
    technique, measure = _measurement(choice.amplitude, capability)
    setup = method.setup.model_dump(mode="json", exclude_none=True)
    spare = _SPARE * choice.amplitude
    return {
        "version": 1,
        "name": f"before-{method.name}"[:64],
        "technique": technique,
        "notes": f"A look at the cell before {method.name}",
        "setup": {**setup, "tags": [TAG]},
        "phases": [rest, measure],
        "open_circuit": {"low": capability.potential_low + spare, "high": capability.potential_high - spare},
        "longest_hold": 0.0,
        "mains_frequency": method.mains_frequency,
        "evaluation": {
            "kind": "pre-flight",
            "smallest_resistance": choice.smallest_resistance,
            "largest_resistance": choice.largest_resistance,
            "largest_noise": choice.largest_noise,
            "current_ranges": list(capability.current_ranges),
            **_scan_rate(method),
        },
    }


def _measurement(amplitude: float, capability: Capability) -> tuple[str, dict[str, Any]]:
    lowest, highest = capability.lowest_frequency, capability.highest_frequency
    if "sine" in capability.segments and lowest is not None and highest is not None:
        high = min(_HIGHEST, highest)
        return "impedance-spectroscopy", {
            "phase": "measure",
            "potential": 0.0,
            "versus": "open-circuit",
            "amplitude": amplitude,
            "amplitude_as": "rms",
            "highest_frequency": high,
            "lowest_frequency": max(lowest, min(_LOWEST, high / 10)),
            "per_decade": _PER_DECADE,
        }
    period = max(_PERIOD, capability.fastest_period)
    return "chronoamperometry", {
        "phase": "measure",
        "potential": amplitude,
        "versus": "open-circuit",
        "duration": max(_STEP_SECONDS, 10 * period),
        "period": period,
    }


def _scan_rate(method: Method) -> dict[str, float]:
    rate = getattr(method.measurement, "scan_rate", None)
    return {} if rate is None else {"scan_rate": float(rate)}
