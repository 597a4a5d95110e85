"""A store of its own with copies of runs that a daemon elsewhere holds, for as long as a command needs it."""

import argparse
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli.evaluations import fetch_evaluation
from luggin.daemon.cli.reach import with_remote
from luggin.daemon.cli.source import fetch_told

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.daemon.store import RunTexts


@contextmanager
def copied(args: argparse.Namespace, names: list[str]) -> Iterator[Path]:
    """The path of a store that holds the named runs, with the daemon's own texts, hashes, points and evaluations."""
    with tempfile.TemporaryDirectory(prefix="luggin-") as folder:
        path = Path(folder) / "runs.sqlite"
        with_remote(args, lambda remote: _copy(remote, path, list(dict.fromkeys(names))))
        yield path


async def _copy(remote: "Remote", path: Path, names: list[str]) -> None:
    from luggin.daemon.store.transcript import transcribe
    from luggin.protocol.points import batch

    for name in names:
        told = await fetch_told(remote, name)
        points = [
            batch(name, each.boot, each.first, each.columns) async for each in remote.points(name, 0, int(told["end"]))
        ]
        made = [await fetch_evaluation(remote, each) for each in reversed(await _evaluations(remote, name))]
        transcribe(path, _texts(told), points, made)


async def _evaluations(remote: "Remote", run: str) -> list[str]:
    """Names of the run's evaluations, newest first."""
    from luggin.protocol import topics

    names: list[str] = []
    while True:
        before = names[-1] if names else ""
        reply = await remote.ask(topics.STORE, "evaluations", run=run, limit=500, before=before)
        if not reply.data["evaluations"]:
            return names
        names += [each["name"] for each in reply.data["evaluations"]]


def _texts(told: dict[str, Any]) -> "RunTexts":
    """What was hashed, made again from what the daemon told."""
    from luggin.daemon.store import RunTexts, chain
    from luggin.daemon.store.locate import run_scope

    header, scope = chain.canonical(told["header"]), run_scope(told["header"]["run"])
    fields = ("number", "kind", "sentence", "data", "utc")
    events = tuple(
        (each["number"], chain.event_text(scope, *(each[name] for name in fields)), bytes.fromhex(each["hash"]))
        for each in told["events"]
    )
    result = None if told["result"] is None else chain.canonical(told["result"])
    digest = None if told["hash"] is None else bytes.fromhex(told["hash"])
    return RunTexts(header, chain.start(header), events, result, told["seal"], told["sealed_events"], digest)
