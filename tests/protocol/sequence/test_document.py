"""Sequence documents: complete in themselves, every wrong field at once."""

from typing import Any

import pytest

from luggin.protocol.problem import DocumentError
from luggin.protocol.sequence import Course, begin, parse
from luggin.protocol.sequence.course import Run
from luggin.protocol.sequence.document import PromptStep
from support.sequences import METHOD, sequence


def problems(given: dict[str, Any]) -> list[str]:
    with pytest.raises(DocumentError) as caught:
        parse(given)
    return [str(problem) for problem in caught.value.problems]


def test_it_survives_storage() -> None:
    loop = {"steps": [{"run": "dpv"}, {"wait": "5 min"}], "times": 48, "every": "30 min", "overrun": "late"}
    parsed = parse(sequence({"prompt": "Fill the cell."}, loop, {"run": "short", "times": 3}))
    assert parse(parsed.model_dump(mode="json")) == parsed


@pytest.mark.parametrize(
    ("step", "named"),
    [
        ({"run": "cv"}, "steps = 'cv': no such method stands in this sequence; known are dpv, short"),
        ({"runs": "dpv"}, "steps[0]: a step has one of the fields run, prompt, wait"),
        ({"steps": [{"run": "dpv"}]}, "steps[0]: a loop needs an end; give times, lasts or both"),
        ({"wait": "5 mV"}, "steps[0].wait = '5 mV'"),
        ({"run": "dpv", "checks": [{"quantity": "x.height"}]}, "a check needs a bound"),
        ({"run": "dpv", "tines": 3}, "tines = 3: this field is unknown here"),
        ({"controls": [{"run": "dpv"}], "samples": [{"run": "dpv"}]}, "a bracket needs a control with checks"),
    ],
)
def test_what_is_wrong_is_named(step: dict[str, Any], named: str) -> None:
    (problem,) = problems(sequence(step))
    assert named in problem


def test_a_wrong_method_is_named_with_its_field() -> None:
    wrong = {**METHOD, "setup": {**METHOD["setup"], "area": "7 mm"}}
    (problem,) = problems(sequence({"run": "dpv"}, methods={"dpv": wrong}))
    assert problem.startswith("methods.dpv.setup.area = '7 mm'")


def test_too_many_steps_are_refused() -> None:
    loop = {"steps": [{"run": "dpv"}] * 60, "times": 2}
    (problem,) = problems(sequence(*[loop] * 7))
    assert "at most 400 steps" in problem


def test_brackets_stand_around_the_samples_and_before_their_prompts() -> None:
    check = {"quantity": "paracetamol.height", "least": 1e-7}
    series = {
        "controls": [{"prompt": "check standard"}, {"run": "short", "label": "check", "checks": [check]}],
        "samples": [step for n in range(3) for step in ({"prompt": f"sample {n}"}, {"run": "dpv", "label": f"s{n}"})],
        "every": 2,
    }
    course = Course(parse(sequence(series)))
    progress, _ = begin(course)
    path, seen = progress.path, []
    while True:
        node = course.leaf(path)
        seen.append(node.step.group if isinstance(node, Run) else node.prompt if isinstance(node, PromptStep) else "")
        arrival = course.after(path, 0.0)
        if arrival is None:
            break
        path = arrival.path
    bracket = ["check standard", "check"]
    assert seen == [*bracket, "sample 0", "s0", "sample 1", "s1", *bracket, "sample 2", "s2", *bracket]
