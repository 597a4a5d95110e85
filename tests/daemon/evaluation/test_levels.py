"""The kind `levels`: what stood at the end of a hold, a wait or a step; quantities by name."""

import numpy as np
import pytest
from numpy.typing import NDArray

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.points import Flag
from support.stored_runs import header

TIME = np.arange(1, 101) * 0.5


def run(technique: str, flags: NDArray[np.int_] | None = None, **columns: NDArray[np.float64]) -> RunData:
    made = header("run-1")
    made = made.model_copy(update={"method": {**made.method, "technique": technique, "phases": [{"phase": "measure"}]}})
    count = len(TIME)
    given = {"index": np.arange(count), "time": TIME, "phase": np.zeros(count), **columns}
    return RunData(made, {**given, "flags": np.zeros(count, dtype=int) if flags is None else flags})


def test_the_drift_of_an_open_circuit_potential_is_that_of_its_last_seconds() -> None:
    potential = np.where(TIME <= 40, 0.2, 0.2 + 1e-4 * (TIME - 40))
    open_cell = np.full(len(TIME), int(Flag.CELL_OPEN))
    found = evaluate("levels", [run("open-circuit-potential", open_cell, potential=potential)])
    values = quantities("levels", found.body)
    assert values["potential.drift"] == pytest.approx(1e-4)
    assert values["potential.last"] == pytest.approx(0.201)
    assert values["potential.mean"] == pytest.approx(0.2005, abs=1e-6)
    assert found.body["units"]["potential.drift"] == "V/s"
    assert "charge" not in values


def test_a_steady_current_passes_its_charge() -> None:
    """Charge is current times time (definition of the coulomb, SI brochure, 9th edition, 2019)."""
    current = np.full(len(TIME), 2e-6)
    found = evaluate("levels", [run("chronoamperometry", current=current, potential=np.full(len(TIME), 0.3))])
    values = quantities("levels", found.body)
    assert values["charge"] == pytest.approx(2e-6 * (TIME[-1] - TIME[0]))
    assert values["current.spread"] == pytest.approx(0, abs=1e-20)


def test_points_that_settle_or_are_overloaded_do_not_count() -> None:
    current = np.full(len(TIME), 1e-6)
    flags = np.zeros(len(TIME), dtype=int)
    current[3], flags[3] = 1.0, int(Flag.SETTLING)
    current[50], flags[50] = 1.0, int(Flag.CURRENT_OVERLOAD)
    found = evaluate("levels", [run("chronoamperometry", flags, current=current)])
    assert quantities("levels", found.body)["current.mean"] == pytest.approx(1e-6)
    assert found.warnings == ("1 of 100 points were overloaded: they do not count, and the charge bridges them",)


@pytest.mark.parametrize("flag", [Flag.SETTLING, Flag.CURRENT_OVERLOAD | Flag.SETTLING])
def test_nothing_fit_is_said_in_a_sentence(flag: Flag) -> None:
    flags = np.full(len(TIME), int(flag))
    with pytest.raises(EvaluationError, match="run run-1 has no point that is fit"):
        evaluate("levels", [run("chronoamperometry", flags, current=np.ones(len(TIME)))])


def test_one_point_has_no_spread() -> None:
    single = run("chronoamperometry", current=np.full(len(TIME), 1e-6))
    found = evaluate("levels", [single], {"last": 0.1})
    assert set(quantities("levels", found.body)) == {"current.mean", "current.last", "charge"}
