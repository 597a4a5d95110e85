"""Stripping on the simulated instrument: no film is let go before it is measured, and cleaning follows a stop."""

import numpy as np
import pytest

from luggin.protocol import document, method, techniques
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.points import Array
from support.bench import Bench

PURGE, DEPOSIT, REST, MEASURE, CLEAN = range(5)
LASTS = (180.0, 30.0, 5.0)
"""Seconds of the phases before the measurement, in the examples."""
STRIPPING = ("LSSV", "DPSV", "SWSV")


def begun(alias: str) -> Bench:
    """The example of a stripping technique, just started, at a hundred times real time."""
    technique = techniques.find(alias)
    assert technique is not None
    bench = Bench("metal-film", seed=3, speed=100.0)
    bench.start(method.compile_method(method.parse(document.read(technique.example))))
    return bench


def pass_into(bench: Bench, phase: int) -> None:
    """Let time pass until a second of the run's time after `phase` has begun."""
    bench.pass_time((sum(LASTS[:phase]) + 1.0) / bench.speed)
    assert bench.status().phase == phase


def phases_of(points: dict[str, Array]) -> set[int]:
    return set(points["phase"].tolist())


@pytest.mark.parametrize("alias", STRIPPING)
def test_the_cell_stays_closed_from_the_deposition_to_the_end_of_the_scan(alias: str) -> None:
    bench = begun(alias)
    status = bench.finish()
    assert status.outcome is Outcome.COMPLETED
    assert status.cell is Cell.OFF
    relay = [(round(time, 3), value) for time, what, value in bench.log.events if what == "relay"]
    assert [value for _, value in relay] == ["on", "off"]
    assert relay[0][0] == pytest.approx(LASTS[PURGE])
    assert relay[1][0] == pytest.approx(status.run_time, abs=1e-3)
    stirred = [(round(time), value) for time, what, value in bench.log.events if what == "stirrer"]
    assert stirred[:2] == [(0, True), (210, False)]  # through purge and deposition, still in rest and scan
    points = bench.points()
    assert phases_of(points) == {PURGE, DEPOSIT, REST, MEASURE, CLEAN}
    measured = points["phase"] == MEASURE
    potential, current = points["applied_potential"][measured], points["current"][measured]
    lead, cadmium = ((potential > low) & (potential < low + 0.2) for low in (-0.58, -0.8))
    for metal, formal in ((lead, -0.42), (cadmium, -0.63)):  # those of the cell
        assert potential[metal][np.argmax(current[metal])] == pytest.approx(formal, abs=0.09)
        assert current[metal].max() > 1e-7


@pytest.mark.parametrize("phase", [DEPOSIT, REST, MEASURE])
@pytest.mark.parametrize("alias", ["LSSV", "SWSV"])
def test_a_stop_still_cleans_the_electrode(alias: str, phase: int) -> None:
    bench = begun(alias)
    pass_into(bench, phase)
    bench.device.stop()
    assert bench.device.activity is Activity.CLOSING
    before = bench.status()
    assert (before.phase, before.cell) == (CLEAN, Cell.ON)
    status = bench.finish()
    assert status.outcome is Outcome.STOPPED
    assert status.run_time - before.run_time == pytest.approx(10.0, abs=1e-6)
    cleaned = bench.points()["phase"] == CLEAN
    assert bench.points()["applied_potential"][cleaned] == pytest.approx(np.full(20, 0.1))
    assert phases_of(bench.points()) == {*range(phase + 1), CLEAN}


@pytest.mark.parametrize("phase", [DEPOSIT, MEASURE])
def test_nothing_follows_an_abort(phase: int) -> None:
    bench = begun("SWSV")
    pass_into(bench, phase)
    assert bench.device.cell_off().confirmed
    assert bench.device.activity is Activity.ENDED
    bench.pass_time(1.0)
    assert bench.status().outcome is Outcome.OFF
    assert CLEAN not in phases_of(bench.points())
    assert bench.status().cell is Cell.OFF


def test_an_abort_while_cleaning_ends_it() -> None:
    bench = begun("SWSV")
    pass_into(bench, REST)
    bench.device.stop()
    bench.pass_time(0.01)
    bench.device.cell_off()
    assert bench.status().outcome is Outcome.OFF
    assert (bench.points()["phase"] == CLEAN).sum() < 20


@pytest.mark.parametrize("phase", [DEPOSIT, REST, MEASURE])
def test_an_operators_hold_waits_for_the_end_of_the_scan(phase: int) -> None:
    bench = begun("SWSV")
    pass_into(bench, phase)
    bench.device.hold()
    while bench.device.activity is Activity.RUNNING:
        bench.pass_time(0.01)
    assert bench.device.activity is Activity.HELD
    assert bench.status().phase == CLEAN
    assert phases_of(bench.points()) >= {PURGE, DEPOSIT, REST, MEASURE}
