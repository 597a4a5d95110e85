"""The techniques, one file a family; each compiles a method's parameters to blocks of a program."""

from collections.abc import Mapping

from luggin.protocol.techniques import (
    corrosion,
    galvanostatic,
    impedance,
    monitoring,
    open_circuit,
    pulses,
    steps,
    stripping,
    sweeps,
)
from luggin.protocol.techniques.base import Measurement, Technique

# In the order in which they are explained: sweeps, pulses, stripping, steps, current, rest, impedance, corrosion.
TECHNIQUES: Mapping[str, Technique] = {
    technique.name: technique
    for technique in (
        sweeps.LINEAR_SWEEP,
        sweeps.CYCLIC,
        pulses.STAIRCASE,
        pulses.NORMAL_PULSE,
        pulses.DIFFERENTIAL_PULSE,
        pulses.SQUARE_WAVE,
        stripping.LINEAR_SWEEP_STRIPPING,
        stripping.DIFFERENTIAL_PULSE_STRIPPING,
        stripping.SQUARE_WAVE_STRIPPING,
        steps.CHRONOAMPEROMETRY,
        steps.DOUBLE_STEP,
        steps.MULTIPLE_STEPS,
        steps.CHRONOCOULOMETRY,
        steps.COULOMETRY,
        monitoring.MONITORING,
        monitoring.PULSED_DETECTION,
        galvanostatic.CHRONOPOTENTIOMETRY,
        galvanostatic.CURRENT_STEPS,
        galvanostatic.CHARGE_DISCHARGE,
        open_circuit.OPEN_CIRCUIT,
        impedance.IMPEDANCE,
        impedance.GALVANOSTATIC_IMPEDANCE,
        impedance.IMPEDANCE_TIME,
        impedance.IMPEDANCE_POTENTIAL,
        impedance.RESISTANCE,
        corrosion.POLARISATION_RESISTANCE,
        corrosion.TAFEL,
        corrosion.CYCLIC_POLARISATION,
        corrosion.ZERO_RESISTANCE,
    )
}

__all__ = ["TECHNIQUES", "Measurement", "Technique", "find"]


def find(name: str) -> Technique | None:
    """The technique of this full name or abbreviation, whatever its case."""
    wanted = name.strip().casefold()
    for technique in TECHNIQUES.values():
        if wanted in (technique.name, technique.alias.casefold()):
            return technique
    return None
