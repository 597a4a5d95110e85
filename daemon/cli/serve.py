"""luggin serve: the daemon itself."""

import argparse
import faulthandler
import os
import sys
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from pathlib import Path

    from luggin.daemon.config import Config

HELP = "run the daemon: drive the configured instruments, record, publish"

_SWITCH_INTERVAL = 0.0005
"""Seconds for which the event loop, and every cell-off in it, may wait for another thread that computes; 5 ms else."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--config", metavar="FILE", help="configuration, TOML; default: luggin.toml where it belongs")
    parser.add_argument("--check", action="store_true", help="only say whether the configuration is valid")
    parser.add_argument("--log", choices=("debug", "info", "warning", "error"), default="info", help="least to log")


def read_configuration(given: str | None) -> "tuple[Path, Config]":
    """The configuration and where it was found.  Raises CliError listing every problem."""
    from luggin.daemon import config
    from luggin.protocol.problem import DocumentError

    try:
        path = config.find(given)
        return path, config.load(path)
    except DocumentError as error:
        count = len(error.problems)
        head = f"no valid configuration; {count} problem{'s' * (count > 1)}:"
        raise CliError("\n  ".join([head, *map(str, error.problems)]), exits.BAD_DOCUMENT) from None
    except OSError as error:
        raise CliError(f"{error.filename} can't be read: {error.strerror}", exits.BAD_DOCUMENT) from None


def run(args: argparse.Namespace) -> int:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: the daemon does no linear algebra
    sys.setswitchinterval(_SWITCH_INTERVAL)
    import asyncio

    from luggin.daemon import logs
    from luggin.daemon.service import AlreadyRunning, serve
    from luggin.daemon.store import StoreError, StoreVersion
    from luggin.drivers.exposure import exposure

    path, settings = read_configuration(args.config)
    if args.check:
        names = ", ".join(settings.instruments) or "none"
        print(f"{path}: valid; node {settings.node.name}, instruments: {names}")
        for name, (driver, _) in settings.instruments.items():
            if exposed := exposure(driver):
                print(f"{name}: {exposed}")
        return exits.OK
    logs.configure(args.log)
    faulthandler.enable()  # a supervisor that gives up on us (SIGABRT) leaves the stacks of all threads in the log
    try:
        confirmed = asyncio.run(serve(settings))
    except StoreVersion as error:  # which stays wrong: a supervisor need not try again
        raise CliError(str(error), exits.BAD_DOCUMENT) from None
    except (AlreadyRunning, StoreError) as error:
        raise CliError(str(error)) from None
    return exits.OK if confirmed else exits.CELL_UNKNOWN
