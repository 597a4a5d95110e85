"""What the simulator works out by itself, beside scipy and the constants of the SI."""

import numpy as np
import pytest
from scipy.constants import physical_constants
from scipy.special import dawsn

from luggin.sim.cell.couple import FARADAY, GAS_CONSTANT
from luggin.sim.cell.dawson import dawson


def test_dawson_is_that_of_scipy() -> None:
    x = np.concatenate([[0.0], np.geomspace(1e-12, 1e6, 20_001), np.linspace(0.01, 10.0, 20_001)])
    np.testing.assert_allclose(dawson(x), dawsn(x), rtol=3e-14)


def test_dawson_keeps_the_shape() -> None:
    assert dawson(np.ones((2, 3))).shape == (2, 3)


def test_dawson_at_its_maximum() -> None:
    """Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.17 (from memory): 0.5410442246 at 0.9241388730."""
    assert dawson(np.array([0.9241388730]))[0] == pytest.approx(0.5410442246, abs=5e-11)


def test_constants_are_those_of_codata() -> None:
    assert pytest.approx(physical_constants["Faraday constant"][0], rel=1e-9) == FARADAY
    assert pytest.approx(physical_constants["molar gas constant"][0], rel=1e-9) == GAS_CONSTANT
