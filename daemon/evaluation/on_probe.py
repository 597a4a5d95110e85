"""An electrode in a redox probe: separation, height ratio and half-wave potential of its peaks, and its area."""

from collections.abc import Sequence

from luggin.daemon.analysis.diffusion import randles_sevcik
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.evaluation.peaks import find_peaks
from luggin.daemon.evaluation.resistance import at_high_frequency
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation import settings_of
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.evaluation.peak_settings import Peaks
from luggin.protocol.fitness.probe import RedoxProbe
from luggin.protocol.fitness.results import Item, item

TECHNIQUE = "cyclic-voltammetry"
_TELLING_DROP = 1e-3
_FEWEST_RATES = 3


def on_probe(runs: Sequence[RunData], probe: RedoxProbe) -> tuple[list[Item], tuple[str, ...]]:
    """The items, and sentences on what makes them doubtful.

    The peaks are looked for anew in the usual way, so that no edit by hand decides on an electrode.
    """
    items: list[Item] = []
    notes: list[str] = []
    heights: list[tuple[float, float]] = []
    resistance: float | None = None
    for run in runs:
        if run.technique == "uncompensated-resistance":
            resistance = at_high_frequency(run)
            items.append(item("uncompensated-resistance", resistance, None, None, "ohm", run.run))
        if run.technique != TECHNIQUE:
            continue
        rate = _scan_rate(run)
        settings = settings_of("peaks", None, run.technique)
        assert isinstance(settings, Peaks)
        body = PeaksBody.model_validate(find_peaks([run], settings).body)
        items += _of_scan(run, body, rate, probe)
        if body.couples:
            first = body.couples[0]
            anodic, cathodic = body.at(first.anodic).height, body.at(first.cathodic).height
            heights.append((rate, cathodic if first.forward == "cathodic" else anodic))
            if resistance is not None:
                notes += _ohmic(rate, resistance * (anodic - cathodic))
    if not any(run.technique == TECHNIQUE for run in runs):
        return [], ()
    if probe.concentration is not None and sum(run.technique == TECHNIQUE for run in runs) >= _FEWEST_RATES:
        found, doubts = _area(runs[-1], probe, heights)
        items.append(found)
        notes += doubts
    return items, tuple(notes)


def _ohmic(rate: float, drop: float) -> list[str]:
    """How much of a separation is the drop (V) across the uncompensated resistance; that is not taken off."""
    if drop < _TELLING_DROP:
        return []
    return [f"at {rate:.3g} V/s about {drop * 1e3:.1f} mV of the peak separation are ohmic drop"]


def _of_scan(run: RunData, body: PeaksBody, rate: float, probe: RedoxProbe) -> list[Item]:
    word = f"{rate * 1e3:.6g}mV/s"
    first = body.couples[0] if body.couples else None
    note = "" if first is not None else "no pair of peaks was found"
    centre, within = probe.half_wave_potential, probe.half_wave_within
    low, high = probe.height_ratio

    def made(
        name: str, value: float | None, least: float | None, most: float | None, unit: str, u: float | None
    ) -> Item:
        return item(f"{name}.{word}", value, least, most, unit, run.run, u=u, note=note)

    if first is None:
        return [
            made("peak-separation", None, 0.0, probe.largest_separation, "V", None),
            made("height-ratio", None, low, high, "1", None),
            made("half-wave-potential", None, centre - within, centre + within, "V", None),
        ]
    return [
        made("peak-separation", first.separation, 0.0, probe.largest_separation, "V", first.u_separation),
        made("height-ratio", abs(first.height_ratio), low, high, "1", first.u_height_ratio),
        made(
            "half-wave-potential",
            first.half_wave_potential,
            centre - within,
            centre + within,
            "V",
            first.u_half_wave_potential,
        ),
    ]


def _area(run: RunData, probe: RedoxProbe, heights: list[tuple[float, float]]) -> tuple[Item, list[str]]:
    """From the slope over the square roots of the scan rates, against the area that the method states."""
    stated = run.header.method.get("setup", {}).get("area")
    share = probe.area_within
    low, high = (None, None) if stated is None else (float(stated) * (1 - share), float(stated) * (1 + share))
    assert probe.concentration is not None
    assert probe.diffusion_coefficient is not None
    try:
        found = randles_sevcik(
            [rate for rate, _ in heights],
            [height for _, height in heights],
            concentration=probe.concentration,
            diffusion_coefficient=probe.diffusion_coefficient,
            electrons=probe.electrons,
            temperature=probe.temperature,
        )
    except AnalysisError as error:
        return item("area", None, low, high, "m2", run.run, note=str(error)), []
    area, doubts = found.value, [f"area: {warning}" for warning in found.value.warnings]
    return item("area", area.value, low, high, "m2", run.run, u=area.standard_uncertainty), doubts


def _scan_rate(run: RunData) -> float:
    phases = run.header.method.get("phases", ())
    return float(next(phase["scan_rate"] for phase in phases if phase.get("phase") == "measure"))
