"""The method document: what to do, as an ordered list of phases, with limits and ending.

`parse` reports every wrong field at once; `compile_method` turns a method into the program that an instrument
executes.  A method's `document()` is plain data that parses to the same method again, so a run can store it.
"""

import itertools
from typing import Any, Literal

from pydantic import Field, ValidationError

from luggin.protocol import techniques
from luggin.protocol.document import bounded
from luggin.protocol.evaluation import EvaluationSettings, in_method
from luggin.protocol.method_parts import (
    DeadManChoice,
    EndingChoice,
    LimitChoice,
    OpenCircuitChoice,
    PreFlightChoice,
    Preparation,
    RangingChoice,
    Requirements,
    Setup,
)
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.program import (
    LONGEST,
    Block,
    Couple,
    DeadMan,
    Ending,
    Frozen,
    Hold,
    Limit,
    Limits,
    Open,
    OpenCircuitWindow,
    Outputs,
    Program,
    bounds,
)
from luggin.protocol.quantity import (
    Duration,
    show,
)
from luggin.protocol.techniques.open_circuit import settled

PHASES = ("purge", "condition", "deposit", "rest", "settle", "measure", "clean")
_SOFT_MARGIN, _HARD_MARGIN = 0.05, 0.5
_UNCONTROLLED_WINDOW = 10.0
_SPARE_TIME = 60.0
_NO_NUMBERS = "some of its numbers are too large or too small to compute with; look at their units"


class Method(Frozen):
    """A valid method.  `phases` holds preparations and exactly one measurement of the named technique; `evaluation`
    says how its runs are evaluated beside what is usual for the technique, `requires` and `pre_flight` what has to be
    fit before they start."""

    version: Literal[1]
    name: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    technique: str
    notes: str = Field("", max_length=2000)
    setup: Setup
    ranging: RangingChoice = RangingChoice()
    phases: tuple[Preparation | techniques.Measurement, ...] = Field(min_length=1, max_length=32)
    limits: LimitChoice = LimitChoice()
    ending: EndingChoice = EndingChoice()
    open_circuit: OpenCircuitChoice | None = None
    dead_man: DeadManChoice = DeadManChoice()
    longest_hold: Duration = Field(600.0, ge=0, le=LONGEST)
    mains_frequency: Literal[50, 60] = 50
    requires: Requirements | None = None
    pre_flight: PreFlightChoice | None = None
    evaluation: tuple[EvaluationSettings, ...] = ()

    @property
    def measurement(self) -> techniques.Measurement:
        return next(phase for phase in self.phases if isinstance(phase, techniques.Measurement))

    def document(self) -> dict[str, Any]:
        """Plain JSON-able data in SI numbers that parses to this method again."""
        return self.model_dump(mode="json", exclude_none=True, serialize_as_any=True)


def parse(document: dict[str, Any]) -> Method:
    """Validate a method document.  Raises DocumentError listing every wrong field."""
    bounded(document, "method")
    try:
        return _parsed(document)
    except ArithmeticError:
        raise DocumentError([Problem("phases", None, _NO_NUMBERS)]) from None


def _parsed(document: dict[str, Any]) -> Method:
    problems: list[Problem] = []
    technique = techniques.find(str(document.get("technique", "")))
    if technique is None:
        known = ", ".join(techniques.TECHNIQUES)
        reason = "this field is missing" if "technique" not in document else "there is no such technique"
        problems.append(Problem("technique", document.get("technique"), reason, f"known are {known}"))
    phases = _phases(document.get("phases", []), technique, problems)
    evaluation = _evaluation(document.get("evaluation", ()), technique, problems)
    rest = {key: value for key, value in document.items() if key not in ("phases", "technique", "evaluation")}
    # A stand-in keeps the other fields' problems coming while a phase is wrong.
    stand_in = phases or (Preparation(phase="rest", duration=1.0),)
    try:
        method = Method.model_validate(
            {
                **rest,
                "phases": stand_in,
                "technique": technique.name if technique else "",
                "evaluation": evaluation,
            }
        )
    except ValidationError as error:
        problems += from_validation(error)
    if problems:
        raise DocumentError(problems)
    assert technique is not None
    problems += _cross_checks(method, technique)
    if problems:
        raise DocumentError(problems)
    return method


