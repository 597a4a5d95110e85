"""luggin import: runs that were exported elsewhere, taken into the store of this machine with all that is known."""

import argparse
import json
import tempfile
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

HELP = "take the runs of an export (zip file or folder) into the store of this machine, checked against their hashes"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("package", metavar="PATH", help="zip file or folder that `luggin export` made")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.add_argument("--store", metavar="FILE", help="the store; the daemon's on this machine by default")
    parser.add_argument("--node", metavar="NAME", help="which daemon, where several run on this machine")


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.removal import carry_out
    from luggin.daemon.cli.source import local_store
    from luggin.daemon.export import PackageError, package_folder, restore

    store = local_store(args).absolute()
    store.parent.mkdir(parents=True, exist_ok=True)
    # Beside the store, where a daemon sees it that has a /tmp of its own.
    with tempfile.TemporaryDirectory(prefix=".import-", dir=store.parent) as folder:
        copy = Path(folder) / "runs.sqlite"
        try:
            with package_folder(args.package) as unpacked:
                runs = restore(unpacked, copy)
        except PackageError as error:
            raise CliError(str(error), exits.BAD_DOCUMENT) from None
        sentence = carry_out(args, store, "import", {"path": str(copy)})
    print(json.dumps({"runs": runs, "sentence": sentence}) if args.json else sentence)
    return exits.OK
