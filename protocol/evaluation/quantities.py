"""The numbers in evaluations that checks, charts and reports ask for by name; all SI.

`<analyte>.height`, `.potential`, `.area`, `.half-width`: of the first sweep in which the analyte was found;
`largest-peak.` with the same: of the highest peak, whatever it belongs to; `half-wave-potential` and
`peak-separation`: of the first couple.  Other kinds list theirs in their body under `quantities`.
"""

from collections.abc import Mapping
from typing import Any

from luggin.protocol.evaluation.peak_results import Peak, PeaksBody

_OF_A_PEAK = {"height": "height", "potential": "potential", "area": "area", "half-width": "half_width"}


def quantities(kind: str, body: Mapping[str, Any]) -> dict[str, float]:
    """What an evaluation of this kind found, by name; what it did not find is left out."""
    if kind == "peaks":
        return _of_peaks(PeaksBody.model_validate(body))
    listed = body.get("quantities", {})
    return {name: float(value) for name, value in listed.items() if isinstance(value, int | float)}


def unit_of(kind: str, body: Mapping[str, Any], name: str) -> str:
    """SI unit of a quantity, empty where the evaluation doesn't say."""
    if kind == "peaks":
        word = name.rpartition(".")[2]
        return {"height": "A", "area": "A V"}.get(word, "V")
    return str(body.get("units", {}).get(name, ""))


def _of_peaks(body: PeaksBody) -> dict[str, float]:
    found: dict[str, float] = {}
    for each in reversed(body.analytes):  # so that the first sweep's stand in the end
        if each.peak is not None:
            _, peak = next(pair for pair in body.of(each.analyte) if pair[0] is each)
            if peak is not None:
                found |= _named(each.analyte, peak)
    if body.peaks:
        _, largest = max(body.peaks, key=lambda pair: abs(pair[1].height))
        found |= _named("largest-peak", largest)
    if body.couples:
        found["half-wave-potential"] = body.couples[0].half_wave_potential
        found["peak-separation"] = body.couples[0].separation
    return found


def _named(name: str, peak: Peak) -> dict[str, float]:
    values = {f"{name}.{word}": getattr(peak, field) for word, field in _OF_A_PEAK.items()}
    return {key: float(value) for key, value in values.items() if value is not None}
