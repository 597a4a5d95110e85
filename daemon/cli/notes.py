"""Keeping a person's words of an electrode: by the daemon that has the store, or here when none has."""

import argparse
import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.evaluations import fetched
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import with_remote
from luggin.daemon.cli.source import store_path

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Evaluation, Reply


def keep_note(args: argparse.Namespace, subject: str, text: str) -> "Evaluation":
    """Store the note with who said so and when.  Raises CliError."""
    from pydantic import ValidationError

    from luggin.daemon.cli.local_socket import ask_locally
    from luggin.daemon.store import StoreError, StoreInUse
    from luggin.protocol.payloads import Note
    from luggin.protocol.problem import from_validation
    from luggin.protocol.topics import STORE

    try:
        Note(request="here", subject=subject, text=text.strip())
    except ValidationError as error:
        raise CliError("; ".join(map(str, from_validation(error))), exits.USAGE) from None
    path = store_path(args)
    if path is not None:
        try:
            return asyncio.run(_keep_here(path, subject, text.strip()))
        except StoreInUse:
            pass
        except StoreError as error:
            raise CliError(str(error), exits.NOT_REACHABLE) from None
        reply = ask_locally(args.node, STORE, "note", subject=subject, text=text.strip())
        if reply is not None:
            return fetched(args, _name(reply))
    return fetched(args, with_remote(args, lambda remote: _ask(remote, subject, text.strip())))


async def _ask(remote: "Remote", subject: str, text: str) -> str:
    from luggin.protocol.topics import STORE

    return _name(await remote.ask(STORE, "note", subject=subject, text=text))


def _name(reply: "Reply") -> str:
    if not reply.accepted:
        raise CliError("\n".join(reply.problems) or reply.sentence)
    return str(reply.data["evaluation"])


async def _keep_here(path: Path, subject: str, text: str) -> "Evaluation":
    """With nobody else writing.  Raises StoreInUse, StoreError."""
    import getpass
    import time
    from importlib.metadata import version

    from luggin.daemon.evaluation.evaluator import note
    from luggin.daemon.store import Store

    async with Store.open(path) as store:
        kept = note(subject, text, f"luggin {version('luggin')}", getpass.getuser(), True, time.time())
        await store.add_evaluation(kept)
        return kept
