"""luggin make-safe: switch every cell of the configuration off when no daemon is there to do it."""

import argparse
import json
import os

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

HELP = "without a daemon: ask every configured instrument, switch off what is energised, read it back"
_PERSON = "asked for on the command line"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="configuration, TOML; default: luggin.toml where it belongs")
    parser.add_argument(
        "--after-service",
        action="store_true",
        help="for ExecStopPost= of a systemd unit: spare a run that was left going on purpose or, after a failure that"
        " systemd answers with a restart, one that the next daemon takes over",
    )
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    import asyncio
    from dataclasses import asdict

    from luggin.daemon.cli.serve import read_configuration
    from luggin.daemon.make_safe import Spare, after_service, make_safe
    from luggin.daemon.store import StoreInUse

    settings = read_configuration(args.config)[1]
    spare = after_service(os.environ) if args.after_service else Spare.NOTHING
    why = f"the service ended: {os.environ.get('SERVICE_RESULT', 'unknown')}" if args.after_service else _PERSON
    try:
        verdicts = asyncio.run(make_safe(settings, spare, why))
    except StoreInUse as error:
        raise CliError(f"{error}; while a daemon runs, `luggin abort` is the way") from None
    if args.json:
        print(json.dumps([asdict(each) for each in verdicts], indent=2))
    else:
        for each in verdicts:
            print(f"{each.instrument}: {each.sentence}")
    if not all(each.safe for each in verdicts):
        raise CliError("CAUTION: look at the instruments whose cell is not confirmed off", exits.CELL_UNKNOWN)
    return exits.OK
