"""What holds for any excitation: charge, symmetry, how calls are cut, and that numbers stay numbers."""

import itertools
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from luggin.sim.cell import Cell, CellError, Response, load_cell, names
from support.cells import AREA, FARADAY, Floats, cell, couple, monolayer, sweep

levels = st.lists(st.floats(-0.5, 0.5).map(lambda v: round(v, 3)), min_size=2, max_size=6)
spans = st.sampled_from([1e-5, 1e-3, 0.02, 1.0])
RATES: list[float | None] = [None, 1e-4, 1e-7]
INTERFACES = [(0.0, 0.0), (100.0, 0.0), (100.0, 1e-5), (1e4, 1e-6)]


def drive(made: Cell, modes: list[tuple[str, float, float, float]]) -> Response:
    """Run pieces (control, span, first, last), each a call."""
    parts = []
    for control, span, first, last in modes:
        if control == "open":
            parts.append(made.open_circuit(span))
        elif control == "current":
            parts.append(made.current_control(span, first * 1e-4, last * 1e-4))
        else:
            parts.append(made.potential_control(span, first, last))
    return Response.join(*parts)


pieces = st.lists(
    st.tuples(st.sampled_from(["potential", "current", "open"]), spans, st.floats(-1, 1), st.floats(-1, 1)),
    min_size=1,
    max_size=8,
)


@settings(max_examples=25, deadline=None)
@given(levels, spans, st.sampled_from(RATES), st.sampled_from(INTERFACES))
def test_oxidation_and_reduction_are_mirror_images(
    steps: list[float], span: float, rate: float | None, interface: tuple[float, float]
) -> None:
    """Swapping the two forms and the sign of every potential turns the current round."""
    resistance, capacitance = interface
    one = cell(couple(1.0, 0.2, rate=rate), resistance=resistance, capacitance=capacitance)
    other = cell(couple(0.2, 1.0, rate=rate), resistance=resistance, capacitance=capacitance)
    up = one.potential_control(span, steps[:-1], steps[1:])
    down = other.potential_control(span, -np.array(steps[:-1]), -np.array(steps[1:]))
    size = np.abs(up.current).max()
    assert up.current == pytest.approx(-down.current, rel=1e-5, abs=1e-7 * size)
    assert up.charge == pytest.approx(-down.charge, rel=1e-5, abs=1e-7 * size * span)


@settings(max_examples=25, deadline=None)
@given(pieces, st.sampled_from(INTERFACES[2:]), st.sampled_from([None, 50.0, 0.1]))
def test_charge_balances(
    modes: list[tuple[str, float, float, float]], interface: tuple[float, float], rate: float | None
) -> None:
    """What went in is in the double layer and in the monolayer; open circuit moves none."""
    made = cell(monolayer(0.5e-6, 0.5e-6, rate=rate), resistance=interface[0], capacitance=interface[1])
    response = drive(made, [("open", 1e-3, 0, 0), *modes])
    closed = made.potential_control(np.full(50, 1.0), 0.0, 0.0)
    assert all(response.charge[k] == 0 for k, mode in enumerate([("open",), *modes]) if mode[0] == "open")
    total = response.charge.sum() + closed.charge.sum()
    capacity = FARADAY * AREA * 1e-6
    assert abs(total) < 1e-3 * capacity + 1e-4 * np.abs(response.charge).max()


@settings(max_examples=25, deadline=None)
@given(levels, st.sampled_from(RATES), st.sampled_from(INTERFACES))
def test_charge_is_the_integral_of_current(
    steps: list[float], rate: float | None, interface: tuple[float, float]
) -> None:
    made = cell(couple(rate=rate), resistance=interface[0], capacitance=interface[1])
    made.potential_control(np.full(100, 0.1), steps[0], steps[0])
    for first, last in itertools.pairwise(steps):
        ramp = np.linspace(first, last, 201)
        response = made.potential_control(1e-2, ramp[:-1], ramp[1:])
        trapezoids = (response.current[:-1] + response.current[1:]) / 2 * 1e-2
        late = slice(50, None)
        assert response.charge[1:][late].sum() == pytest.approx(
            trapezoids[late].sum(), rel=3e-3, abs=3e-3 * np.abs(trapezoids).sum()
        )


