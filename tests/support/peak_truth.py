"""Curves whose peaks are known, and how well detection finds them.

All shapes are closed forms or an exact convolution; nothing here uses the code under test but `detect`.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from luggin.daemon.analysis.peak_models import PeakResult
from luggin.daemon.analysis.peaks import detect
from luggin.protocol.evaluation.peak_settings import PeakSettings, Straight, Tangent

Floats = NDArray[np.float64]
RT_F = 0.0256926  # V at 298.15 K
LOG2 = float(np.log(2))


@dataclass(frozen=True)
class Truth:
    potential: float
    height: float
    half_width: float
    area: float | None


@dataclass(frozen=True)
class Case:
    """A curve (V, A), its usable points and its true peaks; noise: standard deviation of a point."""

    potential: Floats
    current: Floats
    usable: NDArray[np.bool_]
    truths: tuple[Truth, ...]
    settings: PeakSettings


def gaussian(e: Floats, at: float, height: float, half_width: float) -> Floats:
    return np.asarray(height * np.exp(-4 * LOG2 * ((e - at) / half_width) ** 2))


def sech_squared(e: Floats, at: float, height: float, half_width: float) -> Floats:
    """Small-amplitude pulse peak, surface film (half-width 3.53 RT/nF)."""
    return np.asarray(height / np.cosh(2 * np.arccosh(2**0.5) * (e - at) / half_width) ** 2)


def thin_film(e: Floats, at: float, height: float, width: float) -> Floats:
    """Anodic stripping of a film that empties at a rate proportional to exp(E / width) and to what is left.

    Half-width 2.4464 width, area e height width; it rises slowly and falls steeply.
    """
    x = np.minimum((e - at) / width, 6.0)
    return np.asarray(height * np.exp(1 + x - np.exp(x)))


def reversible_sweep(e: Floats, half_wave: float) -> Floats:
    """sqrt(pi) chi of a reversible couple for a linear sweep over evenly spaced, ascending `e` (V).

    Its semi-integral is the surface fraction 1 / (1 + exp(-(E - E1/2) F / RT)); the convolution is undone step by
    step with the current constant within a step, placed at the middle of the step.
    """
    fraction = 1 / (1 + np.exp(-(e - half_wave) / RT_F))
    step = (e[1] - e[0]) / RT_F
    k = np.arange(e.size)
    weight = 2 * np.sqrt(step / np.pi) * (np.sqrt(k + 1) - np.sqrt(k))
    chi = np.zeros(e.size)
    for j in range(e.size):
        chi[j] = (fraction[j] - weight[1 : j + 1] @ chi[:j][::-1]) / weight[0]
    return np.interp(e, e - (e[1] - e[0]) / 2, chi)


def wave(e: Floats, at: float, width: float) -> Floats:
    return np.asarray(1 / (1 + np.exp(-(e - at) / width)))


def _axis(rng: np.random.Generator, finest: float = 0.001, coarsest: float = 0.005) -> Floats:
    return np.arange(-0.2, 0.8, rng.uniform(finest, coarsest))


def _bell(rng: np.random.Generator, e: Floats, at: float, height: float, width: float) -> tuple[Floats, Truth]:
    if rng.random() < 0.5:
        return gaussian(e, at, height, width), Truth(at, height, width, height * width * (np.pi / (4 * LOG2)) ** 0.5)
    area = height * width / np.arccosh(2**0.5)
    return sech_squared(e, at, height, width), Truth(at, height, width, area)


def _drift(rng: np.random.Generator, e: Floats) -> Floats:
    return rng.uniform(-2, 5) + rng.uniform(-3, 3) * e


def _curved(rng: np.random.Generator, e: Floats) -> Floats:
    """Charging that dies away, a bend and the decomposition of the solvent."""
    rise = rng.uniform(0.05, 0.1)
    charging = rng.uniform(0, 2) * np.exp(-(e - e[0]) / rng.uniform(0.05, 0.15))
    bend = rng.uniform(-1, 1) * e**2
    return np.asarray(charging + bend + rng.uniform(0, 3) * np.exp((e - e[-1]) / rise))


Shape = tuple[Floats, Floats, tuple[Truth, ...], float]  # potential, current, peaks, noise


def _single(rng: np.random.Generator) -> Shape:
    e = _axis(rng)
    y, truth = _bell(rng, e, rng.uniform(0.1, 0.5), 1.0, rng.uniform(0.06, 0.15))
    return e, y + _drift(rng, e), (truth,), rng.uniform(0.005, 0.05)


def _weak(rng: np.random.Generator) -> Shape:
    e, y, truths, _ = _single(rng)
    return e, y, truths, rng.uniform(0.15, 0.3)


def _on_curve(rng: np.random.Generator) -> Shape:
    e = _axis(rng)
    y, truth = _bell(rng, e, rng.uniform(0.15, 0.4), 1.0, rng.uniform(0.06, 0.12))
    return e, y + _curved(rng, e), (truth,), rng.uniform(0.005, 0.03)


def _stripping(rng: np.random.Generator) -> Shape:
    e = _axis(rng, coarsest=0.003)
    y, truths = _drift(rng, e) + 0.5 * e**2, []
    for at in (0.0, 0.3, 0.6)[: rng.integers(1, 4)]:
        height, width, place = rng.uniform(0.2, 1), rng.uniform(0.012, 0.025), at + rng.uniform(-0.05, 0.05)
        y += thin_film(e, place, height, width)
        truths.append(Truth(place, height, 2.4464 * width, np.e * height * width))
    return e, y, tuple(truths), rng.uniform(0.002, 0.02)


def _two(rng: np.random.Generator, near: float, far: float) -> Shape:
    e = _axis(rng, coarsest=0.003)
    width, at = rng.uniform(0.06, 0.12), rng.uniform(0.1, 0.3)
    second = at + width * rng.uniform(near, far)
    a, first = _bell(rng, e, at, 1.0, width)
    b, last = _bell(rng, e, second, rng.uniform(0.4, 1.0), width * rng.uniform(0.9, 1.1))
    return e, a + b + _drift(rng, e), (first, last), rng.uniform(0.002, 0.02)


def _overlap(rng: np.random.Generator) -> Shape:
    return _two(rng, 1.2, 2.0)


def _shoulder(rng: np.random.Generator) -> Shape:
    return _two(rng, 0.95, 1.2)


def _sweep(rng: np.random.Generator) -> Shape:
    e = np.arange(-0.2, 0.8, 0.002)
    at = rng.uniform(0.15, 0.35)
    y = reversible_sweep(e, at) / 0.4463
    slope = rng.uniform(0, 1)
    fine = np.linspace(at, at + 0.06, 601)
    top = fine[np.argmax(CubicSpline(e, y + slope * e)(fine))]
    # Half-width of the exact curve: 0.2230 on the published function between +28.1 and -179.5 mV.
    truth = Truth(float(top), 1.0, 0.2076, None)
    return e, y + rng.uniform(0, 1) + slope * e, (truth,), rng.uniform(0.002, 0.02)


def _spoilt(rng: np.random.Generator) -> Shape:
    e, y, truths, noise = _single(rng)
    hit = rng.choice(e.size, 5, replace=False)
    y[hit] += rng.choice((-1, 1), 5) * rng.uniform(0.5, 5, 5)
    return e, y, truths, noise / 2


def _empty(rng: np.random.Generator) -> Shape:
    e = _axis(rng)
    kinds: tuple[Callable[[], Floats], ...] = (
        lambda: np.zeros(e.size),
        lambda: _drift(rng, e),
        lambda: wave(e, rng.uniform(0.1, 0.5), rng.uniform(0.015, 0.04)) + rng.uniform(-0.1, 1) * e,
        lambda: wave(e, rng.uniform(0.0, 0.2), RT_F) + rng.uniform(1, 3) * np.exp((e - e[-1]) / 0.05),
        lambda: -rng.uniform(1, 4) * (e - rng.uniform(0, 0.6)) ** 2,
        lambda: np.exp((e - e[-1]) / rng.uniform(0.05, 0.2)),
        lambda: 1 - np.exp(-(e - e[0]) / rng.uniform(0.01, 0.1)),
    )
    return e, kinds[rng.integers(len(kinds))](), (), 10 ** rng.uniform(-4, -0.7)


FAMILIES: dict[str, tuple[Callable[[np.random.Generator], Shape], PeakSettings]] = {
    "single bell on drift": (_single, PeakSettings()),
    "weak bell (height 3-7 sd)": (_weak, PeakSettings()),
    "bell on curved background": (_on_curve, PeakSettings()),
    "1-3 stripping peaks": (_stripping, PeakSettings()),
    "two, 1.2-2 half-widths apart": (_overlap, PeakSettings()),
    "two, 0.95-1.2 half-widths apart": (_shoulder, PeakSettings()),
    "the same, resolved": (_shoulder, PeakSettings(overlap="resolved")),
    "reversible sweep on slope": (_sweep, PeakSettings(baseline=Tangent())),
    "bell with 5 spikes": (_spoilt, PeakSettings(baseline=Straight())),
    "no peak (waves, bends, noise)": (_empty, PeakSettings()),
}


def case(family: str, seed: int) -> Case:
    """A curve of a family: either scan direction (cathodic peaks on the falling one), some points blanked."""
    shape, settings = FAMILIES[family]
    rng = np.random.default_rng(seed)
    e, y, truths, noise = shape(rng)
    y = y + noise * rng.standard_normal(e.size)
    scale = 10 ** rng.uniform(-9, -4)
    usable = np.ones(e.size, dtype=bool)
    blank = rng.integers(0, e.size - 3)
    usable[blank : blank + 3] = False
    y[~usable] = 1e3
    sign = 1 if rng.random() < 0.5 else -1
    # Turned by half a turn: a falling scan with cathodic peaks.
    return Case(
        sign * e,
        sign * scale * y,
        usable,
        tuple(
            Truth(
                sign * t.potential,
                sign * scale * t.height,
                t.half_width,
                None if t.area is None else sign * scale * t.area,
            )
            for t in truths
        ),
        settings,
    )


@dataclass
class Score:
    """Tally of one family; errors of matched peaks: potential in mV, height, half-width and area in %."""

    curves: int = 0
    present: int = 0
    found: int = 0
    false: int = 0
    covered: int = 0
    errors: dict[str, list[float]] = field(
        default_factory=lambda: {k: [] for k in ("potential", "height", "half_width", "area")}
    )

    @property
    def recall(self) -> float:
        return self.found / self.present if self.present else 1.0

    @property
    def false_per_curve(self) -> float:
        return self.false / self.curves

    @property
    def coverage(self) -> float:
        """Share of peak potentials within two standard uncertainties."""
        return self.covered / self.found if self.found else 1.0

    def error(self, name: str, percentile: float) -> float:
        values = self.errors[name]
        return float(np.percentile(np.abs(values), percentile)) if values else float("nan")

    def add(self, truths: tuple[Truth, ...], result: PeakResult) -> None:
        self.curves += 1
        self.present += len(truths)
        left = list(result.peaks)
        for t in truths:
            near = [p for p in left if abs(p.potential - t.potential) < 0.35 * t.half_width and p.height * t.height > 0]
            if not near:
                continue
            p = min(near, key=lambda p: abs(p.potential - t.potential))
            left.remove(p)
            self.found += 1
            self.covered += abs(p.potential - t.potential) <= 2 * p.u_potential
            self.errors["potential"].append(1e3 * (p.potential - t.potential))
            self.errors["height"].append(100 * (p.height / t.height - 1))
            if p.half_width is not None:
                self.errors["half_width"].append(100 * (p.half_width / t.half_width - 1))
            if t.area is not None:
                self.errors["area"].append(100 * (p.area / t.area - 1))
        self.false += len(left)


def score(seed: int, curves: int, families: Sequence[str] = tuple(FAMILIES)) -> dict[str, Score]:
    """Detection scored on `curves` curves of each family; a family's curves depend on the seed alone."""
    result = {}
    for number, family in enumerate(FAMILIES):
        if family not in families:
            continue
        tally = Score()
        for k in range(curves):
            c = case(family, seed + 1_000_000 * number + k)
            tally.add(c.truths, detect(c.potential, c.current, usable=c.usable, settings=c.settings))
        result[family] = tally
    return result


def table(scores: dict[str, Score]) -> str:
    """Markdown table; errors as median / 95th percentile of their size."""
    lines = [
        "| curves | recall | false peaks per curve | E_p error, mV | E_p within 2 u | height error, % "
        "| half-width error, % | area error, % |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for family, s in scores.items():
        cells = [family, f"{s.recall:.3f}" if s.present else "-", f"{s.false_per_curve:.3f}"]
        for name in ("potential", "height", "half_width", "area"):
            cells.append(f"{s.error(name, 50):.2g} / {s.error(name, 95):.2g}" if s.errors[name] else "-")
            if name == "potential":
                cells.append(f"{s.coverage:.2f}" if s.found else "-")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)
