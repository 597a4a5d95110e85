"""End conditions of a segment, looked at on every sample."""

from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from luggin.protocol.points import Flag
from luggin.protocol.program import Until
from luggin.protocol.recent import Recent

Floats = NDArray[np.float64]
HAIR = 1e-9
"""Seconds by which rounding may make a time fall short."""


class Samples(Protocol):
    """What was measured, arrays of one shape: V, A, and flags of `luggin.protocol.points`."""

    @property
    def potential(self) -> Floats: ...

    @property
    def current(self) -> Floats: ...

    @property
    def flags(self) -> NDArray[np.uint16]: ...


class Conditions:
    """The end conditions of one segment and how long each has been met.

    Samples taken while the range settles are passed over.  A deep copy is a way back.
    """

    def __init__(self, untils: Sequence[Until], spacing: float) -> None:
        self._each = [_Condition(until, spacing) for until in untils]

    def __bool__(self) -> bool:
        return bool(self._each)

    def met(self, since_begin: Floats, samples: Samples, charge: Floats) -> tuple[int, Until] | None:
        """The first of these samples at which a condition is met, and which.

        `since_begin` (s) and `charge` (C) count from the beginning of the segment.
        """
        valid = (samples.flags & Flag.SETTLING) == 0
        found = [
            (index, number)
            for number, condition in enumerate(self._each)
            if (index := condition.met(since_begin, samples, charge, valid)) is not None
        ]
        if not found:
            return None
        index, number = min(found)
        return index, self._each[number].until


class _Condition:
    def __init__(self, until: Until, spacing: float) -> None:
        self.until = until
        self._since: float | None = None
        self._first: float | None = None  # magnitude of the segment's first valid current
        self._recent = Recent(until.persistence, spacing) if until.quantity == "drift" else None

    def met(self, time: Floats, samples: Samples, charge: Floats, valid: NDArray[np.bool_]) -> int | None:
        values = self._values(time, samples, charge, valid)
        looked = np.flatnonzero(valid & (time >= self.until.not_before - HAIR))
        if not len(looked):
            return None
        value, at = values[looked], time[looked]
        if self.until.above is not None:
            holds = value > self.until.above
        else:
            assert self.until.below is not None
            holds = value < self.until.below
        persistence = 0.0 if self._recent else self.until.persistence
        lasting = self._lasting(holds, at)
        enough = lasting >= persistence * (1 - HAIR) - HAIR
        return int(looked[np.argmax(enough)]) if enough.any() else None

    def _lasting(self, holds: NDArray[np.bool_], time: Floats) -> Floats:
        """Seconds for which `holds` has held at each time; minus infinity where it doesn't."""
        begin = time[0] if self._since is None else self._since
        last_break = np.maximum.accumulate(np.where(holds, -1, np.arange(len(holds))))
        started = np.where(last_break < 0, begin, time[np.minimum(last_break + 1, len(time) - 1)])
        self._since = float(started[-1]) if holds[-1] else None
        return np.where(holds, time - started, -np.inf)

    def _values(self, time: Floats, samples: Samples, charge: Floats, valid: NDArray[np.bool_]) -> Floats:
        match self.until.quantity:
            case "current":
                return samples.current
            case "current-magnitude":
                return np.abs(samples.current)
            case "charge":
                return charge
            case "potential":
                return samples.potential
            case "share":
                return self._share(np.abs(samples.current), valid)
            case "drift":
                return self._drift(time, samples.potential)

    def _share(self, magnitude: Floats, valid: NDArray[np.bool_]) -> Floats:
        if self._first is None:
            if not valid.any():
                return np.full(len(magnitude), np.nan)
            self._first = float(magnitude[np.argmax(valid)])
        if self._first == 0:
            return np.full(len(magnitude), np.nan)
        with np.errstate(over="ignore"):
            return magnitude / self._first

    def _drift(self, time: Floats, potential: Floats) -> Floats:
        assert self._recent is not None
        drift = np.full(len(time), np.nan)
        for k, (now, value) in enumerate(zip(time.tolist(), potential.tolist(), strict=True)):
            self._recent.add(now, value)
            # A line through less than the whole window says little.
            if now >= self.until.persistence - HAIR:
                drift[k] = abs(self._recent.slope())
        return drift
