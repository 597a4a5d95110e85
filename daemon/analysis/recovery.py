"""Recovery: how much of what was added, or is certified, is found."""

import math

from luggin.daemon.analysis.estimate import Estimate, Known, Measured, measured, symmetric


def recovery(found: Estimate, added: Known, *, unspiked: Estimate | None = None, confidence: float = 0.95) -> Estimate:
    """Recovery as a ratio (1 is complete): (found - unspiked) / added, all in the same unit.

    IUPAC, Pure Appl. Chem. 71 (1999) 337.  `found` is the result for the spiked sample or the reference
    material, `added` the concentration added or certified.  A warning says when complete recovery lies
    outside the interval.  Without an uncertainty of the results the recovery has none.
    """
    reference = measured("added", added)
    results = [found] if unspiked is None else [found, unspiked]
    ratio = (found.value - (0.0 if unspiked is None else unspiked.value)) / reference.value
    parts = [Measured(ratio, abs(ratio) * reference.standard_uncertainty, reference.degrees_of_freedom)]
    for result in results:
        if result.standard_uncertainty is None:
            return Estimate(value=ratio, confidence=confidence, method="none: a result has no uncertainty")
        parts.append(Measured(ratio, result.standard_uncertainty, result.degrees_of_freedom or math.inf))
    relative = [(part.standard_uncertainty / reference.value, part.degrees_of_freedom) for part in parts]
    uncertainty = math.hypot(*(part for part, _ in relative))
    spread = sum(part**4 / dof for part, dof in relative)
    dof = uncertainty**4 / spread if spread > 0 else math.inf
    estimate = symmetric(ratio, uncertainty, dof, confidence, "first-order propagation, Welch-Satterthwaite")
    if estimate.lower is None or estimate.upper is None or estimate.lower <= 1 <= estimate.upper:
        return estimate
    remark = f"The recovery {ratio:.1%} differs from 100 % at {confidence:.0%} confidence."
    return estimate.model_copy(update={"warnings": (remark,)})
