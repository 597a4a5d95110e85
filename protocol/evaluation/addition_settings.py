"""The kind `standard-addition`: what was put together and added, and how the runs of it are evaluated."""

from itertools import accumulate
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from luggin.protocol.evaluation.base import Kind
from luggin.protocol.evaluation.concentrations import Concentration, ConcentrationUnit, read, with_unit
from luggin.protocol.evaluation.quantification_settings import MOST_RUNS, Identifier, Quantification, Recovery
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Ratio, Volume

AdditionWeighting = Literal["volume", "none", "1/s2"]
BLANK, SAMPLE = "blank", "sample"
MOST_ADDITIONS = 16


def label_of(level: int) -> str:
    """The label of the runs after so many additions."""
    return f"addition-{level}" if level else SAMPLE


class Spike(Frozen):
    """One addition of standard solution."""

    volume: Volume = Field(gt=0, le=1.0)
    concentration: Concentration


class StandardAddition(Quantification):
    """What was put together.  Volumes in m3; text with a unit ("50 uL") is converted.

    The sample, diluted `dilution` times beforehand, went into the cell with `electrolyte_volume` of supporting
    electrolyte; with `blank` the electrolyte alone was measured first.  Each of the `additions` was made to what the
    cell held already.  Runs are told by the labels `blank`, `sample`, `addition-1` ... among their tags; `labels` says
    it for runs without.  weighting: "volume" takes the noise of the signal as measured to be constant, "none" that of
    the signal corrected for the volume, "1/s2" the variances found at each level.
    """

    kind: Literal["standard-addition"] = "standard-addition"
    name: Identifier
    concentration_unit: ConcentrationUnit = "mol/m3"
    sample_volume: Volume = Field(gt=0, le=1.0)
    electrolyte_volume: Volume = Field(0.0, ge=0, le=1.0)
    dilution: Ratio = Field(1.0, ge=1, le=1e9)
    dilution_uncertainty: Ratio = Field(0.0, ge=0)
    replicates: int = Field(ge=1, le=50)
    blank: bool = False
    weighting: AdditionWeighting = "volume"
    additions: tuple[Spike, ...] = Field(max_length=MOST_ADDITIONS)
    labels: dict[Identifier, Identifier] = Field({}, max_length=MOST_RUNS)
    recovery: Recovery | None = None

    @model_validator(mode="before")
    @classmethod
    def _unit(cls, given: Any) -> Any:
        spikes = given.get("additions", ()) if isinstance(given, dict) else ()
        listed = spikes if isinstance(spikes, list | tuple) else ()
        return with_unit(given, [each.get("concentration") for each in listed if isinstance(each, dict)])

    @field_validator("blank", mode="after")
    @classmethod
    def _blank_needs_electrolyte(cls, blank: bool, info: Any) -> bool:
        if blank and info.data.get("electrolyte_volume") == 0:
            raise ValueError("a blank needs something in the cell; give an electrolyte_volume or leave the blank out")
        return blank

    @field_validator("additions", mode="after")
    @classmethod
    def _in_one_unit(cls, additions: tuple[Spike, ...], info: Any) -> tuple[Spike, ...]:
        if not additions:
            raise ValueError("give at least one addition")
        unit = info.data.get("concentration_unit", "mol/m3")
        values = [read(spike.concentration, unit, f"addition {n}") for n, spike in enumerate(additions, 1)]
        if 0 in values:
            at = values.index(0)
            raise ValueError(f"addition {at + 1} has concentration {additions[at].concentration}; give one above zero")
        runs = (len(additions) + 1 + bool(info.data.get("blank"))) * info.data.get("replicates", 1)
        if runs > MOST_RUNS:
            raise ValueError(f"this makes {runs} runs, and at most {MOST_RUNS} are evaluated together; make fewer")
        return tuple(
            spike.model_copy(update={"concentration": value}) for spike, value in zip(additions, values, strict=True)
        )

    @property
    def added(self) -> tuple[float, ...]:
        """Analyte added so far at each level, per volume of the sample taken; one more than there are additions."""
        amounts = [spike.volume * float(spike.concentration) for spike in self.additions]
        return tuple(amount / self.sample_volume for amount in accumulate(amounts, initial=0.0))

    @property
    def volumes(self) -> tuple[float, ...]:
        """What the cell holds at each level, m3."""
        spikes = [spike.volume for spike in self.additions]
        return tuple(accumulate(spikes, initial=self.sample_volume + self.electrolyte_volume))

    @property
    def volume_ratio(self) -> tuple[float, ...]:
        """Total volume over the volume of the sample taken, at each level."""
        return tuple(volume / self.sample_volume for volume in self.volumes)


STANDARD_ADDITION = Kind(
    "standard-addition",
    "the concentration in a sample from its signals before and after known additions of the analyte",
    StandardAddition,
    fewest_runs=2,
    most_runs=MOST_RUNS,
)
