"""What the executor makes of a cell, against an independent solution and against what must hold for any program."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from luggin.protocol.points import Array
from luggin.protocol.program import AnySegment, Program, bounds
from support.bench import Bench, hold, program, ramp, rest
from support.cells import AREA, DIFFUSION, FARADAY, THERMAL, Floats, couple

RATE, RESISTANCE, CAPACITANCE = 2e-5, 150.0, 2e-5
CONCENTRATION = 1.0


def document(oxidised: float = CONCENTRATION, reduced: float = CONCENTRATION, **more: Any) -> dict[str, Any]:
    return {
        "title": "test",
        "source": "round numbers",
        "electrode": {"shape": "plane", "area": AREA},
        "interface": {"series_resistance": RESISTANCE, "double_layer": CAPACITANCE},
        "couples": [couple(oxidised, reduced, rate=RATE, **more)],
    }


def measured(cell: dict[str, Any], wanted: Program) -> dict[str, Array]:
    return Bench(cell, ideal=True, speed=1e5).run(wanted)


# An independent solution


def by_lines(courses: list[tuple[str | None, Floats, Floats]]) -> Floats:
    """Potential of the interface at the end of each sample of consecutive courses (control, times from the course's
    start, levels): method of lines, finite volumes on a stretched grid, scipy's BDF in time."""
    count, stretch, first = 60, 1.15, 2e-7
    width = first * stretch ** np.arange(count)
    between = (width[1:] + width[:-1]) / 2
    near = width[0] / (2 * DIFFUSION)

    def change(time: float, state: Floats, control: str | None, times: Floats, levels: Floats) -> Floats:
        o, r, potential = state[:count], state[count:-1], state[-1]
        forth, back = RATE * np.exp(0.5 * potential / THERMAL), RATE * np.exp(-0.5 * potential / THERMAL)
        flux = (r[0] * forth - o[0] * back) / (1 + near * (forth + back))
        rise = np.empty_like(state)
        for part, made, into in ((o, flux, slice(0, count)), (r, -flux, slice(count, 2 * count))):
            flows = np.concatenate([[made], -DIFFUSION * np.diff(part) / between, [0.0]])
            rise[into] = (flows[:-1] - flows[1:]) / width
        level = np.interp(time, times, levels)
        fed = 0.0 if control is None else (level - potential) / RESISTANCE if control == "potential" else level
        rise[-1] = (fed - FARADAY * AREA * flux) / CAPACITANCE
        return rise

    state = np.concatenate([np.full(2 * count, CONCENTRATION), [0.0]])
    found = []
    for control, times, levels in courses:
        span = (0.0, times[-1])
        solved = solve_ivp(
            change,
            span,
            state,
            "BDF",
            times,
            args=(control, times, levels),
            rtol=1e-7,
            atol=1e-10,
            max_step=span[1] / 50,
        )
        assert solved.success
        found.append(solved.y[-1][1:])
        state = solved.y[:, -1]
    return np.concatenate(found)


def test_changes_of_control_within_a_program() -> None:
    """Potential, current, open circuit, sweep: each takes over what the one before left in solution and interface."""
    points = measured(
        document(),
        program(
            hold(0.1, 2.0, 0.05),
            hold(-4e-5, 2.0, 0.05, control="current"),
            rest(2.0, 0.05),
            ramp(-0.1, 0.2, 0.2, 0.025),
        ),
    )
    grid = np.linspace(0.0, 2.0, 41)
    sweep = np.linspace(0.0, 1.5, 61)
    interface = by_lines(
        [
            ("potential", grid, np.full(41, 0.1)),
            ("current", grid, np.full(41, -4e-5)),
            (None, grid, np.zeros(41)),
            ("potential", sweep, -0.1 + 0.2 * sweep),
        ]
    )
    potential, current = points["potential"].astype(float), points["current"].astype(float)
    expected = (points["applied_potential"].astype(float) - interface) / RESISTANCE
    assert len(potential) == len(interface) == 180
    first, forced, still, swept = (slice(a, b) for a, b in ((0, 40), (40, 80), (80, 120), (120, 180)))
    largest = np.abs(expected[swept]).max()
    assert current[first] == pytest.approx(expected[first], abs=1e-3 * np.abs(expected[first]).max())
    assert potential[forced] == pytest.approx(interface[forced] - 4e-5 * RESISTANCE, abs=1e-4)
    assert potential[still] == pytest.approx(interface[still], abs=1e-4)
    assert current[swept] == pytest.approx(expected[swept], abs=2e-3 * largest)


