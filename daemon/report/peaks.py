"""Peaks in a report."""

from luggin.daemon.report.parts import Part, Table, cut, measured, scaled
from luggin.protocol.evaluation.peak_results import Peak, PeaksBody, Sweep
from luggin.protocol.payloads import Evaluation

_MOST = 40


def peaks_part(made: Evaluation) -> Part:
    """Every peak with its baseline, the couples and the analytes."""
    body = PeaksBody.model_validate(made.body)
    tables = [each for each in (_peaks(body), _baselines(body), _couples(body), _analytes(body)) if each is not None]
    notes = dict.fromkeys(
        f"sweep {sweep.number}: {note}"
        for sweep in body.sweeps
        for note in (*sweep.notes, *(n for peak in sweep.peaks for n in peak.notes))
    )
    shown, left_out = cut([(each,) for each in notes], _MOST)
    more = [f"{left_out} more remarks are not shown here"] if left_out else []
    count = len(body.peaks)
    return Part(
        title="Peaks",
        result=[f"{count} peak{'s' * (count != 1)}" if count else "No peak was found."],
        tables=tables,
        notes=[*(each for (each,) in shown), *more],
    )


def _peaks(body: PeaksBody) -> Table | None:
    if not body.peaks:
        return None
    factor, prefix = scaled([peak.height for _, peak in body.peaks])
    charge_factor, charge_prefix = scaled([peak.charge for _, peak in body.peaks])
    owners = {(each.sweep, each.peak): each.analyte for each in body.analytes if each.peak is not None}
    rows = [
        (
            str(sweep.number),
            peak.polarity,
            owners.get((sweep.number, sweep.peaks.index(peak)), ""),
            measured(peak.potential, peak.u_potential),
            measured(peak.height, peak.u_height, factor),
            measured(peak.half_width, None, 1e3, 3),
            measured(peak.area, None, factor, 3),
            measured(peak.charge, None, charge_factor, 3),
            _remark(peak),
        )
        for sweep, peak in body.peaks
    ]
    head: tuple[str, ...] = ("sweep", "", "analyte", "E_p / V", f"i_p / {prefix}A", "W_1/2 / mV")
    head = (*head, f"area / ({prefix}A V)", f"Q / {charge_prefix}C", "")
    shown, left_out = cut(rows, _MOST)
    return Table(head, shown, "Peaks, with standard uncertainties", left_out).without_empty_columns()


def _remark(peak: Peak) -> str:
    said: list[str] = [peak.shape] if peak.shape != "peak" else []
    said += ["set by hand"] if peak.by_hand else []
    said += ["overlapped"] if peak.overlapped else []
    return ", ".join(said)


def _baselines(body: PeaksBody) -> Table | None:
    if not body.peaks:
        return None
    currents = [current for _, peak in body.peaks for current in peak.baseline.current]
    factor, prefix = scaled(currents)

    def ends(sweep: Sweep, peak: Peak) -> tuple[str, ...]:
        line = peak.baseline
        corners = [(line.potential[at], line.current[at] * factor) for at in (0, -1)] if line.potential else []
        words = [f"{potential:.4g} V, {current:.4g} {prefix}A" for potential, current in corners]
        return (str(sweep.number), f"{peak.potential:.4g}", line.kind, *(words or ["-", "-"]))

    shown, left_out = cut([ends(*pair) for pair in body.peaks], _MOST)
    return Table(("sweep", "E_p / V", "kind", "from", "to"), shown, "Baselines under the peaks", left_out)


def _couples(body: PeaksBody) -> Table | None:
    rows = [
        (
            "" if each.cycle is None else str(each.cycle),
            measured(each.half_wave_potential, each.u_half_wave_potential),
            measured(each.separation, each.u_separation, 1e3),
            measured(each.height_ratio, each.u_height_ratio),
        )
        for each in body.couples
    ]
    shown, left_out = cut(rows, _MOST)
    head = ("cycle", "E_1/2 / V", "E_pa − E_pc / mV", "i_p back / i_p forward")
    return Table(head, shown, "Couples", left_out) if rows else None


def _analytes(body: PeaksBody) -> Table | None:
    rows = [
        (
            each.analyte,
            str(each.sweep),
            each.status,
            "" if each.window is None else f"{each.window[0]:.4g} to {each.window[1]:.4g}",
            each.note or "",
        )
        for each in body.analytes
    ]
    shown, left_out = cut(rows, _MOST)
    return Table(("analyte", "sweep", "status", "window / V", ""), shown, "Analytes", left_out) if rows else None
