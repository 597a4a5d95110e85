"""A standard addition as a plan: what the operator adds and when the instrument measures."""

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field, ValidationError, ValidationInfo, field_validator

from luggin.daemon.analysis.addition import AdditionResult, AdditionWeighting, standard_addition
from luggin.daemon.analysis.arrays import Floats
from luggin.daemon.analysis.calibration_document import Concentration, ConcentrationUnit, Identifier, Label
from luggin.daemon.analysis.errors import AnalysisError
from luggin.daemon.analysis.estimate import Measured, Result
from luggin.daemon.analysis.inverse import Interval
from luggin.protocol.problem import DocumentError, from_validation
from luggin.protocol.quantity import Duration, QuantityError, Ratio, Volume, parse, show

CAUTION = (
    "Wear gloves and eye protection and follow the safety data sheets of sample, electrolyte and standard and your "
    "local rules; if in doubt, ask a person qualified for this work. Reach into the cell only while it is shown as off."
)


class Spike(Result):
    """One addition of standard solution; the concentration is in the unit of the plan."""

    volume: Annotated[Volume, Field(gt=0, le=1.0)]
    concentration: Concentration


class AdditionPlan(Result):
    """What is put together and measured.  Volumes in m3, times in s; text with a unit ("50 uL") is converted.

    The sample, diluted `dilution` times beforehand, goes into the cell with `electrolyte_volume` of
    supporting electrolyte.  With `blank` the electrolyte alone is measured first.  Each of the
    `additions` is made to what the cell holds already.  `cell_volume`, if given, is what the cell can
    hold.
    """

    schema_version: Literal[1] = 1
    name: Identifier
    analyte: Label
    concentration_unit: ConcentrationUnit = "mol/m3"
    sample_volume: Annotated[Volume, Field(gt=0, le=1.0)]
    electrolyte_volume: Annotated[Volume, Field(ge=0, le=1.0)] = 0.0
    dilution: Annotated[Ratio, Field(ge=1)] = 1.0
    dilution_uncertainty: Annotated[Ratio, Field(ge=0)] = 0.0
    mixing_time: Annotated[Duration, Field(ge=0, le=3600)]
    replicates: Annotated[int, Field(ge=1, le=50)]
    blank: bool = False
    weighting: AdditionWeighting = "volume"
    additions: tuple[Spike, ...] = Field(max_length=20)
    cell_volume: Annotated[Volume, Field(gt=0, le=1.0)] | None = None

    @field_validator("additions", mode="after")
    @classmethod
    def _in_one_unit(cls, additions: tuple[Spike, ...], info: ValidationInfo) -> tuple[Spike, ...]:
        if not additions:
            raise ValueError("give at least one addition")
        unit = info.data.get("concentration_unit", "mol/m3")
        read = []
        for index, spike in enumerate(additions):
            try:
                concentration = parse(spike.concentration, unit)
            except QuantityError as error:
                raise ValueError(f"addition {index}: {error}") from None
            if concentration <= 0:
                raise ValueError(f"addition {index} has concentration {spike.concentration}; it must be above zero")
            read.append(spike.model_copy(update={"concentration": concentration}))
        return tuple(read)

    @field_validator("blank", mode="after")
    @classmethod
    def _blank_needs_electrolyte(cls, blank: bool, info: ValidationInfo) -> bool:
        if blank and info.data.get("electrolyte_volume") == 0:
            raise ValueError("a blank needs something in the cell; give an electrolyte_volume or leave the blank out")
        return blank

    @field_validator("cell_volume", mode="after")
    @classmethod
    def _fits_the_cell(cls, cell: float | None, info: ValidationInfo) -> float | None:
        if cell is not None:
            filled = sum(info.data.get(name, 0.0) for name in ("sample_volume", "electrolyte_volume"))
            filled += sum(spike.volume for spike in info.data.get("additions", ()))
            if filled > cell:
                raise ValueError(f"the plan fills {_litres(filled)} into a cell that holds {_litres(cell)}")
        return cell

    @property
    def added(self) -> Floats:
        """Analyte added so far at each level per volume of sample taken, shape (k + 1,)."""
        amounts = [0.0] + [spike.volume * float(spike.concentration) for spike in self.additions]
        return np.cumsum(amounts) / self.sample_volume

    @property
    def volume_ratio(self) -> Floats:
        """Total volume over volume of sample at each level, shape (k + 1,)."""
        volumes = [self.sample_volume + self.electrolyte_volume] + [spike.volume for spike in self.additions]
        return np.cumsum(volumes) / self.sample_volume


