"""The calibration as a document: what was measured, what it is valid for, and the line that results."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import (
    AwareDatetime,
    BeforeValidator,
    Field,
    StringConstraints,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Result
from luggin.daemon.analysis.regression import Line, fit_line
from luggin.daemon.analysis.weighting import RelativeVariance, Weighting, relative_variance
from luggin.protocol.problem import DocumentError, from_validation
from luggin.protocol.quantity import QuantityError, parse

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,64}$")]
Label = Annotated[str, StringConstraints(min_length=1, max_length=200, strip_whitespace=True)]
ConcentrationUnit = Literal["mol/m3", "kg/m3"]
Signal = Annotated[float, Field(allow_inf_nan=False)]


def _readable(value: object) -> float | str:
    try:
        number = parse(value, "mol/m3")
    except QuantityError as error:
        try:
            number = parse(value, "kg/m3")
        except QuantityError:
            raise error from None
    if number < 0:
        raise ValueError("a concentration must not be negative")
    return value if isinstance(value, str) else number


# A number, or text with a unit that is converted once the document's concentration unit is known.
Concentration = Annotated[float | str, BeforeValidator(_readable)]


class Standard(Result):
    """One level: its concentration, the signals of its replicates, and the runs they came from."""

    concentration: Concentration
    signals: tuple[Signal, ...] = Field(min_length=1, max_length=100)
    runs: tuple[Identifier, ...] = Field(default=(), max_length=100)


class Standards(Result):
    """What a calibration is made of: measured standards and what they are valid for.

    Concentrations are in `concentration_unit` (mol/m3 is mmol/L, kg/m3 is g/L); as text with a unit ("5
    mg/L") they are converted.  `signal` says what was read from the curves ("peak height") and
    `signal_unit` in which SI unit.  A blank is a standard of concentration 0.
    """

    schema_version: Literal[1] = 1
    name: Identifier
    analyte: Label
    method: Label
    electrode: Label
    signal: Label
    signal_unit: Label
    concentration_unit: ConcentrationUnit = "mol/m3"
    weighting: Weighting = "none"
    valid_from: AwareDatetime
    valid_until: AwareDatetime
    standards: tuple[Standard, ...] = Field(max_length=100)

    @field_validator("standards", mode="after")
    @classmethod
    def _in_one_unit(cls, standards: tuple[Standard, ...], info: ValidationInfo) -> tuple[Standard, ...]:
        unit = info.data.get("concentration_unit", "mol/m3")
        read = []
        for index, standard in enumerate(standards):
            try:
                concentration = parse(standard.concentration, unit)
            except QuantityError as error:
                raise ValueError(f"standard {index}: {error}") from None
            read.append(standard.model_copy(update={"concentration": concentration}))
        if len({standard.concentration for standard in read}) < 3:
            raise ValueError("give standards of at least three different concentrations")
        return tuple(read)

    @field_validator("valid_until", mode="after")
    @classmethod
    def _after_start(cls, until: datetime, info: ValidationInfo) -> datetime:
        start = info.data.get("valid_from")
        if start is not None and until <= start:
            raise ValueError(f"must be later than valid_from, {start.isoformat()}")
        return until

    @property
    def levels(self) -> Floats:
        """Concentrations of the levels, shape (k,)."""
        return np.array([float(standard.concentration) for standard in self.standards])

    @property
    def runs(self) -> tuple[str, ...]:
        """Ids of all runs that the calibration came from, in order, each once."""
        return tuple(dict.fromkeys(run for standard in self.standards for run in standard.runs))

    def points(self) -> tuple[Floats, Floats]:
        """Every single measurement: concentration and signal, both of shape (n,)."""
        x = [float(s.concentration) for s in self.standards for _ in s.signals]
        y = [signal for s in self.standards for signal in s.signals]
        return np.array(x), np.array(y)

    def variance(self) -> RelativeVariance:
        """Relative variance of a single signal as a function of concentration, as the weighting says."""
        replicates = [np.array(standard.signals) for standard in self.standards]
        return relative_variance(self.weighting, self.levels, replicates, self.points()[0])

    def weights(self) -> Floats:
        """Weight of every single measurement, the inverse of its relative variance, shape (n,)."""
        variance = self.variance()
        return np.array([1 / variance(float(x)) for x in self.points()[0]])

    def fitted(self) -> Line:
        """The straight line through all single measurements; raises AnalysisError where there is none."""
        x, y = self.points()
        return fit_line(x, y, weights=self.weights(), x_name="concentrations", y_name="signals")


class Calibration(Standards):
    """The document that results: the standards together with the line fitted through them."""

    line: Line

    @model_validator(mode="after")
    def _line_follows_from_standards(self) -> Self:
        line = self.fitted()
        stored, due = (self.line.slope, self.line.intercept), (line.slope, line.intercept)
        if self.line.points != line.points or not np.allclose(stored, due, rtol=1e-9, atol=0):
            raise ValueError("the line does not follow from the standards; calibrate again from the standards")
        return self


def read_standards(document: Mapping[str, Any]) -> Standards:
    """Read standards from plain data; raises DocumentError that names every wrong field at once."""
    try:
        return Standards.model_validate(dict(document))
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None


def read_calibration(document: Mapping[str, Any]) -> Calibration:
    """Read a stored calibration; raises DocumentError that names every wrong field at once."""
    try:
        return Calibration.model_validate(dict(document))
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None


def applicability(
    calibration: Standards, *, at: datetime, analyte: str, method: str, electrode: str
) -> tuple[str, ...]:
    """Warnings when the calibration is expired, not yet valid or made for something else.

    `at` is the time of use.  Raises AnalysisError when `at` has no time zone.
    """
    if at.tzinfo is None:
        raise AnalysisError(f"The time of use, {at.isoformat()}, has no time zone; add its offset from UTC.")
    called, warnings = f'Calibration "{calibration.name}"', []
    if at < calibration.valid_from:
        warnings.append(f"{called} is valid only from {calibration.valid_from.isoformat()}.")
    if at > calibration.valid_until:
        warnings.append(f"{called} expired on {calibration.valid_until.isoformat()}.")
    for what, made_for, used_for in (
        ("analyte", calibration.analyte, analyte),
        ("method", calibration.method, method),
        ("electrode", calibration.electrode, electrode),
    ):
        if made_for != used_for:
            warnings.append(f'{called} was made for {what} "{made_for}" and is used for "{used_for}".')
    return tuple(warnings)
