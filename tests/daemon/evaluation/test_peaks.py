"""The kind `peaks`: curves good and bad, cyclic, by hand; pure."""

from typing import Any

import numpy as np
import pytest

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding, evaluate
from luggin.daemon.evaluation.run_data import RunData, load_runs
from luggin.daemon.store import open_store
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.points import Array, Flag
from luggin.protocol.problem import DocumentError
from support.evaluated import unpack_old_store
from support.voltammograms import HEIGHT, PEAK, columns, cyclic_columns, header_of, pulse_columns, run_of

SWV, CV = "square-wave-voltammetry", "cyclic-voltammetry"


def peaks_of(run: RunData, **settings: Any) -> tuple[PeaksBody, Finding]:
    found = evaluate("peaks", [run], settings)
    return PeaksBody.model_validate(found.body), found


def test_each_peak_tells_everything_that_is_read_off_it() -> None:
    """A sech squared of half-width 90.4 mV: 2 arcosh(sqrt 2) / 19.5 V, Bard & Faulkner's reversible pulse peak (m)."""
    body, found = peaks_of(run_of(SWV, pulse_columns()))
    ((sweep, peak),) = body.peaks
    assert (sweep.first, sweep.after, sweep.direction) == (0, 225, 1)
    assert peak.potential == pytest.approx(PEAK, abs=5 * peak.u_potential)
    assert peak.height == pytest.approx(HEIGHT, rel=0.03)
    assert peak.half_width == pytest.approx(2 * np.arccosh(2**0.5) / 19.5, rel=0.03)
    assert peak.half_peak_potential == pytest.approx(PEAK - np.arccosh(2**0.5) / 19.5, abs=0.002)
    assert peak.area == pytest.approx(2 * HEIGHT / 19.5, rel=0.06)
    assert peak.asymmetry == pytest.approx(1, abs=0.03)
    assert peak.charge is None  # the area under net currents of pulses is no charge
    assert peak.baseline.kind == "straight"
    assert found.warnings == ()
    assert found.subject == "run/run-1"


def test_flagged_points_are_left_out() -> None:
    spoilt = pulse_columns()
    hit = [40, 41, 120, 180]
    spoilt["current"][hit] = [5e-5, -5e-5, 1.0, np.nan]
    spoilt["flags"][hit] = [Flag.SETTLING, Flag.CURRENT_OVERLOAD, Flag.CONTROL_OVERLOAD, Flag.CELL_OPEN]
    (clean, _), (found, _) = peaks_of(run_of(SWV, pulse_columns())), peaks_of(run_of(SWV, spoilt))
    assert found.sweeps[0].points_ignored == 4
    assert found.peaks[0][1].height == pytest.approx(clean.peaks[0][1].height, rel=0.01)


def test_other_phases_are_not_looked_at() -> None:
    both = pulse_columns()
    run = run_of(SWV, both)
    phase = run.columns["phase"].copy()
    phase[:160] = 0  # the peak lies in a phase before
    body, _ = peaks_of(RunData(run.header, {**run.columns, "phase": phase}))
    assert body.peaks == ()
    assert body.sweeps[0].first == 160


def part(columns: dict[str, Array], count: int) -> dict[str, Array]:
    return {name: values[:count] for name, values in columns.items()}


def flagged() -> dict[str, Array]:
    all_flagged = pulse_columns()
    all_flagged["flags"][:] = Flag.CURRENT_OVERLOAD
    return all_flagged


FLAT = columns(np.full(50, 0.2), np.linspace(0, 1e-6, 50))
NOTHING = "no peak found: the measuring phase has no points in which the potential is scanned"


@pytest.mark.parametrize(
    ("curve", "sentence"),
    [
        (part(pulse_columns(), 0), NOTHING),
        (part(pulse_columns(), 1), NOTHING),
        (FLAT, NOTHING),
        (part(pulse_columns(), 4), "no peak found: 4 usable points are too few for a peak"),
        (flagged(), "no peak found: 0 usable points are too few for a peak"),
        (pulse_columns(height=0.0), "no peak found"),
    ],
)
def test_no_peak_is_an_answer_in_one_sentence(curve: dict[str, Array], sentence: str) -> None:
    body, found = peaks_of(run_of(SWV, curve))
    assert body.peaks == ()
    assert found.warnings == (sentence,)


def test_a_run_without_currents_is_refused() -> None:
    lacking = {name: values for name, values in pulse_columns().items() if name != "current"}
    with pytest.raises(EvaluationError, match="run run-1 has no current among its columns"):
        evaluate("peaks", [run_of(SWV, lacking)])


def test_where_nothing_was_applied_the_measured_potential_counts() -> None:
    measured = {name: values for name, values in pulse_columns().items() if name != "applied_potential"}
    assert len(peaks_of(run_of(SWV, measured))[0].peaks) == 1


def test_of_several_channels_the_first_is_taken_and_that_is_said() -> None:
    two = pulse_columns()
    twice = {name: np.repeat(values, 2) for name, values in two.items()}
    twice["channel"][1::2] = 2
    twice["current"][1::2] *= -7
    body, found = peaks_of(run_of(SWV, twice))
    assert body.peaks[0][1].height == pytest.approx(HEIGHT, rel=0.03)
    assert found.warnings == ("these are the peaks of channel 1; channels 2 are not looked at",)


