"""luggin sequence: begin a sequence, watch it, answer its prompts, steer it."""

import argparse
import asyncio
import json
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, pick_instrument, with_remote

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Reply, SequenceState

HELP = "methods in order, repeated, at intervals, with prompts and checks: begin a sequence, watch it, steer it"
_STEERING = ("hold", "unhold", "skip", "stop", "abort")
_ENDS = {"Complete": exits.OK, "Stopped": exits.OK, "Aborted": exits.ABORTED}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="FILE", nargs="?", help="sequence file, TOML or JSON; without one, the sequence that is on"
    )
    parser.add_argument("-i", "--instrument", metavar="NAME", help="which instrument; its only one by default")
    steer = parser.add_mutually_exclusive_group()
    steer.add_argument("--check", action="store_true", help="only say whether the file is valid")
    steer.add_argument("--detach", action="store_true", help="return once it has begun")
    steer.add_argument("--follow", action="store_true", help="watch the sequence that is on")
    for verb, words in (
        ("hold", "let the present run end, then wait"),
        ("unhold", "go on"),
        ("skip", "leave the present step; a run is stopped in order"),
        ("stop", "stop the present run in order, and end"),
        ("abort", "abort the present run, and end"),
    ):
        steer.add_argument(f"--{verb}", action="store_true", help=words)
    steer.add_argument("--answer", metavar="WORDS", nargs="?", const="", help="what the prompt asks for is done")
    parser.add_argument("--json", action="store_true", help="print the state as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    steering = next((verb for verb in _STEERING if getattr(args, verb)), "answer" if args.answer is not None else None)
    if args.file is None and (args.check or args.detach):
        raise CliError("name a sequence file", exits.USAGE)
    if args.file is not None and (steering or args.follow):
        raise CliError(f"--{steering or 'follow'} is for the sequence that is on; leave the file out", exits.USAGE)
    document: dict[str, Any] | None = None
    if args.file is not None:
        from luggin.daemon.cli.sequence_file import read_sequence

        sequence = read_sequence(args.file)
        if args.check:
            print(f"{args.file}: valid sequence {sequence.name!r}; methods: {', '.join(sequence.methods)}")
            return exits.OK
        document = sequence.model_dump(mode="json", exclude_none=True)
    return with_remote(args, lambda remote: _run(remote, args, document, steering))


async def _run(
    remote: "Remote", args: argparse.Namespace, document: dict[str, Any] | None, steering: str | None
) -> int:
    instrument = await pick_instrument(remote, args.instrument)
    if document is not None:
        await begin(remote, instrument, document)
    elif steering is not None:
        accepted(await _steer(remote, instrument, steering, args.answer))
    if (document is None and steering is None and not args.follow) or args.detach or steering is not None:
        _print(await remote.sequence(instrument), args.json)
        return exits.OK
    return await follow(remote, instrument, lambda state: _print(state, args.json), answering=not args.json)


async def _steer(remote: "Remote", instrument: str, verb: str, words: str | None) -> "Reply":
    if verb == "answer":
        state = await remote.sequence(instrument)
        if state.prompt is None:
            raise CliError("nobody is asked for anything now; look at `luggin sequence`")
        return await with_token(remote, instrument, "answer", prompt=state.prompt, words=words or "")
    if verb == "unhold":
        return await with_token(remote, instrument, "sequence-unhold")
    return await remote.ask(instrument, f"sequence-{verb}")


async def with_token(remote: "Remote", instrument: str, verb: str, **fields: Any) -> "Reply":
    """An order that has to be fresh; once more when the token was renewed while ours was on its way."""
    token = (await remote.state(instrument)).token
    reply = await remote.ask(instrument, verb, token=token, **fields)
    if not reply.accepted and not reply.problems and "token" in reply.sentence:
        token = (await remote.state(instrument)).token
        reply = await remote.ask(instrument, verb, token=token, **fields)
    return reply


async def begin(remote: "Remote", instrument: str, document: Mapping[str, Any]) -> None:
    """Begin a sequence, and wait until what is known of the instrument's sequence is of this one."""
    reply = await with_token(remote, instrument, "sequence", sequence=document)
    accepted(reply)
    while (await remote.sequence(instrument)).sequence != reply.data["sequence"]:
        await remote.changed()


def accepted(reply: "Reply") -> None:
    if not reply.accepted:
        code = exits.BAD_DOCUMENT if reply.problems else exits.FAILED
        raise CliError("\n  ".join([reply.sentence, *reply.problems]), code)


async def follow(
    remote: "Remote",
    instrument: str,
    tell: Callable[["SequenceState"], None],
    *,
    answering: bool,
    until_held: bool = False,
) -> int:
    """Until the sequence is over, or held where that is asked for.

    On a terminal a prompt is answered with the return key, when `answering`.
    """
    said: tuple[object, ...] = ()
    asked: asyncio.Task[str] | None = None
    try:
        while True:
            state = await remote.sequence(instrument)
            now = (state.status, state.doing, state.run, state.prompt, state.reason, state.turns)
            if now != said:
                said = now
                tell(state)
                if asked is not None and state.prompt is None:
                    asked.cancel()
                    asked = None
            if state.status is None or (state.status in _ENDS and state.doing != "evaluating"):
                return _ENDS.get(str(state.status), exits.OK)
            if state.status == "Held" and until_held:
                return exits.FAILED
            if state.prompt is not None and asked is None and sys.stdin.isatty() and answering:
                asked = asyncio.create_task(_typed(), name="keyboard")
            if asked is not None and asked.done():
                words, asked = asked.result(), None
                reply = await with_token(remote, instrument, "answer", prompt=state.prompt, words=words)
                if not reply.accepted:
                    print(reply.sentence, file=sys.stderr)
            await remote.changed()
    finally:
        if asked is not None:
            asked.cancel()


async def _typed() -> str:
    """A line from the terminal, without a thread that nobody could end."""
    loop, line = asyncio.get_running_loop(), asyncio.Event()
    print("  press Return when it is done (or write a remark): ", end="", flush=True)
    loop.add_reader(sys.stdin, line.set)
    try:
        await line.wait()
    finally:
        loop.remove_reader(sys.stdin)
    return sys.stdin.readline().strip()


def _print(state: "SequenceState", as_json: bool) -> None:
    if as_json:
        print(json.dumps(state.model_dump(mode="json")), flush=True)
        return
    if state.sequence is None:
        print("no sequence is on", flush=True)
        return
    import time

    parts = [f"{state.sequence}  {state.status}"]
    if state.turns:
        parts.append("turn " + ".".join(str(turn + 1) for turn in state.turns))
    if state.label:
        parts.append(state.label)
    if state.run:
        parts.append(f"run {state.run}")
    if state.due is not None:
        parts.append("next at " + time.strftime("%d %b %H:%M:%S", time.localtime(state.due)))
    print("  ".join(parts) + f"\n  {state.reason}", flush=True)
