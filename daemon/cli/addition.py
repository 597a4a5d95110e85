"""luggin addition: a standard addition by a plan: prompts, waits, runs, and the result."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.calibrate import add_shared_arguments, given, read_settings
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Evaluation, SequenceState
    from luggin.protocol.sequence.addition import AdditionPlan
    from luggin.protocol.sequence.document import SequenceDocument

HELP = "a standard addition by a plan: asks for each addition, measures, and computes the concentration"
_KIND = "standard-addition"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", nargs="?", help="plan, TOML or JSON")
    parser.add_argument("-i", "--instrument", metavar="NAME", help="which instrument; its only one by default")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--check", action="store_true", help="only say whether the plan is valid, and what it asks for")
    what.add_argument("--compile", action="store_true", help="only print the sequence that it becomes, as JSON")
    what.add_argument("--detach", action="store_true", help="return once it has begun; see `luggin sequence`")
    what.add_argument("--example", action="store_true", help="print a plan to edit")
    what.add_argument("--example-method", action="store_true", help="print the method that this plan names")
    what.add_argument("--evaluate", nargs="+", metavar="RUN", help="measure nothing: evaluate these runs by the plan")
    add_shared_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if args.example or args.example_method:
        from luggin.protocol.sequence.addition import EXAMPLE, EXAMPLE_METHOD

        print(EXAMPLE if args.example else EXAMPLE_METHOD, end="")
        return exits.OK
    if args.file is None:
        raise CliError("name a plan; `luggin addition --example` prints one to edit", exits.USAGE)
    plan, sequence = read_plan(args.file, given(args, ()))
    if args.check and not args.json:
        _tell_plan(args.file, plan, sequence)
        return exits.OK
    if args.compile or args.check:
        print(json.dumps(sequence.model_dump(mode="json", exclude_none=True), indent=2))
        return exits.OK
    if args.evaluate is not None:
        from luggin.daemon.cli.evaluations import make

        return report(make(args, _KIND, args.evaluate, plan.settings), args)
    from luggin.daemon.cli.reach import with_remote

    if args.store is not None:
        raise CliError(
            "--store goes with --evaluate; a plan is carried out by a daemon, with its own store", exits.USAGE
        )
    return with_remote(args, lambda remote: _carry_out(remote, args, sequence))


def read_plan(path: str, changes: dict[str, Any]) -> "tuple[AdditionPlan, SequenceDocument]":
    """A valid plan, its method from a file beside it or in it, and what it becomes.  Raises CliError."""
    from luggin.daemon.cli.methods import read_method
    from luggin.protocol.problem import DocumentError
    from luggin.protocol.sequence import addition

    found = {**read_settings(path), **changes}
    if isinstance(found.get("method"), str):
        found["method"] = read_method(str(Path(path).parent / found["method"]))[0].document()
    try:
        plan = addition.read_plan(found)
        return plan, addition.compiled(plan)
    except DocumentError as error:
        count = len(error.problems)
        head = f"{path} is no valid plan; {count} problem{'s' * (count > 1)}:"
        raise CliError("\n  ".join([head, *map(str, error.problems)]), exits.BAD_DOCUMENT) from None


def report(made: "Evaluation", args: argparse.Namespace) -> int:
    from luggin.daemon.cli.results import plot, show

    if args.plot is not None:
        plot(made, args.plot)
    show(made, args.json)
    return exits.OK


async def _carry_out(remote: "Remote", args: argparse.Namespace, sequence: "SequenceDocument") -> int:
    from luggin.daemon.cli.evaluations import fetch_evaluation
    from luggin.daemon.cli.reach import pick_instrument
    from luggin.daemon.cli.sequence import begin, follow

    instrument = await pick_instrument(remote, args.instrument)
    document = sequence.model_dump(mode="json", exclude_none=True)
    await begin(remote, instrument, document)
    if args.detach:
        print(f"begun; `luggin sequence -i {instrument} --follow` watches it, --answer answers its prompts")
        return exits.OK
    code = await follow(remote, instrument, lambda state: tell(state, args.json), answering=not args.json)
    state = await remote.sequence(instrument)
    if not state.evaluation:
        raise CliError(f"{state.sequence} is {state.status}: {state.reason}", code or exits.FAILED)
    return report(await fetch_evaluation(remote, state.evaluation), args)


def tell(state: "SequenceState", as_json: bool) -> None:
    """A line for what it is doing now; beside JSON, what a person is asked for goes to stderr."""
    if state.prompt is not None:
        print(f"> {state.reason}", file=sys.stderr if as_json else sys.stdout, flush=True)
    elif as_json:
        return
    elif state.doing == "running":
        print(f"  {state.label}: run {state.run}", flush=True)
    elif state.doing == "waiting":
        print("  mixing; the cell is off", flush=True)
    elif state.status != "Execute":
        print(f"  {state.reason}", flush=True)


def _tell_plan(path: str, plan: "AdditionPlan", sequence: "SequenceDocument") -> None:
    from luggin.protocol.evaluation.concentrations import shown
    from luggin.protocol.sequence.document import PromptStep, RunStep

    print(f"{path}: valid plan {plan.name!r}, {plan.analyte}; {plan.replicates} runs of each solution")
    for step in sequence.steps:
        if isinstance(step, PromptStep):
            print(f"  > {step.prompt}")
        elif isinstance(step, RunStep):
            print(f"    {step.label}: {step.times} runs")
    most = shown(plan.added[-1], plan.concentration_unit)
    print(f"  In all {most} is added, per volume of the sample taken; the sample should hold about as much or less.")
