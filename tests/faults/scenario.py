"""One scenario: everything that is left to chance, drawn from its seed alone."""

from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import Any

from faults.choice import MODEL, cell_of, draw, duration_of, executed
from faults.kinds import KINDS, Kind
from luggin.sim.settings import Settings

_LASTS = (3.0, 20.0)


@dataclass(frozen=True)
class Scenario:
    """`moment` is when the fault comes, as a share of the run's longest duration (below 0: before the start).

    `person` is what somebody does meanwhile, at the share `acts` of the run.  `lasts` is the duration of the run in s.
    """

    seed: int
    kind: Kind
    moment: float
    technique: str
    method: dict[str, Any]
    settings: Settings
    lasts: float
    person: str
    acts: float

    @property
    def must_complete(self) -> bool:
        """Whether nothing of this may change how the run ends."""
        slow = self.method["dead_man"]["timeout"] >= 10.0
        return self.kind.harmless and self.person in ("nobody", "pauses") and (slow or not self.kind.feeds)


def scenario(seed: int, kinds: Sequence[str] = (), techniques: Sequence[str] = ()) -> Scenario:
    random = Random(seed)
    kind = KINDS[random.choice(list(kinds or KINDS))]
    technique = random.choice(list(techniques or executed()))
    method = draw(random, technique)
    longest, wanted = duration_of(method), random.uniform(*_LASTS)
    settings = Settings(
        cell=cell_of(method), seed=random.randrange(10**6), speed=max(1.0, longest / wanted), model=MODEL,
        buffer=kind.buffer,
    )  # fmt: skip
    return Scenario(
        seed=seed,
        kind=kind,
        moment=random.choice([random.uniform(-0.1, 0.05), random.uniform(0.0, 1.0), random.uniform(0.9, 1.1)]),
        technique=technique,
        method=method,
        settings=settings,
        lasts=longest / settings.speed,
        person=random.choice(["nobody", "nobody", "nobody", "pauses", "stops", "aborts"]),
        acts=random.uniform(0.0, 1.0),
    )