@settings(max_examples=30, deadline=None)
@given(st.sampled_from(names()), pieces, st.integers(1, 7), st.integers(0, 3))
@example("long-run", [("potential", 0.02, -0.3, 0.5), ("open", 1.0, 0, 0)] * 3, 2, 1)
def test_calls_may_be_cut_anywhere(
    name: str, modes: list[tuple[str, float, float, float]], cut: int, seed: int
) -> None:
    """The same steps give the same numbers, bit for bit, whatever the calls; another seed may not."""
    dense: list[tuple[str, Floats, Floats, Floats]] = []
    for control, span, first, last in modes:
        points = np.linspace(first, last, 6)
        dense.append((control, np.full(5, span), points[:-1], points[1:]))
    whole, parts = load_cell(name, seed=seed), load_cell(name, seed=seed)
    for control, lengths, begins, ends in dense:
        at_once = run(whole, control, lengths, begins, ends)
        in_parts = Response.join(
            *(
                run(parts, control, lengths[k : k + cut], begins[k : k + cut], ends[k : k + cut])
                for k in range(0, 5, cut)
            )
        )
        for column in fields(Response):
            np.testing.assert_array_equal(getattr(at_once, column.name), getattr(in_parts, column.name))
    assert whole.time == parts.time


def run(made: Cell, control: str, lengths: Floats, first: Floats, last: Floats) -> Response:
    if control == "open":
        return made.open_circuit(lengths)
    if control == "current":
        return made.current_control(lengths, first * 1e-5, last * 1e-5, compliance=8.0)
    return made.potential_control(lengths, first, last, compliance=8.0)


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from(names()),
    st.lists(
        st.tuples(
            st.sampled_from(["potential", "current", "open", "stir", "purge", "hot", "rotate"]),
            st.sampled_from([1e-9, 1e-6, 1e-2, 10.0, 1e5]),
            st.floats(-100, 100) | st.sampled_from([0.0, 1e-300, 3.0]),
            st.floats(-100, 100) | st.sampled_from([0.0, -1e-300, -3.0]),
        ),
        max_size=6,
    ),
)
def test_numbers_stay_numbers(name: str, modes: list[tuple[str, float, float, float]]) -> None:
    """However absurd the excitation, nothing becomes infinite or NaN."""
    made = load_cell(name)
    for control, span, first, last in modes:
        match control:
            case "stir":
                made.stir(first > 0)
            case "purge":
                made.purge(first > 0)
            case "rotate":
                made.rotate(abs(first))
            case "hot":
                made.set_temperature(300 + first / 2)
            case "open":
                check(made.open_circuit(span))
            case "current":
                check(made.current_control(span, first, last))
            case _:
                nearby = first + np.clip(last - first, -4, 4)
                check(made.potential_control(span, first, nearby))
    check(made.potential_control(0.1, [0.0, 0.1], [0.1, 0.1]))
    assert not np.isnan(made.impedance([1.0, 1e4])).any()


def check(response: Response) -> None:
    for column in ("measured", "interface", "current", "charge", "voltage"):
        assert np.isfinite(getattr(response, column)).all(), column


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0.0, 0.1, 0.1), "dt"),
        ((-1.0, 0.1, 0.1), "dt"),
        ((np.nan, 0.1, 0.1), "dt"),
        ((np.inf, 0.1, 0.1), "dt"),
        ((1.0, np.nan, 0.1), "first"),
        ((1.0, 0.1, np.inf), "last"),
        ((1.0, 0.1, 1e6), "last"),
        ((1.0, "a", 0.1), "numbers"),
        (([1.0, 1.0], [0.1, 0.1, 0.1], 0.1), "one length"),
        ((np.ones((2, 2)), 0.1, 0.1), "dimensions"),
    ],
)
def test_steps_that_make_no_sense_are_refused_and_change_nothing(arguments: tuple[Any, ...], message: str) -> None:
    made = load_cell("redox-probe")
    with pytest.raises(CellError, match=message):
        made.potential_control(*arguments)
    assert made.time == 0
    fresh = load_cell("redox-probe")
    assert made.potential_control(1e-3, 0.1, 0.1).current == fresh.potential_control(1e-3, 0.1, 0.1).current


def test_an_empty_call_is_legal() -> None:
    made = load_cell("redox-probe")
    assert len(made.potential_control(np.zeros(0), np.zeros(0), np.zeros(0))) == 0


def test_a_scan_brings_back_what_it_took() -> None:
    """Out and back, then a long hold: all that was reduced is oxidised again but for what diffused away for good."""
    made = cell(couple(rate=1e-4), resistance=100.0, capacitance=1e-5)
    made.potential_control(1.0, 0.3, 0.3)
    _, scan = sweep(made, 0.1, 0.3, -0.3, 0.3)
    hold = made.potential_control(np.full(60, 1000.0), 0.3, 0.3)
    taken = scan.charge[scan.charge < 0].sum()
    assert abs(scan.charge.sum() + hold.charge.sum()) < 0.02 * abs(taken)
