"""The plan of a standard addition: read, checked, turned into steps, and evaluated."""

from typing import Any

import numpy as np
import pytest

from luggin.daemon.analysis.addition_plan import (
    AdditionPlan,
    Measure,
    Mix,
    Prompt,
    evaluate,
    read_plan,
    steps,
)
from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.problem import DocumentError


def document(**changes: Any) -> dict[str, Any]:
    """Paracetamol at the outlet of an invented treatment column."""
    plain: dict[str, Any] = {
        "name": "column-outlet",
        "analyte": "paracetamol",
        "sample_volume": "10 mL",
        "electrolyte_volume": "10 mL",
        "dilution": 5,
        "mixing_time": "30 s",
        "replicates": 2,
        "blank": True,
        "additions": [{"volume": "50 uL", "concentration": "1 mM"}] * 2
        + [{"volume": "100 uL", "concentration": "1 mM"}],
        "cell_volume": "25 mL",
    }
    return plain | changes


def test_amounts_and_volumes_of_the_levels() -> None:
    plan = read_plan(document())
    assert list(plan.added) == pytest.approx([0, 0.005, 0.010, 0.020])
    assert list(plan.volume_ratio) == pytest.approx([2, 2.005, 2.01, 2.02])


def test_steps_prompt_mix_and_measure_in_order() -> None:
    made = steps(read_plan(document()))
    assert [step.kind for step in made] == (
        ["prompt", "prompt", "prompt", "mix", "measure", "measure"] + ["prompt", "mix", "measure", "measure"] * 4
    )
    texts = [step.text for step in made if isinstance(step, Prompt)]
    assert "safety data sheets" in texts[0]
    assert "shown as off" in texts[0]
    assert texts[1:] == [
        "Dilute the sample 5 times.",
        "Put 10 mL of supporting electrolyte into the clean cell.",
        "Add 10 mL of the diluted sample.",
        "Addition 1 of 3: add 50 µL of the 1 mmol/L standard of paracetamol.",
        "Addition 2 of 3: add 50 µL of the 1 mmol/L standard of paracetamol.",
        "Addition 3 of 3: add 100 µL of the 1 mmol/L standard of paracetamol.",
    ]
    assert {step.duration for step in made if isinstance(step, Mix)} == {30}
    labels = [step.label for step in made if isinstance(step, Measure)]
    assert labels[0] == "blank, replicate 1 of 2"
    assert labels[-1] == "addition 3, replicate 2 of 2"


def test_a_plan_without_blank_dilution_or_mixing_is_shorter() -> None:
    plain = read_plan(document(blank=False, dilution=1, mixing_time=0, electrolyte_volume=0, replicates=1))
    assert [step.kind for step in steps(plain)] == ["prompt", "prompt", "measure"] + ["prompt", "measure"] * 3
    mass = read_plan(document(concentration_unit="kg/m3", additions=[{"volume": "50 uL", "concentration": "5 mg/L"}]))
    assert any("5 mg/L standard" in step.text for step in steps(mass) if isinstance(step, Prompt))
    both = read_plan(document(blank=False))
    assert any("sample and 10 mL of supporting" in step.text for step in steps(both) if isinstance(step, Prompt))


def test_a_carried_out_plan_finds_what_was_in_the_sample() -> None:
    plan, rng = read_plan(document()), np.random.default_rng(7)
    signals = []
    for step in steps(plan):
        if isinstance(step, Measure):
            held = 0.0 if step.level is None else 2e-6 * (0.004 + step.added) / plan.volume_ratio[step.level]
            signals.append(1e-9 + held + rng.normal(0, 2e-11))
    result = evaluate(plan, signals)
    assert result.concentration.value == pytest.approx(0.020, rel=0.02)
    assert result.concentration.lower is not None
    assert result.concentration.upper is not None
    assert result.concentration.lower < 0.020 < result.concentration.upper
    with pytest.raises(AnalysisError, match="10 measurements, and 9 signals"):
        evaluate(plan, signals[:-1])


def test_a_plan_survives_json() -> None:
    plan = read_plan(document())
    assert AdditionPlan.model_validate_json(plan.model_dump_json()) == plan


def test_every_wrong_field_is_named_at_once() -> None:
    wrong = document(
        name="Column Outlet",
        analyte="",
        sample_volume="10 mV",
        electrolyte_volume=0,
        dilution=0.5,
        mixing_time=-3,
        replicates=0,
        additions=[{"volume": 0, "concentration": "1 mM"}, {"volume": "1 uL", "concentration": "1 mV"}],
        colour="green",
    )
    with pytest.raises(DocumentError) as caught:
        read_plan(wrong)
    assert {problem.field for problem in caught.value.problems} == {
        "name",
        "analyte",
        "sample_volume",
        "dilution",
        "mixing_time",
        "replicates",
        "blank",
        "additions[0].volume",
        "additions[1].concentration",
        "colour",
    }


@pytest.mark.parametrize(
    ("changes", "field", "says"),
    [
        ({"cell_volume": "20 mL"}, "cell_volume", "20.2 mL into a cell that holds 20 mL"),
        ({"additions": []}, "additions", "at least one addition"),
        ({"additions": [{"volume": "1 uL", "concentration": 0}]}, "additions", "above zero"),
        ({"additions": [{"volume": "1 uL", "concentration": "5 mg/L"}]}, "additions", "mol/m3 is needed"),
    ],
)
def test_fields_that_do_not_fit_together(changes: dict[str, Any], field: str, says: str) -> None:
    with pytest.raises(DocumentError, match=says) as caught:
        read_plan(document(**changes))
    assert [problem.field for problem in caught.value.problems] == [field]
