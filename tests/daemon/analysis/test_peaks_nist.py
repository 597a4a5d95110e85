"""Peaks against the certified parameters of NIST StRD Gauss1 to Gauss3 (B. Rust, NIST, 1996).

Two Gaussians b3, b4, b5 and b6, b7, b8 on an exponential decay, 250 points, noise of variance 6.25. The files in
tests/reference are the published ones; they hold the certified values that are compared with here. A Gaussian
exp(-((x - b4) / b5)^2) has the half-width 2 sqrt(ln 2) b5.
"""

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import find_peaks

from luggin.daemon.analysis.peaks import detect
from luggin.daemon.analysis.smoothing import savitzky_golay
from luggin.protocol.evaluation.peak_settings import PeakSettings, Polynomial, Smoothing

REFERENCE = Path(__file__).parents[2] / "reference"
WIDTHS = {"minimum_half_width": 15.0, "maximum_half_width": 60.0}
HALF_WIDTH = 2 * np.sqrt(np.log(2))


def read(number: int) -> tuple[np.ndarray, np.ndarray, dict[str, float]]:
    """x, y and certified parameters of a file."""
    path = REFERENCE / f"nist_gauss{number}.dat"
    lines = path.read_text().splitlines()
    certified = {w[0]: float(w[4]) for w in (line.split() for line in lines[40:48])}
    y, x = np.loadtxt(path, skiprows=60).T
    assert x.size == 250
    return x, y, certified


@pytest.mark.parametrize("number", [1, 2, 3])
def test_finds_the_two_peaks_and_no_other(number: int) -> None:
    x, y, b = read(number)
    result = detect(x, y, settings=PeakSettings(polarity="both", **WIDTHS))
    assert [p.polarity for p in result.peaks] == ["anodic", "anodic"]
    for peak, place in zip(result.peaks, (b["b4"], b["b7"]), strict=True):
        assert abs(peak.potential - place) < 2.5
        assert abs(peak.potential - place) < 2.5 * peak.u_potential
    assert result.noise == pytest.approx(2.5, rel=0.1)


@pytest.mark.parametrize("number", [2, 3])
def test_resolves_the_overlapping_ones_to_the_certified_values(number: int) -> None:
    x, y, b = read(number)
    settings = PeakSettings(overlap="resolved", baseline=Polynomial(order=3), **WIDTHS)
    result = detect(x, y, settings=settings)
    for peak, (height, place, width) in zip(
        result.peaks, ((b["b3"], b["b4"], b["b5"]), (b["b6"], b["b7"], b["b8"])), strict=True
    ):
        assert peak.potential == pytest.approx(place, abs=0.1)
        # The polynomial stands in for an exponential, so heights and widths agree less closely.
        assert peak.height == pytest.approx(height, rel=0.01)
        assert peak.half_width == pytest.approx(HALF_WIDTH * width, rel=0.015)
        assert peak.area == pytest.approx(np.sqrt(np.pi) * height * width, rel=0.025)


def test_the_hardest_is_a_shoulder_until_it_is_resolved() -> None:
    x, y, _ = read(3)
    shapes = [p.shape for p in detect(x, y, settings=PeakSettings(**WIDTHS)).peaks]
    assert shapes == ["peak", "shoulder"]


@pytest.mark.parametrize(("number", "places"), [(1, (67, 179)), (2, (106, 153))])
def test_agrees_with_scipy_on_the_separate_ones(number: int, places: tuple[int, int]) -> None:
    """scipy.signal.find_peaks on smoothed data is the second opinion; it takes the highest point as it is."""
    x, y, _ = read(number)
    smooth = savitzky_golay(y, 1.0, Smoothing(width=15))
    second_opinion = x[find_peaks(smooth, prominence=10)[0]]
    found = [p.potential for p in detect(x, y, settings=PeakSettings(**WIDTHS)).peaks]
    assert found == pytest.approx(second_opinion.tolist(), abs=3)
    assert found == pytest.approx(places, abs=2)
