"""luggin delete, restore and purge: taking a run out of sight, back again, or out of the store for good."""

import argparse
import asyncio
import json
import sys
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.protocol.payloads import Command


@dataclass(frozen=True)
class Removal:
    """A subcommand for one run.  `asks` is what a person is asked first, `reasoned` whether a reason is needed."""

    verb: str
    HELP: str
    asks: str = ""
    reasoned: bool = False

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("run_id", metavar="RUN", help="run, as `luggin runs` lists it")
        if self.reasoned:
            parser.add_argument("--reason", metavar="TEXT", help="why; it is recorded with your name")
        if self.asks:
            parser.add_argument("--yes", action="store_true", help="don't ask again")
        parser.add_argument("--json", action="store_true", help="print the result as JSON")
        parser.add_argument("--store", metavar="FILE", help="the store; the daemon's on this machine by default")
        parser.add_argument("--node", metavar="NAME", help="which daemon, where several run on this machine")

    def run(self, args: argparse.Namespace) -> int:
        order = {"run": args.run_id}
        if self.asks and not args.yes:
            _typed_again(self.asks, args.run_id)
        if self.reasoned:
            order["reason"] = args.reason or _asked_reason(args.yes)
        sentence = _asked(args, self.verb, order)
        print(json.dumps({"run": args.run_id, "sentence": sentence}) if args.json else sentence)
        return exits.OK


def _typed_again(question: str, run: str) -> None:
    if not sys.stdin.isatty():
        raise CliError("nobody is there to be asked again; in a script say --yes", exits.USAGE)
    if input(f"{question} Type its name to go on: ").strip() != run:
        raise CliError("that is not its name; nothing was done")


def _asked_reason(scripted: bool) -> str:
    reason = "" if scripted else input("Why? ").strip()
    if not reason:
        raise CliError("say why with --reason", exits.USAGE)
    return reason


def _asked(args: argparse.Namespace, verb: str, order: dict[str, Any]) -> str:
    """By the daemon that has the store, which is then its only writer, or here when none has."""
    from luggin.daemon.cli.source import local_store

    path = local_store(args)
    if not path.is_file():
        raise CliError(f"there is no store at {path}; name it with --store", exits.NOT_REACHABLE)
    return carry_out(args, path, verb, order)


def carry_out(args: argparse.Namespace, path: Path, verb: str, order: dict[str, Any]) -> str:
    """The sentence that says what was done to the store at `path`.  Raises CliError."""
    from luggin.daemon.cli.local_socket import ask, find_socket
    from luggin.daemon.store import StoreError, StoreInUse

    command = _command(verb, order)
    try:
        return asyncio.run(_here(path, command))
    except StoreInUse as error:
        in_use = str(error)
    except StoreError as error:
        raise CliError(str(error)) from None
    door = find_socket(args.node)
    reply = ask(door, {"verb": verb, "command": {"request": uuid.uuid4().hex, **order}}, _WITHIN) if door else None
    if reply is None:
        raise CliError(f"{in_use}; it can't be reached over its socket, which only its own user may enter")
    if not reply.accepted:
        raise CliError(reply.sentence)
    return reply.sentence


def _command(verb: str, order: dict[str, Any]) -> "Command":
    from pydantic import ValidationError

    from luggin.protocol.payloads import LOCAL_ORDERS
    from luggin.protocol.problem import from_validation

    try:
        return LOCAL_ORDERS[verb].model_validate({"request": "here", **order})
    except ValidationError as error:
        raise CliError("; ".join(map(str, from_validation(error))), exits.USAGE) from None


async def _here(path: Path, command: "Command") -> str:
    import getpass

    from luggin.daemon.housekeeping import keep_house
    from luggin.daemon.store import Store

    async with Store.open(path) as store:
        return await keep_house(store, command, getpass.getuser())


_WITHIN = 600.0  # s; a long run is purged in many slices
DELETE = Removal(
    "delete",
    "take a run out of lists, exports and publication; `luggin restore` brings it back",
    "This run will be counted as deleted.",
    reasoned=True,
)
RESTORE = Removal("restore", "bring a deleted run back (how to go back to a backup, `luggin backup` says)")
PURGE = Removal(
    "purge",
    "take a deleted run out of the store for good: nothing brings it back",
    "This run will be gone for good.",
)
