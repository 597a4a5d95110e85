"""Which points of a run have come, which are durable and which are lost: plain bookkeeping on indices.

Points come in order within a connection, but live points may come before a replay takes effect, an instrument whose
buffer is full overwrites its oldest points, and a store may fail to keep what it was given.
"""

from dataclasses import dataclass, replace

Span = tuple[int, int]
"""Indices [first, after)."""


@dataclass(frozen=True)
class Tally:
    """Points below `received` have come or are lost; points below `durable` are stored or lost.

    `oldest` is the first point that the instrument still holds, as it last said.  `lost` are the spans above
    `durable` that it no longer holds, ascending.  `beyond` is the first index of a batch that was left because points
    before it are missing.  `end` is the index after the run's last point once it is known.
    """

    received: int = 0
    durable: int = 0
    oldest: int = 0
    lost: tuple[Span, ...] = ()
    beyond: int | None = None
    end: int | None = None

    @property
    def complete(self) -> bool:
        """Whether nothing is left to wait for."""
        return self.end is not None and self.durable >= self.end

    @property
    def waiting(self) -> bool:
        """Whether points are missing that should come by themselves or after a replay."""
        return self.beyond is not None or (self.end is not None and not self.complete)

    def arrived(self, first: int, after: int) -> tuple["Tally", Span | None]:
        """A batch has come; returns the span of it that is to be kept, if any.

        What comes late for a lost span is kept too.  A batch behind a hole is left: it comes again after the hole.
        """
        tally = self
        if first > self.received and self.oldest > self.received:
            tally = self.lose(min(self.oldest, first))
        if first > tally.received:
            return replace(tally, beyond=first if tally.beyond is None else min(first, tally.beyond)), None
        late = [low for low, high in tally.lost if low < after and first < high]
        if after <= tally.received and not late:
            return tally, None
        span = (max(first, min([*late, tally.received])), after)
        lost = tuple(piece for each in tally.lost for piece in _without(each, span))
        received = max(after, tally.received)
        beyond = tally.beyond if tally.beyond is not None and tally.beyond > received else None
        return replace(tally, received=received, lost=lost, beyond=beyond), span

    def stored(self, first: int, after: int) -> "Tally":
        """The span is durable.  A lost span counts as passed once it is reached, and is then no longer kept."""
        durable = self.durable
        for low, high in sorted((*self.lost, (first, min(after, self.received)))):
            if low <= durable:
                durable = max(durable, high)
        return replace(self, durable=durable, lost=tuple(span for span in self.lost if span[1] > durable))

    def lose(self, before: int) -> "Tally":
        """Give up what has not come of the points below `before`."""
        if before <= self.received:
            return self
        lost = (*self.lost, (self.received, before))
        beyond = self.beyond if self.beyond is not None and self.beyond > before else None
        return replace(self, received=before, lost=lost, beyond=beyond).stored(self.durable, self.durable)

    def give_up(self) -> "Tally":
        """Lose whatever is waited for: the hole, or else everything up to the end."""
        if self.beyond is not None:
            return self.lose(self.beyond)
        return self if self.end is None else self.lose(self.end)

    def rewound(self) -> "Tally":
        """Expect again everything that is not durable."""
        return replace(self, received=self.durable, lost=())

    def ended(self, end: int) -> "Tally":
        return replace(self, end=max(end, self.received))


def _without(span: Span, part: Span) -> list[Span]:
    pieces = [(span[0], min(span[1], part[0])), (max(span[0], part[1]), span[1])]
    return [piece for piece in pieces if piece[0] < piece[1]]
