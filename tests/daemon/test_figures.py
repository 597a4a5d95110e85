"""Plots: the right columns, units and signs; pictures that are pictures."""

import io
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import imread

from luggin.daemon.figures.curve import CannotDraw, curve, scale, time_scale, title
from luggin.daemon.figures.decimate import decimated
from luggin.daemon.figures.draw import draw, save
from luggin.protocol import document, method
from luggin.protocol.points import Flag
from luggin.protocol.techniques import TECHNIQUES
from support.voltammograms import cyclic_columns


def stored(technique: str) -> dict[str, object]:
    return method.parse(document.read(TECHNIQUES[technique].example)).document()


def columns(count: int = 50) -> dict[str, np.ndarray]:
    flags = np.zeros(count, dtype="<u2")
    flags[10] = Flag.SETTLING
    return {
        "time": np.arange(count) * 0.1,
        "phase": np.where(np.arange(count) < 5, 0, 1).astype("<u1"),
        "applied_potential": np.linspace(0, 0.5, count).astype("<f4"),
        "potential": np.linspace(0, 0.5, count).astype("<f4"),
        "current": (np.linspace(-5, 5, count) * 1e-6).astype("<f4"),
        "flags": flags,
    }


def test_only_the_measuring_phase_is_shown_and_unfit_points_are_left_out() -> None:
    found = curve("r", stored("cyclic-voltammetry"), columns())
    assert len(found.x) == 45
    assert np.isnan(found.y[5])
    assert np.isfinite(found.y).sum() == 44


@pytest.mark.parametrize("suffix", ["png", "svg", "pdf"])
def test_pictures_are_written(suffix: str, tmp_path: Path) -> None:
    path = tmp_path / f"a.{suffix}"
    save(draw([curve("r", stored("cyclic-voltammetry"), columns())]), path)
    heads = {"png": b"\x89PNG", "svg": b"<?xml", "pdf": b"%PDF"}
    assert path.read_bytes().startswith(heads[suffix])


def test_axes_say_symbol_unit_and_reference_in_both_conventions() -> None:
    found = curve("r", stored("cyclic-voltammetry"), columns())
    axes = draw([found]).axes[0]
    assert axes.get_xlabel() == "E / V vs Ag/AgCl (3 M KCl)"
    assert axes.get_ylabel() == "i / µA"
    turned = draw([found], "polarographic").axes[0]
    assert turned.get_ylabel() == "−i / µA"
    assert turned.xaxis_inverted()
    np.testing.assert_allclose(np.array(turned.lines[0].get_ydata()), -np.array(axes.lines[0].get_ydata()))
    assert title("impedance_imaginary", "k", "", minus=True) == "−Z'' / kΩ"


def test_what_cannot_be_drawn_is_said(tmp_path: Path) -> None:
    sweep = curve("r", stored("cyclic-voltammetry"), columns())
    step = curve("r", stored("chronoamperometry"), columns())
    with pytest.raises(CannotDraw, match="one by one"):
        draw([sweep, step])
    with pytest.raises(CannotDraw, match="no point to draw"):
        draw([curve("r", stored("cyclic-voltammetry"), {})])
    with pytest.raises(CannotDraw, match="end it in"):
        save(draw([sweep]), tmp_path / "a.bmp")


def test_thinning_keeps_the_extremes_of_a_long_curve() -> None:
    x = np.arange(1_000_000, dtype=float)
    y = np.sin(x / 1e4)
    y[777_777] = 50.0
    y[500_000] = np.nan
    few_x, few_y = decimated(x, y)
    assert len(few_x) < 8000
    assert np.nanmax(few_y) == 50.0
    assert np.all(np.diff(few_x) >= 0)
    assert np.isnan(few_y).sum() == 1


@pytest.mark.parametrize(("largest", "prefix"), [(3e-9, "n"), (999e-6, "µ"), (1.0, ""), (0.0, ""), (2e3, "k")])
def test_prefixes(largest: float, prefix: str) -> None:
    assert scale(np.array([largest, -largest / 2, np.nan]))[1] == prefix


def test_time_counts_from_the_beginning_of_the_measuring_phase_and_long_times_are_hours_or_days() -> None:
    found = curve("r", stored("chronoamperometry"), columns())
    assert found.x[0] == pytest.approx(0.1)
    assert time_scale(np.array([10.0, 1000.0])) == (1.0, "")
    assert time_scale(np.array([4 * 3600.0])) == (1 / 3600, "h")
    assert time_scale(np.array([6 * 86400.0])) == (1 / 86400, "d")
    assert title("time", "", "") == "t / s"
    assert title("time", "h", "") == "t / h"


def test_charge_goes_on_through_the_steps_of_a_double_step() -> None:
    """The column starts again with each step; the usual picture is the charge that has flown since the first."""
    steps = columns(20)
    steps["applied_potential"] = np.where(np.arange(20) < 12, -0.1, 0.6).astype("<f4")
    steps["charge"] = np.concatenate([-1e-6 * np.arange(12), 0.5e-6 * np.arange(1, 9)])
    found = curve("r", stored("chronocoulometry"), steps)
    assert found.y[-9:] == pytest.approx(-11e-6 + 0.5e-6 * np.arange(9))
    axes = draw([found]).axes[0]
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("t / s", "Q / µC")


