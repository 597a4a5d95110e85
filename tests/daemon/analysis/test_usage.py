"""What a run asked of an electrode."""

import numpy as np
import pytest

from luggin.daemon.analysis.usage import Usage, usage
from luggin.protocol.points import Flag


def test_charge_is_counted_each_way_and_not_while_the_cell_is_open() -> None:
    """Charge is current times time (definition of the coulomb, SI brochure, 9th edition, 2019)."""
    time = np.arange(1, 31) * 0.5
    current = np.repeat([2e-6, -1e-6, 5.0], 10)
    flags = np.repeat([0, 0, int(Flag.CELL_OPEN)], 10)
    potential = np.repeat([0.4, -0.1, 0.9], 10)
    found = usage("chronoamperometry", {"time": time, "current": current, "flags": flags, "potential": potential})
    assert found.anodic == pytest.approx(10 * 0.5 * 2e-6)
    assert found.cathodic == pytest.approx(10 * 0.5 * 1e-6)
    assert (found.lowest, found.highest) == (-0.1, 0.4)
    assert found.closed == pytest.approx(10.0)
    assert found.scans == 1


def test_of_pulses_the_sampled_currents_count_and_not_their_difference() -> None:
    columns = {
        "time": np.array([1.0, 2.0]),
        "current": np.array([5e-6, 5e-6]),
        "forward_current": np.array([3e-6, 3e-6]),
        "reverse_current": np.array([-2e-6, -2e-6]),
    }
    assert usage("square-wave-voltammetry", columns).anodic == pytest.approx(2 * 0.5e-6)


def test_uses_add_up() -> None:
    cycles = {"time": np.array([1.0, 2.0]), "cycle": np.array([1, 3]), "potential": np.array([0.0, 0.2])}
    total = usage("cyclic-voltammetry", cycles) + usage("open-circuit-potential", {"time": np.array([1.0])}) + Usage()
    assert total == Usage(lowest=0.0, highest=0.2, scans=3, closed=3.0)
    assert usage("cyclic-voltammetry", {}) == Usage()
