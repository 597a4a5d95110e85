"""Qualifications: ideal dummy cells in closed form, wrong ones, and electrodes in a simulated redox probe."""

import numpy as np
import pytest

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding, evaluate
from luggin.daemon.evaluation.on_dummy import on_dummy
from luggin.protocol import method
from luggin.protocol.evaluation.qualification_settings import DAY
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.fitness.dummy import DUMMY_CELLS, DummyCell
from luggin.protocol.fitness.dummy_routine import dummy_routine
from luggin.protocol.fitness.probe import REDOX_PROBES
from luggin.protocol.fitness.probe_routine import probe_routine
from luggin.protocol.fitness.results import QualificationBody
from support.bench import Bench
from support.fitness_runs import BENCH, PLACE, R_RC, dummy_runs, probe_cell, run_data
from support.voltammograms import run_of


def qualified(cell: DummyCell, stands: DummyCell, **more: float) -> tuple[Finding, QualificationBody]:
    settings = dummy_routine(BENCH, cell, PLACE).document["evaluation"]
    found = evaluate("qualification", dummy_runs(cell, stands, **more), settings)
    return found, QualificationBody.model_validate(found.body)


@pytest.mark.parametrize("cell", DUMMY_CELLS.values(), ids=DUMMY_CELLS.keys())
def test_an_ideal_instrument_passes_on_an_ideal_cell(cell: DummyCell) -> None:
    found, body = qualified(cell, cell)
    assert body.passed, [each for each in body.items if not each.passed]
    assert (found.subject, found.valid_for) == ("instrument/bench-1", 30 * DAY)
    values = quantities("qualification", found.body)
    for name, (_, value) in cell.parts.items():
        assert values.get(name, value) == pytest.approx(value, rel=1e-3)
    if cell.resistance is not None:
        assert values["resistance.10uA"] == pytest.approx(cell.resistance, rel=1e-3)
    assert body.units["noise.10uA"] == "A"
    assert values["noise.10uA"] == pytest.approx(1e-10, rel=0.2)


def test_a_wrong_resistor_is_found_in_every_range_and_in_the_spectrum() -> None:
    found, body = qualified(R_RC, R_RC.model_copy(update={"parallel_resistance": 9e3}))
    failed = {each.name for each in body.items if not each.passed}
    assert not body.passed
    assert {"resistance.100nA", "resistance.10uA", "parallel-resistance"} <= failed
    assert not {"series-resistance", "capacitance", "offset.10uA", "noise.10uA"} & failed
    assert "resistance.10uA has not passed" in found.warnings


def test_a_wrong_capacitor_noise_and_an_offset_are_told_apart() -> None:
    _, body = qualified(R_RC, R_RC.model_copy(update={"capacitance": 1.2e-6}))
    assert [each.name for each in body.items if not each.passed] == ["capacitance"]
    _, body = qualified(R_RC, R_RC, noise=0.01)
    assert {each.name.split(".")[0] for each in body.items if not each.passed} >= {"noise"}
    _, body = qualified(R_RC, R_RC, offset=0.02)
    failed = {each.name for each in body.items if not each.passed}
    assert "offset.100uA" in failed
    assert not any(name.startswith("resistance") for name in failed)


def test_a_short_is_a_resistance_that_could_not_be_determined() -> None:
    _, body = qualified(R_RC, R_RC.model_copy(update={"series_resistance": 1e-3, "parallel_resistance": 1e-3}))
    item = next(each for each in body.items if each.name == "resistance.10uA")
    assert (item.value, item.passed) == (None, False)
    assert "short" in item.note


