"""`luggin --help`: every command in a line, grouped as a newcomer meets them."""

import shutil
import textwrap
from collections.abc import Iterable, Iterator, Mapping

from luggin.daemon.cli import exits

_INDENT, _GAP = 2, 2
_NARROWEST, _WIDEST = 20, 120

GROUPS = {
    "first steps": ("demo", "explain", "check"),
    "daemon and instruments": ("serve", "simulate", "discover", "nodes", "instruments", "status", "shutdown"),
    "measure": ("run", "sequence", "addition", "qualify"),
    "steer what is on": ("hold", "unhold", "stop", "abort", "clear", "acknowledge"),
    "what was measured": (
        "runs",
        "show",
        "plot",
        "compare",
        "report",
        "export",
        "import",
        "verify",
        "delete",
        "restore",
        "purge",
    ),
    "what follows from it": ("peaks", "calibrate", "concentration", "results", "electrode", "trend", "chart"),
    "the computer and its surroundings": ("doctor", "backup", "make-safe", "unit", "describe"),
}
OTHERS = "from other packages"


def grouped(names: Iterable[str]) -> dict[str, list[str]]:
    """The names by group, each group in the order given above; those that no group knows come last, by name."""
    there = set(names)
    known = {title: [name for name in group if name in there] for title, group in GROUPS.items()}
    others = sorted(there - {name for group in known.values() for name in group})
    return {title: group for title, group in {**known, OTHERS: others}.items() if group}


def overview(sentences: Mapping[str, str]) -> str:
    """What follows the usage line: `sentences` are the commands' own, by name."""
    column = _INDENT + max(map(len, sentences)) + _GAP
    tables = {title: {name: sentences[name] for name in names} for title, names in grouped(sentences).items()}
    tables["exit codes"] = {str(code): meaning for code, meaning in exits.MEANING.items()}
    parts = ["\n".join([f"{title}:", *_lines(table, column)]) for title, table in tables.items()]
    return "\n\n".join([*parts, "`luggin COMMAND --help` tells all of one command."])


def _lines(table: Mapping[str, str], column: int) -> Iterator[str]:
    """Words on the left; on the right, from `column` on, what they mean, as wide as the terminal."""
    width = max(min(shutil.get_terminal_size().columns, _WIDEST), column + _NARROWEST)
    for word, meaning in table.items():
        first = f"{'':{_INDENT}}{word}".ljust(column)
        yield from textwrap.wrap(meaning, width, initial_indent=first, subsequent_indent=" " * column)
