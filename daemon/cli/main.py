"""The luggin command.  Subcommands are entry points of the group `luggin.commands`, imported when they are needed.

A subcommand is a module with `HELP` (one line), `add_arguments(parser)` and `run(args) -> int`; at import it loads
nothing but the standard library, so that `luggin --help` stays quick.
"""

import argparse
import difflib
import os
import sys
from collections.abc import Sequence
from importlib.metadata import EntryPoint, entry_points, version

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.overview import overview


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code.  Errors become a sentence on stderr."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    commands = {entry.name: entry for entry in entry_points(group="luggin.commands")}
    name = next((argument for argument in arguments if not argument.startswith("-")), None)
    try:
        parser = _parser(commands, name)
        parsed = parser.parse_args(arguments)
        if parsed.run is None:
            parser.print_help()
            return exits.USAGE
        _split_address(parsed)
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
    """For one command, which alone is loaded, or for none: then with an overview of all.  Raises CliError."""
    parser = argparse.ArgumentParser(
        prog="luggin",
        description="Runs electrochemical measurements on instruments beside the cell.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"luggin {version('luggin')}")
    parser.set_defaults(run=None)
    if name is None:
        parser.usage = "luggin [-h] [--version] COMMAND ..."
        parser.epilog = overview({each: _sentence(entry) for each, entry in commands.items()})
        return parser
    if name not in commands:
        meant = difflib.get_close_matches(name, commands, n=1)
        hint = f"did you mean {meant[0]}?" if meant else "`luggin --help` lists them"
        raise CliError(f"there is no command {name}; {hint}", exits.USAGE)
    try:
        module = commands[name].load()
    except ImportError as error:
        raise CliError(f"the command {name} can't be loaded: {error}; install its package again") from None
    subparser = parser.add_subparsers(metavar="COMMAND").add_parser(name, help=module.HELP, description=module.HELP)
    subparser.set_defaults(run=module.run)
    module.add_arguments(subparser)
    return parser


def _sentence(command: EntryPoint) -> str:
    """What a command says of itself; one that another package brings and that is broken hides none of the others."""
    try:
        return str(command.load().HELP)
    except ImportError as error:
        return f"can't be loaded: {error}"


def _split_address(args: argparse.Namespace) -> None:
    """-i NODE/INSTRUMENT says both which daemon and which of its instruments."""
    node, slash, instrument = (getattr(args, "instrument", None) or "").partition("/")
    if not slash:
        return
    if not node or not instrument or getattr(args, "node", None) not in (None, node):
        raise CliError(f"-i {node}/{instrument}: write NODE/INSTRUMENT, and no other --node beside it", exits.USAGE)
    args.node, args.instrument = node, instrument


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
