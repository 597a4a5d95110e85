"""luggin shutdown: end the daemon on this machine, and say what becomes of runs that are on."""

import argparse
import fcntl
import json
import sys
import time
import uuid
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from pathlib import Path

    from luggin.protocol.payloads import Reply

_GONE_WITHIN = 60.0  # cells off, store flushed, broker told: each has its own bound, see service.py
HELP = "end the daemon on this machine: open the cells, or leave runs going for the next daemon to take over"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    wanted = parser.add_mutually_exclusive_group()
    wanted.add_argument(
        "--leave-runs",
        action="store_true",
        help="runs go on in their instruments; start the daemon again before their dead-man time is over",
    )
    wanted.add_argument("--open-cells", action="store_true", help="every run is aborted, every cell opened")
    parser.add_argument("--node", metavar="NAME", help="which daemon, where several run on this machine")
    parser.add_argument("--json", action="store_true", help="print the reply as JSON")


def run(args: argparse.Namespace) -> int:
    from luggin.daemon.cli.local_socket import ask, find_socket

    path = find_socket(args.node)
    status = ask(path, {"verb": "status"}) if path else None
    if path is None or status is None:
        raise CliError("no running daemon was found on this machine", exits.NOT_REACHABLE)
    leave = args.leave_runs or (not args.open_cells and _decided(_on(status)))
    reply = _end(path, leave)
    if args.json:
        print(json.dumps(reply.model_dump(mode="json"), indent=2))
    elif reply.accepted:
        print(reply.sentence)
    if not reply.accepted:
        raise CliError(reply.sentence)
    return exits.OK


def _on(status: "Reply") -> list[str]:
    """Runs that are on, by what the daemon's board says."""
    board = status.data["board"]
    states = [payload for topic, payload in board.items() if topic.endswith("/state") and payload.get("run")]
    return [f"{state['run']} on {state['instrument']}, {state['state']}" for state in states]


def _decided(runs: list[str]) -> bool:
    """Whether to leave runs going: asked of a person, never guessed."""
    if not runs:
        return False
    if not sys.stdin.isatty():
        raise CliError(f"on: {'; '.join(runs)}; say --leave-runs or --open-cells", exits.USAGE)
    print("\n  ".join(["These runs are on:", *runs]))
    answer = input("leave them going, or open the cells? (leave/open, anything else changes nothing) ").strip()
    if answer not in ("leave", "open"):
        raise CliError("nothing was done")
    return answer == "leave"


def _end(path: "Path", leave: bool) -> "Reply":
    """Order the end; once it is granted, wait until the daemon is gone, so that the next one can be started."""
    from luggin.daemon.cli.local_socket import ask

    reply = ask(path, {"verb": "shutdown", "command": {"request": uuid.uuid4().hex, "leave_runs": leave}})
    if reply is None:
        raise CliError("the daemon ended by itself meanwhile", exits.NOT_REACHABLE)
    if reply.accepted and not _gone(path.with_suffix(".lock")):
        raise CliError(f"the daemon was told to end, and is still there after {_GONE_WITHIN:g} s; look at its log")
    return reply


def _gone(lock: "Path") -> bool:
    """Wait for the lock that a daemon holds to its very end."""
    deadline = time.monotonic() + _GONE_WITHIN
    with lock.open("rb") as file:
        while time.monotonic() < deadline:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except BlockingIOError:
                time.sleep(0.05)
            else:
                return True
    return False
