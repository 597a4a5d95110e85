"""Shewhart's chart of individual values: centre line, limits from the moving range, and points out of control."""

import math

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result

D2 = 2 / math.sqrt(math.pi)
"""Mean range of two values from a normal distribution over its standard deviation, 1.128."""
RUN = 8
"""So many neighbours on one side of the centre line are a signal."""


class ControlChart(Result):
    """`centre` and the limits of n values, and the mean moving range that gave them; from the first `baseline` values.

    `beyond` are the values outside the limits, counted from 0; `run` those that end a run of eight or more on one side
    of the centre line.
    """

    centre: float
    lower: float
    upper: float
    mean_moving_range: float
    baseline: int
    beyond: tuple[int, ...]
    run: tuple[int, ...]

    @property
    def out_of_control(self) -> tuple[int, ...]:
        return tuple(sorted({*self.beyond, *self.run}))


def control_chart(values: ArrayLike, baseline: int | None = None) -> ControlChart:
    """Chart of `values` in the order of time, shape (n,), n >= 2; limits from the first `baseline`, by default all.

    Limits are the mean +- 3 mean(|x_i - x_(i-1)|) / d2, which is +- 2.66 times the mean moving range: ISO 7870-2;
    Montgomery, Introduction to Statistical Quality Control, ch. 6.4; NIST/SEMATECH e-Handbook 6.3.2.2.  The run of
    eight on one side: Western Electric, Statistical Quality Control Handbook (1956).  Of a normal distribution 0.27 %
    of the values lie outside the limits.  Raises AnalysisError for fewer than two values.
    """
    x = floats("values", values, at_least=2)
    count = x.size if baseline is None else baseline
    if not 2 <= count <= x.size:
        raise AnalysisError(f"baseline is {count}; it must be at least 2 and at most the {x.size} values there are.")
    moving = float(np.abs(np.diff(x[:count])).mean())
    centre, reach = float(x[:count].mean()), 3 * moving / D2
    sides = np.sign(x - centre)
    ends, length = [], 0
    for index, side in enumerate(sides):
        length = length + 1 if index and side and side == sides[index - 1] else int(side != 0)
        if length >= RUN:
            ends.append(index)
    return ControlChart(
        centre=centre,
        lower=centre - reach,
        upper=centre + reach,
        mean_moving_range=moving,
        baseline=count,
        beyond=tuple(np.flatnonzero(np.abs(x - centre) > reach).tolist()),
        run=tuple(ends),
    )
