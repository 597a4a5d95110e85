"""Reading a sequence file: the methods that it names by file are put into it."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.methods import read_method

if TYPE_CHECKING:
    from luggin.protocol.sequence import SequenceDocument


def read_sequence(path: str) -> "SequenceDocument":
    """The valid sequence in a file; a method may be a table in it or the name of a file beside it.

    Raises CliError listing every problem.
    """
    from luggin.protocol import document
    from luggin.protocol.problem import DocumentError
    from luggin.protocol.sequence.document import MOST_DEPTH, parse

    try:
        with Path(path).open("rb") as file:
            raw = file.read(document.MOST_BYTES + 1)
    except OSError as error:
        raise CliError(f"{path} can't be read: {error.strerror}", exits.BAD_DOCUMENT) from None
    try:
        found = document.read(raw, path, MOST_DEPTH)
        found["methods"] = _embedded(found.get("methods"), Path(path).parent)
        return parse(found)
    except DocumentError as error:
        count = len(error.problems)
        head = f"{path} is no valid sequence; {count} problem{'s' * (count > 1)}:"
        raise CliError("\n  ".join([head, *map(str, error.problems)]), exits.BAD_DOCUMENT) from None


def _embedded(methods: Any, beside: Path) -> Any:
    if not isinstance(methods, dict):
        return methods
    return {
        name: read_method(str(beside / given))[0].document() if isinstance(given, str) else given
        for name, given in methods.items()
    }
