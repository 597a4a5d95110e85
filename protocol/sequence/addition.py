"""A standard addition as a plan: what an operator puts together and adds, and when the instrument measures.

It becomes a sequence, which is carried out as any other: prompts with the cell off, waits for mixing, runs, and the
evaluation of them all.
"""

from collections.abc import Iterator, Mapping
from typing import Any, Literal, Self

from pydantic import Field, ValidationError, model_validator

from luggin.protocol.document import bounded
from luggin.protocol.evaluation import after_run
from luggin.protocol.evaluation.addition_settings import BLANK, SAMPLE, StandardAddition, label_of
from luggin.protocol.evaluation.concentrations import shown
from luggin.protocol.evaluation.peak_settings import Peaks
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.quantity import Duration, Volume, show
from luggin.protocol.sequence.document import MOST_DEPTH, SequenceDocument, parse

CAUTION = (
    "Wear gloves and eye protection and follow the safety data sheets of sample, electrolyte and standard and your "
    "local rules; if in doubt, ask a person qualified for this work. Reach into the cell only while it is shown as off."
)
EXAMPLE = """\
version = 1
name = "column-outlet"
notes = "Invented example: paracetamol in the effluent of a treatment column"
sample = "column outlet"
analyte = "paracetamol"           # as the method's [evaluation] names it
signal = "height"                 # or "area"; or a quantity of the runs by name
method = "dpv.toml"               # a file beside this one, or a table

sample_volume = "10 mL"           # put into the cell
electrolyte_volume = "10 mL"      # with it
dilution = 1                      # of the sample beforehand
mixing_time = "20 s"
replicates = 3
blank = false                     # true: the electrolyte alone is measured first
cell_volume = "25 mL"             # what the cell can hold

[[additions]]
volume = "50 uL"
concentration = "4 mmol/L"        # of the standard; "600 mg/L" is understood as well

[[additions]]
volume = "50 uL"
concentration = "4 mmol/L"

[[additions]]
volume = "50 uL"
concentration = "4 mmol/L"
"""
EXAMPLE_METHOD = """\
version = 1
name = "paracetamol-dpv"
technique = "differential-pulse-voltammetry"
notes = "Invented example"

[setup]
electrode = "gc-3"
reference = "Ag/AgCl (3 M KCl)"
area = "7.07 mm2"

[ranging]
lower = "1 uA"
upper = "100 uA"
initial = "10 uA"

[[phases]]
phase = "settle"
duration = "5 s"

[[phases]]
phase = "measure"
initial_potential = "0.1 V"
final_potential = "0.7 V"
step = "5 mV"
pulse_amplitude = "50 mV"
pulse_width = "50 ms"
period = "200 ms"
sampling_window = "20 ms"

[[evaluation]]
kind = "peaks"
analytes = [{ name = "paracetamol", window = ["0.3 V", "0.6 V"] }]
"""
_METHOD = "measure"


class AdditionPlan(StandardAddition):
    """The plan: what is evaluated, the `method` that each run executes, and what happens in between.

    `mixing_time` (s) is waited after each change of the solution, with the cell off.  `cell_volume` (m3), if given, is
    what the cell can hold.
    """

    version: Literal[1]
    notes: str = Field("", max_length=2000)
    sample: str | None = Field(None, min_length=1, max_length=128)
    method: dict[str, Any]
    mixing_time: Duration = Field(ge=0, le=3600)
    cell_volume: Volume | None = Field(None, gt=0, le=1.0)

    @model_validator(mode="after")
    def _fits_the_cell(self) -> Self:
        filled = self.volumes[-1]
        if self.cell_volume is not None and filled > self.cell_volume:
            raise ValueError(
                f"the plan fills {_litres(filled)} into a cell_volume of {_litres(self.cell_volume)}; "
                "take less sample or smaller additions"
            )
        return self

    @property
    def settings(self) -> dict[str, Any]:
        """Those of the evaluation."""
        return self.model_dump(mode="json", include=set(StandardAddition.model_fields), exclude_none=True)


def read_plan(document: Mapping[str, Any]) -> AdditionPlan:
    """Read a plan whose method stands in it; raises DocumentError that names every wrong field at once."""
    bounded(dict(document), "plan", MOST_DEPTH)
    try:
        return AdditionPlan.model_validate(dict(document))
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None


def compiled(plan: AdditionPlan) -> SequenceDocument:
    """The sequence that carries the plan out.  Raises DocumentError where its method can't be used for it."""
    steps: list[dict[str, Any]] = [{"prompt": CAUTION}]
    for label, words in _solutions(plan):
        steps.append({"prompt": words})
        steps += [{"wait": plan.mixing_time}] if plan.mixing_time > 0 else []
        sample = {} if plan.sample is None else {"sample": plan.sample}
        steps.append({"run": _METHOD, "times": plan.replicates, "label": label, **sample})
    try:
        sequence = parse(
            {
                "version": 1,
                "name": plan.name,
                "notes": plan.notes,
                "methods": {_METHOD: plan.method},
                "steps": steps,
                "evaluation": plan.settings,
            }
        )
    except DocumentError as error:
        raise DocumentError(_in_words_of_the_plan(error)) from None
    _check_analyte(plan)
    return sequence


def _solutions(plan: AdditionPlan) -> Iterator[tuple[str, str]]:
    """Label and instruction of every solution that is measured, in order."""
    sample, electrolyte = _litres(plan.sample_volume), _litres(plan.electrolyte_volume)
    dilute = f"Dilute the sample {plan.dilution:.6g} times. " if plan.dilution != 1 else ""
    taken = f"{sample} of the {'diluted ' if dilute else ''}sample"
    if plan.blank:
        yield BLANK, f"Put {electrolyte} of supporting electrolyte into the clean cell."
        yield SAMPLE, f"{dilute}Add {taken}."
    elif plan.electrolyte_volume > 0:
        yield SAMPLE, f"{dilute}Put {taken} and {electrolyte} of supporting electrolyte into the clean cell."
    else:
        yield SAMPLE, f"{dilute}Put {taken} into the clean cell."
    for level, spike in enumerate(plan.additions, 1):
        standard = f"{shown(float(spike.concentration), plan.concentration_unit, 6)} standard of {plan.analyte}"
        words = f"Addition {level} of {len(plan.additions)}: add {_litres(spike.volume)} of the {standard}."
        yield label_of(level), words


def _check_analyte(plan: AdditionPlan) -> None:
    """A signal of a peak needs a method that says where the analyte's peak is."""
    if not plan.of_a_peak:
        return
    named = [analyte.name for each in after_run(plan.method) if isinstance(each, Peaks) for analyte in each.analytes]
    if plan.analyte not in named:
        remedy = f'add [[evaluation]] kind = "peaks", analytes = [{{ name = "{plan.analyte}", window = [...] }}]'
        known = f"it names {', '.join(named)}" if named else "it names none"
        reason = f"the method does not say where the peak of {plan.analyte} is; {known}"
        raise DocumentError([Problem("method.evaluation", None, reason, remedy)])


def _in_words_of_the_plan(error: DocumentError) -> Iterator[Problem]:
    for problem in error.problems:
        field = problem.field.replace(f"methods.{_METHOD}", "method").removeprefix("evaluation.")
        yield Problem(field, problem.value, problem.reason, problem.allowed)


def _litres(volume: float) -> str:
    return show(volume * 1000, "L")
