"""luggin electrode: what an electrode went through, and what people did to it."""

import argparse
import json
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, opened_archive, summaries

if TYPE_CHECKING:
    from luggin.daemon.analysis.usage import Usage
    from luggin.protocol.payloads import Evaluation

HELP = "the record of an electrode: runs, charge, limits hit, qualifications, and notes such as a polishing"
_LIMITS = ("limit", "control-overload")
_ENTRIES = 500


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("name", metavar="NAME", help="electrode, as methods name it in setup.electrode")
    parser.add_argument("--reference", action="store_true", help="it is a reference electrode: as in setup.reference")
    parser.add_argument("--note", metavar="TEXT", help='add to its record what was done or seen: "polished 0.05 um"')
    parser.add_argument("--most", type=int, default=200, metavar="N", help="look at its newest N runs (200)")
    parser.add_argument("--json", action="store_true", help="print the record as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    what = "reference" if args.reference else "electrode"
    subject = f"{what}/{args.name}"
    if args.note is not None:
        from luggin.daemon.cli.notes import keep_note

        kept = keep_note(args, subject, args.note)
        print(json.dumps(kept.model_dump(mode="json"), indent=2) if args.json else f"{subject}: kept as {kept.name}")
        return exits.OK
    from luggin.daemon.cli.evaluations import fetched_all, listed
    from luggin.daemon.store import Wanted

    wanted = Wanted(reference=args.name) if args.reference else Wanted(electrode=args.name)
    runs = summaries(args, max(args.most, 1), wanted=wanted)
    found = fetched_all(args, [each.name for each in listed(args, subject=subject, limit=_ENTRIES)])
    if not runs and not found:
        other = "without --reference" if args.reference else "with --reference"
        raise CliError(f"nothing is stored of {subject}; is that its name in the methods, or is it one {other}?")
    used = _used(args, runs)
    if args.json:
        print(json.dumps(_told(subject, runs, used, found), indent=2))
    else:
        _page(subject, runs, used, found)
    return exits.OK


def _used(args: argparse.Namespace, runs: list[dict[str, Any]]) -> "dict[str, Usage]":
    """What each run asked of it, from its points."""
    from luggin.daemon.analysis.usage import usage

    names = [str(each["run"]) for each in runs]
    if not names:
        return {}
    with opened_archive(args, names) as archive:
        return {str(each["run"]): usage(each["technique"], archive.columns(each["run"])) for each in runs}


def _told(
    subject: str, runs: list[dict[str, Any]], used: "dict[str, Usage]", found: "list[Evaluation]"
) -> dict[str, Any]:
    return {
        "subject": subject,
        "total": _total(used).model_dump(mode="json"),
        "limits": [each["run"] for each in runs if each["outcome"] in _LIMITS],
        "runs": [{**each, "usage": used[each["run"]].model_dump(mode="json")} for each in runs],
        "entries": [each.model_dump(mode="json") for each in found],
    }


def _total(used: "dict[str, Usage]") -> "Usage":
    from luggin.daemon.analysis.usage import Usage

    return sum(used.values(), Usage())


def _page(subject: str, runs: list[dict[str, Any]], used: "dict[str, Usage]", found: "list[Evaluation]") -> None:
    from luggin.daemon.cli.words import duration, moment, table
    from luggin.protocol.quantity import show

    total = _total(used)
    print(subject)
    if runs:
        print(f"  runs        {len(runs)}, from {moment(runs[-1]['utc'])} to {moment(runs[0]['utc'])}")
        print(f"  scans       {total.scans}; cell closed for {duration(total.closed)}")
        anodic, cathodic = (show(float(f"{each:.4g}"), "C") for each in (total.anodic, total.cathodic))
        print(f"  charge      {anodic} anodic, {cathodic} cathodic, as far as the points tell")
    if total.lowest is not None and total.highest is not None:
        print(f"  potentials  {total.lowest:.4g} V to {total.highest:.4g} V")
    hit = [each for each in runs if each["outcome"] in _LIMITS]
    print(f"  limits hit  {len(hit)}" + (f", last in {hit[0]['run']}" if hit else ""))
    rows = [("when", "by", "")]
    rows += [(moment(each.utc), each.asked_by + ("" if each.verified else "?"), _words(each)) for each in found]
    if found:
        table(rows)


def _words(each: "Evaluation") -> str:
    body = each.body or {}
    if each.kind == "note":
        return str(body.get("text", ""))
    if each.kind == "qualification":
        failed = [str(one["name"]) for one in body.get("items", ()) if not one["passed"]]
        against = body.get("against", "")
        return f"qualified in {against}" if not failed else f"NOT qualified in {against}: {', '.join(failed)}"
    return f"{each.kind} {each.name}"
