"""Peaks that a person sets or removes."""

import numpy as np
import pytest

from luggin.daemon.analysis.by_hand import remove_peak, set_peak
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.peak_models import HandEdit, PeakResult
from luggin.daemon.analysis.peaks import detect
from luggin.protocol.evaluation.peak_settings import PeakSettings
from support.peak_truth import gaussian

E = np.linspace(-0.2, 0.8, 501)
CURVE = gaussian(E, 0.1, 1e-6, 0.09) + gaussian(E, 0.5, 2e-7, 0.09) + 5e-7 * E
FOUND = detect(E, CURVE)


def test_a_peak_set_where_one_was_missed() -> None:
    strict = detect(E, CURVE, settings=PeakSettings(minimum_height=5e-7))
    assert len(strict.peaks) == 1
    # A click lands beside the top; the top is what is meant.
    edited = set_peak(strict, E, CURVE, at=0.507, anchors=(0.35, 0.65), time=(E - E[0]) / 0.1)
    assert len(edited.peaks) == 2
    peak = edited.peaks[1]
    assert peak.by_hand
    assert peak.potential == pytest.approx(0.5, abs=1e-3)
    assert peak.height == pytest.approx(2e-7, rel=0.01)
    assert peak.half_width == pytest.approx(0.09, rel=0.02)
    assert peak.charge == pytest.approx(peak.area / 0.1)
    assert peak.baseline.potential == pytest.approx((0.35, 0.65))
    assert edited.edits == (HandEdit(action="set", potential=0.507, anchors=(0.35, 0.65)),)
    assert edited.settings == strict.settings
    assert strict.edits == ()
    assert PeakResult.model_validate_json(edited.model_dump_json()) == edited


def test_setting_a_peak_replaces_the_one_that_stands_there() -> None:
    edited = set_peak(FOUND, E, CURVE, at=0.5, anchors=(0.4, 0.6))
    assert [p.by_hand for p in edited.peaks] == [False, True]
    assert edited.peaks[1].baseline.potential == pytest.approx((0.4, 0.6))


def test_a_peak_set_where_the_curve_has_no_top() -> None:
    edited = set_peak(FOUND, E, CURVE, at=0.15, anchors=(-0.1, 0.3))
    peak = next(p for p in edited.peaks if p.by_hand)
    assert peak.shape == "shoulder"
    assert peak.potential == pytest.approx(0.15)
    assert peak.height == pytest.approx(gaussian(np.array(0.15), 0.1, 1e-6, 0.09), rel=0.02)


@pytest.mark.parametrize("scan", [1, -1])
def test_the_curve_below_the_line_is_a_cathodic_peak(scan: int) -> None:
    i = -gaussian(E, 0.3, 1e-6, 0.09)
    edited = set_peak(detect(E[::scan], i), E[::scan], i[::scan], at=0.3, anchors=(0.1, 0.5))
    (peak,) = (p for p in edited.peaks if p.by_hand)
    assert peak.polarity == "cathodic"
    assert peak.height == pytest.approx(-1e-6, rel=0.01)
    assert peak.half_peak_potential == pytest.approx(0.3 - scan * 0.045, abs=1e-3)


def test_a_removed_peak_stays_on_record() -> None:
    edited = remove_peak(FOUND, 0.47)
    assert [round(p.potential, 1) for p in edited.peaks] == [0.1]
    (edit,) = edited.edits
    assert edit.action == "removed"
    assert edit.potential == FOUND.peaks[1].potential
    assert remove_peak(edited, 0.0).peaks == ()


@pytest.mark.parametrize(
    ("at", "anchors"), [(0.3, (0.4, 0.6)), (0.5, (0.4, 0.9)), (0.5, (-3.0, 0.6)), (0.5, (0.5, 0.5))]
)
def test_anchors_that_do_not_fit(at: float, anchors: tuple[float, float]) -> None:
    with pytest.raises(AnalysisError, match=f"at is {at:g} V with anchors at .* must lie between them"):
        set_peak(FOUND, E, CURVE, at=at, anchors=anchors)


def test_nothing_there() -> None:
    with pytest.raises(AnalysisError, match=r"does not leave the line between the anchors at 0\.3 V"):
        set_peak(FOUND, E, 2 * E, at=0.3, anchors=(0.1, 0.5))
    with pytest.raises(AnalysisError, match="No peak can be set here: the potential is constant"):
        set_peak(FOUND, [0.1] * 20, [0.0] * 20, at=0.1, anchors=(0.0, 0.2))
    with pytest.raises(AnalysisError, match="no peak to remove"):
        remove_peak(FOUND.model_copy(update={"peaks": ()}), 0.1)
