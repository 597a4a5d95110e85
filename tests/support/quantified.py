"""Runs whose peaks have given heights, for what is computed from several of them; all invented."""

from collections.abc import Iterable, Mapping
from typing import Any

from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation import settings_of
from luggin.protocol.evaluation.peak_results import AnalytePeak, Peak, PeakBaseline, PeaksBody, Sweep
from luggin.protocol.payloads import Evaluation
from support.evaluated import evaluation
from support.stored_runs import result
from support.voltammograms import header_of, pulse_columns

DPV = "differential-pulse-voltammetry"
ANALYTE = "paracetamol"
WINDOW = {"name": ANALYTE, "window": [0.2, 0.5]}


def peaks_body(height: float | None) -> PeaksBody:
    """One sweep in which the analyte has a peak of this height, A, or none."""
    peaks: tuple[Peak, ...] = ()
    if height is not None:
        line = PeakBaseline(kind="straight", potential=(0.2, 0.5), current=(0.0, 0.0))
        shape: dict[str, Any] = {"half_width": 0.09, "half_peak_potential": 0.3, "asymmetry": 1.0, "charge": None}
        size = {"height": height, "area": 0.1 * height, "u_height": 1e-9, "u_potential": 1e-4}
        peaks = (
            Peak(polarity="anodic", potential=0.35, shape="peak", overlapped=False, baseline=line, **shape, **size),
        )
    sweep = Sweep(
        number=1, first=0, after=225, cycle=1, direction=1, noise=1e-9, scan_rate=None,
        points_used=225, points_ignored=0, peaks=peaks,
    )  # fmt: skip
    owner = AnalytePeak(
        analyte=ANALYTE,
        sweep=1,
        status="missing" if height is None else "found",
        peak=None if height is None else 0,
        window=(0.2, 0.5),
    )
    return PeaksBody(sweeps=(sweep,), analytes=(owner,))


def peaks_of(run: str, height: float | None, **settings: Any) -> Evaluation:
    complete = settings_of("peaks", {"analytes": [WINDOW], **settings}, DPV).model_dump(mode="json")
    return evaluation(f"peaks-{run}", (run,), settings=complete, body=peaks_body(height).model_dump(mode="json"))


def measured(
    run: str,
    height: float | None,
    *tags: str,
    state: str = "Complete",
    flags: tuple[str, ...] = (),
    stored: Mapping[str, Evaluation] | None = None,
    peak_settings: Mapping[str, Any] | None = None,
    utc: float | None = None,
    setup: Mapping[str, Any] | None = None,
    **method: Any,
) -> RunData:
    """A finished run by differential pulses, its peaks evaluated.  `tags` end in its label."""
    header = header_of(run, DPV, **method)
    section = {**header.method["setup"], "tags": list(tags), **(setup or {})}
    header = header.model_copy(update={"method": {**header.method, "setup": section}, "utc": utc or header.utc})
    found = peaks_of(run, height, **(peak_settings or {}))
    known = stored or {}
    return RunData(
        header,
        pulse_columns,
        result(run, 225).model_copy(update={"state": state}),
        lambda kind: found if kind == "peaks" else None,
        known.get,
        lambda: flags,
    )


def labelled(levels: Mapping[str, Iterable[float | None]], **more: Any) -> list[RunData]:
    """Runs named after their label and replicate."""
    return [
        measured(f"{label}-run-{number}", height, label, **more)
        for label, heights in levels.items()
        for number, height in enumerate(heights, 1)
    ]


def stored(found: Finding, kind: str, name: str, expires: float | None = None) -> Evaluation:
    return evaluation(
        name, ("run-1",), kind=kind, subject=found.subject, body=dict(found.body), settings={}, expires=expires
    )
