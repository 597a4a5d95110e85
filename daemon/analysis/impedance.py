"""Impedance spectra as arrays to look at: Nyquist and Bode."""

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Complexes, Floats, all_positive, complexes, floats, same_length
from luggin.daemon.analysis.errors import AnalysisError


def spectrum(frequency: ArrayLike, impedance: ArrayLike, *, at_least: int = 1) -> tuple[Floats, Complexes]:
    """Read a spectrum: frequencies in Hz above zero and impedances in ohm that are not zero, both of shape (n,)."""
    f, z = floats("frequency", frequency, at_least=at_least), complexes("impedance", impedance, at_least=at_least)
    same_length("frequency", f, "impedance", z)
    all_positive("frequency", f)
    if np.any(z == 0):
        raise AnalysisError(f"impedance[{int(np.flatnonzero(z == 0)[0])}] is 0; remove points without impedance.")
    return f, z


def neighbour_correlation(frequency: Floats, residual: Complexes) -> float:
    """Correlation of residuals at neighbouring frequencies, both (n,): near 0 for noise, near 1 for a misfit."""
    ordered = residual[np.argsort(frequency, kind="stable")]
    total = float(np.vdot(ordered, ordered).real)
    return float(np.vdot(ordered[1:], ordered[:-1]).real) / total if total > 0 else 0.0


def nyquist(impedance: ArrayLike) -> tuple[Floats, Floats]:
    """Real part and negative imaginary part in ohm, each of shape (n,): a capacitive arc lies above the axis."""
    z = complexes("impedance", impedance)
    return z.real.copy(), -z.imag


def bode(frequency: ArrayLike, impedance: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Frequency in Hz, modulus in ohm and phase in degrees, sorted by frequency, each of shape (n,).

    The phase is unwrapped from the lowest frequency on; a capacitance has -90 degrees.
    """
    f, z = spectrum(frequency, impedance)
    order = np.argsort(f, kind="stable")
    return f[order], np.abs(z[order]), np.degrees(np.unwrap(np.angle(z[order])))
