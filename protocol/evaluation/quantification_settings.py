"""What quantification is told: which signal is read from the runs, and how a concentration comes of it."""

from typing import Annotated, Any, Literal, Self

from pydantic import Field, StringConstraints, field_validator, model_validator

from luggin.protocol.evaluation.base import EvaluationSettings, Kind
from luggin.protocol.evaluation.concentrations import Concentration, ConcentrationUnit, read, with_unit
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Duration, Ratio

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,64}$")]
Label = Annotated[str, StringConstraints(min_length=1, max_length=64, strip_whitespace=True)]
Weighting = Literal["none", "1/x", "1/x2", "1/s2"]
Interval = Literal["fieller", "s_x0"]
MOST_RUNS = 64
_DAY = 86400.0
_OF_A_PEAK = ("height", "area")


class Quantification(EvaluationSettings):
    """What all have in common.

    signal: "height" or "area" of the analyte's peak, or any quantity of the runs' evaluations by its name, such as
    "current.mean".  leave_out: runs that are not to count, for a reason that a person knows.
    """

    analyte: Label
    signal: str = Field("height", min_length=1, max_length=128)
    interval: Interval = "fieller"
    confidence: float = Field(0.95, ge=0.5, lt=1)
    leave_out: tuple[Identifier, ...] = Field((), max_length=MOST_RUNS)

    @property
    def quantity(self) -> str:
        """The signal by the name under which evaluations list it."""
        return f"{self.analyte}.{self.signal}" if self.signal in _OF_A_PEAK else self.signal

    @property
    def of_a_peak(self) -> bool:
        """Whether the signal is read from the analyte's own peak."""
        return self.signal in _OF_A_PEAK


class Recovery(Frozen):
    """How much of the concentration `added` (or certified) is found; `unspiked`: the evaluation of the sample before
    it was added."""

    added: Concentration
    unspiked: Identifier | None = None


class Level(Frozen):
    """A standard: its concentration and its runs, by their names or by the label that a sequence gave them."""

    concentration: Concentration
    runs: tuple[Identifier, ...] = Field((), max_length=MOST_RUNS)
    label: Identifier | None = None

    @model_validator(mode="after")
    def _named(self) -> Self:
        if bool(self.runs) == (self.label is not None):
            raise ValueError("a level is told by its runs or by their label; give one of the two")
        return self


class CalibrationSettings(Quantification):
    """A calibration from standards; a blank is a standard of concentration 0.

    name: what the calibration is called.  weighting: how the variance of a signal depends on the concentration;
    "1/s2" takes it from the replicates.  measurements: replicates that a sample will have, on which its limits depend.
    valid_for: s after which using it warns.
    """

    kind: Literal["calibration"] = "calibration"
    name: Identifier
    concentration_unit: ConcentrationUnit = "mol/m3"
    levels: tuple[Level, ...] = Field(max_length=32)
    weighting: Weighting = "none"
    measurements: int = Field(1, ge=1, le=50)
    valid_for: Duration = Field(7 * _DAY, gt=0, le=3660 * _DAY)

    @model_validator(mode="before")
    @classmethod
    def _unit(cls, given: Any) -> Any:
        levels = given.get("levels", ()) if isinstance(given, dict) else ()
        listed = levels if isinstance(levels, list | tuple) else ()
        return with_unit(given, [each.get("concentration") for each in listed if isinstance(each, dict)])

    @field_validator("levels", mode="after")
    @classmethod
    def _in_one_unit(cls, levels: tuple[Level, ...], info: Any) -> tuple[Level, ...]:
        unit = info.data.get("concentration_unit", "mol/m3")
        values = [read(each.concentration, unit, f"level {place}") for place, each in enumerate(levels)]
        if len(set(values)) < 3:
            raise ValueError("give standards of at least three different concentrations")
        named = [run for each in levels for run in (*each.runs, *([each.label] if each.label else ()))]
        if (twice := next((each for each in named if named.count(each) > 1), None)) is not None:
            raise ValueError(f"{twice} is listed at two levels; give each run its one level")
        return tuple(
            each.model_copy(update={"concentration": value}) for each, value in zip(levels, values, strict=True)
        )


class ConcentrationSettings(Quantification):
    """The concentration in a sample, read from a calibration; analyte and signal are the calibration's unless given.

    calibration: name of the evaluation, or of the calibration, of which the newest is taken then.  blanks: runs of the
    procedure carried out without sample, which are subtracted, besides those with the label `blank`.  dilution: how
    many times the sample was diluted, with its standard uncertainty.
    """

    kind: Literal["concentration"] = "concentration"
    analyte: str = Field("", max_length=64)
    signal: str = Field("", max_length=128)
    calibration: Identifier
    blanks: tuple[Identifier, ...] = Field((), max_length=MOST_RUNS)
    dilution: Ratio = Field(1.0, ge=1, le=1e9)
    dilution_uncertainty: Ratio = Field(0.0, ge=0)
    recovery: Recovery | None = None


CALIBRATION = Kind(
    "calibration",
    "the line through standards of known concentration, its tests, and the limits of decision and detection",
    CalibrationSettings,
    fewest_runs=3,
    most_runs=MOST_RUNS,
)
CONCENTRATION = Kind(
    "concentration",
    "the concentration in a sample, read from a calibration, with its confidence interval",
    ConcentrationSettings,
    fewest_runs=1,
    most_runs=MOST_RUNS,
)