def test_cyclic_curves_are_paired_cycle_by_cycle() -> None:
    body, _ = peaks_of(run_of(CV, cyclic_columns(3, 300)))
    assert [couple.cycle for couple in body.couples] == [1, 2, 3]
    for couple in body.couples:
        assert couple.forward == "cathodic"
        assert couple.half_wave_potential == pytest.approx(0.23, abs=0.001)
        assert couple.separation == pytest.approx(0.06, abs=0.002)
        assert couple.height_ratio == pytest.approx(1, abs=0.02)
        assert body.at(couple.anodic).polarity == "anodic"
        assert body.at(couple.cathodic).charge == pytest.approx(-2e-5 / 12 / 0.067, rel=0.1)  # 2 i / a over the rate
    assert [sweep.direction for sweep in body.sweeps] == [-1, 1] * 3
    assert body.sweeps[1].first == body.sweeps[0].after
    assert body.sweeps[-1].after == len(cyclic_columns(3, 300)["index"])


def test_analytes_get_their_peaks_and_what_is_left_is_told() -> None:
    two = pulse_columns()
    two["current"] += (1e-6 / np.cosh(19.5 * (two["applied_potential"] - 0.62)) ** 2).astype("<f4")
    wanted = [
        {"name": "marker", "window": ["0.55 V", "0.7 V"]},
        {"name": "paracetamol", "window": ["-0.32 V", "-0.2 V"], "relative_to": "marker"},
        {"name": "caffeine", "window": ["0 V", "0.1 V"]},
    ]
    body, found = peaks_of(run_of(SWV, two), analytes=wanted)
    assert [(each.analyte, each.status) for each in body.analytes] == [
        ("marker", "found"),
        ("paracetamol", "found"),
        ("caffeine", "missing"),
    ]
    ((_, peak),) = body.of("paracetamol")
    assert peak is not None
    assert peak.potential == pytest.approx(PEAK, abs=0.002)
    assert body.unassigned == ()
    assert found.warnings == ("caffeine: missing",)
    body, _ = peaks_of(run_of(SWV, two), analytes=wanted[2:])
    assert [body.at(place).polarity for place in body.unassigned] == ["anodic", "anodic"]


def test_peaks_are_set_and_removed_in_order() -> None:
    set_one: dict[str, Any] = {"action": "set", "anchors": ["0.2 V", "0.5 V"]}
    remove = {"action": "remove", "potential": "0.36 V"}
    body, _ = peaks_of(run_of(SWV, pulse_columns()), edits=[remove])
    assert body.peaks == ()
    body, _ = peaks_of(run_of(SWV, pulse_columns()), edits=[remove, set_one])
    ((_, peak),) = body.peaks
    assert peak.by_hand
    assert peak.potential == pytest.approx(PEAK, abs=0.002)
    assert peak.baseline.potential == pytest.approx((0.2, 0.5), abs=0.005)
    body, _ = peaks_of(run_of(SWV, pulse_columns()), edits=[{**set_one, "potential": "0.3 V"}])
    assert [round(peak.potential, 1) for _, peak in body.peaks] == [0.3, 0.3] or len(body.peaks) == 1


def test_an_edit_of_a_cyclic_curve_names_its_sweep_and_changes_the_couple() -> None:
    run = run_of(CV, cyclic_columns(1, 300))
    with pytest.raises(EvaluationError, match="the run has 2 sweeps; say in which one the peak is"):
        evaluate("peaks", [run], {"edits": [{"action": "remove", "potential": 0.2}]})
    body, _ = peaks_of(run, edits=[{"action": "remove", "potential": 0.26, "sweep": 2}])
    assert (len(body.peaks), body.couples) == (1, ())
    cathodic: dict[str, Any] = {"action": "set", "anchors": [0.0, 0.4], "sweep": 1}
    body, _ = peaks_of(run, edits=[cathodic])
    assert body.peaks[0][1].by_hand
    assert body.couples[0].cathodic.sweep == 1


@pytest.mark.parametrize(
    ("edit", "sentence"),
    [
        ({"action": "set"}, "a peak is set between two anchors"),
        ({"action": "remove", "potential": 0.2, "anchors": [0.1, 0.3]}, "a peak is set between two anchors"),
        ({"action": "set", "anchors": [0.1, 0.1]}, "both anchors are 0.1 V"),
        ({"action": "set", "anchors": [0.1, 0.3], "potential": 0.4}, "it must lie between the anchors, 0.1 and 0.3 V"),
    ],
)
def test_an_edit_that_says_nothing_is_a_sentence(edit: dict[str, Any], sentence: str) -> None:
    with pytest.raises(DocumentError, match=sentence):
        evaluate("peaks", [run_of(SWV, pulse_columns())], {"edits": [edit]})


def test_the_same_settings_give_the_same_body_again() -> None:
    _, first = peaks_of(run_of(SWV, pulse_columns()), edits=[{"action": "set", "anchors": [0.2, 0.5]}])
    _, second = peaks_of(run_of(SWV, pulse_columns()), edits=[{"action": "set", "anchors": [0.2, 0.5]}])
    assert first == second


def test_runs_recorded_before_there_were_evaluations(tmp_path: Any) -> None:
    unpack_old_store(tmp_path / "store.sqlite")
    with open_store(tmp_path / "store.sqlite") as archive:
        (run,) = load_runs(archive, ["run-1"])
        body, _ = peaks_of(run)
        assert run.newest("peaks") is None
        with pytest.raises(EvaluationError, match="run run-2 has not ended"):
            load_runs(archive, ["run-2"])
    assert [round(peak.potential, 2) for _, peak in body.peaks] == [0.35]


def test_no_flags_no_phases_are_no_hindrance() -> None:
    bare = {name: values for name, values in pulse_columns().items() if name not in ("flags", "phase", "cycle", "time")}
    assert len(peaks_of(RunData(header_of("run-1", SWV), bare))[0].peaks) == 1
