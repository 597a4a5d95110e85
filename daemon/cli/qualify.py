"""luggin qualify: is an instrument, on a dummy cell, or an electrode, in a redox probe, fit for use?"""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, pick_instrument, with_remote

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.fitness.dummy_routine import Routine
    from luggin.protocol.payloads import Evaluation, SequenceState
    from luggin.protocol.program import Frozen

HELP = "qualify an instrument on a dummy cell, or an electrode in a redox probe: what is measured, against bounds"
Model = TypeVar("Model", bound="Frozen")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("instrument", metavar="INSTRUMENT", help="instrument, as `luggin instruments` lists it")
    against = parser.add_mutually_exclusive_group(required=True)
    against.add_argument(
        "--cell", metavar="DUMMY", help="dummy cell: a name (dummy-r-rc ...), or a file with its parts"
    )
    against.add_argument("--electrode", metavar="NAME", help="qualify this electrode in a redox probe")
    parser.add_argument(
        "--probe", metavar="PROBE", default="hexacyanoferrate-iii", help="redox probe: a name, or a file"
    )
    parser.add_argument("--area", metavar="AREA", help="area of the electrode; the configured one by default")
    parser.add_argument("--valid-for", metavar="DURATION", help="how long the outcome holds (default: 30 d)")
    parser.add_argument("--connected", action="store_true", help="what is asked for stands in the place of the cell")
    parser.add_argument("--plan", action="store_true", help="only print the sequence that would be run, as JSON")
    parser.add_argument("--json", action="store_true", help="print nothing but the evaluation, as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    return with_remote(args, lambda remote: _run(remote, args))


async def _run(remote: "Remote", args: argparse.Namespace) -> int:
    from luggin.daemon.cli.sequence import accepted, begin, follow, with_token

    instrument = await pick_instrument(remote, args.instrument)
    described = await remote.ask(instrument, "describe")
    if not described.accepted:
        raise CliError(described.sentence, exits.NOT_REACHABLE)
    routine = _routine(args, described.data)
    if args.plan:
        print(json.dumps(routine.document, indent=2))
        return exits.OK
    if not (args.connected or sys.stdin.isatty()):
        prompt = routine.document["steps"][0]["prompt"]
        raise CliError(f"{prompt} Then say so with --connected: the instrument will drive it.", exits.USAGE)
    await begin(remote, instrument, routine.document)
    if args.connected:
        state = await _prompted(remote, instrument)
        words = "said to be connected at the command line"
        accepted(await with_token(remote, instrument, "answer", prompt=state.prompt, words=words))
    code = await follow(
        remote,
        instrument,
        lambda state: None if args.json else _tell(state),
        answering=not args.connected,
        until_held=True,
    )
    state = await remote.sequence(instrument)
    if state.status == "Held":  # what is left of it would tell nothing
        await remote.ask(instrument, "sequence-stop")
        raise CliError(f"the qualification was given up: {state.reason}", exits.FAILED)
    if not state.evaluation:
        raise CliError(f"{state.sequence} is {state.status}: {state.reason}", code or exits.FAILED)
    return await _report(remote, state.evaluation, args.json)


async def _prompted(remote: "Remote", instrument: str) -> "SequenceState":
    """Once the sequence that was begun asks for what is to be connected."""
    while (state := await remote.sequence(instrument)).prompt is None:
        await remote.changed()
    return state


def _tell(state: "SequenceState") -> None:
    if state.doing not in ("starting", "evaluating"):
        print(f"  {state.reason}", flush=True)


async def _report(remote: "Remote", name: str, as_json: bool) -> int:
    from luggin.daemon.cli.evaluations import fetch_evaluation

    made = await fetch_evaluation(remote, name)
    if as_json:
        print(json.dumps(made.model_dump(mode="json"), indent=2))
    else:
        print("\n".join(page(made)))
    return exits.OK if (made.body or {}).get("passed") else exits.FAILED


def page(made: "Evaluation") -> "Iterator[str]":
    """A qualification in words: its items with value, bounds and verdict."""
    from luggin.daemon.cli.words import aligned, moment
    from luggin.protocol.fitness.results import QualificationBody

    body = QualificationBody.model_validate(made.body)
    yield f"{made.subject} against {body.against}: {'PASSED' if body.passed else 'NOT PASSED'}"
    rows = [("quantity", "value", "from", "to", "")]
    rows += [
        (
            each.name,
            _shown(each.value, each.unit),
            _shown(each.low, each.unit),
            _shown(each.high, each.unit),
            ("passed" if each.passed else "FAILED") + (f": {each.note}" if each.note else ""),
        )
        for each in body.items
    ]
    yield from aligned(rows)
    for sentence in body.left_out:
        yield f"  not looked at: {sentence}"
    for sentence in made.warnings:
        if not sentence.startswith("not looked at") and " has not passed" not in sentence:
            yield f"  note: {sentence}"
    until = "" if made.expires is None else f", holds until {moment(made.expires)}"
    yield f"  {made.name}, asked by {made.asked_by}{until}"


def _shown(value: float | None, unit: str) -> str:
    from luggin.protocol.quantity import show

    return "-" if value is None else show(float(f"{value:.5g}"), unit)


def _routine(args: argparse.Namespace, described: "Mapping[str, Any]") -> "Routine":
    from luggin.protocol.capability import Capability
    from luggin.protocol.fitness.dummy import DUMMY_CELLS, DummyCell
    from luggin.protocol.fitness.dummy_routine import Place, dummy_routine
    from luggin.protocol.fitness.probe import REDOX_PROBES, RedoxProbe
    from luggin.protocol.fitness.probe_routine import probe_routine

    capability = Capability.model_validate(described["capability"])
    valid_for = None if args.valid_for is None else _quantity("--valid-for", args.valid_for, "s")
    if args.cell is not None:
        place = Place(described["reference"])
        return dummy_routine(capability, _given(args.cell, DUMMY_CELLS, DummyCell, "dummy cell"), place, valid_for)
    probe = _given(args.probe, REDOX_PROBES, RedoxProbe, "redox probe")
    configured = described["area"] if args.electrode == described["electrode"] else None
    area = configured if args.area is None else _quantity("--area", args.area, "m2")
    if " ".join(probe.reference.casefold().split()) != " ".join(str(described["reference"]).casefold().split()):
        raise CliError(
            f"the probe {probe.name} is given against {probe.reference}, and {described['reference']} stands in the"
            " cell; write a probe file with the potentials against it (--probe FILE)",
            exits.BAD_DOCUMENT,
        )
    place = Place(described["reference"], args.electrode, area)
    return probe_routine(capability, probe, place, valid_for)


def _given(name: str, known: "Mapping[str, Model]", model: "type[Model]", what: str) -> "Model":
    """One that is known by name, or one from a file.  Raises CliError listing every wrong field."""
    from pydantic import ValidationError

    from luggin.protocol import document
    from luggin.protocol.problem import DocumentError, from_validation

    if name in known:
        return known[name]
    path = Path(name)
    if not path.is_file():
        raise CliError(f"{name} is no file and no {what} known by name; known are {', '.join(known)}", exits.USAGE)
    try:
        return model.model_validate(document.read(path.read_bytes()[: document.MOST_BYTES + 1], name))
    except DocumentError as error:
        problems = list(error.problems)
    except ValidationError as error:
        problems = from_validation(error)
    raise CliError("\n  ".join([f"{name} is no valid {what}:", *map(str, problems)]), exits.BAD_DOCUMENT)


def _quantity(option: str, text: str, unit: str) -> float:
    from luggin.protocol.quantity import QuantityError, parse

    try:
        return parse(text, unit)
    except QuantityError as error:
        raise CliError(f"{option}: {error}", exits.USAGE) from None
