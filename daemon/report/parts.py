"""What a report consists of, before it is a page: plain words, in the order in which they are read."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from luggin.daemon.analysis.rounding import rounded

Fact = tuple[str, str]
_PREFIXES = {-15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}


@dataclass(frozen=True)
class Table:
    """`left_out` rows are counted, not shown."""

    head: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]
    caption: str = ""
    left_out: int = 0

    def without_empty_columns(self) -> "Table":
        """The same without columns in which no row says anything."""
        said = [column for column in range(len(self.head)) if any(row[column] not in ("", "-") for row in self.rows)]
        rows = [tuple(row[column] for column in said) for row in self.rows]
        return replace(self, head=tuple(self.head[column] for column in said), rows=rows)


@dataclass(frozen=True)
class Picture:
    """`source` is a data: address."""

    source: str
    caption: str


@dataclass(frozen=True)
class Part:
    """One heading and what stands below it.  `result` is what most readers look for; `document` is set as it is."""

    title: str
    lead: str = ""
    cautions: Sequence[str] = ()
    result: Sequence[str] = ()
    pictures: Sequence[Picture] = ()
    facts: Sequence[Fact] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    document: str = ""
    parts: Sequence["Part"] = field(default=())


def moment(utc: float) -> str:
    """A wall-clock time, to the second, in UTC."""
    try:
        return datetime.fromtimestamp(utc, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    except (ValueError, OverflowError, OSError):
        return "at no date"


def cut(rows: Sequence[tuple[str, ...]], most: int) -> tuple[Sequence[tuple[str, ...]], int]:
    """(the first rows, how many are left out)."""
    return rows[:most], max(len(rows) - most, 0)


def measured(value: float | None, uncertainty: float | None = None, factor: float = 1.0, digits: int = 4) -> str:
    """A number in the digits that it is worth, with its standard uncertainty where there is one."""
    if value is None or not math.isfinite(value):
        return "-"
    if uncertainty is not None and uncertainty > 0 and math.isfinite(uncertainty):
        return str(rounded(value * factor, uncertainty * factor))
    return f"{value * factor:.{digits}g}"


def scaled(values: Sequence[float | None]) -> tuple[float, str]:
    """(factor, prefix) that bring the largest magnitude between 1 and 1000."""
    largest = max((abs(each) for each in values if each is not None and math.isfinite(each)), default=0.0)
    exponent = min(max(math.floor(math.log10(largest) / 3) * 3, -15), 9) if largest > 0 else 0
    return 10.0**-exponent, _PREFIXES[exponent]
