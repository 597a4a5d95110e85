"""luggin backup: a consistent copy of the store, whether a daemon writes it or not."""

import argparse
import json
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NoReturn

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

HELP = "copy the store to a new file while the daemon goes on; the copy is checked before it gets its name"
_RESTORE = """\
To go back to it: end the daemon; move {store} away together with
{store}-wal and {store}-shm if they are there; copy the backup
to {store}; `luggin verify --all`; start the daemon."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="file to make, on another disk if it is to be worth something")
    parser.add_argument("--store", metavar="FILE", help="the store; the daemon's on this machine by default")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.source import configured_store
    from luggin.daemon.store import StoreError
    from luggin.daemon.store.backup import back_up

    store, target = Path(args.store) if args.store else configured_store(), Path(args.file).absolute()
    try:
        with _interruptible():
            back_up(store, target, _tell if sys.stderr.isatty() else lambda share: None)
    except StoreError as error:
        raise CliError(str(error)) from None
    if args.json:
        print(json.dumps({"store": str(store), "backup": str(target), "bytes": target.stat().st_size}))
        return exits.OK
    print(f"{target}: {target.stat().st_size} bytes, a complete copy of {store}")
    print(_RESTORE.format(store=store))
    return exits.OK


def _tell(share: float) -> None:
    print(f"\r{share:4.0%}", end="\n" if share == 1.0 else "", file=sys.stderr, flush=True)


@contextmanager
def _interruptible() -> Iterator[None]:
    """Signals that would end the process at once leave time to clean up."""

    def stop(number: int, _: object) -> NoReturn:
        raise CliError(f"ended by {signal.Signals(number).name}; nothing was left behind", exits.INTERRUPTED)

    before = {each: signal.signal(each, stop) for each in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
