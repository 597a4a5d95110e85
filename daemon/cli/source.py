"""Stored runs for a command: from the store on this machine or, over MQTT, from a daemon elsewhere."""

import argparse
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, with_remote

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.daemon.store import Archive, Deletion, Wanted
    from luggin.protocol.payloads import RunEvent, RunHeader, RunResult
    from luggin.protocol.points import Array


@dataclass(frozen=True)
class StoredRun:
    """Everything a command shows of one run.  `columns` hold arrays of shape (points,)."""

    header: "RunHeader"
    result: "RunResult | None"
    events: "list[RunEvent]"
    gaps: list[tuple[int, int]]
    columns: "dict[str, Array]"
    deletion: "Deletion | None"

    @property
    def head(self) -> str:
        """The newest hash of the run's chain of events, hexadecimal."""
        return self.events[-1].hash if self.events else ""


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--store", metavar="FILE", help="the store to read; the daemon's on this machine by default")
    add_broker_arguments(parser)


def store_path(args: argparse.Namespace) -> Path | None:
    """The store to read here, or None when the runs have to come over MQTT."""
    if args.store is not None:
        return Path(args.store)
    if args.broker is not None or args.node is not None:
        return None
    path = configured_store()
    return path if path.exists() else None


def local_store(args: argparse.Namespace) -> Path:
    """The store of this machine, also where there is none yet."""
    return configured_store() if args.store is None else Path(args.store)


def configured_store() -> Path:
    """Where the daemon of this machine keeps its runs, as far as its configuration can be read."""
    from luggin.daemon import config, places
    from luggin.protocol.problem import DocumentError

    try:
        return config.load(config.find()).store.path
    except (DocumentError, OSError):
        return places.state_directory() / "runs.sqlite"


def summaries(
    args: argparse.Namespace, limit: int, deleted: bool = False, wanted: "Wanted | None" = None, before: str = ""
) -> list[dict[str, Any]]:
    """The newest of the wanted runs, or deleted runs, newest first, as tables of plain values."""
    from luggin.daemon.store import Wanted

    wanted, path = wanted or Wanted(), store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _remote_summaries(remote, limit, deleted, wanted, before))
    from pydantic_core import to_jsonable_python

    from luggin.daemon.store import StoreError, open_store

    try:
        with open_store(path) as archive:
            return list(to_jsonable_python(archive.runs(limit, before, deleted, wanted)))
    except StoreError as error:
        raise CliError(str(error), exits.NOT_REACHABLE) from None


def load(args: argparse.Namespace, names: list[str]) -> list[StoredRun]:
    """The named runs, complete.  Raises CliError for an unknown one."""
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _remote_runs(remote, names))
    from luggin.daemon.store import NoSuchRun, StoreError, open_store

    try:
        with open_store(path) as archive:
            return [
                StoredRun(
                    archive.header(name),
                    archive.result(name),
                    archive.events(name),
                    archive.gaps(name),
                    archive.columns(name),
                    archive.deletion(name),
                )
                for name in names
            ]
    except NoSuchRun as error:
        raise CliError(f"{error}; `luggin runs` lists what is there") from None
    except StoreError as error:
        raise CliError(str(error), exits.NOT_REACHABLE) from None


@contextmanager
def opened_archive(args: argparse.Namespace, names: list[str]) -> "Iterator[Archive]":
    """A store that holds the named runs: the one on this machine, or a copy of them fetched over MQTT."""
    from luggin.daemon.store import NoSuchRun, StoreError, open_store

    path = store_path(args)
    with ExitStack() as stack:
        if path is None:
            from luggin.daemon.cli.copy_runs import copied

            path = stack.enter_context(copied(args, names))
        try:
            yield stack.enter_context(open_store(path))
        except NoSuchRun as error:
            raise CliError(f"{error}; `luggin runs` lists what is there") from None
        except StoreError as error:
            raise CliError(str(error), exits.NOT_REACHABLE) from None


async def _remote_summaries(
    remote: "Remote", limit: int, deleted: bool, wanted: "Wanted", before: str
) -> list[dict[str, Any]]:
    from luggin.protocol import topics

    # A daemon of an older version knows no conditions; it need not be troubled with those that are not asked for.
    asked = {name: value for name, value in asdict(wanted).items() if value not in ("", None)}
    found: list[dict[str, Any]] = []
    while len(found) < limit:
        last = found[-1]["run"] if found else before
        number = min(limit - len(found), 500)
        reply = await remote.ask(topics.STORE, "runs", limit=number, before=last, deleted=deleted, **asked)
        if not reply.accepted:
            raise CliError(reply.sentence)
        if not reply.data["runs"]:
            break
        found += reply.data["runs"]
    return found


async def _remote_runs(remote: "Remote", names: list[str]) -> list[StoredRun]:
    return [await fetch(remote, name) for name in names]


async def fetch_told(remote: "Remote", name: str) -> dict[str, Any]:
    """What the daemon tells of one run beside its points, with all of its events."""
    from luggin.protocol import topics

    told: dict[str, Any] = {"events": [], "next_event": 0, "after_event": 1}
    while told["next_event"] < told["after_event"]:
        reply = await remote.ask(topics.STORE, "run", run=name, event=told["next_event"])
        if not reply.accepted:
            raise CliError(f"{reply.sentence}; `luggin runs` lists what is there")
        told = {**reply.data, "events": told["events"] + reply.data["events"]}
    return told


async def fetch(remote: "Remote", name: str) -> StoredRun:
    """One run over MQTT, its points by ranges of indices."""
    import numpy as np

    from luggin.daemon.store import Deletion
    from luggin.protocol.payloads import RunEvent, RunHeader, RunResult
    from luggin.protocol.points import COLUMNS

    told = await fetch_told(remote, name)
    collected: dict[str, list[Any]] = {"index": []}
    async for points in remote.points(name, 0, int(told["end"])):
        before = len(collected["index"])
        collected["index"].extend(range(points.first, points.first + points.count))
        for column in collected.keys() | points.columns.keys():
            if column == "index":
                continue
            # A column may be absent in some batches; it is then unknown there.
            values = collected.setdefault(column, [None] * before)
            values.extend(points.columns.get(column, [None] * points.count))
    columns = {
        column: np.array(
            [np.nan if value is None else value for value in values],
            dtype=np.int64 if column == "index" else COLUMNS[column].dtype,
        )
        for column, values in collected.items()
    }
    result = told["result"] and {**told["result"], "seal": told["seal"], "hash": told["hash"]}
    return StoredRun(
        RunHeader.model_validate(told["header"]),
        RunResult.model_validate(result) if result else None,
        [RunEvent.model_validate(event) for event in told["events"]],
        [(first, after) for first, after in told["gaps"]],
        columns,
        Deletion(**told["deleted"]) if told["deleted"] else None,
    )
