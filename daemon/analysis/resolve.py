"""Overlapping peaks taken apart: a sum of symmetric peaks on a straight line, fitted to the group as a whole."""

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.baseline import REACH, Frame, Under
from luggin.daemon.analysis.measure import Reading

Shape = Callable[[Floats], Floats]

_SECH: Final = 2 * float(np.arccosh(2**0.5))
_GAUSS: Final = 4 * float(np.log(2))
# Shapes of unit height and half-width with their areas. sech squared is the exact shape of a surface film and of
# pulse techniques with small amplitude (Osteryoung and Parry, 1965); instruments and kinetics round it to a Gaussian.
SHAPES: Final[tuple[tuple[Shape, float], ...]] = (
    (lambda u: 1 / np.cosh(np.minimum(np.abs(_SECH * u), 300.0)) ** 2, 2 / _SECH),
    (lambda u: np.exp(-_GAUSS * np.minimum(u**2, 250.0)), float((np.pi / _GAUSS) ** 0.5)),
)


def resolve(frame: Frame, group: list[tuple[Under, Reading]]) -> list[tuple[Under, Reading]] | None:
    """Readings of the components of a group of overlapping peaks; None where the fit gives none that make sense.

    The baseline of the first peak is kept up to a straight line that is fitted with the peaks.
    """
    under = group[0][0]
    places = np.array([r.x for _, r in group])
    widths = np.array([r.breadth for _, r in group])
    low, high = places[0] - REACH * widths[0], places[-1] + REACH * widths[-1]
    part = np.flatnonzero((frame.x >= low) & (frame.x <= high) & frame.measured)
    x, y = frame.x[part], frame.y[part] - under.current[part]
    if x.size < 3 * len(group) + 4:
        return None
    unit = float(np.ptp(y)) or 1.0
    fits = [_fit(x, y / unit, places, widths, shape) for shape, _ in SHAPES]
    best = int(np.argmin([f[1] for f in fits]))
    (at, width, height, line), _, spread = fits[best]
    if np.any(height <= 0) or np.any(np.diff(at) <= 0):
        return None
    shape, area = SHAPES[best]
    sigma = max(spread * unit, frame.noise) / unit
    u = sigma * np.sqrt(np.diag(np.linalg.pinv(_information(x, at, width, height, shape))))
    count = len(group)
    base = under.current + unit * (line[0] + line[1] * (frame.x - x.mean()))
    result = []
    for k, (old, reading) in enumerate(group):
        index = [int(np.clip(round((e - frame.x[0]) / frame.step), 0, frame.x.size - 1)) for e in (low, high)]
        result.append(
            (
                replace(old, current=base, nodes=tuple(index)),
                replace(
                    reading,
                    x=float(at[k]),
                    u_x=float(u[k]),
                    height=float(height[k] * unit),
                    u_height=float(u[2 * count + k] * unit),
                    area=float(height[k] * unit * width[k] * area),
                    front=float(at[k] - width[k] / 2),
                    back=float(at[k] + width[k] / 2),
                    shoulder=False,
                ),
            )
        )
    return result


Parameters = tuple[Floats, Floats, Floats, Floats]  # places, half-widths, heights, line


def _fit(x: Floats, y: Floats, places: Floats, widths: Floats, shape: Shape) -> tuple[Parameters, float, float]:
    """Parameters, sum of squares and residual standard deviation. Heights and line are linear: solved for inside."""
    count = places.size

    def solve(p: Floats) -> tuple[Floats, Floats]:
        columns = _columns(x, p[:count], p[count:], shape)
        linear = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0], dtype=np.float64)
        return linear, columns @ linear - y

    def rest_of(p: Floats) -> Floats:
        return solve(p)[1]

    reach = 0.5 * widths
    start = np.concatenate((places, widths))
    bounds = (
        np.concatenate((places - reach, 0.3 * widths)),
        np.concatenate((places + reach, 3 * widths)),
    )
    found = least_squares(rest_of, start, bounds=bounds, x_scale=np.tile(widths, 2), max_nfev=100)
    linear, rest = solve(found.x)
    squares = float(rest @ rest)
    spread = (squares / (x.size - 3 * count - 2)) ** 0.5
    nonlinear: Floats = found.x
    return (nonlinear[:count], nonlinear[count:], linear[:count], linear[count:]), squares, spread


def _columns(x: Floats, at: Floats, width: Floats, shape: Shape) -> Floats:
    bells = [shape((x - a) / w) for a, w in zip(at, width, strict=True)]
    return np.column_stack([*bells, np.ones_like(x), x - x.mean()])


def _information(x: Floats, at: Floats, width: Floats, height: Floats, shape: Shape) -> Floats:
    """J'J for places, half-widths, heights and line, by central differences of the shape."""
    moved, widened = [], []
    for a, w, h in zip(at, width, height, strict=True):
        d = 1e-4 * w
        moved.append(h * (shape((x - a - d) / w) - shape((x - a + d) / w)) / (2 * d))
        widened.append(h * (shape((x - a) / (w + d)) - shape((x - a) / (w - d))) / (2 * d))
    jacobian = np.column_stack([*moved, *widened, _columns(x, at, width, shape)])
    information: Floats = jacobian.T @ jacobian
    return information
