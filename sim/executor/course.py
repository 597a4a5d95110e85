"""What one segment asks of the cell and which of its samples become points: the interface of all kinds of segment."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Array
from luggin.protocol.program import Control
from luggin.sim.cell.api import Complexes, Drive, Floats
from luggin.sim.frontend import Samples

WATCH = 0.1
"""Seconds: a segment is sampled at least this often, whether or not the samples become points, so that limits and end
conditions act in time."""


@dataclass(frozen=True)
class Ripple:
    """A small sine on top of the steps, too fast to step through: the cell answers by its impedance.

    `phasor` is amplitude times exp(j phase) at each sample, in the unit of what is controlled; the sine is its
    imaginary part.
    """

    frequency: float
    phasor: Complexes


@dataclass(frozen=True)
class Pieces:
    """Steps for the cell: each a straight line from `first` to `last` (V or A) in `dt` seconds; arrays of one length.
    At open circuit and of a couple the lines mean nothing.

    With `mean` a sample is the mean current of its step, else the one at its end.  `counts` are the samples by which a
    range is judged, `turns` those after which it may change; None: all of them.
    """

    dt: Floats
    first: Floats
    last: Floats
    mean: bool = False
    counts: NDArray[np.bool_] | None = None
    turns: NDArray[np.bool_] | None = None
    ripple: Ripple | None = None

    def __getitem__(self, part: slice) -> Self:
        """Some of the steps, to put to the cell."""
        ripple = None if self.ripple is None else Ripple(self.ripple.frequency, self.ripple.phasor[part])
        return replace(self, dt=self.dt[part], first=self.first[part], last=self.last[part], ripple=ripple)


@dataclass(frozen=True)
class Reduced:
    """Which samples of a stretch became points, and columns that differ from the sample's own or go beyond them.

    `even` (s, number) is set where chosen sample k was taken exactly (number + k) times so many seconds after the
    segment began.
    """

    chosen: NDArray[np.intp]
    columns: Mapping[str, Array] = field(default_factory=dict)
    even: tuple[float, int] | None = None


class Course(Protocol):
    """A segment in steps.  Step k, counted from 0, ends in sample k.

    `steps` are all its samples and `points` the most that it stores, `spacing` is the time from sample to sample (s),
    `largest` the largest magnitude that it asks for.  Only `reduce` may have a memory, and sees samples in order.
    """

    @property
    def control(self) -> Drive | None:
        """What is controlled; None leaves the cell open."""
        ...

    @property
    def trial(self) -> Pieces | None:
        """Steps that show, before the course begins, which current range it needs: that range stays then.  None: it
        may change."""
        ...

    @property
    def steps(self) -> int: ...

    @property
    def points(self) -> int: ...

    @property
    def spacing(self) -> float: ...

    @property
    def largest(self) -> float: ...

    def ends(self, first: int, count: int) -> Floats:
        """Times (s since the segment began) at which steps first ... first + count - 1 end."""
        ...

    def pieces(self, first: int, count: int) -> Pieces: ...

    def level(self, done: int) -> float:
        """The level that stands after `done` steps."""
        ...

    def reduce(self, first: int, samples: Samples, closing: bool) -> Reduced:
        """Turn samples first, first + 1, ... into points; when `closing`, the segment ends early at the last of them
        and that becomes a point as well if `points` leaves room."""
        ...


@dataclass(frozen=True)
class Before:
    """What a segment finds when it begins: how to learn the level that stands, the open-circuit potential (V), and the
    frequency of the mains (Hz)."""

    level: Callable[[Control], float]
    open_circuit: float | None
    mains: int = 50
