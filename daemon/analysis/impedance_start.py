"""Starting values of a circuit fit, guessed from the spectrum."""

from itertools import combinations

import numpy as np

from luggin.daemon.analysis.arrays import Complexes, Floats
from luggin.daemon.analysis.equivalent_circuits import Circuit, Element, laplace

_GRID = 7
_MOST = 300
_EXPONENT = 0.85
_SCATTERED = 15
_COPIES = 20


def starts(circuit: Circuit, frequency: Floats, impedance: Complexes, scale: Floats, keep: int) -> list[Floats]:
    """The `keep` best of a few hundred guesses, by their weighted misfit, best first; each of shape (p,).

    The leading resistance is the real part at high frequency and the others share the rest of the real part.
    Storage elements get time constants on a grid over the measured frequencies, in every order; diffusion elements
    the imaginary part at low frequency.  The best of these are scattered (always alike) and join the choice.
    """
    guesses = _guesses(circuit, 2 * np.pi * frequency, impedance)
    guesses = _best(circuit, guesses, frequency, impedance, scale, _SCATTERED)
    random = np.random.default_rng(0)
    exponents = np.array([parameter.kind == "exponent" for parameter in circuit.parameters])
    for guess in list(guesses):
        factors = 10 ** random.uniform(-0.7, 0.7, (_COPIES, guess.size))
        guesses += list(np.where(exponents, random.uniform(0.6, 1.0, factors.shape), guess * factors))
    return _best(circuit, guesses, frequency, impedance, scale, keep)


def _best(
    circuit: Circuit, guesses: list[Floats], frequency: Floats, impedance: Complexes, scale: Floats, keep: int
) -> list[Floats]:
    s = laplace(frequency)
    misfits = [float(np.sum(np.abs((circuit.at(s, guess) - impedance) / scale) ** 2)) for guess in guesses]
    return [guesses[index] for index in np.argsort(misfits, kind="stable")[:keep]]


def _guesses(circuit: Circuit, omega: Floats, z: Complexes) -> list[Floats]:
    high, low = int(np.argmax(omega)), int(np.argmin(omega))
    tiny = 1e-3 * float(np.abs(z).min())
    series = max(float(z.real.min()), tiny)
    rest = max(float(z.real.max()) - series, float(np.abs(z).max()) * 0.1)
    leading = _leading_resistance(circuit)
    others = [i for i, p in enumerate(circuit.parameters) if p.kind == "R" and i != leading]
    stores = [i for i, p in enumerate(circuit.parameters) if p.kind in ("C", "Q", "time")]
    grid = np.logspace(np.log10(1 / omega[high]), np.log10(1 / omega[low]), _GRID)
    share = rest / max(len(others), 1)
    guesses = []
    for picked in _choices(grid, len(stores)):
        for tilt in (0.3, 1.0, 3.0) if len(others) > 1 else (1.0,):
            values = np.ones(len(circuit.parameters))
            for rank, index in enumerate(others):
                values[index] = share * tilt ** (rank - (len(others) - 1) / 2)
            if leading is not None:
                values[leading] = series
            for index, p in enumerate(circuit.parameters):
                if p.kind == "exponent":
                    values[index] = _EXPONENT
                elif p.kind == "L":
                    values[index] = max(float(z[high].imag), tiny) / omega[high]
                elif p.kind == "W":
                    values[index] = max(-float(z[low].imag), tiny) * np.sqrt(omega[low])
            for index, time in zip(stores, picked, strict=True):
                kind = circuit.parameters[index].kind
                values[index] = {"time": time, "C": time / share, "Q": time**_EXPONENT / share}[kind]
            guesses.append(values)
    return guesses[:: max(len(guesses) // _MOST, 1)]


def _choices(grid: Floats, count: int) -> list[tuple[float, ...]]:
    if count == 0:
        return [()]
    if count == 1:
        return [(float(time),) for time in grid]
    ascending = list(combinations(grid.tolist(), min(count, grid.size)))
    padded = [pick + (pick[-1],) * (count - len(pick)) for pick in ascending]
    return padded + [tuple(reversed(pick)) for pick in padded]


def _leading_resistance(circuit: Circuit) -> int | None:
    """Index of a resistance in series with everything else."""
    return next((m.first for m in circuit.root.members if isinstance(m, Element) and m.letter == "R"), None)
