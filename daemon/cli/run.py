"""luggin run: start a method on an instrument and watch the curve grow."""

import argparse
import asyncio
import json
import signal
import sys
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, pick_instrument, with_remote

if TYPE_CHECKING:
    from luggin.daemon.cli.follow import Follower
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Reply

HELP = "run a method on an instrument and watch it; Ctrl-C stops the run, twice aborts it"
_LOOK_WITHIN = 180.0  # s; a look at the cell before the run, and its evaluation
_ENDS = {"Complete": exits.OK, "Stopped": exits.OK, "Aborted": exits.ABORTED}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("method", metavar="FILE", nargs="?", help="method file, TOML or JSON")
    parser.add_argument("--like", metavar="RUN", help="repeat the method of a stored run instead")
    parser.add_argument("-i", "--instrument", metavar="NAME", help="which instrument; its only one by default")
    parser.add_argument("--detach", action="store_true", help="return once the run has started")
    parser.add_argument("--json", action="store_true", help="print nothing but the result, as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if (args.method is None) == (args.like is None):
        raise CliError("give either a method file or --like RUN", exits.USAGE)
    document: dict[str, Any] | None = None
    if args.method is not None:
        from luggin.daemon.cli.methods import read_method

        document = read_method(args.method)[0].document()
    return with_remote(args, lambda remote: _run(remote, args, document))


async def _run(remote: "Remote", args: argparse.Namespace, document: dict[str, Any] | None) -> int:
    from luggin.daemon.cli.live import show

    if document is None:
        document = await _method_of(remote, args.like)
    instrument = await pick_instrument(remote, args.instrument)
    early: list[tuple[str, bytes]] = []
    async with remote.watching(lambda topic, payload: early.append((topic, payload))):
        if document.get("pre_flight") is not None and not args.json:
            print("looking at the cell first: open circuit, then a few millivolts", file=sys.stderr)
        reply = await _start(remote, instrument, document)
        if reply.run is None:
            raise CliError(f"{remote.node}/{instrument} accepted the start without naming a run")
        if args.detach:
            print(json.dumps(reply.model_dump(mode="json"), indent=2) if args.json else reply.run)
            return exits.OK
        follower = await show(remote, instrument, reply.run, early, quiet=args.json, ask_to_end=_interrupts())
    return await _report(remote, follower, args.json)


async def _method_of(remote: "Remote", run: str) -> dict[str, Any]:
    from luggin.protocol import topics

    reply = await remote.ask(topics.STORE, "run", run=run)
    if not reply.accepted:
        raise CliError(reply.sentence)
    return dict(reply.data["header"]["method"])


async def _start(remote: "Remote", instrument: str, document: dict[str, Any]) -> "Reply":
    from luggin.daemon.mqtt.remote import ANSWER_TIMEOUT

    token, within = (await remote.state(instrument)).token, ANSWER_TIMEOUT
    if document.get("pre_flight") is not None:
        within += _LOOK_WITHIN + float(document["pre_flight"].get("rest", 0.0))
    reply = await remote.ask(instrument, "start", within, token=token, method=document)
    if not reply.accepted:
        fresh = (await remote.state(instrument)).token
        # A refused start started nothing; the token may just have been renewed while ours was on its way.
        if fresh != token and not reply.problems and "token" in reply.sentence:
            reply = await remote.ask(instrument, "start", within, token=fresh, method=document)
    if not reply.accepted:
        raise CliError(
            "\n  ".join([reply.sentence, *reply.problems]), exits.BAD_DOCUMENT if reply.problems else exits.FAILED
        )
    return reply


def _interrupts() -> "asyncio.Queue[str]":
    """Orders from the keyboard: the first Ctrl-C stops, the second aborts."""
    orders: asyncio.Queue[str] = asyncio.Queue()
    pressed = 0

    def press() -> None:
        nonlocal pressed
        pressed += 1
        orders.put_nowait("stop" if pressed == 1 else "abort")

    asyncio.get_running_loop().add_signal_handler(signal.SIGINT, press)
    return orders


async def _report(remote: "Remote", follower: "Follower", as_json: bool) -> int:
    result = follower.result
    assert result is not None
    if as_json:
        print(json.dumps(result.model_dump(mode="json"), indent=2))
    else:
        print(f"{result.run}: {result.state}, {result.points} points. {result.sentence}")
        for doubt in follower.header.doubts if follower.header is not None else ():
            print(f"  flagged: {doubt}")
        for first, after in result.gaps:
            print(f"  lost: points {first} to {after - 1}")
        if result.cell == "off":
            print("  cell off, confirmed")
        else:
            print(
                f"  CAUTION: the cell is {result.cell}; make sure at the instrument that it is off before you touch it"
            )
        print(f"  luggin plot {result.run} -o curve.png    luggin export {result.run} -o data")
    return _ENDS[result.state] if result.cell == "off" else exits.CELL_UNKNOWN
