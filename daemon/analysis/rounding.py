"""Reporting a number by its uncertainty."""

import math
from decimal import ROUND_HALF_EVEN, Decimal

from luggin.daemon.analysis.errors import AnalysisError
from luggin.protocol.program import Frozen


class Rounded(Frozen):
    """A value and its uncertainty as they are to be written; both end at the same decimal place."""

    value: str
    uncertainty: str

    def __str__(self) -> str:
        return f"{self.value} ± {self.uncertainty}"


def rounded(value: float, uncertainty: float, *, digits: int = 2) -> Rounded:
    """Round the uncertainty to `digits` significant digits and the value to the same decimal place.

    GUM (JCGM 100:2008) 7.2.6 asks for at most two digits.  Exact halves go to the even digit.  A value far
    below the uncertainty is written as a zero to that place.  Raises AnalysisError for an uncertainty that
    is not above zero.
    """
    if not (math.isfinite(value) and math.isfinite(uncertainty) and uncertainty > 0):
        raise AnalysisError(
            f"A result {value:.6g} with uncertainty {uncertainty:.6g} cannot be rounded; "
            "the uncertainty must be above zero."
        )
    spread = Decimal(repr(uncertainty))
    place = spread.adjusted() - digits + 1
    spread = _at_place(spread, place)
    if spread.adjusted() - digits + 1 > place:  # 0.0996 became 0.100: one digit too many
        place += 1
        spread = _at_place(spread, place)
    return Rounded(value=_written(_at_place(Decimal(repr(value)), place), place), uncertainty=_written(spread, place))


def _at_place(number: Decimal, place: int) -> Decimal:
    return number.quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)


def _written(number: Decimal, place: int) -> str:
    if place > 0:
        return f"{int(number):d}"
    return f"{abs(number) if number == 0 else number:.{-place}f}"
