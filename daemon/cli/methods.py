"""Reading a method file for a command, with every problem said in sentences."""

from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.protocol.method import Method
    from luggin.protocol.program import Program


def read_method(path: str) -> "tuple[Method, Program]":
    """The valid method in a file and its program.  Raises CliError listing every problem."""
    from luggin.protocol import document, method
    from luggin.protocol.problem import DocumentError

    try:
        with Path(path).open("rb") as file:
            raw = file.read(document.MOST_BYTES + 1)
    except OSError as error:
        raise CliError(f"{path} can't be read: {error.strerror}", exits.BAD_DOCUMENT) from None
    try:
        parsed = method.parse(document.read(raw, path))
        return parsed, method.compile_method(parsed)
    except DocumentError as error:
        count = len(error.problems)
        head = f"{path} is no valid method; {count} problem{'s' * (count > 1)}:"
        raise CliError("\n  ".join([head, *map(str, error.problems)]), exits.BAD_DOCUMENT) from None
