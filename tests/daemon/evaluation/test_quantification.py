"""Calibration, concentration and standard addition from evaluated runs: published examples, and what may go wrong."""

from typing import Any

import pytest

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding, evaluate
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.quantification_results import AdditionBody, CalibrationBody, ConcentrationBody
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.points import Flag
from support.quantified import DPV, WINDOW, labelled, measured, stored
from support.voltammograms import pulse_columns, run_of

# EURACHEM/CITAC Guide CG 4 (QUAM:2012), example A5, tables A5.2 and A5.3: cadmium, mg/L and absorbance.  Absorbances
# from memory of the source; line, result and uncertainty as published.
EURACHEM = {
    "0.1": [0.028, 0.029, 0.029],
    "0.3": [0.084, 0.083, 0.081],
    "0.5": [0.135, 0.131, 0.133],
    "0.7": [0.180, 0.181, 0.183],
    "0.9": [0.215, 0.230, 0.216],
}
DIN = [3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178]


def calibration(levels: dict[str, Any], unit: str = "mg/L", **more: Any) -> tuple[CalibrationBody, Finding]:
    """Standards labelled by their concentration with a dash for the point."""
    label = {level: f"standard-{level.replace('.', '-')}" for level in levels}
    settings = {
        "name": "cadmium-gc-3",
        "analyte": "paracetamol",
        "levels": [{"concentration": f"{level} {unit}", "label": label[level]} for level in levels],
        **more,
    }
    found = evaluate("calibration", labelled({label[level]: heights for level, heights in levels.items()}), settings)
    return CalibrationBody.model_validate(found.body), found


def sample_runs(
    found: Finding, heights: list[float | None], expires: float | None = None, **more: Any
) -> list[RunData]:
    known = stored(found, "calibration", "the-calibration", expires)
    more = {"stored": {"the-calibration": known, "calibration/cadmium-gc-3": known}, **more}
    return [measured(f"run-{number}", height, **more) for number, height in enumerate(heights, 1)]


def concentration(runs: list[RunData], **settings: Any) -> tuple[ConcentrationBody, Finding]:
    found = evaluate("concentration", runs, {"calibration": "cadmium-gc-3", **settings})
    return ConcentrationBody.model_validate(found.body), found


def test_eurachem_a5_from_runs_to_result() -> None:
    body, found = calibration(EURACHEM)
    line = body.calibration.line
    assert line.slope == pytest.approx(241.0, abs=0.05)  # per kg/m3
    assert line.intercept == pytest.approx(0.0087, abs=5e-5)
    assert found.subject == "calibration/cadmium-gc-3"
    assert found.valid_for == 7 * 86400
    assert body.calibration.concentration_unit == "kg/m3"
    assert body.calibration.signal_unit == "A"
    assert len(body.calibration.runs) == 15
    answer, said = concentration(sample_runs(found, [0.0714, 0.0714]), interval="s_x0")
    assert answer.concentration is not None
    assert answer.concentration.value == pytest.approx(0.26e-3, abs=5e-6)
    assert answer.concentration.standard_uncertainty == pytest.approx(0.018e-3, abs=5e-7)
    assert answer.calibration == "the-calibration"
    assert answer.detected is True
    assert said.subject == "sample/column-outlet"
    assert said.warnings == ()
    assert quantities("concentration", said.body)["concentration"] == answer.concentration.value


def test_din_32645_limits_each_with_its_definition() -> None:
    """DIN 32645 example: decision 0.0698, detection 0.14, quantification 0.212 at alpha 0.01; 3.3 s/S gives 0.0657."""
    levels = {f"{0.05 * (n + 1):.2f}": [float(y)] for n, y in enumerate(DIN)}
    body, _ = calibration(levels, "g/L")
    limits = {limit.definition.split(",")[0]: limit for limit in body.limits}
    din = limits["DIN 32645 calibration line"]
    assert din.decision == pytest.approx(0.0698, abs=5e-5)
    assert din.detection == pytest.approx(0.14, abs=5e-4)
    assert din.quantification == pytest.approx(0.212, abs=5e-4)
    assert limits["ICH Q2(R2)"].detection == pytest.approx(0.0657, abs=5e-5)
    assert limits["ISO 11843-2"].decision is not None
    assert body.mandel is not None