def _phases(
    given: object, technique: techniques.Technique | None, problems: list[Problem]
) -> tuple[Preparation | techniques.Measurement, ...]:
    if not isinstance(given, list | tuple) or not given:
        problems.append(Problem("phases", None, "a method needs a list of phases", "with one phase = measure"))
        return ()
    phases: list[Preparation | techniques.Measurement] = []
    measuring = 0
    for index, each in enumerate(given):
        where = f"phases[{index}]"
        kind = each.get("phase") if isinstance(each, dict) else None
        if kind not in PHASES:
            problems.append(Problem(f"{where}.phase", kind, "there is no such phase", "known are " + ", ".join(PHASES)))
            continue
        measuring += kind == "measure"
        model = Preparation if kind != "measure" else technique.parameters if technique else None
        try:
            if model is not None:
                phases.append(model.model_validate(each))
        except ValidationError as error:
            problems += from_validation(error, where)
    if measuring != 1:
        problems.append(Problem("phases", measuring, "a method has exactly one phase = measure", "add or remove one"))
    return tuple(phases)


def _evaluation(
    given: object, technique: techniques.Technique | None, problems: list[Problem]
) -> tuple[EvaluationSettings, ...]:
    try:
        return in_method(given, technique.name if technique else "")
    except DocumentError as error:
        problems += error.problems
        return ()


def _cross_checks(method: Method, technique: techniques.Technique) -> list[Problem]:
    problems: list[Problem] = []
    closed = rested = False
    before = {phase.phase for phase in itertools.takewhile(lambda p: p.phase != "measure", method.phases)}
    problems += [
        Problem("phases", None, f"{technique.name} needs a {needed} phase", "add it before measure")
        for needed in technique.needs
        if needed not in before
    ]
    if method.requires is not None and method.requires.electrode_qualification and not method.setup.electrode:
        reason = "its qualification is required, and no electrode is named"
        problems.append(Problem("setup.electrode", None, reason, "name it, or leave the requirement out"))
    for index, phase in enumerate(method.phases):
        where = f"phases[{index}].potential"
        if not isinstance(phase, Preparation):
            closed = False
            if phase.relative and not rested:
                reason = "its potentials are versus open circuit, which no phase before it measures"
                problems.append(Problem(f"phases[{index}]", None, reason, "add a rest phase without a potential"))
            if phase.relative and method.open_circuit is None:
                reason = "potentials versus open circuit need a plausible window"
                problems.append(Problem("open_circuit", None, reason, "give low and high"))
            continue
        rested = rested or (phase.potential is None and phase.phase != "settle")
        if phase.end_drift is not None and phase.potential is not None:
            reason = "a drift is measured at open circuit only"
            problems.append(
                Problem(f"phases[{index}].end_drift", phase.end_drift, reason, "remove it or the potential")
            )
        if phase.phase == "settle" and phase.potential is None and method.measurement.starts_at is None:
            problems.append(Problem(where, None, "the measurement has no initial potential to settle at", "give one"))
        if phase.potential is None and phase.phase in ("condition", "deposit", "clean"):
            problems.append(Problem(where, None, f"a {phase.phase} phase needs a potential", "give one"))
        # A film stripped by an open circuit is lost before it is measured.
        if closed and phase.potential is None and phase.phase != "settle":
            reason = "the cell would open between deposition and measurement"
            problems.append(Problem(where, None, reason, "give a potential"))
        closed = closed or phase.phase == "deposit"
        if phase.period > phase.duration:
            allowed = f"at most the phase's duration, {show(phase.duration, 's')}"
            problems.append(Problem(f"phases[{index}].period", phase.period, "longer than the phase", allowed))
    return problems


def compile_method(method: Method) -> Program:
    """The program of a valid method, with the limits that were left out derived from its envelope.

    Raises DocumentError when a stated potential limit lies inside what the method itself asks for, or when the program
    would be larger than any instrument takes.
    """
    try:
        return _compiled(method)
    except ValidationError as error:
        remedy = "choose a shorter or a coarser measurement"
        beyond = [f"the program would be out of bounds: {problem}" for problem in from_validation(error)]
        raise DocumentError(Problem("phases", None, reason, remedy) for reason in beyond) from None
    except ArithmeticError:
        raise DocumentError([Problem("phases", None, _NO_NUMBERS)]) from None


