"""The trend of one quantity over runs, for `luggin compare --trend`."""

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.store import Archive


def show_trend(args: argparse.Namespace, archive: "Archive", runs: list[str]) -> None:
    """Print and draw it.  Raises CliError, AnalysisError, CannotDraw where there is none."""
    from luggin.daemon.analysis.compare import trend

    begun = [archive.header(run).utc for run in runs]
    positions = [float(n) for n in range(1, len(runs) + 1)]
    if args.over == "time":
        positions = [(utc - min(begun)) / 3600 for utc in begun]
    values, unit = _values(archive, runs, args.trend)
    present = [each for each in values if each is not None]
    line = trend(values, positions, args.confidence) if len(present) > 1 and len(set(positions)) > 1 else None
    if args.output is not None:
        from luggin.daemon.figures.draw import save
        from luggin.daemon.figures.trend import trend_figure

        x_title = "t / h" if args.over == "time" else "run"
        fitted = None if line is None else (line.slope.value, line.intercept)
        save(trend_figure(args.trend, unit, positions, values, fitted, x_title), Path(args.output))
    if args.json:
        rows = [
            {"run": run, "utc": utc, "position": position, "value": value}
            for run, utc, position, value in zip(runs, begun, positions, values, strict=True)
        ]
        told = None if line is None else line.model_dump(mode="json")
        print(json.dumps({"quantity": args.trend, "unit": unit, "values": rows, "trend": told}, indent=2))
        return
    _page(args, runs, begun, values, unit, present)
    per = "h" if args.over == "time" else "run"
    if line is None:
        print("  trend       none: two values at different places are needed")
    else:
        slope, within = line.slope, ""
        if slope.lower is not None and slope.upper is not None:
            within = f", {args.confidence:.0%} interval {_shown(slope.lower, unit)} to {_shown(slope.upper, unit)}"
        verdict = {True: "a trend", False: "no trend beyond the scatter", None: "too few values to tell"}
        print(f"  slope       {_shown(slope.value, unit)} per {per}{within}: {verdict[line.significant]}")
    if args.output is not None:
        print(args.output)


def _values(archive: "Archive", runs: list[str], quantity: str) -> tuple[list[float | None], str]:
    """The quantity in the newest evaluations of each run, None where none tells it, and its SI unit.

    Raises CliError where no run has it.
    """
    from luggin.daemon.run_quantities import quantities_of_run

    told = [quantities_of_run(archive, run) for run in runs]
    found = [each[quantity] for each in told if quantity in each]
    if not found:
        known = ", ".join(dict.fromkeys(name for each in told for name in each))
        there = f"there are {known}" if known else "look for them, such as with `luggin peaks RUN --detect`"
        raise CliError(f"no evaluation of these runs tells {quantity!r}; {there}")
    return [each[quantity][0] if quantity in each else None for each in told], found[0][1]


def _page(
    args: argparse.Namespace,
    runs: list[str],
    begun: list[float],
    values: list[float | None],
    unit: str,
    present: list[float],
) -> None:
    import statistics

    from luggin.daemon.cli.words import moment, table

    head = ("run", "started", args.trend)
    table([head, *((run, moment(utc), _shown(each, unit)) for run, utc, each in zip(runs, begun, values, strict=True))])
    if len(present) > 1:
        mean, sd = statistics.fmean(present), statistics.stdev(present)
        share = f", {abs(sd / mean):.2%}" if mean else ""
        print(
            f"  mean        {_shown(mean, unit)}, standard deviation {_shown(sd, unit)}{share}, {len(present)} values"
        )


def _shown(value: float | None, unit: str) -> str:
    from luggin.protocol.quantity import show

    return "-" if value is None else show(float(f"{value:.4g}"), unit or "1")
