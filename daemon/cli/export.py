"""luggin export: runs as a data package that any spreadsheet and any program reads."""

import argparse
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, opened_archive

HELP = "write runs as CSV tables with a Frictionless data package descriptor that tells everything about them"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("run_ids", nargs="+", metavar="RUN", help="runs, as `luggin runs` lists them")
    parser.add_argument("-o", "--output", required=True, metavar="DIR", help="folder to make")
    parser.add_argument("--deleted", action="store_true", help="export runs too that are deleted")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.export import PackageError, export_runs

    with opened_archive(args, args.run_ids) as archive:
        try:
            written = export_runs(archive, args.run_ids, Path(args.output), deleted=args.deleted)
        except PackageError as error:
            raise CliError(str(error)) from None
    print(written)
    return exits.OK
