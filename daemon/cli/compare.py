"""luggin compare: runs laid over each other, subtracted, averaged, or followed by one of their quantities."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, opened_archive

if TYPE_CHECKING:
    from luggin.daemon.comparison import Compared
    from luggin.daemon.figures.curve import Curve
    from luggin.daemon.store import Archive

HELP = "compare runs: overlay, difference, mean and spread of replicates, blank, or the trend of a quantity"
_ROWS = 21


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("names", nargs="+", metavar="NAME", help="runs; evaluations and sequences stand for their runs")
    modes = parser.add_mutually_exclusive_group()
    modes.add_argument("--difference", action="store_true", help="the first run less the second")
    modes.add_argument("--mean", action="store_true", help="mean of replicates with its limits, and their spread")
    modes.add_argument("--blank", metavar="RUN", help="each run less this one, sweep by sweep")
    modes.add_argument("--trend", metavar="QUANTITY", help="such as paracetamol.height or largest-peak.potential")
    parser.add_argument("--sweep", type=int, default=1, metavar="N", help="of each run, for difference and mean (1)")
    parser.add_argument("--over", choices=("order", "time"), default="order", help="a trend's axis: runs or hours")
    parser.add_argument("--confidence", type=float, default=0.95, metavar="SHARE", help="of intervals (0.95)")
    parser.add_argument("--convention", choices=("iupac", "polarographic"), default="iupac", help="of the picture")
    parser.add_argument("-o", "--output", metavar="FILE", help="picture (.png, .svg, .pdf) or whole table (.csv)")
    parser.add_argument("--json", action="store_true", help="print all values as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.subjects import runs_of, subjects

    if not 0.5 <= args.confidence < 1:
        raise CliError(f"--confidence is {args.confidence:g}; give a share such as 0.95", exits.USAGE)
    runs = runs_of(subjects(args, args.names))
    if args.difference and len(runs) != 2:
        raise CliError(f"a difference is of two runs, not of {len(runs)}", exits.USAGE)
    from luggin.daemon.analysis.errors import AnalysisError
    from luggin.daemon.figures.curve import CannotDraw

    wanted = runs if args.blank is None else [*runs, args.blank]
    try:
        with opened_archive(args, wanted) as archive:
            if args.trend is not None:
                from luggin.daemon.cli.trend import show_trend

                show_trend(args, archive, runs)
            else:
                _show(args, _compared(args, archive, runs))
    except (AnalysisError, CannotDraw) as error:
        raise CliError(str(error)) from None
    return exits.OK


def _compared(args: argparse.Namespace, archive: "Archive", runs: list[str]) -> "list[Compared]":
    from luggin.daemon.comparison import Compared, above_blank, difference, mean

    curves = [_curve(archive, run) for run in runs]
    if args.difference:
        return [difference(curves[0], curves[1], args.sweep)]
    if args.mean:
        return [mean(curves, args.sweep, args.confidence)]
    if args.blank is not None:
        blank = _curve(archive, args.blank)
        return [above_blank(each, blank) for each in curves]
    return [Compared((each,), {each.view.x: each.x, each.view.y: each.y}) for each in curves]


def _curve(archive: "Archive", run: str) -> "Curve":
    from luggin.daemon.figures.curve import curve

    return curve(run, archive.header(run).method, archive.columns(run))


def _show(args: argparse.Namespace, found: "list[Compared]") -> None:
    if args.output is not None:
        _write(args, found)
    if args.json:
        told = [
            {
                "label": each.curves[0].label,
                "units": each.units,
                "columns": {name: _plain(values) for name, values in each.columns.items()},
                "notes": each.notes,
            }
            for each in found
        ]
        print(json.dumps(told))
        return
    for each in found:
        print(f"{each.curves[0].label}: {_counted(len(each.curves[0].x))}")
        _table(each)
        for note in each.notes:
            print(f"  note        {note}")
    if args.output is not None:
        print(args.output)


def _table(each: "Compared") -> None:
    import numpy as np

    from luggin.daemon.cli.words import table

    columns = list(each.columns.values())
    fit = np.flatnonzero(np.isfinite(columns[1]))
    if not len(fit):
        print("  no point is fit to be compared")
        return
    chosen = np.unique(fit[np.linspace(0, len(fit) - 1, _ROWS).round().astype(int)])
    rows = [_headings(each), *(tuple(f"{values[n]:.6g}" for values in columns) for n in chosen)]
    table(rows)
    largest = fit[np.argmax(np.abs(columns[1][fit]))]
    x_name, y_name = _headings(each)[:2]
    print(f"  largest     {y_name} = {columns[1][largest]:.6g} at {x_name} = {columns[0][largest]:.6g}")


def _headings(each: "Compared") -> tuple[str, ...]:
    from luggin.daemon.export.table import heading

    return tuple(heading(name, unit) for name, unit in each.units.items())


def _write(args: argparse.Namespace, found: "list[Compared]") -> None:
    path = Path(args.output)
    if path.suffix.lower() == ".csv":
        _write_table(path, found)
        return
    from luggin.daemon.figures.draw import draw, save

    save(draw([curve for each in found for curve in each.curves], args.convention), path)


def _write_table(path: Path, found: "list[Compared]") -> None:
    from luggin.daemon.export import table

    if len(found) > 1:
        raise CliError(f"{path} would hold {len(found)} tables; write one at a time, or --json for all")
    (one,) = found
    with path.open("w", encoding="utf-8", newline="") as file:
        table.write(file, _headings(one), one.columns)


def _counted(points: int) -> str:
    return f"{points} points, of them" if points > _ROWS else f"{points} point{'s' * (points != 1)}"


def _plain(values: Any) -> list[float | None]:
    return [value if value == value else None for value in values.tolist()]
