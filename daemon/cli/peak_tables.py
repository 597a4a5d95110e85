"""Peaks in words and tables for the terminal."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from luggin.daemon.cli.words import aligned, moment

if TYPE_CHECKING:
    from luggin.protocol.evaluation.peak_results import Peak, PeaksBody
    from luggin.protocol.evaluation.peak_settings import Peaks
    from luggin.protocol.payloads import Evaluation

_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: ""}


def overview(evaluation: "Evaluation") -> tuple[str, ...]:
    """One line of a list: name, when, by whom, how many peaks, what was done by hand."""
    body, settings = _read(evaluation)
    by_hand = ", ".join(f"{edit.action} {_where(edit)}" for edit in settings.edits) or "-"
    return evaluation.name, moment(evaluation.utc), evaluation.asked_by, str(len(body.peaks)), by_hand


def page(evaluation: "Evaluation", most: int = 1000) -> Iterator[str]:
    """Everything about the peaks of a run, at most `most` lines a table."""
    body, settings = _read(evaluation)
    vouched = "" if evaluation.verified else " (not verified)"
    yield f"peaks of {evaluation.runs[0]}: {evaluation.name}"
    yield f"  made        {moment(evaluation.utc)} by {evaluation.asked_by}{vouched}, {evaluation.software}"
    yield f"  settings    {_told(settings)}"
    yield from peak_lines(body, most)
    yield from _couples(body, most)
    yield from _analytes(body, most)
    for warning in evaluation.warnings:
        yield f"  note        {warning}"


def peak_lines(body: "PeaksBody", most: int) -> Iterator[str]:
    """The table of peaks."""
    if not body.peaks:
        yield "  no peak"
        return
    prefix, factor = _scale([peak.height for _, peak in body.peaks])
    charged = [peak.charge for _, peak in body.peaks if peak.charge is not None]
    charge_prefix, charge_factor = _scale(charged)
    owners = {(each.sweep, each.peak): each.analyte for each in body.analytes if each.peak is not None}
    head = ["sweep", "cycle", "peak", "E_p / V", f"i_p / {prefix}A", "W_1/2 / mV", "E_p/2 / V", "asymmetry"]
    head += [f"area / {prefix}A V"] + ([f"Q / {charge_prefix}C"] if charged else []) + (["analyte"] if owners else [])
    rows = [(*head, "")]
    for sweep, peak in body.peaks[:most]:
        row = [str(sweep.number), "" if sweep.cycle is None else str(sweep.cycle), peak.polarity]
        row += [_with(peak.potential, peak.u_potential), _with(peak.height * factor, peak.u_height * factor)]
        row += [_number(peak.half_width, 1e3), _number(peak.half_peak_potential, 1, 4), _number(peak.asymmetry, 1)]
        row.append(_number(peak.area, factor))
        row += [_number(peak.charge, charge_factor)] if charged else []
        row += [owners.get((sweep.number, sweep.peaks.index(peak)), "-")] if owners else []
        rows.append((*row, _remark(peak)))
    yield from aligned(rows)
    yield from _more(len(body.peaks), most)


def _couples(body: "PeaksBody", most: int) -> Iterator[str]:
    if not body.couples:
        return
    rows = [("cycle", "E_1/2 / V", "E_pa - E_pc / mV", "i_p back / i_p forward")]
    rows += [
        (
            "" if each.cycle is None else str(each.cycle),
            _with(each.half_wave_potential, each.u_half_wave_potential),
            _with(each.separation * 1e3, each.u_separation * 1e3),
            _with(each.height_ratio, each.u_height_ratio),
        )
        for each in body.couples[:most]
    ]
    yield from aligned(rows)
    yield from _more(len(body.couples), most)


def _analytes(body: "PeaksBody", most: int) -> Iterator[str]:
    if not body.analytes:
        return
    rows = [("analyte", "sweep", "status", "window / V", "")]
    rows += [
        (
            each.analyte,
            str(each.sweep),
            each.status,
            "" if each.window is None else f"{each.window[0]:.4g} to {each.window[1]:.4g}",
            each.note or "",
        )
        for each in body.analytes[:most]
    ]
    yield from aligned(rows)
    yield from _more(len(body.analytes), most)
    if body.unassigned:
        left = ", ".join(f"{body.at(place).potential:.4g} V (sweep {place.sweep})" for place in body.unassigned[:most])
        yield f"  of no analyte: {left}"


def _read(evaluation: "Evaluation") -> "tuple[PeaksBody, Peaks]":
    from luggin.protocol.evaluation.peak_results import PeaksBody
    from luggin.protocol.evaluation.peak_settings import Peaks

    return PeaksBody.model_validate(evaluation.body), Peaks.model_validate(evaluation.settings)


def _told(settings: "Peaks") -> str:
    """The settings that a reader asks for first, and every other one that is not the default."""
    from luggin.protocol.evaluation.peak_settings import Peaks

    usual = Peaks()
    said = [f"baseline {settings.baseline.kind}"]
    anchors = getattr(settings.baseline, "anchors", None)
    if anchors is not None:
        said[0] += f" at {anchors[0]:g} and {anchors[1]:g} V"
    if settings.smoothing is not None:
        said.append(f"smoothed over {settings.smoothing.width * 1e3:g} mV")
    if settings.search is not None:
        said.append(f"searched from {settings.search[0]:g} to {settings.search[1]:g} V")
    plain = set(Peaks.model_fields) - {"kind", "baseline", "smoothing", "search", "analytes", "edits"}
    said += [
        f"{name.replace('_', ' ')} {getattr(settings, name)}"
        for name in Peaks.model_fields
        if name in plain and getattr(settings, name) != getattr(usual, name)
    ]
    said += [f"{edit.action} by hand {_where(edit)}" for edit in settings.edits]
    return "; ".join(said)


def _where(edit: object) -> str:
    potential, anchors, sweep = (getattr(edit, name) for name in ("potential", "anchors", "sweep"))
    said = [] if potential is None else [f"at {potential:g} V"]
    said += [] if anchors is None else [f"between {anchors[0]:g} and {anchors[1]:g} V"]
    said += [] if sweep is None else [f"in sweep {sweep}"]
    return " ".join(said)


def _remark(peak: "Peak") -> str:
    said: list[str] = [peak.shape] if peak.shape != "peak" else []
    said += ["by hand"] if peak.by_hand else []
    said += ["overlapped"] if peak.overlapped else []
    return ", ".join(said)


def _with(value: float, uncertainty: float) -> str:
    from luggin.daemon.analysis.rounding import rounded

    return str(rounded(value, uncertainty)) if uncertainty > 0 else f"{value:.6g}"


def _number(value: float | None, factor: float, digits: int = 3) -> str:
    return "-" if value is None else f"{value * factor:#.{digits}g}".rstrip(".")


def _scale(values: list[float]) -> tuple[str, float]:
    """(prefix, factor) that bring the largest magnitude between 1 and 1000."""
    import math

    largest = max((abs(value) for value in values), default=0.0)
    exponent = min(max(math.floor(math.log10(largest) / 3) * 3, -15), 0) if largest > 0 else 0
    return _PREFIXES[exponent], 10.0**-exponent


def _more(count: int, most: int) -> Iterator[str]:
    if count > most:
        yield f"  ... and {count - most} more"


__all__ = ["overview", "page", "peak_lines"]
