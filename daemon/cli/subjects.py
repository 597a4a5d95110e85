"""What a name on the command line stands for: a run, an evaluation with its runs, or a sequence with its runs."""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import with_remote
from luggin.daemon.cli.source import store_path, summaries

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote

_MOST_RUNS = 10_000


@dataclass(frozen=True)
class Subject:
    """`runs` in the order in which they were measured, for an evaluation in the order in which it was asked for."""

    kind: Literal["run", "evaluation", "sequence"]
    name: str
    runs: tuple[str, ...]


def subjects(args: argparse.Namespace, names: Sequence[str]) -> list[Subject]:
    """Each name, from the source that `args` name (see source.add_source_arguments).  Raises CliError for an unknown
    one."""
    return [_named(args, name) or _sequence(args, name) for name in dict.fromkeys(names)]


def runs_of(found: Sequence[Subject]) -> list[str]:
    """All their runs, each once."""
    return list(dict.fromkeys(run for each in found for run in each.runs))


def _named(args: argparse.Namespace, name: str) -> Subject | None:
    path = store_path(args)
    if path is None:
        return with_remote(args, lambda remote: _ask(remote, name))
    from luggin.daemon.cli.source import opened_archive
    from luggin.daemon.store import NoSuchEvaluation, NoSuchRun

    with opened_archive(args, []) as archive:
        try:
            archive.number(name)
            return Subject("run", name, (name,))
        except NoSuchRun:
            pass
        try:
            return Subject("evaluation", name, archive.evaluation(name).runs)
        except NoSuchEvaluation:
            return None


def _sequence(args: argparse.Namespace, name: str) -> Subject:
    from luggin.daemon.store import Wanted

    found = summaries(args, _MOST_RUNS, wanted=Wanted(sequence=name))
    if not found:
        raise CliError(f"there is no run, evaluation or sequence {name}; `luggin runs` lists runs")
    return Subject("sequence", name, tuple(each["run"] for each in reversed(found)))


async def _ask(remote: "Remote", name: str) -> Subject | None:
    from luggin.daemon.cli.evaluations import fetch_evaluation
    from luggin.protocol import topics
    from luggin.protocol.topics import is_segment

    if not is_segment(name):
        return None
    if (await remote.ask(topics.STORE, "run", run=name)).accepted:
        return Subject("run", name, (name,))
    try:
        return Subject("evaluation", name, (await fetch_evaluation(remote, name)).runs)
    except CliError:
        return None
