"""luggin unit: the systemd unit for this installation."""

import argparse
import shutil
import sys
from importlib.resources import files
from pathlib import Path

from luggin.daemon.cli import exits

HELP = "print a systemd unit for this installation, with how to use it in its first lines"
_PLACEHOLDER = "/usr/local/bin/luggin"
_HOMES = ("/home/", "/root/", "/run/user/")
"""What ProtectHome= hides, see systemd.exec(5)."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--command", metavar="FILE", help="the luggin to start; the one that is installed by default")


def run(args: argparse.Namespace) -> int:
    text = files("luggin.daemon").joinpath("systemd", "luggin.service").read_text(encoding="utf-8")
    command = args.command or _installed()
    print(text.replace(f"{_PLACEHOLDER} ", f"{command} "), end="")
    if command.startswith(_HOMES):
        remedy = "install it in /opt (see daemon/INSTALL.md) or name another one with --command"
        print(
            f"CAUTION: the unit can't start {command}, since it sees no home (ProtectHome=); {remedy}", file=sys.stderr
        )
    return exits.OK


def _installed() -> str:
    """The command beside this Python, else the one on the path."""
    beside = Path(sys.executable).parent / "luggin"
    return str(beside) if beside.is_file() else shutil.which("luggin") or _PLACEHOLDER
