"""Noise that is known by the number of the sample it falls on, so that no way of cutting a run changes it."""

import numpy as np
from numpy.typing import NDArray

CHANNELS = 3
_BLOCK = 1024


class Noise:
    """Standard normal numbers, CHANNELS for each sample of one run.

    Blocks of samples are drawn from generators of their own: what sample n gets depends on `seed`, `run` and n alone.
    """

    def __init__(self, seed: int, run: int) -> None:
        self._seed, self._run = seed, run
        self._number, self._drawn = -1, np.empty((0, CHANNELS))

    def __call__(self, first: int, count: int) -> NDArray[np.float64]:
        """The numbers of samples first ... first + count - 1, shape (count, CHANNELS)."""
        parts = []
        while count > 0:
            number, offset = divmod(first, _BLOCK)
            taken = min(count, _BLOCK - offset)
            parts.append(self._block(number)[offset : offset + taken])
            first, count = first + taken, count - taken
        return np.concatenate(parts) if parts else np.empty((0, CHANNELS))

    def _block(self, number: int) -> NDArray[np.float64]:
        if number != self._number:
            generator = np.random.Generator(np.random.PCG64([self._seed, self._run, number]))
            self._number, self._drawn = number, generator.standard_normal((_BLOCK, CHANNELS))
        return self._drawn
