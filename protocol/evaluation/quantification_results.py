"""What quantification answers: the bodies of `calibration`, `concentration` and `standard-addition`.

Concentrations are in `concentration_unit` (mol/m3 is mmol/L, kg/m3 is g/L), signals in the SI unit `signal_unit`.
"""

from pydantic import Field

from luggin.protocol.evaluation.concentrations import ConcentrationUnit
from luggin.protocol.evaluation.quantification_settings import Identifier, Weighting
from luggin.protocol.evaluation.statistics import Estimate, FTest, Limits, Line, OutlierTest
from luggin.protocol.program import Frozen


class Reading(Frozen):
    """What was read of one run.

    label: which solution it measured; value: the signal, None where there is none; evaluation: where it was read,
    None where it was computed for the purpose; used: whether it counts; note: what is to be said of it.
    """

    run: Identifier
    label: str
    value: float | None
    evaluation: Identifier | None = None
    used: bool
    note: str = ""


class Standard(Frozen):
    """One level: its concentration, the signals of its replicates, and the runs they came from."""

    concentration: float
    signals: tuple[float, ...] = Field(min_length=1, max_length=100)
    runs: tuple[Identifier, ...] = Field(default=(), max_length=100)


class Standards(Frozen):
    """Measured standards, and what they were measured with.

    signal: the quantity by name; method, electrode: of the runs, "" where they name none; procedure: digest of the
    measuring itself (technique and phases), which two methods of the same name need not share; found_by: digest of the
    settings by which the signals were found in the curves.
    """

    name: Identifier
    analyte: str
    method: str
    electrode: str
    procedure: str = ""
    found_by: str = ""
    signal: str
    signal_unit: str
    concentration_unit: ConcentrationUnit = "mol/m3"
    weighting: Weighting = "none"
    standards: tuple[Standard, ...] = Field(max_length=100)

    @property
    def runs(self) -> tuple[str, ...]:
        """Ids of all runs that the calibration came from, in order, each once."""
        return tuple(dict.fromkeys(run for standard in self.standards for run in standard.runs))


class Calibration(Standards):
    """The document that results: the standards together with the line fitted through them."""

    line: Line


class LevelTest(Frozen):
    """An outlier test of the replicates at one level."""

    label: str
    test: OutlierTest


class CalibrationBody(Frozen):
    """A calibration, its tests, and its limits, each by the definition it names."""

    calibration: Calibration
    readings: tuple[Reading, ...]
    mandel: FTest | None
    lack_of_fit: FTest | None
    outliers: tuple[LevelTest, ...]
    limits: tuple[Limits, ...]
    quantities: dict[str, float]


class ConcentrationBody(Frozen):
    """measured: in the solution that was measured; concentration: in the sample, the dilution undone; both None where
    no signal was found, which is then below what the evaluation of the curves finds.

    calibration: the evaluation that was used; detected: whether it exceeds the decision limit of ISO 11843, None where
    that is not known.
    """

    analyte: str
    sample: str
    calibration: Identifier
    signal: str
    signal_unit: str
    concentration_unit: ConcentrationUnit
    dilution: float
    readings: tuple[Reading, ...]
    measured: Estimate | None
    concentration: Estimate | None
    detected: bool | None
    decision: float | None
    recovery: Estimate | None
    quantities: dict[str, float]


class AdditionLevel(Frozen):
    """Signals after so much was added (per volume of sample taken): as measured, and corrected for blank and volume."""

    label: str
    added: float
    volume_ratio: float
    signals: tuple[float, ...]
    corrected: tuple[float, ...]
    runs: tuple[Identifier, ...]


class AdditionBody(Frozen):
    """taken: concentration in the sample as taken into the cell, the negative of the x-intercept of `line` (corrected
    signal against added concentration); concentration: in the original sample, the dilution undone."""

    name: Identifier
    analyte: str
    sample: str
    signal: str
    signal_unit: str
    concentration_unit: ConcentrationUnit
    dilution: float
    blank: float
    levels: tuple[AdditionLevel, ...]
    readings: tuple[Reading, ...]
    line: Line
    taken: Estimate
    concentration: Estimate
    linearity: FTest | None
    outliers: tuple[LevelTest, ...]
    recovery: Estimate | None
    quantities: dict[str, float]
