"""The techniques, one file a family; each compiles a method's parameters to blocks of a program."""

from collections.abc import Mapping

from luggin.protocol.techniques.amperometry import CHRONOAMPEROMETRY
from luggin.protocol.techniques.base import Measurement, Technique
from luggin.protocol.techniques.open_circuit import OPEN_CIRCUIT
from luggin.protocol.techniques.sweeps import CYCLIC, LINEAR_SWEEP

TECHNIQUES: Mapping[str, Technique] = {
    technique.name: technique for technique in (LINEAR_SWEEP, CYCLIC, CHRONOAMPEROMETRY, OPEN_CIRCUIT)
}

__all__ = ["TECHNIQUES", "Measurement", "Technique", "find"]


def find(name: str) -> Technique | None:
    """The technique of this full name or abbreviation, whatever its case."""
    wanted = name.strip().casefold()
    for technique in TECHNIQUES.values():
        if wanted in (technique.name, technique.alias.casefold()):
            return technique
    return None
