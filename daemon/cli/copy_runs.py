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
    from luggin.daemon.store import chain
    from luggin.daemon.store.transcript import transcribe
    from luggin.protocol.points import batch

    for name in names:
        told = await fetch_told(remote, name)
        points = [
            batch(name, each.boot, each.first, each.columns) async for each in remote.points(name, 0, int(told["end"]))
        ]
        made = [chain.canonical((await fetch_evaluation(remote, each)).model_dump(mode="json")) for each in _made(told)]
        transcribe(path, _texts(told), points, made)


def _made(told: dict[str, Any]) -> list[str]:
    """Names of the evaluations that the run's events tell of, in their order."""
    return [str(each["data"]["name"]) for each in told["events"] if each["kind"] == "evaluated"]


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