def test_harvey_calibration_with_a_blank_as_a_standard() -> None:
    """Harvey, Analytical Chemistry 2.1, examples 5.4.1 to 5.4.4, figures from memory: 0.241 +- 0.007."""
    heights = {"0.0": [None], "0.1": [12.36], "0.2": [24.83], "0.3": [35.91], "0.4": [48.79], "0.5": [60.42]}
    body, found = calibration(heights)
    assert body.calibration.line.slope == pytest.approx(120706, abs=0.5)
    assert body.readings[0].value == 0
    assert found.warnings == ("Run standard-0-0-run-1: no peak of paracetamol was found; its signal counts as 0.",)
    answer, _ = concentration(sample_runs(found, [29.32, 29.16, 29.51]), interval="s_x0", dilution=10)
    assert answer.measured is not None
    assert answer.measured.value == pytest.approx(0.241e-3, abs=5e-7)
    assert answer.measured.upper is not None
    assert answer.measured.upper - answer.measured.value == pytest.approx(0.007e-3, abs=5e-7)
    assert answer.concentration is not None
    assert answer.concentration.value == pytest.approx(10 * answer.measured.value)


PLAN: dict[str, Any] = {
    "name": "lead-in-blood",
    "analyte": "paracetamol",
    "sample_volume": "1 mL",
    "electrolyte_volume": "4 mL",
    "replicates": 1,
    "additions": [{"volume": "1 uL", "concentration": "1560 ug/L"}] * 3,
}


def addition(runs: list[RunData], **changes: Any) -> tuple[AdditionBody, Finding]:
    found = evaluate("standard-addition", runs, {**PLAN, **changes})
    return AdditionBody.model_validate(found.body), found


def test_harvey_standard_additions() -> None:
    """Harvey, example 5.3.5: S = 0.266 + 312 V (mL) for 1.00 mL of sample and 1560 ppb: 1.33 ppb."""
    signals = {"sample": [0.266], "addition-1": [0.578], "addition-2": [0.890], "addition-3": [1.202]}
    body, found = addition(labelled(signals))
    assert body.concentration.value == pytest.approx(1.33e-6, abs=5e-9)
    assert body.concentration_unit == "kg/m3"
    assert [level.added for level in body.levels] == pytest.approx([0, 1.56e-6, 3.12e-6, 4.68e-6])
    assert found.subject == "sample/column-outlet"


def test_blank_volume_dilution_and_recovery() -> None:
    volumes = {"sample": 20.0, "addition-1": 21.0, "addition-2": 22.0}
    held = {"sample": 1.0, "addition-1": 2.0, "addition-2": 3.0}  # umol; 10 mL of 0.1 mmol/L, then 1 mL of 1 mmol/L
    signals: dict[str, list[float | None]] = {"blank": [2.0, 2.0]}
    signals |= {label: [2.0 + 100 * held[label] / volumes[label]] * 2 for label in volumes}
    plan: dict[str, Any] = {
        "sample_volume": "10 mL",
        "electrolyte_volume": "10 mL",
        "dilution": 5,
        "replicates": 2,
        "blank": True,
        "additions": [{"volume": "1 mL", "concentration": "1 mmol/L"}] * 2,
        "recovery": {"added": "0.5 mmol/L"},
    }
    body, _ = addition(labelled(signals), **plan)
    assert body.blank == 2.0
    assert body.taken.value == pytest.approx(0.1)
    assert body.concentration.value == pytest.approx(0.5)
    assert body.recovery is not None
    assert body.recovery.value == pytest.approx(1)


GOOD: dict[str, list[float | None]] = {
    "sample": [1.00, 1.02, 0.98],
    "addition-1": [2.01, 1.98, 2.02],
    "addition-2": [3.00, 2.97, 3.02],
    "addition-3": [4.01, 3.99, 3.98],
}


def test_repeated_flagged_aborted_and_left_out_runs_are_told() -> None:
    runs = labelled(GOOD)
    runs += [
        measured("again", 1.01, "sample"),
        measured("marked", 2.0, "addition-1", flags=("The control after it failed.",)),
        measured("broken", 3.3, "addition-2", state="Aborted"),
        measured("by-hand", 9.9, "addition-3"),
        measured("stranger", 5.0),
    ]
    body, found = addition(runs, replicates=3, leave_out=["by-hand"])
    assert found.warnings[:5] == (
        "Run marked: flagged: The control after it failed.",
        "Run broken: it ended Aborted and is left out.",
        "Run by-hand: left out by hand.",
        "Run stranger: it belongs to none of the solutions and is left out.",
        "sample has 4 runs and the plan asks for 3; all of them count.",
    )
    assert [len(level.signals) for level in body.levels] == [4, 4, 3, 3]
    assert {each.run for each in body.readings if not each.used} == {"broken", "by-hand", "stranger"}


