"""A redox probe: a solution of a fast, well-known couple, and what a good electrode shows in it.

The bounds are common practice, no source: a laboratory sets its own.
"""

from collections.abc import Mapping
from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Concentration, Diffusion, Potential, Ratio, ScanRate, Temperature


class RedoxProbe(Frozen):
    """Cyclic voltammograms between `span` on either side of the half-wave potential, one for each scan rate.

    `contains` says which form is in solution; the sweeps start where that form is stable.  Bounds: the half-wave
    potential lies `half_wave_within` of its value, the separation of the peaks is at most `largest_separation` (it is
    57 mV / `electrons` at 25 degC for a fast couple, more with resistance), and the height of the peak of the return
    scan over that of the forward one lies between the two of `height_ratio`.  With `concentration` and
    `diffusion_coefficient` the area follows from the slope of peak heights over the square roots of scan rates
    (Randles-Sevcik, of a reversible couple: slow kinetics and resistance make it smaller); it may lie `area_within` off
    the stated area, as a share.
    """

    name: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    reference: str = Field(
        min_length=1, max_length=64, description="reference electrode that the potentials are against"
    )
    contains: Literal["oxidised", "reduced"]
    half_wave_potential: Potential
    half_wave_within: Potential = Field(0.02, gt=0, le=1)
    span: Potential = Field(0.3, ge=0.12, le=2)
    step: Potential = Field(1e-3, gt=0, le=0.01)
    scan_rates: tuple[ScanRate, ...] = Field((0.02, 0.05, 0.1, 0.2), min_length=1, max_length=12)
    electrons: int = Field(1, ge=1, le=6)
    largest_separation: Potential = Field(0.1, gt=0, le=1)
    height_ratio: tuple[Ratio, Ratio] = (0.9, 1.1)
    concentration: Concentration | None = Field(None, gt=0)
    diffusion_coefficient: Diffusion | None = Field(None, gt=0)
    temperature: Temperature = Field(298.15, gt=250, lt=400)
    area_within: Ratio = Field(0.15, gt=0, le=1)

    @model_validator(mode="after")
    def _sensible(self) -> "RedoxProbe":
        if len(set(self.scan_rates)) < len(self.scan_rates) or min(self.scan_rates) <= 0:
            raise ValueError("scan_rates must be different and above zero; give each once")
        if not 0 < self.height_ratio[0] < self.height_ratio[1]:
            raise ValueError("height_ratio is the smallest and the largest ratio, both above zero; exchange them")
        if (self.concentration is None) != (self.diffusion_coefficient is None):
            raise ValueError("an area needs concentration and diffusion_coefficient; give both or neither")
        if self.concentration is not None and len(self.scan_rates) < 3:
            raise ValueError("an area needs at least three scan_rates; give more, or leave the concentration out")
        return self


REDOX_PROBES: Mapping[str, RedoxProbe] = {
    probe.name: probe
    for probe in (
        # 1 mM in 0.5 M KCl; diffusion coefficient: Baur & Wightman, J. Electroanal. Chem. 305 (1991) 73.  The half-wave
        # potential is of a usual size and invented.
        RedoxProbe(
            name="hexacyanoferrate-iii",
            reference="Ag/AgCl (3 M KCl)",
            contains="oxidised",
            half_wave_potential="0.23 V",
            concentration="1 mM",
            diffusion_coefficient="7.17e-6 cm2/s",
        ),
    )
}
