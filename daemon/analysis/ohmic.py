"""Ohmic drop across the uncompensated resistance: subtracted once, and recorded."""

from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Floats, pair
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result


class OhmicRecord(Result):
    """Resistance in ohm that has been accounted for in a potential column.

    `by_instrument`: compensated during the measurement by positive feedback or interruption.
    `subtracted`: taken off afterwards by `correct_ohmic_drop`.
    """

    by_instrument: float = 0.0
    subtracted: float = 0.0

    @property
    def accounted(self) -> float:
        return self.by_instrument + self.subtracted


def correct_ohmic_drop(
    potential: ArrayLike, current: ArrayLike, uncompensated_resistance: float, record: OhmicRecord
) -> tuple[Floats, OhmicRecord]:
    """Take current times resistance off the potential: E - i (R - what was accounted for already).

    `potential` (V) and `current` (A, anodic positive) have shape (n,); `uncompensated_resistance` (ohm) is the
    whole resistance between the reference and the working electrode as measured without any compensation.
    Returns the corrected potential and the record that now goes with it.  Applied again with that record and the
    same resistance it changes nothing.  Raises AnalysisError when more was accounted for than there is.
    Bard & Faulkner, Electrochemical Methods (2001), 1.3.4.
    """
    e, i = pair("potential", potential, "current", current)
    for name, value in (
        ("uncompensated_resistance", uncompensated_resistance),
        ("by_instrument", record.by_instrument),
        ("subtracted", record.subtracted),
    ):
        if not value >= 0:
            raise AnalysisError(f"{name} is {value:.6g} ohm; a resistance cannot be negative.")
    left = uncompensated_resistance - record.accounted
    if left < -1e-9 * uncompensated_resistance or (uncompensated_resistance == 0 and left < 0):
        raise AnalysisError(
            f"The potential is already corrected for {record.accounted:.6g} ohm, more than the "
            f"{uncompensated_resistance:.6g} ohm given; start again from the measured potential."
        )
    left = max(left, 0.0)
    return e - i * left, record.model_copy(update={"subtracted": record.subtracted + left})
