"""luggin export: runs as a data package that any spreadsheet and any program reads, and `luggin import` takes in."""

import argparse
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, opened_archive

HELP = "write runs and all that is known of them as a data package: a folder or one zip file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("names", nargs="+", metavar="NAME", help="runs, evaluations or sequences, with all their runs")
    parser.add_argument("-o", "--output", required=True, metavar="PATH", help="folder, or file ending in .zip")
    parser.add_argument("--deleted", action="store_true", help="export runs too that are deleted")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.subjects import runs_of, subjects
    from luggin.daemon.export import PackageError, export_file, export_runs

    output = Path(args.output)
    export = export_file if output.suffix.lower() == ".zip" else export_runs
    runs = runs_of(subjects(args, args.names))
    with opened_archive(args, runs) as archive:
        try:
            written = export(archive, runs, output, deleted=args.deleted)
        except PackageError as error:
            raise CliError(str(error)) from None
    print(written)
    return exits.OK