def _compiled(method: Method) -> Program:
    blocks: list[Block] = []
    deposited = False
    for index, phase in enumerate(method.phases):
        if isinstance(phase, Preparation):
            deposited = deposited or phase.phase == "deposit"
            blocks.append(_preparation(phase, index, method.measurement, deposited))
        else:
            blocks += phase.blocks(index)
            deposited = False
    program = Program(
        technique=method.technique,
        blocks=tuple(blocks),
        ranging=method.ranging.compiled(),
        limits=Limits(potential=Limit(), duration=LONGEST),
        ending=Ending(**method.ending.model_dump()),
        dead_man=DeadMan(**method.dead_man.model_dump()),
        open_circuit=None if method.open_circuit is None else OpenCircuitWindow(**method.open_circuit.model_dump()),
        longest_hold=method.longest_hold,
        mains_frequency=method.mains_frequency,
    )
    return program.model_copy(update={"limits": _limits(method, program)})


def _preparation(phase: Preparation, index: int, measurement: techniques.Measurement, deposited: bool) -> Block:
    """One block.  What is `deposited` grows on while an operator holds the run, so there is no hold until it is
    measured."""
    outputs = Outputs(stirrer=phase.stirrer, gas=phase.gas, light=phase.light, rotation_rate=phase.rotation_rate)
    at_start = phase.phase == "settle" and phase.potential is None
    potential = measurement.starts_at if at_start else phase.potential
    segment: Open | Hold = (
        Open(
            duration=phase.duration,
            period=phase.period,
            outputs=outputs,
            until=settled(phase.end_drift, phase.drift_window),
            must_settle=phase.end_drift is not None,
        )
        if potential is None
        else Hold(
            level=potential,
            duration=phase.duration,
            period=phase.period,
            outputs=outputs,
            versus_open_circuit=at_start and measurement.relative,
        )
    )
    pause: Literal["never", "any-time"] = "never" if deposited else "any-time"
    return Block(phase=index, segments=(segment,), pause=pause, on_stop=phase.phase == "clean")


def _limits(method: Method, program: Program) -> Limits:
    extent, choice = bounds(program), method.limits
    if choice.potential is not None:
        potential = Limit(**choice.potential.model_dump())
        problems = []
        if extent.potential_low is not None and extent.potential_low < choice.potential.low:
            problems.append(_too_narrow("low", choice.potential.low, extent.potential_low))
        if extent.potential_high is not None and extent.potential_high > choice.potential.high:
            problems.append(_too_narrow("high", choice.potential.high, extent.potential_high))
        if problems:
            raise DocumentError(problems)
    elif extent.potential_low is None or extent.potential_high is None or _finds_its_potential(program):
        potential = Limit(low=-_UNCONTROLLED_WINDOW, high=_UNCONTROLLED_WINDOW)
    else:
        low, high = extent.potential_low, extent.potential_high
        potential = Limit(
            low=low - _SOFT_MARGIN,
            high=high + _SOFT_MARGIN,
            hard_low=low - _HARD_MARGIN,
            hard_high=high + _HARD_MARGIN,
            persistence=0.1,
        )
    windows = {
        name: Limit(**window.model_dump())
        for name in ("current", "charge", "cell_voltage", "temperature")
        if (window := getattr(choice, name)) is not None
    }
    duration = choice.duration or extent.duration + method.longest_hold + _SPARE_TIME
    return Limits(
        potential=potential, **windows, control_overload=choice.control_overload, duration=min(duration, LONGEST)
    )


def _finds_its_potential(program: Program) -> bool:
    """Whether somewhere the potential follows from the current: the potentials that are applied elsewhere, before, in
    an after-run hold or when the host falls silent, then say nothing of where it may go."""
    return any(
        isinstance(segment, Couple) or (not isinstance(segment, Open) and segment.control == "current")
        for block in program.blocks
        for segment in block.segments
    )


def _too_narrow(edge: str, limit: float, reached: float) -> Problem:
    reason = f"the method itself goes to {show(reached, 'V')}"
    return Problem(f"limits.potential.{edge}", show(limit, "V"), reason, "widen the limit or the method")