class Prompt(Result):
    """Something the operator does and confirms."""

    kind: Literal["prompt"] = "prompt"
    text: str


class Mix(Result):
    """Stir and wait, in s."""

    kind: Literal["mix"] = "mix"
    duration: float


class Measure(Result):
    """One run of the method.  `level` counts the additions made; the blank has none."""

    kind: Literal["measure"] = "measure"
    solution: Literal["blank", "sample", "addition"]
    level: int | None
    replicate: int
    added: float
    label: str


Step = Annotated[Prompt | Mix | Measure, Field(discriminator="kind")]


def read_plan(document: Mapping[str, Any]) -> AdditionPlan:
    """Read a plan from plain data; raises DocumentError that names every wrong field at once."""
    try:
        return AdditionPlan.model_validate(dict(document))
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None


def steps(plan: AdditionPlan) -> tuple[Prompt | Mix | Measure, ...]:
    """The plan as ordered steps: prompts for the operator, mixing, and one measurement for each replicate."""
    sample, electrolyte = _litres(plan.sample_volume), _litres(plan.electrolyte_volume)
    made: list[Prompt | Mix | Measure] = [Prompt(text=CAUTION)]
    if plan.dilution != 1:
        made.append(Prompt(text=f"Dilute the sample {plan.dilution:.6g} times."))
    if plan.blank:
        made.append(Prompt(text=f"Put {electrolyte} of supporting electrolyte into the clean cell."))
        made += _measured(plan, "blank", None)
        made.append(Prompt(text=f"Add {sample} of the{_diluted(plan)} sample."))
    elif plan.electrolyte_volume > 0:
        made.append(
            Prompt(
                text=f"Put {sample} of the{_diluted(plan)} sample and {electrolyte} of supporting electrolyte "
                "into the clean cell."
            )
        )
    else:
        made.append(Prompt(text=f"Put {sample} of the{_diluted(plan)} sample into the clean cell."))
    made += _measured(plan, "sample", 0)
    for level, spike in enumerate(plan.additions, start=1):
        made.append(
            Prompt(
                text=f"Addition {level} of {len(plan.additions)}: add {_litres(spike.volume)} of the "
                f"{_concentration(float(spike.concentration), plan.concentration_unit)} standard of {plan.analyte}."
            )
        )
        made += _measured(plan, "addition", level)
    return tuple(made)


def evaluate(
    plan: AdditionPlan,
    signals: ArrayLike,
    *,
    interval: Interval = "fieller",
    confidence: float = 0.95,
) -> AdditionResult:
    """Evaluate a plan that was carried out: one signal for each measure step, in their order.

    Raises AnalysisError when the number of signals is not that of the measure steps.
    """
    values = np.asarray(signals, dtype=np.float64)
    measures = [step for step in steps(plan) if isinstance(step, Measure)]
    if values.shape != (len(measures),):
        raise AnalysisError(f"The plan has {len(measures)} measurements, and {values.size} signals were given.")
    groups: dict[int | None, list[float]] = {}
    for step, value in zip(measures, values, strict=True):
        groups.setdefault(step.level, []).append(float(value))
    return standard_addition(
        plan.added,
        [groups[level] for level in range(len(plan.additions) + 1)],
        volume_ratio=plan.volume_ratio,
        blank_signals=groups.get(None),
        dilution=Measured(plan.dilution, plan.dilution_uncertainty),
        weighting=plan.weighting,
        interval=interval,
        confidence=confidence,
    )


def _measured(
    plan: AdditionPlan, solution: Literal["blank", "sample", "addition"], level: int | None
) -> Sequence[Mix | Measure]:
    name = f"addition {level}" if solution == "addition" else solution
    mixing = [Mix(duration=plan.mixing_time)] if plan.mixing_time > 0 else []
    return [
        *mixing,
        *(
            Measure(
                solution=solution,
                level=level,
                replicate=replicate,
                added=0.0 if level is None else float(plan.added[level]),
                label=f"{name}, replicate {replicate} of {plan.replicates}",
            )
            for replicate in range(1, plan.replicates + 1)
        ),
    ]


def _diluted(plan: AdditionPlan) -> str:
    return " diluted" if plan.dilution != 1 else ""


def _litres(volume: float) -> str:
    return show(volume * 1000, "L")


def _concentration(value: float, unit: ConcentrationUnit) -> str:
    return show(value / 1000, "mol") + "/L" if unit == "mol/m3" else show(value, "g") + "/L"