def test_labels_by_hand_stand_for_tags_that_are_missing() -> None:
    runs = [measured(f"run-{n}", 1.0 + n) for n in range(3)]
    with pytest.raises(EvaluationError, match="no run has one of the labels sample, addition-1"):
        addition(runs)
    body, found = addition(runs, labels={f"run-{n}": ("sample", "addition-1", "addition-2")[n] for n in range(3)})
    assert len(body.levels) == 3
    assert "addition-3 has no signal and is left out of the line." in found.warnings
    with pytest.raises(EvaluationError, match=r"labels\.run-0 is 'addition-9'; known here are sample"):
        addition(runs, labels={"run-0": "addition-9"})


def test_an_outlier_is_pointed_at_and_counts() -> None:
    body, found = addition(labelled({**GOOD, "addition-1": [2.0, 2.001, 2.0005, 2.5]}), replicates=3)
    assert any("Run addition-1-run-4 (addition-1) may be an outlier" in each for each in found.warnings)
    assert len(body.levels[1].signals) == 4


@pytest.mark.parametrize(
    ("runs", "says"),
    [
        ([measured("run-1", 1.0, "sample")] * 2, "run run-1 is named twice"),
        (labelled({"sample": [1.0], "addition-1": [None]}), r"fewer than two levels .* no peak of paracetamol"),
        (labelled({"sample": [1.0, 2.0]}), "fewer than two levels have a signal"),
        (labelled({"sample": [2.0], "addition-1": [1.0]}), "does not grow with the amount added"),
    ],
)
def test_what_gives_no_line_is_one_sentence(runs: list[RunData], says: str) -> None:
    with pytest.raises(EvaluationError, match=says):
        addition(runs)


def test_expired_and_foreign_calibrations_warn() -> None:
    _, found = calibration(EURACHEM)
    runs = sample_runs(found, [0.1], expires=1_790_000_000.0, utc=1_790_000_001.0)
    assert concentration(runs)[1].warnings == (
        'The calibration "cadmium-gc-3" had expired when run-1 began; calibrate again.',
    )
    runs = sample_runs(found, [0.1], setup={"electrode": "gc-4"}, name="other-method")
    assert concentration(runs)[1].warnings == (
        'The calibration "cadmium-gc-3" was made with the electrode gc-3; run run-1 has gc-4.',
        'The calibration "cadmium-gc-3" was made with the method paracetamol-dpv; run run-1 has other-method.',
    )
    runs = sample_runs(found, [0.1], peak_settings={"baseline": {"kind": "polynomial"}})
    assert "found with other settings" in concentration(runs)[1].warnings[0]
    _, said = concentration(sample_runs(found, [0.1]), analyte="paracetamol", signal="area")
    assert "was made for the signal height and is used for area" in said.warnings[0]
    runs = sample_runs(found, [0.1])
    phases = runs[0].header.method["phases"]
    other = [{**phase, "period": 0.5} if phase["phase"] == "measure" else phase for phase in phases]
    runs[0].header.method["phases"][:] = other
    assert "made with other phases of the method paracetamol-dpv" in concentration(runs)[1].warnings[0]


def test_nothing_found_is_an_answer() -> None:
    _, found = calibration(EURACHEM)
    body, said = concentration(sample_runs(found, [None, None]))
    assert (body.concentration, body.detected) == (None, False)
    assert said.warnings[-1].startswith("No peak of paracetamol was found in any run")
    body, said = concentration(sample_runs(found, [0.1, None]))
    assert body.concentration is not None
    assert any("too high if these show no signal for lack" in each for each in said.warnings)
    with pytest.raises(EvaluationError, match="no run of the sample counts: Run run-1: it ended Aborted"):
        concentration(sample_runs(found, [0.1], state="Aborted"))


def test_a_run_that_a_sequence_labelled_as_a_blank_is_subtracted() -> None:
    _, found = calibration(EURACHEM)
    known = stored(found, "calibration", "the-calibration")
    more = {"the-calibration": known}
    runs = [measured("run-1", 0.2, stored=more), measured("run-2", 0.0795, "blank", stored=more)]
    body, _ = concentration(runs, calibration="the-calibration")
    assert body.measured is not None
    assert body.measured.value == pytest.approx(0.5e-3, rel=1e-3)  # 0.1205 / 0.2410 mg/L


def test_the_configured_electrode_stands_for_one_that_no_method_names() -> None:
    _, found = calibration(EURACHEM)
    runs = sample_runs(found, [0.1], setup={"electrode": None})
    assert "has none named" in concentration(runs)[1].warnings[0]
    runs[0].header.settings["electrode"] = "gc-3"
    assert concentration(runs)[1].warnings == ()