# What holds for any program

levels = st.floats(-0.4, 0.4).map(lambda level: round(level, 2))
segments = st.lists(
    st.one_of(
        st.builds(hold, levels, st.sampled_from([0.2, 0.5]), st.just(0.02), integrate=st.just(True)),
        st.builds(ramp, levels, levels, st.sampled_from([0.5, 2.0]), st.just(0.02), integrate=st.just(True)),
        st.builds(rest, st.just(0.2), st.just(0.02)),
    ),
    min_size=1,
    max_size=4,
)


def mirrored(segment: AnySegment) -> AnySegment:
    changes = {
        name: -value for name in ("level", "start", "end") if (value := getattr(segment, name, None)) is not None
    }
    return segment.model_copy(update=changes)


@given(segments)
@settings(max_examples=20, deadline=None)
def test_oxidation_and_reduction_are_mirror_images(given_segments: list[AnySegment]) -> None:
    one = measured(document(1.0, 0.2), program(*given_segments))
    other = measured(document(0.2, 1.0), program(*map(mirrored, given_segments)))
    if not one:
        return
    largest = max(float(np.nanmax(np.abs(one["current"]), initial=0.0)), 1e-9)
    assert other["potential"] == pytest.approx(-one["potential"], abs=1e-5)
    assert other["current"] == pytest.approx(-one["current"], abs=1e-4 * largest, nan_ok=True)


@given(segments)
@settings(max_examples=20, deadline=None)
def test_bounds_hold_and_the_charge_of_a_segment_never_leaps(given_segments: list[AnySegment]) -> None:
    wanted = program(*given_segments)
    points, limits = measured(document(), wanted), bounds(wanted)
    if not points:
        return
    assert len(points["time"]) == limits.points
    applied = points["applied_potential"][np.isfinite(points["applied_potential"])]
    assert (applied >= (limits.potential_low or 0.0) - 1e-6).all()
    assert (applied <= (limits.potential_high or 0.0) + 1e-6).all()
    # Between two points no more charge flows than the resistance lets through.
    most = 0.02 * 1.3 / RESISTANCE
    if "charge" in points:
        assert np.abs(points["charge"]).max() <= 0.5 / 0.02 * most


def test_charge_is_the_integral_of_current_and_comes_back() -> None:
    """A sweep there and back, slowly enough for the sum over points: what it took, less what diffused away."""
    points = measured(
        document(), program(ramp(0.0, 0.3, 0.1, 5e-3, integrate=True), ramp(0.3, -0.3, 0.1, 5e-3, integrate=True))
    )
    turn = int(points["applied_potential"].argmax()) + 1
    for part in (slice(0, turn), slice(turn, None)):
        current, charge = points["current"][part].astype(float), points["charge"][part]
        areas = 5e-3 * (current[1:] + current[:-1]) / 2
        assert charge[1:] - charge[0] == pytest.approx(np.cumsum(areas), abs=2e-3 * np.abs(charge).max())


def test_refining_the_points_converges() -> None:
    """The same sweep with points each 8, 4, 2 and 1 mV: what it reads at common potentials comes together."""
    found = {}
    for step in (8, 4, 2, 1):
        points = measured(document(), program(ramp(-0.24, 0.24, 0.1, step * 1e-2)))
        found[step] = points["current"][8 // step - 1 :: 8 // step].astype(float)
    finest, largest = found[1], np.abs(found[1]).max()
    errors = [np.abs(found[step] - finest).max() / largest for step in (8, 4, 2)]
    assert errors[0] < 2e-3
    assert errors[2] <= errors[0] + 1e-6
    assert errors[2] < 3e-4
