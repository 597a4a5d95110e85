"""Stored evaluations for a command: found, read, and made anew, with a daemon that has the store or without one."""

import argparse
import asyncio
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import with_remote
from luggin.daemon.cli.source import store_path

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.daemon.store import Archive, EvaluationSummary
    from luggin.protocol.payloads import Evaluation, Reply

_WITHIN = 150.0  # s; an evaluation may have to wait for another one


def listed(
    args: argparse.Namespace,
    *,
    kind: str | None = None,
    subject: str | None = None,
    run: str | None = None,
    limit: int = 50,
) -> "list[EvaluationSummary]":
    """The newest evaluations, newest first, from the source that `args` name (see source.add_source_arguments)."""
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _ask_for_list(remote, kind, subject, run, limit))
    with _read(path) as archive:
        return list(archive.evaluations(kind, subject, run, limit))


def fetched(args: argparse.Namespace, name: str) -> "Evaluation":
    """The whole of an evaluation.  Raises CliError for an unknown one."""
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: fetch_evaluation(remote, name))
    from luggin.daemon.store import StoreError

    with _read(path) as archive:
        try:
            return archive.evaluation(name)
        except StoreError as error:
            raise CliError(str(error)) from None


def fetched_all(args: argparse.Namespace, names: Sequence[str]) -> "list[Evaluation]":
    """The whole of several, over one connection."""
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _fetch_all(remote, names))
    with _read(path) as archive:
        return [archive.evaluation(name) for name in names]


async def _fetch_all(remote: "Remote", names: Sequence[str]) -> "list[Evaluation]":
    return [await fetch_evaluation(remote, name) for name in names]


def newest(
    args: argparse.Namespace, kind: str, *, subject: str | None = None, run: str | None = None
) -> "Evaluation | None":
    found = listed(args, kind=kind, subject=subject, run=run, limit=1)
    return fetched(args, found[0].name) if found else None


def make(args: argparse.Namespace, kind: str, runs: Sequence[str], settings: Mapping[str, Any]) -> "Evaluation":
    """Evaluate runs and store the evaluation: by the daemon that has the store, or here when none has.

    Raises CliError with the daemon's sentence, or a sentence for each wrong field.
    """
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _ask_to_make(remote, kind, runs, settings))
    from luggin.daemon.store import StoreError, StoreInUse

    try:
        return asyncio.run(_make_here(path, kind, runs, settings))
    except StoreInUse:
        pass
    except StoreError as error:
        raise CliError(str(error), exits.NOT_REACHABLE) from None
    from luggin.daemon.cli.local_socket import ask_locally
    from luggin.protocol.topics import STORE

    asked = {"kind": kind, "runs": list(runs), "settings": dict(settings)}
    reply = ask_locally(args.node, STORE, "evaluate", _WITHIN, **asked)
    if reply is None:
        return with_remote(args, lambda remote: _ask_to_make(remote, kind, runs, settings))
    return fetched(args, _name_of(reply))


async def fetch_evaluation(remote: "Remote", name: str) -> "Evaluation":
    """An evaluation over MQTT, its text piece by piece."""
    from luggin.protocol import topics
    from luggin.protocol.payloads import Evaluation

    text, size = "", 1
    while len(text) < size:
        reply = await remote.ask(topics.STORE, "evaluation", name=name, first=len(text))
        if not reply.accepted:
            raise CliError(reply.sentence)
        text, size = text + reply.data["text"], int(reply.data["size"])
    return Evaluation.model_validate_json(text)


async def _ask_for_list(
    remote: "Remote", kind: str | None, subject: str | None, run: str | None, limit: int
) -> "list[EvaluationSummary]":
    from luggin.daemon.store import EvaluationSummary
    from luggin.protocol import topics

    found: list[EvaluationSummary] = []
    while len(found) < limit:
        before = found[-1].name if found else ""
        fields: dict[str, Any] = {"kind": kind or "", "subject": subject or "", "run": run or "", "before": before}
        reply = await remote.ask(topics.STORE, "evaluations", limit=min(limit - len(found), 500), **fields)
        if not reply.accepted:
            raise CliError(reply.sentence)
        if not reply.data["evaluations"]:
            break
        found += [EvaluationSummary(**{**each, "runs": tuple(each["runs"])}) for each in reply.data["evaluations"]]
    return found


async def _ask_to_make(remote: "Remote", kind: str, runs: Sequence[str], settings: Mapping[str, Any]) -> "Evaluation":
    from luggin.protocol import topics

    asked = {"kind": kind, "runs": list(runs), "settings": dict(settings)}
    reply = await remote.ask(topics.STORE, "evaluate", timeout=_WITHIN, **asked)
    return await fetch_evaluation(remote, _name_of(reply))


def _name_of(reply: "Reply") -> str:
    if not reply.accepted:
        raise CliError("\n".join(reply.problems) or reply.sentence)
    return str(reply.data["evaluation"])


async def _make_here(path: Path, kind: str, runs: Sequence[str], settings: Mapping[str, Any]) -> "Evaluation":
    """With nobody else writing: computed in this process, stored by it.  Raises StoreInUse."""
    import getpass
    import time
    from importlib.metadata import version

    from luggin.daemon.evaluation.errors import EvaluationError
    from luggin.daemon.evaluation.evaluator import record
    from luggin.daemon.evaluation.functions import evaluate
    from luggin.daemon.evaluation.run_data import load_runs
    from luggin.daemon.store import NoSuchRun, Store, open_store
    from luggin.protocol.evaluation import settings_of
    from luggin.protocol.problem import DocumentError

    async with Store.open(path) as store:
        try:
            with open_store(path) as archive:
                data = load_runs(archive, runs)
                complete = settings_of(kind, settings, data[0].technique)
                found = evaluate(kind, data, complete)
            software = f"luggin {version('luggin')}"
            made = record(found, runs, complete, software, getpass.getuser(), True, time.time())
        except (DocumentError, EvaluationError) as error:
            raise CliError(str(error)) from None
        except NoSuchRun as error:
            raise CliError(f"{error}; `luggin runs` lists what is there") from None
        await store.add_evaluation(made)
        return made


def _read(path: Path) -> "Archive":
    from luggin.daemon.store import StoreError, open_store

    try:
        return open_store(path)
    except StoreError as error:
        raise CliError(str(error), exits.NOT_REACHABLE) from None
