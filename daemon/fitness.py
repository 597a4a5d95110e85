"""Whether what a method requires stands: qualifications, and the look at the cell before it; read from the store."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from luggin.daemon.store import Store, StoreError
from luggin.protocol.method import Method, parse
from luggin.protocol.payloads import Evaluation
from luggin.protocol.problem import DocumentError, Problem
from luggin.protocol.unit.effects import Record

_AHEAD = 60.0
"""Seconds by which an evaluation may lie in the future: clocks are set now and then."""


@dataclass(frozen=True)
class Fitness:
    """`problems` keep a run from starting, `doubts` flag it; `relied` are the evaluations that it relies upon."""

    problems: tuple[Problem, ...] = ()
    doubts: tuple[str, ...] = ()
    relied: tuple[Evaluation, ...] = ()


@dataclass(frozen=True)
class _Need:
    field: str
    kind: str
    subject: str
    unfit: str
    remedy: str


async def fitness(store: Store, instrument: str, method: Method, utc: float, *, pre_flight: bool = True) -> Fitness:
    """How things stand at `utc`; without `pre_flight` it is not asked for, since it is made with the start.

    The newest evaluation decides, so that a failed qualification is not hidden by an older one that passed.
    Raises StoreError.
    """
    problems: list[Problem] = []
    doubts: list[str] = []
    relied: list[Evaluation] = []
    for need in _needs(instrument, method, pre_flight):
        found = await store.evaluations(need.kind, need.subject, limit=1)
        newest = await store.evaluation(found[0].name) if found else None
        reason = _wanting(need, newest, utc)
        if reason is None:
            assert newest is not None
            relied.append(newest)
        elif need.unfit == "refuse":
            problems.append(Problem(need.field, None, reason, need.remedy))
        else:
            doubts.append(f"{reason[0].upper()}{reason[1:]}.")
    return Fitness(tuple(problems), tuple(doubts), tuple(relied))


async def required(store: Store, instrument: str, document: Mapping[str, Any], utc: float, *, started: bool) -> Fitness:
    """The same of a method's document, which is `started` or only looked at.

    One that can't be read is told of when it is admitted; a store that can't tell is a problem.
    """
    if not {"requires", "pre_flight"} & document.keys():
        return Fitness()
    try:
        return await fitness(store, instrument, parse(dict(document)), utc, pre_flight=started)
    except DocumentError:
        return Fitness()
    except StoreError as error:
        reason = f"the store can't say whether what it requires stands: {error}"
        return Fitness(problems=(Problem("requires", None, reason, "try again"),))


def notes(run: str, fit: Fitness) -> Iterator[Record]:
    """What flags a run, and what it relies upon, for its events."""
    for doubt in fit.doubts:
        yield Record(run, "flagged", doubt)
    for each in fit.relied:
        words = f"It relies upon the {each.kind} {each.name} of {each.subject}."
        yield Record(run, "relied-upon", words, {"evaluation": each.name, "runs": list(each.runs)})


def flags(fit: Fitness) -> tuple[str, ...]:
    """What is said of a run that would be flagged."""
    return ("The run would be flagged:", *fit.doubts) if fit.doubts else ()


def _needs(instrument: str, method: Method, pre_flight: bool) -> Iterator[_Need]:
    requires, electrode = method.requires, method.setup.electrode
    if requires is not None and requires.instrument_qualification is not None:
        remedy = f"`luggin qualify {instrument} --cell DUMMY` makes one"
        subject = f"instrument/{instrument}"
        yield _Need(
            "requires.instrument_qualification", "qualification", subject, requires.instrument_qualification, remedy
        )
    if requires is not None and requires.electrode_qualification is not None:
        remedy = f'`luggin qualify {instrument} --electrode "{electrode}"` makes one'
        subject = f"electrode/{electrode}"
        yield _Need(
            "requires.electrode_qualification", "qualification", subject, requires.electrode_qualification, remedy
        )
    if pre_flight and method.pre_flight is not None:
        remedy = "look at the cell and its leads, then start again"
        yield _Need("pre_flight", "pre-flight", f"instrument/{instrument}", method.pre_flight.unfit, remedy)


def _wanting(need: _Need, newest: Evaluation | None, utc: float) -> str | None:
    """Why the newest evaluation is not enough, None when it is."""
    if newest is None:
        return f"{need.subject} has no {need.kind}"
    which = f"the {need.kind} {newest.name} of {need.subject}"
    if newest.utc > utc + _AHEAD:
        return f"{which} lies ahead of this computer's clock"
    if newest.expires is not None and newest.expires <= utc:
        return f"{which} has expired"
    body = newest.body or {}
    if not body.get("passed"):
        return f"{which} has not passed{_because(body)}"
    return None


def _because(body: dict[str, Any]) -> str:
    """Which items have not, the first of them."""
    named = [str(each["name"]) for each in body.get("items", ()) if not each["passed"]]
    told = [str(each["sentence"]) for each in body.get("faults", ())]
    if told:
        return ": " + "; ".join(told)
    more = f" and {len(named) - 3} more" if len(named) > 3 else ""
    return f": {', '.join(named[:3])}{more}" if named else ""
