"""What every technique provides: its parameters, the blocks they compile to, and a ready example."""

from abc import abstractmethod
from dataclasses import dataclass
from typing import Literal

from luggin.protocol.program import Block, Frozen

Versus = Literal["reference", "open-circuit"]


class Measurement(Frozen):
    """Parameters of the measuring phase of a method; one subclass a technique."""

    phase: Literal["measure"] = "measure"

    @abstractmethod
    def blocks(self, phase: int) -> tuple[Block, ...]:
        """Compile to blocks, marked as the method's phase number `phase`."""

    @property
    @abstractmethod
    def starts_at(self) -> float | None:
        """Potential (V) at which the measurement starts, or None when it starts at open circuit or zero current."""

    @property
    def relative(self) -> bool:
        """Whether `starts_at` is given versus the open-circuit potential."""
        return False


@dataclass(frozen=True)
class View:
    """How a curve of the technique is usually looked at: two columns of points.

    `nyquist` turns the sign of y, as is usual for impedances; `magnitude` shows the magnitude of y on a logarithmic
    scale.  `net` marks a current that is a difference; `beside` are columns that a single run shows with it.
    """

    x: str = "applied_potential"
    y: str = "current"
    style: Literal["line", "nyquist", "magnitude"] = "line"
    net: bool = False
    beside: tuple[str, ...] = ()


AGAINST_POTENTIAL = View()
NET = View(net=True)
NET_AND_BOTH = View(net=True, beside=("forward_current", "reverse_current"))
AGAINST_TIME = View("time", "current")
POTENTIAL_AGAINST_TIME = View("time", "potential")
NYQUIST = View("impedance_real", "impedance_imaginary", "nyquist")


@dataclass(frozen=True)
class Technique:
    """A technique under its full name, with the trade's abbreviation as alias.

    `needs` names phases that a method of this technique must hold before its measurement.
    """

    name: str
    alias: str
    summary: str
    parameters: type[Measurement]
    example: str
    needs: tuple[str, ...] = ()
    view: View = AGAINST_POTENTIAL


def example(
    name: str,
    technique: str,
    notes: str,
    measure: str,
    *,
    before: str = "",
    sample: str = "column-outlet",
    electrode: str = "gc-3",
    area: str = "7.07 mm2",
    ranging: str = 'lower = "1 uA"\nupper = "100 uA"\ninitial = "10 uA"',
    after: str = "",
) -> str:
    """The text of an example method; all examples share one bench, and all of it is invented."""
    parts = [
        f'version = 1\nname = "{name}"\ntechnique = "{technique}"\nnotes = "Invented example: {notes}"',
        f'[setup]\nelectrode = "{electrode}"\nreference = "Ag/AgCl (3 M KCl)"\narea = "{area}"\nsample = "{sample}"',
        f"[ranging]\n{ranging}" if ranging else "",
        before.strip(),
        f'[[phases]]\nphase = "measure"\n{measure.strip()}',
        after.strip(),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


SETTLE = '[[phases]]\nphase = "settle"\nduration = "5 s"'
REST = '[[phases]]\nphase = "rest"\nduration = "60 s"\nend_drift = "0.1 mV/s"\ndrift_window = "10 s"'
PLAUSIBLE = '[open_circuit]\nlow = "-0.6 V"\nhigh = "0.2 V"'
