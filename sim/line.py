"""A line that is not perfect: bytes on their way between instrument and host, late, lost, damaged or in crumbs."""

from collections import deque
from dataclasses import dataclass
from random import Random

MOST_UNDER_WAY = 16 * 1024


@dataclass
class Quality:
    """What the line does to bytes, both ways.  `loss` is the share of pieces that vanish, `garble` the share of bytes
    that change, `delay` the seconds that bytes take, `crumbs` delivers them one at a time."""

    loss: float = 0.0
    garble: float = 0.0
    delay: float = 0.0
    crumbs: bool = False


class Wire:
    """One direction of a line; what goes in comes out later, in order, or not at all."""

    def __init__(self, quality: Quality, seed: int) -> None:
        self._quality = quality
        self._random = Random(seed)
        self._under_way: deque[tuple[float, bytes]] = deque()
        self._bytes = 0

    @property
    def free(self) -> bool:
        """Whether another piece may be put in."""
        return self._bytes < MOST_UNDER_WAY

    def put(self, piece: bytes, now: float) -> None:
        quality = self._quality
        if quality.loss and self._random.random() < quality.loss:
            return
        if quality.garble:
            piece = bytes(self._garbled(byte) for byte in piece)
        self._under_way.append((now + quality.delay, piece))
        self._bytes += len(piece)

    def take(self, now: float) -> list[bytes]:
        """The pieces that have arrived by now."""
        arrived = []
        while self._under_way and self._under_way[0][0] <= now:
            piece = self._under_way.popleft()[1]
            self._bytes -= len(piece)
            arrived += [bytes([byte]) for byte in piece] if self._quality.crumbs else [piece]
        return arrived

    def cut(self) -> None:
        """What is under way is lost."""
        self._under_way.clear()
        self._bytes = 0

    def wakeup(self) -> float | None:
        return self._under_way[0][0] if self._under_way else None

    def _garbled(self, byte: int) -> int:
        hit = self._random.random() < self._quality.garble
        return byte ^ self._random.randrange(1, 256) if hit else byte
