"""The interface as a circuit: series resistance, double layer, leak, and what reacts in parallel with them.

    reference ---[ series resistance ]---+---[ double layer ]---+--- working electrode
                                         +---[ leak ]-----------+
                                         +---[ reactions ]------+

Between two times the linear parts are integrated exactly (an exponential of the step over the time constant), the
current of the reactions as a straight line. What is left is one monotone equation in the potential at the end,

    reactions(E) + admittance * E = drive .

Where the reactions are much faster than the step, a straight line would ring; its weight then moves to the end
of the step (exponential fitting: second order for slow reactions, no overshoot for fast ones).
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

LARGEST_POTENTIAL = 200.0
TOLERANCE = 1e-7  # V, of the last Newton step; the error left is its square over kT/e


@dataclass(frozen=True)
class Interface:
    """`resistance` in series (ohm), `capacitance` of the double layer (F), `leak` across it (S)."""

    resistance: float = 0.0
    capacitance: float = 0.0
    leak: float = 0.0


@dataclass(frozen=True, slots=True)
class Weights:
    """E1 = keep E0 + drive0 x0 + drive1 x1 - reaction0 i0 - reaction1 i1, with x the controlled quantity.

    `balanced`: there is nothing but the reactions, which take the whole current x1.
    """

    keep: float
    drive0: float
    drive1: float
    reaction0: float
    reaction1: float
    balanced: bool = False


def weights(interface: Interface, span: float, potentiostatic: bool) -> Weights:
    """Exact weights over `span` seconds; potential control needs a series resistance."""
    source = 1 / interface.resistance if potentiostatic else 1.0
    conductance = interface.leak + (source if potentiostatic else 0.0)
    if interface.capacitance == 0:
        if conductance == 0:
            return Weights(0.0, 0.0, 0.0, 0.0, 0.0, balanced=True)
        return Weights(0.0, 0.0, source / conductance, 0.0, 1 / conductance)
    x = span * conductance / interface.capacitance
    first, second = _areas(x)
    unit = span / interface.capacitance
    at0, at1 = unit * (first - second), unit * second
    return Weights(math.exp(-x), source * at0, source * at1, at0, at1)


def _areas(x: float) -> tuple[float, float]:
    """(1 - exp(-x)) / x and (x - 1 + exp(-x)) / x^2."""
    if x < 0.05:
        return (
            1 - x / 2 * (1 - x / 3 * (1 - x / 4 * (1 - x / 5 * (1 - x / 6)))),
            0.5 - x / 6 * (1 - x / 4 * (1 - x / 5 * (1 - x / 6 * (1 - x / 7)))),
        )
    first = -math.expm1(-x) / x
    return first, (1 - first) / x


def lean(z: float) -> float:
    """How much of the start's weight moves to the end for a reaction of `z` time constants a step: coth(z/2) - 2/z."""
    if z < 0.05:
        return z / 6 * (1 - z * z / 60)
    if z > 60:
        return 1 - 2 / z
    return 1 / math.tanh(z / 2) - 2 / z


def balance(
    reactions: Callable[[float], tuple[float, float]], admittance: float, drive: float, guess: float
) -> tuple[float, float]:
    """Solve reactions(E) + admittance * E = drive for reactions that never fall with potential.

    Newton, kept inside a bracket that is opened step by step; a potential beyond +-200 V is cut off there. Returns
    the last potential tried and the last, very small, step from there to the root.
    """
    low, high = -math.inf, math.inf
    potential, reach = guess, 0.1
    for _ in range(200):
        current, slope = reactions(potential)
        excess = current + admittance * potential - drive
        if excess == 0:
            break
        gradient = slope + admittance
        step = -excess / gradient if gradient > 0 else math.copysign(math.inf, -excess)
        if -TOLERANCE < step < TOLERANCE:
            return potential, step
        if excess > 0:
            high = potential
        else:
            low = potential
        trial = potential + step
        if not low < trial < high:
            trial = (low + high) / 2  # infinite while the bracket is open on one side
        if abs(trial - potential) > reach:  # exponentials make long Newton steps meaningless
            trial = potential + math.copysign(reach, step)
            reach *= 2
        if not -LARGEST_POTENTIAL < trial < LARGEST_POTENTIAL:
            trial = math.copysign(LARGEST_POTENTIAL, trial)
        if trial == potential or high - low < 1e-12:
            break
        potential = trial
    return potential, 0.0
