"""Method documents: every wrong field at once; examples compile; documents parse to the same method again."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol import document, method, techniques
from luggin.protocol.advice import advice
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import Hold, Open, Ramp, bounds

EXAMPLES = sorted(techniques.TECHNIQUES)


def example(technique: str = "cyclic-voltammetry") -> dict[str, Any]:
    return document.read(techniques.TECHNIQUES[technique].example)


def problems(given: dict[str, Any]) -> list[str]:
    with pytest.raises(DocumentError) as caught:
        method.compile_method(method.parse(given))
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize("name", EXAMPLES)
def test_example_compiles_and_survives_storage(name: str) -> None:
    parsed = method.parse(example(name))
    assert method.parse(parsed.document()) == parsed
    program = method.compile_method(parsed)
    assert program == type(program).model_validate(program.model_dump(mode="json"))
    extent = bounds(program)
    assert 0 < extent.points < 10_000
    assert program.limits.duration > extent.duration


def test_names_and_abbreviations_find_the_same_technique() -> None:
    assert techniques.find("CV") is techniques.find("cyclic-voltammetry")
    assert techniques.find("ca") is techniques.TECHNIQUES["chronoamperometry"]
    assert techniques.find("swirl") is None


def test_cyclic_voltammetry_sweeps_between_its_switching_potentials() -> None:
    program = method.compile_method(method.parse(example()))
    settle, cycles = program.blocks
    assert isinstance(settle.segments[0], Hold)
    assert settle.segments[0].level == 0.6
    assert [(s.start, s.end) for s in cycles.segments if isinstance(s, Ramp)] == [(0.6, -0.1), (-0.1, 0.6)]
    assert cycles.repeat == 2
    # 5 s at one point each 0.5 s, then two cycles of 1.4 V in steps of 1 mV
    assert bounds(program).points == 10 + 2 * 1400
    assert bounds(program).duration == pytest.approx(5 + 2 * 14)


def test_a_start_between_the_switching_potentials_takes_three_sweeps() -> None:
    given = example()
    given["phases"][1]["initial_potential"] = "0.2 V"
    sweeps = method.compile_method(method.parse(given)).blocks[1].segments
    assert [(s.start, s.end) for s in sweeps if isinstance(s, Ramp)] == [(0.2, -0.1), (-0.1, 0.6), (0.6, 0.2)]


def test_every_wrong_field_is_reported_at_once() -> None:
    given = example()
    given["phases"][0]["duration"] = "5 V"
    given["phases"][1] |= {"scan_rate": "100 mV", "cycles": 0, "colour": "blue"}
    given["ranging"]["lower"] = -1
    given["frobnicate"] = True
    del given["setup"]["reference"]
    said = problems(given)
    for path in (
        "phases[0].duration", "phases[1].scan_rate", "phases[1].cycles", "phases[1].colour",
        "ranging.lower", "frobnicate", "setup.reference",
    ):  # fmt: skip
        assert sum(line.startswith(path) for line in said) == 1, (path, said)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda m: m["phases"][1].update(step="3 V"), "larger than the sweep"),
        (lambda m: m["phases"][1].update(initial_potential="2 V"), "outside the switching potentials"),
        (lambda m: m["phases"][1].update(first_switching_potential="0.6 V"), "two switching potentials are equal"),
        (lambda m: m.update(technique="magic"), "no such technique"),
        (lambda m: m.pop("technique"), "technique: this field is missing"),
        (lambda m: m["phases"].pop(), "exactly one phase = measure"),
        (lambda m: m["phases"].append(m["phases"][1]), "exactly one phase = measure"),
        (lambda m: m["phases"][0].update(phase="dance"), "phases[0].phase = 'dance'"),
        (lambda m: m.update(phases=[]), "needs a list of phases"),
        (lambda m: m.update(phases="all"), "needs a list of phases"),
        (lambda m: m["limits"].update(potential={"low": "0 V", "high": "0.8 V"}), "the method itself goes to -100 mV"),
        (lambda m: m["limits"].update(potential={"low": "1 V", "high": "0 V"}), "must ascend"),
        (lambda m: m.update(ending={"after_run": "hold"}), "needs a potential and a duration"),
        (lambda m: m.update(dead_man={"action": "hold", "duration": "1 h"}), "action hold needs a potential"),
        (lambda m: m.update(dead_man={"action": "continue"}), "needs a duration"),
        (lambda m: m.update(name="Not a Name"), "name = 'Not a Name'"),
        (lambda m: m.update(ranging={"fixed": "10 uA", "lower": "1 uA"}), "excludes"),
        (lambda m: m.update(ranging={"lower": "1 mA", "upper": "1 uA"}), "exchange them"),
        (
            lambda m: m["phases"].insert(0, {"phase": "condition", "duration": "5 s"}),
            "condition phase needs a potential",
        ),
        (lambda m: m["phases"][0].update(period="1 h"), "longer than the phase"),
        (lambda m: m.update(version=2), "version"),
    ],
)
def test_says_what_is_wrong(change: Any, said: str) -> None:
    given = example()
    change(given)
    assert any(said in line for line in problems(given)), problems(given)


def test_the_cell_may_not_open_between_deposition_and_measurement() -> None:
    given = example()
    deposit = {"phase": "deposit", "potential": "-0.1 V", "duration": "30 s", "stirrer": True}
    given["phases"][:1] = [deposit, {"phase": "rest", "duration": "10 s"}]
    assert any("would open between deposition and measurement" in line for line in problems(given))
    given["phases"][1]["potential"] = "-0.1 V"
    assert method.parse(given)


def test_cleaning_is_what_a_stop_still_executes() -> None:
    given = example()
    given["phases"].append({"phase": "clean", "potential": "0.3 V", "duration": "5 s"})
    assert [b.on_stop for b in method.compile_method(method.parse(given)).blocks] == [False, False, True]


def test_settling_waits_at_the_initial_potential_and_resting_at_open_circuit() -> None:
    given = example()
    given["phases"].insert(0, {"phase": "rest", "duration": "3 s"})
    rest, settle, _ = method.compile_method(method.parse(given)).blocks
    assert isinstance(rest.segments[0], Open)
    assert isinstance(settle.segments[0], Hold)
    ocp = example("open-circuit-potential")
    ocp["phases"].insert(0, {"phase": "settle", "duration": "3 s"})
    assert any("no initial potential" in line for line in problems(ocp))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a" * 70_000, "too large"),
        ("x = " + "[" * 5000 + "]" * 5000, "nested too deeply"),
        ('{"a":' * 5000 + "1" + "}" * 5000, "nested too deeply"),
        ("x = {a={b={c={d={e={f={g={h={i=1}}}}}}}}}", "nested too deeply"),
        (b"\xff\xfe", "UTF-8"),
        ("= nonsense", "neither valid TOML nor valid JSON"),
        ('{"a": ', "neither valid TOML nor valid JSON"),
    ],
)
def test_hostile_documents_get_a_sentence(text: str | bytes, said: str) -> None:
    with pytest.raises(DocumentError) as caught:
        document.read(text, "method.toml")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)[:80]


json_like = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=20,
)


@given(st.dictionaries(st.sampled_from(["version", "name", "technique", "setup", "phases", "limits", "x"]), json_like))
def test_any_table_is_a_method_or_a_list_of_problems(given: dict[str, Any]) -> None:
    with pytest.raises(DocumentError) as caught:
        method.parse(given)
    assert all(str(problem) for problem in caught.value.problems)


@given(st.data())
def test_a_damaged_example_is_a_method_or_a_list_of_problems(data: st.DataObject) -> None:
    given = example(data.draw(st.sampled_from(EXAMPLES)))
    where: Any = given
    for _ in range(data.draw(st.integers(0, 2))):
        inner = [v for v in (where.values() if isinstance(where, dict) else where) if isinstance(v, dict | list) and v]
        if not inner:
            break
        where = data.draw(st.sampled_from(inner))
    key = data.draw(st.sampled_from(sorted(where) if isinstance(where, dict) else list(range(len(where)))))
    where[key] = data.draw(json_like)
    try:
        assert bounds(method.compile_method(method.parse(given))).points >= 0
    except DocumentError as error:
        assert error.problems


def test_a_hold_that_the_method_allows_is_counted_apart() -> None:
    """A point each second of it, where the program has a place to pause at all."""
    given = {**example(), "longest_hold": "90 s"}
    assert bounds(method.compile_method(method.parse(given))).held_points == 90
    pulsed = {**example("square-wave-voltammetry"), "longest_hold": "90 s"}
    pulsed["phases"] = [phase for phase in pulsed["phases"] if phase["phase"] == "measure"]
    assert bounds(method.compile_method(method.parse(pulsed))).held_points == 0


@pytest.mark.parametrize(
    ("low", "high", "named"),
    [("-0.1 V", "0.7 V", "limits.potential.low"), ("-0.2 V", "0.601 V", "limits.potential.high")],
)
def test_a_window_without_room_for_noise_is_remarked_on(low: str, high: str, named: str) -> None:
    parsed = method.parse({**example(), "limits": {"potential": {"low": low, "high": high}}})
    (remark,) = advice(parsed, method.compile_method(parsed))
    assert remark.startswith(named)


def test_a_window_with_room_is_not() -> None:
    parsed = method.parse({**example(), "limits": {"potential": {"low": "-0.11 V", "high": "0.61 V"}}})
    assert advice(parsed, method.compile_method(parsed)) == []


def test_a_program_beyond_all_bounds_is_a_problem_of_the_method() -> None:
    given = example("normal-pulse-voltammetry")
    given["phases"][-1]["final_potential"] = 2.0**31
    assert any("the program would be out of bounds" in problem for problem in problems(given))


@pytest.mark.parametrize("text", ['{"name": "\\ud800"}', '{"\\udc00": 1}', '{"a": [{"b": "x\\ud83d"}]}'])
def test_half_a_character_is_no_text(text: str) -> None:
    with pytest.raises(DocumentError, match="half a character"):
        document.read(text)


def test_a_problem_is_one_line_whatever_it_quotes() -> None:
    (problem,) = problems({**example(), "two\nlines\x1b[31m": 1})
    assert problem.startswith("two\\nlines\\x1b[31m = 1: this field is unknown here")


def test_numbers_that_nobody_can_compute_with_are_a_problem_of_the_method() -> None:
    given = example("differential-pulse-voltammetry")
    given["phases"][-1]["final_potential"] = 1e308
    given["phases"][-1]["step"] = 1e-9
    (problem,) = problems(given)
    assert "too large or too small to compute with" in problem


@pytest.mark.parametrize("technique", ["zero-resistance-ammetry", "chronopotentiometry"])
def test_a_potential_that_follows_from_the_current_is_not_bound_to_where_it_is_held_afterwards(technique: str) -> None:
    """A hold when the host falls silent, or after the run, is no window for the run itself: it would trip at once."""
    given = example(technique)
    given.get("limits", {}).pop("potential", None)
    given["dead_man"] = {"action": "hold", "potential": "0.1 V", "duration": "5 s"}
    given["ending"] = {"after_run": "hold", "potential": "0.2 V", "duration": "5 s"}
    window = method.compile_method(method.parse(given)).limits.potential
    assert (window.low, window.high) == (-10.0, 10.0)
