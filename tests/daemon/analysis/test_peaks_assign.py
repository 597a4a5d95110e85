"""Peaks given to analytes by window, by marker, and where that is not clear."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.analysis.assign import Assignment, assign
from luggin.protocol.evaluation.peak_results import Peak, PeakBaseline
from luggin.protocol.evaluation.peak_settings import Analyte, AnalyteList, Polarity


def peak(potential: float, height: float = 1e-6) -> Peak:
    polarity: Polarity = "anodic" if height > 0 else "cathodic"
    return Peak(
        polarity=polarity,
        potential=potential,
        height=height,
        area=height * 0.1,
        charge=None,
        half_width=0.09,
        half_peak_potential=potential - 0.045,
        asymmetry=1.0,
        u_potential=1e-3,
        u_height=1e-8,
        shape="peak",
        overlapped=False,
        baseline=PeakBaseline(kind="straight", potential=(0.0, 1.0), current=(0.0, 0.0)),
    )


def given_to(result: Assignment) -> dict[str, tuple[str, float | None]]:
    return {a.analyte: (a.status, None if a.peak is None else a.peak.potential) for a in result.analytes}


def listed(*analytes: tuple[str, float, float] | Analyte) -> AnalyteList:
    return AnalyteList(
        analytes=tuple(a if isinstance(a, Analyte) else Analyte(name=a[0], window=(a[1], a[2])) for a in analytes)
    )


def test_each_to_its_window_and_the_rest_is_reported() -> None:
    wanted = listed(("paracetamol", 0.3, 0.5), ("hydroquinone", 0.0, 0.2), ("caffeine", 1.2, 1.4))
    result = assign([peak(0.1), peak(0.41), peak(0.8)], wanted)
    assert given_to(result) == {
        "paracetamol": ("found", 0.41),
        "hydroquinone": ("found", 0.1),
        "caffeine": ("missing", None),
    }
    assert [p.potential for p in result.unassigned] == [0.8]
    entry = result.of("paracetamol")
    assert entry is not None
    assert entry.window == (0.3, 0.5)
    assert result.of("unheard of") is None
    assert Assignment.model_validate_json(result.model_dump_json()) == result


def test_a_window_that_moves_with_its_marker() -> None:
    """The reference drifted by 40 mV; the absolute window of the marker is wide enough to follow."""
    wanted = listed(
        ("marker", 0.1, 0.3),
        Analyte(name="paracetamol", window=(0.18, 0.22), relative_to="marker"),
    )
    for drift in (0.0, 0.04):
        result = assign([peak(0.2 + drift), peak(0.4 + drift), peak(0.46 + drift)], wanted)
        assert given_to(result)["paracetamol"] == ("found", 0.4 + drift)
        assert result.analytes[1].window == pytest.approx((0.38 + drift, 0.42 + drift))


def test_without_its_marker_nothing_is_guessed() -> None:
    wanted = listed(("marker", 0.1, 0.3), Analyte(name="a", window=(0.1, 0.3), relative_to="marker"))
    result = assign([peak(0.5)], wanted)
    assert given_to(result) == {"marker": ("missing", None), "a": ("no-marker", None)}
    assert result.analytes[1].note == "marker marker was not found"
    assert len(result.unassigned) == 1


def test_two_peaks_in_one_window_are_said() -> None:
    result = assign([peak(0.32), peak(0.41)], listed(("a", 0.3, 0.5)))
    (entry,) = result.analytes
    assert given_to(result) == {"a": ("ambiguous", 0.41)}
    assert entry.note == "2 peaks in the window (0.32 V, 0.41 V); the one nearest to its middle is taken"
    assert [p.potential for p in result.unassigned] == [0.32]


def test_one_peak_in_two_windows_is_said() -> None:
    result = assign([peak(0.32)], listed(("a", 0.2, 0.4), ("b", 0.3, 0.6)))
    assert given_to(result) == {"a": ("ambiguous", 0.32), "b": ("ambiguous", None)}
    assert result.analytes[0].note == "also fits the window of b"
    assert result.analytes[1].note == "its window holds a peak that went to a"


def test_as_many_analytes_as_possible_get_a_peak() -> None:
    """The middle peak is nearest to both windows' middles; b can have no other, so a takes the left one."""
    result = assign([peak(0.31), peak(0.40)], listed(("a", 0.3, 0.5), ("b", 0.38, 0.6)))
    assert given_to(result) == {"a": ("ambiguous", 0.31), "b": ("ambiguous", 0.40)}


def test_an_ambiguous_marker_makes_what_hangs_on_it_ambiguous() -> None:
    wanted = listed(("m", 0.1, 0.3), Analyte(name="a", window=(0.15, 0.25), relative_to="m"))
    result = assign([peak(0.14), peak(0.2), peak(0.4)], wanted)
    assert given_to(result) == {"m": ("ambiguous", 0.2), "a": ("ambiguous", 0.4)}
    assert result.analytes[1].note == "marker m is ambiguous"


def test_polarity_keeps_the_other_sweep_out() -> None:
    wanted = listed(Analyte(name="a", window=(0.3, 0.5), polarity="cathodic"))
    result = assign([peak(0.4, 1e-6), peak(0.42, -1e-6)], wanted)
    assert given_to(result) == {"a": ("found", 0.42)}


@given(
    st.lists(st.floats(0, 1), max_size=6),
    st.lists(st.tuples(st.floats(0, 1), st.floats(0.01, 0.5), st.booleans()), max_size=5),
)
def test_every_peak_goes_somewhere_once(places: list[float], windows: list[tuple[float, float, bool]]) -> None:
    analytes = [
        Analyte(name=f"a{k}", window=(low, low + width), relative_to="a0" if moving and k else None)
        for k, (low, width, moving) in enumerate(windows)
    ]
    peaks = [peak(p) for p in places]
    result = assign(peaks, AnalyteList(analytes=tuple(analytes)))
    taken = [a.peak for a in result.analytes if a.peak is not None]
    assert sorted(p.potential for p in [*taken, *result.unassigned]) == sorted(places)
    for entry in result.analytes:
        if entry.peak is not None:
            assert entry.window is not None
            assert entry.window[0] <= entry.peak.potential <= entry.window[1]
        if entry.status == "missing" and entry.window is not None:
            assert not any(entry.window[0] <= p <= entry.window[1] for p in [u.potential for u in result.unassigned])


@pytest.mark.parametrize(
    ("analytes", "message"),
    [
        ([{"name": "a", "window": (0.5, 0.3)}], r"window of a is 0\.5 to 0\.3 V; give the lower potential first"),
        ([{"name": "a", "window": (0, 1)}] * 2, "analyte a is listed twice"),
        ([{"name": "a", "window": (0, 1), "relative_to": "b"}], "relative_to of a is b; name an analyte of the list"),
        (
            [
                {"name": "a", "window": (0, 1), "relative_to": "b"},
                {"name": "b", "window": (0, 1), "relative_to": "a"},
            ],
            "whose own window is relative; give b an absolute window",
        ),
        ([{"name": "a", "window": (0, 1), "relative_to": "a"}], "give a an absolute window"),
    ],
)
def test_lists_that_make_no_sense(analytes: list[dict[str, object]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        AnalyteList.model_validate({"analytes": analytes})
