"""The second way in which a spectrum of impedance is looked at: modulus and phase against frequency."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from luggin.daemon.figures.curve import Curve, title


def bode(modulus: Axes, angle: Axes, spectra: Sequence[Curve], looks: Sequence[Mapping[str, Any]]) -> None:
    """Draw both panels; `looks` are colour and dashes of each spectrum."""
    for spectrum, look in zip(spectra, looks, strict=True):
        assert spectrum.frequency is not None
        impedance = spectrum.x + 1j * spectrum.y
        modulus.loglog(spectrum.frequency, np.abs(impedance), marker="o", markersize=3, linewidth=1.2, **look)
        degrees = -np.degrees(np.angle(impedance))
        angle.semilogx(spectrum.frequency, degrees, marker="o", markersize=3, linewidth=1.2, **look)
    modulus.set_ylabel(title("impedance", "", "", magnitude=True))
    angle.set_ylabel(title("phase_angle", "", "", minus=True))
    angle.set_xlabel(title("frequency", "", ""))
    for axes in (modulus, angle):
        axes.grid(visible=True, linewidth=0.3)
