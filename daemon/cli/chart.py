"""luggin chart: a quantity of evaluations over time, with control limits."""

import argparse
import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, summaries

if TYPE_CHECKING:
    from luggin.daemon.analysis.control_chart import ControlChart
    from luggin.protocol.payloads import Evaluation

HELP = "chart a quantity of evaluations over time, with limits that tell what is out of control"
_SUBJECTS = ("instrument", "electrode", "sample")
_LOOKED_AT = 2000


@dataclass(frozen=True)
class Entry:
    """One value of the chart: when its run began (s since 1970), and where it comes from."""

    utc: float
    value: float
    unit: str
    run: str
    evaluation: str
    kind: str


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "subject",
        metavar="SUBJECT",
        help="instrument/NAME, electrode/NAME or sample/NAME; evaluations of it, and of runs that name it",
    )
    parser.add_argument("quantity", metavar="QUANTITY", nargs="?", help="such as resistance.10uA; without one: a list")
    parser.add_argument("--kind", metavar="KIND", help="of evaluations of this kind only")
    parser.add_argument("--most", type=int, default=200, metavar="N", help="the newest so many values (200)")
    parser.add_argument("--baseline", type=int, metavar="N", help="limits from the first N values; from all by default")
    parser.add_argument("-o", "--output", metavar="FILE", help="picture, .png, .svg or .pdf, instead of text")
    parser.add_argument("--json", action="store_true", help="print values and limits as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    what, _, name = args.subject.partition("/")
    if what not in _SUBJECTS or not name:
        known = ", ".join(f"{each}/NAME" for each in _SUBJECTS)
        raise CliError(f"{args.subject} is no subject of a chart; write one of {known}", exits.USAGE)
    if args.quantity is None:
        return _list(args, what, name)
    found = _entries(args, what, name)[-max(args.most, 2) :]
    if len(found) < 2:
        words = "value is" if len(found) == 1 else "values are"
        raise CliError(
            f"{len(found)} {words} stored of {args.quantity} of {args.subject}, a chart needs two;"
            f" `luggin chart {args.subject}` lists what there is"
        )
    from luggin.daemon.analysis.control_chart import control_chart
    from luggin.daemon.analysis.errors import AnalysisError

    try:
        chart = control_chart([entry.value for entry in found], args.baseline)
    except AnalysisError as error:
        raise CliError(str(error), exits.USAGE) from None
    if args.output is not None:
        _draw(args, found, chart)
    if args.json:
        told = {"subject": args.subject, "quantity": args.quantity, **chart.model_dump(mode="json")}
        print(json.dumps({**told, "values": [asdict(entry) for entry in found]}, indent=2))
    elif args.output is None:
        _page(args, found, chart)
    return exits.OK


def _evaluations(args: argparse.Namespace, what: str, name: str) -> "list[tuple[Evaluation, float]]":
    """The newest evaluations of the subject and of single runs that name it, of each run the newest of a kind."""
    from luggin.daemon.cli.evaluations import fetched_all, listed
    from luggin.daemon.store import Wanted

    named = {
        "instrument": Wanted(instrument=name),
        "electrode": Wanted(electrode=name),
        "sample": Wanted(sample=name),
    }[what]
    begun = {each["run"]: each["utc"] for each in summaries(args, _LOOKED_AT, wanted=named)}
    wanted: dict[tuple[str, ...], str] = {}
    for each in listed(args, kind=args.kind, limit=_LOOKED_AT):
        of_run = each.subject.partition("run/")[2] in begun
        if each.subject == args.subject or of_run:
            wanted.setdefault((each.kind, *(each.runs or (each.name,))), each.name)
    found = fetched_all(args, list(wanted.values()))
    return [(each, begun.get(each.runs[-1], each.utc) if each.runs else each.utc) for each in found]


def _entries(args: argparse.Namespace, what: str, name: str) -> list[Entry]:
    from luggin.protocol.evaluation.quantities import quantities, unit_of

    found = []
    for each, utc in _evaluations(args, what, name):
        value = quantities(each.kind, each.body or {}).get(args.quantity)
        if value is not None:
            unit = unit_of(each.kind, each.body or {}, args.quantity)
            found.append(Entry(utc, value, unit, each.runs[-1] if each.runs else "", each.name, each.kind))
    kinds = sorted({entry.kind for entry in found})
    if len(kinds) > 1:
        raise CliError(
            f"{args.quantity} is told by several kinds ({', '.join(kinds)}); choose with --kind", exits.USAGE
        )
    found.reverse()  # of one moment the one that was stored first
    return sorted(found, key=lambda entry: entry.utc)


def _list(args: argparse.Namespace, what: str, name: str) -> int:
    """Which quantities there are, and how many values of each."""
    from luggin.daemon.cli.words import table
    from luggin.protocol.evaluation.quantities import quantities

    counted: dict[tuple[str, str], int] = {}
    for each, _ in _evaluations(args, what, name):
        for quantity in quantities(each.kind, each.body or {}):
            counted[each.kind, quantity] = counted.get((each.kind, quantity), 0) + 1
    rows = [{"kind": kind, "quantity": quantity, "values": count} for (kind, quantity), count in counted.items()]
    rows.sort(key=lambda row: (str(row["kind"]), str(row["quantity"])))
    if args.json:
        print(json.dumps(rows, indent=2))
    elif not rows:
        print(f"no evaluation tells of {args.subject}")
    else:
        table([("kind", "quantity", "values"), *((str(r["kind"]), str(r["quantity"]), str(r["values"])) for r in rows)])
    return exits.OK


def _draw(args: argparse.Namespace, found: list[Entry], chart: "ControlChart") -> None:
    from luggin.daemon.figures.control import draw_control_chart
    from luggin.daemon.figures.curve import CannotDraw
    from luggin.daemon.figures.draw import save

    title = f"{args.quantity} of {args.subject}"
    times, values = [entry.utc for entry in found], [entry.value for entry in found]
    try:
        save(draw_control_chart(title, found[0].unit, times, values, chart), Path(args.output))
    except CannotDraw as error:
        raise CliError(str(error)) from None
    if not args.json:
        print(args.output)


def _page(args: argparse.Namespace, found: list[Entry], chart: "ControlChart") -> None:
    import numpy as np

    from luggin.daemon.cli.drawing import levels_chart
    from luggin.daemon.cli.words import moment, table
    from luggin.daemon.figures.curve import scale
    from luggin.protocol.quantity import show

    unit = found[0].unit
    factor, prefix = (1.0, "") if unit in ("", "1") else scale(np.array([entry.value for entry in found]))
    print(
        levels_chart(
            [entry.value * factor for entry in found],
            [chart.centre * factor, chart.lower * factor, chart.upper * factor],
            f"{args.quantity} / {prefix}{unit or '1'}",
        )
    )

    def told(value: float) -> str:
        return show(float(f"{value:.6g}"), unit or "1")

    print(f"  {len(found)} values from {moment(found[0].utc)} to {moment(found[-1].utc)}")
    print(f"  mean {told(chart.centre)}, limits {told(chart.lower)} and {told(chart.upper)}, from the mean moving")
    print(f"  range {told(chart.mean_moving_range)} of {chart.baseline} values (Shewhart's chart of individual values)")
    if not chart.out_of_control:
        print("  nothing is out of control")
        return
    rows = [("out of control", "value", "started", "run", "")]
    for index in chart.out_of_control:
        entry = found[index]
        why = "beyond a limit" if index in chart.beyond else "eight or more on one side of the mean"
        rows.append((str(index + 1), told(entry.value), moment(entry.utc), entry.run, why))
    table(rows)
