"""The kind `polarisation`: corrosion potential, polarisation resistance, Tafel slopes, rate of corrosion."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from luggin.daemon.analysis.corrosion import (
    corrosion_current_density,
    corrosion_potential,
    corrosion_rate,
    polarisation_resistance,
    stern_geary_coefficient,
)
from luggin.daemon.analysis.estimate import Estimate, Measured
from luggin.daemon.analysis.ohmic import OhmicRecord, correct_ohmic_drop
from luggin.daemon.analysis.tafel import mixed_potential
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.polarisation_settings import Polarisation
from luggin.protocol.points import Array


def find_polarisation(runs: Sequence[RunData], settings: Polarisation) -> Finding:
    """Of one run.  Raises EvaluationError where no point is fit, AnalysisError without a corrosion potential."""
    (run,) = runs
    potential, current = _curve(run)
    record = OhmicRecord()
    if settings.uncompensated_resistance is not None:
        potential, record = correct_ohmic_drop(potential, current, settings.uncompensated_resistance, record)
    area = run.header.method.get("setup", {}).get("area")
    found = _Found()
    found.add("corrosion-potential", corrosion_potential(potential, current), "V")
    density: Measured | None = None
    if run.technique == "tafel-polarisation":
        density = _tafel(found, potential, current, settings, area)
    else:
        density = _resistance(found, potential, current, settings, area)
    if density is not None and settings.equivalent_weight is not None and settings.density is not None:
        rate = corrosion_rate(density, settings.equivalent_weight, settings.density)
        found.estimate("penetration-rate", rate.penetration, "m/s")
        found.estimate("mass-loss-rate", rate.mass_loss, "kg/(m2 s)")
        found.body["millimetres_per_year"] = rate.millimetres_per_year
        found.body["grams_per_square_metre_and_day"] = rate.grams_per_square_metre_and_day
    elif settings.equivalent_weight is not None:
        lacking = "setup.area" if area is None else "anodic_slope and cathodic_slope"
        found.warnings.append(f"there is no rate of corrosion without {lacking}; state it and evaluate again")
    body = {**found.body, "ohmic": record.model_dump(mode="json")}
    return Finding({**body, "quantities": found.quantities, "units": found.units}, tuple(found.warnings))


class _Found:
    """What is found, by name, with its unit; estimates with their intervals in the body."""

    def __init__(self) -> None:
        self.quantities: dict[str, float] = {}
        self.units: dict[str, str] = {}
        self.body: dict[str, Any] = {}
        self.warnings: list[str] = []

    def add(self, name: str, value: float, unit: str) -> None:
        self.quantities[name], self.units[name] = value, unit

    def estimate(self, name: str, estimate: Estimate, unit: str) -> None:
        self.add(name, estimate.value, unit)
        self.body.setdefault("estimates", {})[name] = estimate.model_dump(mode="json")
        self.warnings += estimate.warnings


def _curve(run: RunData) -> tuple[Array, Array]:
    """Potential (V) and current (A) of the points that are fit, shape (n,)."""
    columns = run.measured
    if "current" not in columns or not ({"potential", "applied_potential"} & columns.keys()):
        raise EvaluationError(f"run {run.run} lacks potential or current among its columns")
    potential = columns["potential" if "potential" in columns else "applied_potential"].astype(float)
    current = columns["current"].astype(float)
    fit = run.fit & np.isfinite(potential) & np.isfinite(current)
    if fit.sum() < 3:
        raise EvaluationError(
            f"run {run.run} has {int(fit.sum())} points that are fit to be evaluated; look at its flags"
        )
    return potential[fit], current[fit]


def _resistance(
    found: _Found, potential: Array, current: Array, settings: Polarisation, area: float | None
) -> Measured | None:
    """The polarisation resistance; with slopes and area, the corrosion current density (A/m2)."""
    resistance = polarisation_resistance(potential, current, window=settings.window)
    found.estimate("polarisation-resistance", resistance, "ohm")
    if settings.anodic_slope is None or settings.cathodic_slope is None:
        return None
    coefficient = stern_geary_coefficient(settings.anodic_slope, settings.cathodic_slope)
    found.add("stern-geary-coefficient", coefficient.value, "V")
    if area is None:
        found.add("corrosion-current", coefficient.value / resistance.value, "A")
        return None
    over_area = Measured(resistance.value * area, (resistance.standard_uncertainty or 0.0) * area)
    density = corrosion_current_density(coefficient.value, over_area)
    found.estimate("corrosion-current-density", density, "A/m2")
    return Measured(density.value, density.standard_uncertainty or 0.0)


def _tafel(
    found: _Found, potential: Array, current: Array, settings: Polarisation, area: float | None
) -> Measured | None:
    """Both slopes and the corrosion current; with the area, its density (A/m2)."""
    mixed = mixed_potential(potential, current, window=settings.tafel_window)
    found.estimate("corrosion-potential", mixed.corrosion_potential, "V")
    found.estimate("corrosion-current", mixed.corrosion_current, "A")
    found.estimate("anodic-slope", mixed.anodic_slope, "V")
    found.estimate("cathodic-slope", mixed.cathodic_slope, "V")
    if area is None:
        return None
    flowing = mixed.corrosion_current
    density = Measured(flowing.value / area, (flowing.standard_uncertainty or 0.0) / area)
    found.add("corrosion-current-density", density.value, "A/m2")
    return density
