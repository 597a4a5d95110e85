"""Kinds of evaluation, their settings, and the section of a method."""

from typing import Any

import pytest

from luggin.daemon.evaluation.functions import FUNCTIONS
from luggin.protocol import document, method, topics
from luggin.protocol.evaluation import KINDS, after_run, settings_of
from luggin.protocol.evaluation.peak_settings import Peaks, Straight, Tangent
from luggin.protocol.payloads import Evaluation
from luggin.protocol.problem import DocumentError
from luggin.protocol.techniques import TECHNIQUES

SWV = TECHNIQUES["square-wave-voltammetry"].example


def read(section: str) -> method.Method:
    return method.parse(document.read(SWV + section))


def test_every_kind_has_a_function_and_known_techniques() -> None:
    assert set(FUNCTIONS) == set(KINDS)
    for kind in KINDS.values():
        assert set(kind.after) <= set(TECHNIQUES)
        for technique in kind.after:
            assert settings_of(kind.name, None, technique).kind == kind.name


def test_the_defaults_depend_on_the_technique() -> None:
    sweep, pulse = (settings_of("peaks", None, name) for name in ("cyclic-voltammetry", "square-wave-voltammetry"))
    assert isinstance(sweep, Peaks)
    assert isinstance(pulse, Peaks)
    assert (sweep.baseline, pulse.baseline) == (Tangent(), Straight())


@pytest.mark.parametrize("head", ["[evaluation]", "[[evaluation]]", '[[evaluation]]\nkind = "peaks"'])
def test_a_method_says_how_its_runs_are_evaluated(head: str) -> None:
    section = (
        f'\n{head}\nsearch = ["100 mV", "0.9 V"]\nanalytes = [{{name = "paracetamol", window = [0.2, "0.5 V"]}}]\n'
    )
    found = read(section)
    (settings,) = found.evaluation
    assert isinstance(settings, Peaks)
    assert settings.search == (0.1, 0.9)
    assert settings.analytes[0].window == (0.2, 0.5)
    assert method.parse(found.document()) == found
    assert [each for each in after_run(found.document()) if each.kind == "peaks"] == [settings]
    assert method.compile_method(found) == method.compile_method(read(""))


def test_without_the_section_it_is_the_usual() -> None:
    peaks = [each for each in after_run(read("").document()) if each.kind == "peaks"]
    assert peaks == [settings_of("peaks", None, "square-wave-voltammetry")]
    example = method.parse(document.read(TECHNIQUES["chronoamperometry"].example))
    assert [each for each in after_run(example.document()) if each.kind == "peaks"] == []


@pytest.mark.parametrize(
    ("section", "sentences"),
    [
        ({"kind": "auguries"}, ["evaluation[0].kind = 'auguries': there is no such kind"]),
        ("peaks", ["evaluation: expected a table or a list"]),
        ([3], ["evaluation[0] = 3: it is no table"]),
        ([{"kind": "peaks"}] * 2, ["evaluation = 'peaks': this kind is listed twice"]),
        ([{}] * 9, ["evaluation: expected a table or a list of at most 8"]),
        (
            {"kind": "peaks", "glow": 1, "smoothing": {"width": "1 A"}},
            ["evaluation[0].smoothing.width = '1 A'", "evaluation[0].glow = 1: this field is unknown"],
        ),
        (
            {"kind": "peaks", "analytes": [{"name": "a", "window": [0.5, 0.2]}]},
            ["window of a is 0.5 to 0.2 V; give the lower potential first"],
        ),
        (
            {"kind": "peaks", "analytes": [{"name": "a", "window": [0, 1]}] * 2},
            ["analyte a is listed twice"],
        ),
    ],
)
def test_every_wrong_field_is_named(section: Any, sentences: list[str]) -> None:
    with pytest.raises(DocumentError) as caught:
        method.parse({**document.read(SWV), "evaluation": section})
    told = "\n".join(str(problem) for problem in caught.value.problems)
    for sentence in sentences:
        assert sentence in told


@pytest.mark.parametrize("subject", ["run/run-1", "instrument/left", "electrode/gc 3, polished", "sample/µ", "node"])
def test_subjects(subject: str) -> None:
    told = Evaluation(
        name="n",
        kind="k",
        subject=subject,
        runs=(),
        settings={},
        body={},
        software="s",
        asked_by="a",
        verified=True,
        utc=0,
    )
    assert Evaluation.model_validate_json(told.model_dump_json()) == told


@pytest.mark.parametrize("subject", ["run", "run/", "run/ x", "Run/x", "/x", "sample/" + "x" * 200])
def test_no_subjects(subject: str) -> None:
    with pytest.raises(ValueError, match="subject"):
        Evaluation(
            name="n",
            kind="k",
            subject=subject,
            runs=(),
            settings={},
            body={},
            software="s",
            asked_by="a",
            verified=True,
            utc=0,
        )


def test_topic() -> None:
    assert topics.run("node", "left", "run-1", "evaluation") == "luggin/node/left/run/run-1/evaluation"
    assert topics.DELIVERY["evaluation"] == topics.DELIVERY["result"]
