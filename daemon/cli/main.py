"""The luggin command.  Subcommands are entry points of the group `luggin.commands`, imported when they are needed.

A subcommand is a module with `HELP` (one line), `add_arguments(parser)` and `run(args) -> int`; at import it loads
nothing but the standard library, so that `luggin --help` stays quick.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib.metadata import EntryPoint, entry_points

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

# In the order in which a newcomer meets them; commands of other packages follow by name.
_ORDER = [
    "demo",
    "explain",
    "check",
    "serve",
    "simulate",
    "discover",
    "instruments",
    "status",
    "run",
    "hold",
    "unhold",
    "stop",
    "abort",
    "clear",
    "runs",
    "show",
    "peaks",
    "plot",
    "export",
    "verify",
    "backup",
    "delete",
    "restore",
    "purge",
    "doctor",
    "shutdown",
    "make-safe",
    "unit",
]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code.  Errors become a sentence on stderr."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    commands = {entry.name: entry for entry in entry_points(group="luggin.commands")}
    name = next((argument for argument in arguments if not argument.startswith("-")), None)
    parser = _parser(commands, name)
    parsed = parser.parse_args(arguments)
    if parsed.run is None:
        parser.print_help()
        return exits.USAGE
    try:
        return int(parsed.run(parsed))
    except KeyboardInterrupt:
        return exits.INTERRUPTED
    except BrokenPipeError:
        # The reader went away (`luggin runs | head`); silence the flush at exit as well.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return exits.OK
    except CliError as error:
        print(f"luggin: {error}", file=sys.stderr)
        return error.code
    except Exception as error:
        sentence, code = _explained(error)
        print(f"luggin: {sentence}", file=sys.stderr)
        return code


def _parser(commands: dict[str, EntryPoint], name: str | None) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="luggin",
        description="Runs electrochemical measurements on instruments beside the cell.",
        epilog="Exit codes: " + "; ".join(f"{code} {meaning}" for code, meaning in exits.MEANING.items()) + ".",
    )
    parser.set_defaults(run=None)
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND")
    wanted = [name] if name in commands else sorted(commands, key=_place)
    for each in wanted:
        module = commands[each].load()
        subparser = subparsers.add_parser(each, help=module.HELP, description=module.HELP)
        subparser.set_defaults(run=module.run)
        if each == name:
            module.add_arguments(subparser)
    return parser


def _place(name: str) -> tuple[int, str]:
    return (_ORDER.index(name) if name in _ORDER else len(_ORDER), name)


def _explained(error: Exception) -> tuple[str, int]:
    """A sentence and an exit code for an error that a command let through."""
    from luggin.drivers.errors import DriverError, SettingsError
    from luggin.protocol.problem import DocumentError

    if isinstance(error, DocumentError | SettingsError):
        return str(error), exits.BAD_DOCUMENT
    if isinstance(error, DriverError):
        return str(error), exits.NOT_REACHABLE
    if isinstance(error, OSError):
        return f"{error.filename or 'system'}: {error.strerror or error}", exits.FAILED
    if os.environ.get("LUGGIN_TRACEBACK"):
        raise error
    return (
        f"unexpected {type(error).__name__}: {error}. This is a defect; LUGGIN_TRACEBACK=1 shows where it happened",
        exits.FAILED,
    )
