"""Options that say which runs are looked for, shared by the commands that list or take many."""

import argparse
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.store import Wanted

_WORDS = {
    "instrument": "measured on this instrument",
    "technique": "of this technique, full name or abbreviation",
    "method": "of the method with this name",
    "electrode": "with this working electrode",
    "sample": "with this sample",
    "tag": "with this tag",
    "sequence": "that belong to this execution of a sequence",
    "text": "with this anywhere in name, notes, sample, cell, electrodes or tags of the method",
}


def add_wanted_arguments(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("which runs (all that is given must fit; upper and lower case are the same)")
    for name, words in _WORDS.items():
        group.add_argument(f"--{name}", default="", metavar="TEXT" if name == "text" else "NAME", help=words)
    group.add_argument("--since", metavar="DATE", help="begun on or after this day or moment, UTC: 2026-11-25[T13:30]")
    group.add_argument("--until", metavar="DATE", help="begun up to the end of this day, or before this moment, UTC")


def wanted(args: argparse.Namespace) -> "Wanted":
    """What the options say.  Raises CliError for a date that is none, or a technique that there is not."""
    from luggin.daemon.store import Wanted
    from luggin.protocol import techniques

    given = {name: str(getattr(args, name)) for name in _WORDS}
    if given["technique"]:
        technique = techniques.find(given["technique"])
        if technique is None:
            known = ", ".join(each.alias for each in techniques.TECHNIQUES.values())
            raise CliError(f"there is no technique {given['technique']!r}; known are {known}", exits.USAGE)
        given["technique"] = technique.name
    since = None if args.since is None else _moment("--since", args.since)
    until = None if args.until is None else _moment("--until", args.until, end_of_day=True)
    return Wanted(**given, since=since, until=until)


def _moment(option: str, text: str, *, end_of_day: bool = False) -> float:
    try:
        moment = datetime.fromisoformat(text)
        moment = moment if moment.tzinfo else moment.replace(tzinfo=UTC)
        return (moment + timedelta(days=end_of_day and "T" not in text and " " not in text)).timestamp()
    except (ValueError, OverflowError):
        raise CliError(f"{option} {text!r} is no date; write 2026-11-25 or 2026-11-25T13:30", exits.USAGE) from None
