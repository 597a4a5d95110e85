"""The plan of a standard addition: read, checked, and turned into a sequence."""

from typing import Any

import pytest

from luggin.protocol import document
from luggin.protocol.evaluation.addition_settings import StandardAddition
from luggin.protocol.problem import DocumentError
from luggin.protocol.sequence.addition import EXAMPLE, EXAMPLE_METHOD, AdditionPlan, compiled, read_plan
from luggin.protocol.sequence.document import PromptStep, RunStep, WaitStep


def plan(**changes: Any) -> dict[str, Any]:
    """Paracetamol at the outlet of an invented treatment column."""
    plain: dict[str, Any] = {
        "version": 1,
        "name": "column-outlet",
        "analyte": "paracetamol",
        "sample": "column outlet",
        "method": document.read(EXAMPLE_METHOD),
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
    read = read_plan(plan())
    assert list(read.added) == pytest.approx([0, 0.005, 0.010, 0.020])
    assert list(read.volume_ratio) == pytest.approx([2, 2.005, 2.01, 2.02])


def test_a_sequence_prompts_waits_for_mixing_and_measures() -> None:
    sequence = compiled(read_plan(plan()))
    prompts = [step.prompt for step in sequence.steps if isinstance(step, PromptStep)]
    assert "safety data sheets" in prompts[0]
    assert "shown as off" in prompts[0]
    assert prompts[1:] == [
        "Put 10 mL of supporting electrolyte into the clean cell.",
        "Dilute the sample 5 times. Add 10 mL of the diluted sample.",
        "Addition 1 of 3: add 50 µL of the 1 mmol/L standard of paracetamol.",
        "Addition 2 of 3: add 50 µL of the 1 mmol/L standard of paracetamol.",
        "Addition 3 of 3: add 100 µL of the 1 mmol/L standard of paracetamol.",
    ]
    runs = [step for step in sequence.steps if isinstance(step, RunStep)]
    assert [run.label for run in runs] == ["blank", "sample", "addition-1", "addition-2", "addition-3"]
    assert {(run.times, run.sample) for run in runs} == {(2, "column outlet")}
    assert {step.wait for step in sequence.steps if isinstance(step, WaitStep)} == {30}
    kinds = [type(step) for step in sequence.steps]
    assert kinds == [PromptStep, *[PromptStep, WaitStep, RunStep] * 5]
    settings = StandardAddition.model_validate(sequence.evaluation)
    assert settings.added == read_plan(plan()).added
    assert settings.kind == "standard-addition"


def test_a_plan_without_blank_dilution_electrolyte_or_mixing_is_shorter() -> None:
    plain = compiled(read_plan(plan(blank=False, dilution=1, mixing_time=0, electrolyte_volume=0, replicates=1)))
    assert [type(step) for step in plain.steps] == [PromptStep, *[PromptStep, RunStep] * 4]
    assert isinstance(plain.steps[1], PromptStep)
    assert plain.steps[1].prompt == "Put 10 mL of the sample into the clean cell."
    both = compiled(read_plan(plan(blank=False)))
    assert isinstance(both.steps[1], PromptStep)
    assert "10 mL of the diluted sample and 10 mL of supporting electrolyte" in both.steps[1].prompt


def test_masses_are_told_by_their_unit() -> None:
    mass = read_plan(plan(additions=[{"volume": "50 uL", "concentration": "300 mg/L"}]))
    assert mass.concentration_unit == "kg/m3"
    assert list(mass.added) == pytest.approx([0, 0.0015])
    assert any("300 mg/L standard" in step.prompt for step in compiled(mass).steps if isinstance(step, PromptStep))


def test_the_example_is_a_valid_plan() -> None:
    sequence = compiled(read_plan({**document.read(EXAMPLE), "method": document.read(EXAMPLE_METHOD)}))
    assert sum(step.times for step in sequence.steps if isinstance(step, RunStep)) == 12


def test_a_plan_survives_json() -> None:
    read = read_plan(plan())
    assert AdditionPlan.model_validate_json(read.model_dump_json()) == read


def test_every_wrong_field_is_named_at_once() -> None:
    wrong = plan(
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
    ("changes", "says"),
    [
        ({"cell_volume": "20 mL"}, "fills 20.2 mL into a cell_volume of 20 mL"),
        ({"additions": []}, "additions: give at least one addition"),
        ({"additions": [{"volume": "1 uL", "concentration": 0}]}, "addition 1 has concentration 0.0; give one above"),
        (
            {"additions": [{"volume": "1 uL", "concentration": each} for each in ("1 mM", "5 mg/L")]},
            "addition 2: '5 mg/L' is in mg/L, but a quantity in mol/m3 is needed; all concentrations of a document",
        ),
        ({"replicates": 13}, "this makes 65 runs, and at most 64 are evaluated together"),
        ({"version": 2}, "version = 2: input should be 1"),
    ],
)
def test_fields_that_do_not_fit_together(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(DocumentError, match=says):
        read_plan(plan(**changes))


def test_a_method_that_can_not_serve_is_refused_in_words_of_the_plan() -> None:
    method = document.read(EXAMPLE_METHOD)
    with pytest.raises(DocumentError, match=r"does not say where the peak of caffeine is; it names paracetamol"):
        compiled(read_plan(plan(analyte="caffeine")))
    with pytest.raises(DocumentError, match=r"method\.evaluation: .* it names none; add \[\[evaluation\]\]"):
        compiled(read_plan(plan(method={**method, "evaluation": []})))
    with pytest.raises(DocumentError, match=r"^method\.technique"):
        compiled(read_plan(plan(method={**method, "technique": "alchemy"})))
    assert compiled(read_plan(plan(method={**method, "evaluation": []}, signal="largest-peak.height"))).evaluation