def spectrum() -> dict[str, np.ndarray]:
    """1 kohm + (10 kohm parallel to 1 uF)."""
    frequency = np.geomspace(1e4, 1.0, 25)
    impedance = 1e3 + 1 / (1e-4 + 2j * np.pi * frequency * 1e-6)
    return {
        "time": np.arange(25.0),
        "phase": np.ones(25, dtype="<u1"),
        "frequency": frequency,
        "impedance_real": impedance.real,
        "impedance_imaginary": impedance.imag,
        "flags": np.zeros(25, dtype="<u2"),
    }


def test_a_spectrum_is_drawn_with_equal_axes_and_beside_it_modulus_and_phase_against_frequency() -> None:
    found = curve("r", stored("impedance-spectroscopy"), spectrum())
    plane, modulus, angle = draw([found, found]).axes
    assert plane.get_aspect() == 1.0
    assert (plane.get_xlabel(), plane.get_ylabel()) == ("Z' / kΩ", "−Z'' / kΩ")
    assert np.array(plane.lines[0].get_ydata()).max() == pytest.approx(5.0, rel=0.02)
    assert (modulus.get_xscale(), modulus.get_yscale(), angle.get_xscale()) == ("log", "log", "log")
    assert (modulus.get_ylabel(), angle.get_ylabel(), angle.get_xlabel()) == ("|Z| / Ω", "−φ / °", "f / Hz")
    assert np.array(modulus.lines[0].get_ydata())[-1] == pytest.approx(11e3, rel=0.01)
    assert len(angle.lines) == 2
    alone = {name: column[:1] for name, column in spectrum().items()}
    assert len(draw([curve("r", stored("uncompensated-resistance"), alone)]).axes) == 1


def pulsed() -> dict[str, np.ndarray]:
    found = columns()
    return found | {"forward_current": 2 * found["current"], "reverse_current": -found["current"]}


def test_a_square_wave_shows_its_net_current_and_beside_it_both_halves() -> None:
    found = curve("r", stored("square-wave-voltammetry"), pulsed())
    axes = draw([found]).axes[0]
    assert axes.get_ylabel() == "i / µA"
    legend = axes.get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == ["net", "forward", "reverse"]
    net, forward, reverse = (np.array(line.get_ydata()) for line in axes.lines)
    np.testing.assert_allclose(forward, 2 * net, rtol=1e-6)
    np.testing.assert_allclose(reverse, -net, rtol=1e-6)
    assert np.isnan(forward[5])
    assert len({line.get_linestyle() for line in axes.lines}) == 3
    assert axes.lines[0].get_linewidth() > axes.lines[1].get_linewidth()


def test_net_currents_are_called_differences() -> None:
    waves = [curve(name, stored("square-wave-voltammetry"), pulsed()) for name in ("a", "b")]
    overlaid = draw(waves).axes[0]
    assert overlaid.get_ylabel() == "Δi / µA"
    assert len(overlaid.lines) == 2
    assert draw([curve("r", stored("differential-pulse-voltammetry"), pulsed())]).axes[0].get_ylabel() == "Δi / µA"
    assert draw([curve("r", stored("normal-pulse-voltammetry"), pulsed())]).axes[0].get_ylabel() == "i / µA"
    turned = draw([curve("r", stored("differential-pulse-voltammetry"), pulsed())], "polarographic").axes[0]
    assert turned.get_ylabel() == "−Δi / µA"


def ink(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The picture of a line, as darkness of its pixels."""
    figure = Figure(figsize=(7.0, 4.6), dpi=150)
    axes = figure.add_subplot()
    axes.set(xlim=(x.min(), x.max()), ylim=(np.nanmin(y), np.nanmax(y)))
    shown = decimated(x, y)
    pictures = []
    for these in ((x, y), shown):
        (line,) = axes.plot(*these, color="black", linewidth=1.2)
        drawn = io.BytesIO()
        figure.savefig(drawn, format="png")
        pictures.append(imread(io.BytesIO(drawn.getvalue()))[:, :, 0].astype(float) * 255)
        line.remove()
    return np.asarray(np.abs(pictures[0] - pictures[1]))


def test_many_cycles_look_the_same_with_a_fraction_of_their_points() -> None:
    sweeps = cyclic_columns(100, 2001)
    x, y = sweeps["potential"].astype(float), sweeps["current"].astype(float)
    assert len(decimated(x, y)[0]) < 0.6 * len(x)
    off = ink(x, y)
    assert (off > 64).mean() < 1e-3
    assert off.mean() < 0.5  # of 255


def test_words_of_people_are_drawn_as_they_are() -> None:
    """No mathematics, no hidden legend entries, no invisible characters, whatever a sample is called."""
    names = ["_$x_{$", "a\u202eb\x1b[31m", "\u6c34 " * 300]
    found = [curve(name, stored("cyclic-voltammetry"), columns()) for name in names]
    figure = draw(found)
    named = figure.axes[0].get_legend()
    assert named is not None
    texts = [text.get_text() for text in named.get_texts()]
    assert texts[:2] == ["_$x_{$", "a\\u202eb\\u001b[31m"]
    assert len(texts[2]) < 120
    save(figure, io.BytesIO(), "svg")
    save(draw(found[:1]), io.BytesIO(), "png")


def test_different_references_are_not_overlaid() -> None:
    method = stored("cyclic-voltammetry")
    other = {**method, "setup": {"reference": "SCE"}}
    with pytest.raises(CannotDraw, match=r"against Ag/AgCl \(3 M KCl\) and SCE; plot them one by one"):
        draw([curve("a", method, columns()), curve("b", other, columns())])


def test_a_technique_of_another_version_is_told() -> None:
    with pytest.raises(CannotDraw, match="'swirling' is no technique"):
        curve("r", {"technique": "swirling", "setup": {}}, columns())
