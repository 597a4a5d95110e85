"""luggin report: runs, evaluations or sequences as a page to print, to keep and to hand on."""

import argparse
from importlib.metadata import version
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.source import add_source_arguments, opened_archive

HELP = "write a report of runs, evaluations or sequences: one HTML file that stands alone and prints on A4"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("names", nargs="+", metavar="NAME", help="runs, evaluations or sequences")
    parser.add_argument("-o", "--output", required=True, metavar="FILE", help="file to write, .html")
    parser.add_argument("--title", metavar="TEXT", help="title of the report")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.subjects import runs_of, subjects
    from luggin.daemon.report import evaluation_part, render, run_part, sequence_part

    found = subjects(args, args.names)
    with opened_archive(args, runs_of(found)) as archive:
        parts = []
        for each in found:
            if each.kind == "run":
                parts.append(run_part(archive, each.name))
            elif each.kind == "evaluation":
                parts.append(evaluation_part(archive, each.name))
            else:
                parts.append(sequence_part(archive, each.name, each.runs))
    title = args.title or (parts[0].title if len(parts) == 1 else f"{len(parts)} reports")
    page = render(title, parts, f"luggin {version('luggin')}")
    Path(args.output).write_text(page, encoding="utf-8")
    print(args.output)
    return exits.OK