def test_recovery_of_a_spiked_sample() -> None:
    _, found = calibration(EURACHEM)
    before = concentration(sample_runs(found, [0.0714, 0.0714]))[1]
    known = stored(found, "calibration", "the-calibration")
    more = {"the-calibration": known, "before": stored(before, "concentration", "before")}
    runs = [measured("run-3", 0.1919, stored=more)]
    body = concentration(runs, calibration="the-calibration", recovery={"added": "0.5 mg/L", "unspiked": "before"})[0]
    assert body.recovery is not None
    assert body.recovery.value == pytest.approx(1.0, abs=0.001)  # 0.1205 / 0.2410 mg/L
    with pytest.raises(EvaluationError, match=r"recovery\.unspiked is nothing, which is no stored concentration"):
        concentration(runs, calibration="the-calibration", recovery={"added": "0.5 mg/L", "unspiked": "nothing"})
    with pytest.raises(EvaluationError, match=r"recovery\.added: '1 mM' is in mM, but a quantity in kg/m3"):
        concentration(runs, calibration="the-calibration", recovery={"added": "1 mM"})


def test_a_calibration_that_is_not_there_or_lacks_standards() -> None:
    with pytest.raises(EvaluationError, match="calibration is cadmium-gc-3, and no such one is stored"):
        concentration([measured("run-1", 1.0)])
    with pytest.raises(EvaluationError, match="fewer than three standards have a signal"):
        calibration({"1": [1.0], "2": [2.0], "3": [None]})
    missing = {
        "name": "a",
        "analyte": "paracetamol",
        "levels": [{"concentration": n, "runs": [f"r-{n}"]} for n in range(3)],
    }
    with pytest.raises(EvaluationError, match="levels names the run r-0, which is not among the runs"):
        evaluate("calibration", [measured(f"run-{n}", 1.0) for n in range(3)], missing)


def curve(label: str, **of_curve: Any) -> RunData:
    """A run with a real curve and no stored evaluation, as older programs left them."""
    made = run_of(DPV, pulse_columns(**of_curve), evaluation={"kind": "peaks", "analytes": [WINDOW]})
    setup = {**made.header.method["setup"], "tags": [label]}
    header = made.header.model_copy(update={"run": f"{label}-run", "method": {**made.header.method, "setup": setup}})
    return RunData(header, made.columns)


def test_curves_that_nobody_evaluated_are_evaluated_for_the_purpose() -> None:
    heights = {"sample": 1e-6, "addition-1": 2e-6, "addition-2": 3e-6, "addition-3": 4e-6}
    body, _ = addition([curve(label, height=height, seed=n) for n, (label, height) in enumerate(heights.items())])
    assert body.concentration.value == pytest.approx(1.56e-6, rel=0.03)
    assert {each.evaluation for each in body.readings} == {None}
    assert body.signal_unit == "A"


def test_empty_short_and_overloaded_curves_are_told_in_a_sentence() -> None:
    runs = [curve(label, height=n * 1e-6) for n, label in enumerate(("sample", "addition-1", "addition-2"), 1)]
    empty = {name: values[:0] for name, values in runs[0].columns.items()}
    one = {name: values[:1] for name, values in runs[0].columns.items()}
    for spoilt in (empty, one):
        _, found = addition([RunData(runs[0].header, spoilt), *runs[1:]])
        assert found.warnings[0] == "Run sample-run: its curve has too few usable points for a peak."
    blank = RunData(curve("blank").header, empty)  # says nothing of what is in it
    _, found = addition([blank, *runs], blank=True)
    assert "The plan has a blank and none counts, so none is subtracted." in found.warnings
    _, found = addition([curve("blank", height=0.0), *runs], blank=True)
    assert found.warnings[0] == "Run blank-run: no peak of paracetamol was found; its signal counts as 0."
    flags = runs[0].columns["flags"].copy()
    flags[::9] = int(Flag.CURRENT_OVERLOAD)
    _, found = addition([RunData(runs[0].header, {**runs[0].columns, "flags": flags}), *runs[1:]])
    assert found.warnings[0] == (
        "Run sample-run: 25 of its 225 points were overloaded and not looked at; its signal may be too small."
    )


def test_an_analyte_that_no_window_was_given_for() -> None:
    runs = [run_of(DPV, pulse_columns())]
    with pytest.raises(EvaluationError, match=r"run run-1 gives no paracetamol.height, it gives largest-peak.height"):
        addition([*runs, measured("run-2", 1.0, "addition-1")], labels={"run-1": "sample"})
    body, _ = addition([curve("sample", height=1e-6), curve("addition-1", height=2e-6)], signal="largest-peak.height")
    assert body.concentration.value == pytest.approx(1.56e-6, rel=0.05)
