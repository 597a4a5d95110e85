"""Linear Kramers-Kronig test: was the cell linear, stable and causal while its spectrum was taken?"""

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Complexes, Floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result
from luggin.daemon.analysis.impedance import neighbour_correlation, spectrum

# Chosen so that valid spectra of usual circuits leave less than 0.05 % (see the tests).
_PER_DECADE = 4
_BEYOND = 0.25  # decades of time constants outside the frequencies measured
FLOOR = 1e-3
SYSTEMATIC = 0.5


class KramersKronig(Result):
    """Outcome of the test; residuals (n,) are fractions of the modulus, in the order of the data.

    `rms` is their root mean square and `largest` the largest.  `neighbour_correlation` is near 0 for noise and
    near 1 for a misfit that runs through the spectrum.  `consistent` is False when the misfit is of that kind
    (correlation above 0.5) and above 0.1 %: the spectrum then drifted or the response was not linear.
    """

    residual_real: tuple[float, ...]
    residual_imaginary: tuple[float, ...]
    elements: int
    rms: float
    largest: float
    neighbour_correlation: float
    consistent: bool


def kramers_kronig(frequency: ArrayLike, impedance: ArrayLike) -> KramersKronig:
    """Fit a chain of RC elements with fixed time constants, four per decade, by linear least squares.

    A series resistance, capacitance and inductance are added; resistances may be negative, for a chain that obeys
    the Kramers-Kronig relations whatever their sign (Boukamp, J. Electrochem. Soc. 142 (1995) 1885).  `frequency`
    (Hz) and `impedance` (ohm) have shape (n,), n >= 10.  A short frequency range hides more than a long one.
    """
    f, z = spectrum(frequency, impedance, at_least=10)
    order = np.argsort(f, kind="stable")
    f, z = f[order], z[order]
    decades = float(np.log10(f[-1] / f[0]))
    if decades < 1:
        raise AnalysisError(f"The spectrum spans {decades:.2g} decades of frequency; the test needs at least one.")
    count = min(round(_PER_DECADE * (decades + 2 * _BEYOND)), f.size)
    omega = 2 * np.pi * f
    limits = np.log10(1 / omega[-1]) - _BEYOND, np.log10(1 / omega[0]) + _BEYOND
    times = np.logspace(*limits, count)
    residual = _residual(omega, z, times)
    rms = float(np.sqrt(np.mean(np.abs(residual) ** 2)))
    correlation = neighbour_correlation(f, residual)
    back = np.argsort(order, kind="stable")
    return KramersKronig(
        residual_real=tuple(residual.real[back].tolist()),
        residual_imaginary=tuple(residual.imag[back].tolist()),
        elements=count,
        rms=rms,
        largest=float(np.abs(residual).max()),
        neighbour_correlation=correlation,
        consistent=rms <= FLOOR or correlation <= SYSTEMATIC,
    )


def _residual(omega: Floats, z: Complexes, times: Floats) -> Complexes:
    s = 1j * omega
    chain = [1 / (1 + s * time) for time in times]
    design = np.column_stack([np.ones_like(s), *chain, 1 / s, s]) / np.abs(z)[:, None]
    stacked = np.vstack([design.real, design.imag])
    lengths = np.linalg.norm(stacked, axis=0)
    target = z / np.abs(z)
    solution = np.linalg.lstsq(stacked / lengths, np.concatenate([target.real, target.imag]), rcond=None)[0]
    return np.asarray(design @ (solution / lengths) - target)
