"""Numbers in words for the terminal."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from luggin.protocol.program import Bounds


def duration(seconds: float) -> str:
    """Seconds as people say them: 45 s, 3 min 20 s, 2 h 5 min, 3 d 4 h."""
    if seconds < 60:
        return f"{seconds:.3g} s"
    whole = round(seconds)
    days, rest = divmod(whole, 86400)
    hours, rest = divmod(rest, 3600)
    minutes, rest = divmod(rest, 60)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (rest, "s")]
    said = [f"{count} {unit}" for count, unit in parts if count]
    return " ".join(said[:2])


def window(extent: "Bounds") -> str:
    """What a program applies, in words."""
    from luggin.protocol.quantity import show

    said = []
    if extent.potential_low is not None and extent.potential_high is not None:
        said.append(f"{show(extent.potential_low, 'V')} to {show(extent.potential_high, 'V')}")
    if extent.current_low is not None and extent.current_high is not None:
        said.append(f"{show(extent.current_low, 'A')} to {show(extent.current_high, 'A')}")
    return " and ".join(said) or "nothing, the cell stays open"


def moment(utc: float) -> str:
    """A wall-clock time as ISO 8601 in UTC, to the second."""
    from datetime import UTC, datetime

    return datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def table(rows: Sequence[tuple[str, ...]]) -> None:
    """Print rows in columns as wide as they need to be."""
    print("\n".join(aligned(rows)))


def aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows as lines, in columns as wide as they need to be."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  " + "  ".join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