def test_the_capacitance_after_a_step_is_that_of_the_parts() -> None:
    """The current of Rs + (Rp || C) after a step, closed form: E/(Rs+Rp) + E Rp/(Rs (Rs+Rp)) exp(-t/tau)."""
    slow = BENCH.model_copy(update={"segments": ("open", "hold", "ramp")})
    document = dummy_routine(slow, R_RC, PLACE).document["methods"]["step"]
    level, duration, period = (document["phases"][-1][name] for name in ("potential", "duration", "period"))
    rs, rp, c = 1e3, 10e3, 1e-6
    time = np.arange(1, round(duration / period) + 1) * period
    decay = level / (rs + rp) + level * rp / (rs * (rs + rp)) * np.exp(-time * (rs + rp) / (rs * rp * c))
    columns = {
        "time": np.concatenate(([1.0], 1.0 + time)),
        "phase": np.concatenate(([0], np.ones(time.size, dtype=int))),
        "potential": np.concatenate(([0.0], np.full(time.size, level))),
        "current": np.concatenate(([0.0], decay)),
    }
    (item,), _ = on_dummy([run_data(document, columns)], R_RC)
    assert item.name == "capacitance"
    assert item.value == pytest.approx(c, rel=0.01)
    assert item.passed


def test_runs_of_something_else_are_no_qualification() -> None:
    columns = {name: np.zeros(3) for name in ("time", "phase", "potential", "current")}
    other = run_of("cyclic-voltammetry", {"index": np.arange(3), **columns})
    settings = dummy_routine(BENCH, R_RC, PLACE).document["evaluation"]
    with pytest.raises(EvaluationError, match="none of a qualification"):
        evaluate("qualification", [other], settings)


def test_one_instrument_is_qualified_at_a_time() -> None:
    runs = dummy_runs(R_RC, R_RC)
    runs[0].header = runs[0].header.model_copy(update={"instrument": "other"})
    settings = dummy_routine(BENCH, R_RC, PLACE).document["evaluation"]
    with pytest.raises(EvaluationError, match="several instruments"):
        evaluate("qualification", runs, settings)


def scanned(**cell: str) -> QualificationBody:
    """The runs of an electrode's routine with a simulated instrument in the redox probe, ideal but for its cell."""
    probe = REDOX_PROBES["hexacyanoferrate-iii"].model_copy(update={"scan_rates": (0.05, 0.1, 0.2), "step": 2e-3})
    sequence = probe_routine(BENCH, probe, PLACE).document
    runs = []
    for name, document in sequence["methods"].items():
        bench = Bench(probe_cell(**cell), ideal=True, speed=1e5)
        points = bench.run(method.compile_method(method.parse(document)))
        runs.append(run_data(document, points, name=f"run-{name}"))
    return QualificationBody.model_validate(evaluate("qualification", runs, sequence["evaluation"]).body)


def test_a_good_electrode_passes_in_the_probe_and_its_area_is_found() -> None:
    """Separation and half-wave potential of a fast couple (Nicholson & Shain 1964, from memory), and the area of the
    simulated disk, through Randles and Sevcik's equation."""
    body = scanned()
    assert body.passed, [each for each in body.items if not each.passed]
    values = body.quantities
    assert values["uncompensated-resistance"] == pytest.approx(120.0, rel=0.05)
    assert 0.057 < values["peak-separation.50mV/s"] < 0.075
    # E1/2 = E0' + RT/(2F) ln(D_red/D_ox) (Bard & Faulkner, Electrochemical Methods, 2nd ed., 5.4, from memory)
    expected = 0.23 + 0.0256926 / 2 * np.log(6.7 / 7.17)
    assert values["half-wave-potential.50mV/s"] == pytest.approx(expected, abs=2e-3)
    # The equation is that of a reversible couple without resistance; 0.02 cm/s and 120 ohm give a few percent less.
    assert values["area"] == pytest.approx(7.0686e-6, rel=0.1)
    assert values["area"] < scanned(rate_constant="1 m/s").quantities["area"] == pytest.approx(7.0686e-6, rel=0.03)


def test_a_blocked_electrode_does_not_pass() -> None:
    body = scanned(rate_constant="2e-4 cm/s")
    failed = {each.name.split(".")[0] for each in body.items if not each.passed}
    assert "peak-separation" in failed
