"""Which runs are looked for, and how the database finds them.

Nothing is indexed for it: reading the headers of ten thousand runs takes some tenths of a second.
"""

import sqlite3
from dataclasses import dataclass, fields

_TEXTS = ("name", "notes", "setup.sample", "setup.cell", "setup.electrode", "setup.counter", "setup.tags")


@dataclass(frozen=True)
class Wanted:
    """What a run must have; an empty field asks for nothing.  Upper and lower case are the same.

    `sequence` is the name of an execution, `tag` one of the method's tags, `text` stands anywhere in the method's name
    and notes and in what it says of sample, cell, electrodes and tags.  `since` and `until` bound the start, s since
    1970, `until` exclusive.
    """

    instrument: str = ""
    technique: str = ""
    method: str = ""
    electrode: str = ""
    reference: str = ""
    sample: str = ""
    tag: str = ""
    sequence: str = ""
    text: str = ""
    since: float | None = None
    until: float | None = None

    @property
    def anything(self) -> bool:
        return any(getattr(self, field.name) != field.default for field in fields(self))


def conditions(wanted: Wanted) -> tuple[list[str], list[object]]:
    """SQL conditions on table runs as r, and their values."""
    columns = {name: f"r.{name}" for name in ("instrument", "technique", "method")}
    setup = {name: f"json_extract(r.header, '$.method.setup.{name}')" for name in ("electrode", "reference", "sample")}
    found: list[tuple[str, object]] = [
        (f"fold({where}) = ?", getattr(wanted, name).casefold())
        for name, where in {**columns, **setup}.items()
        if getattr(wanted, name)
    ]
    if wanted.since is not None:
        found.append(("r.utc >= ?", wanted.since))
    if wanted.until is not None:
        found.append(("r.utc < ?", wanted.until))
    tags = "EXISTS (SELECT 1 FROM json_each(r.header, '$.method.setup.tags') WHERE {})"
    if wanted.tag:
        found.append((tags.format("fold(value) = ?"), wanted.tag.casefold()))
    if wanted.sequence:
        found.append((tags.format("instr(fold(value), ?) = 1"), f"{wanted.sequence.casefold()}/"))
    if wanted.text:
        texts = " || char(10) || ".join(f"coalesce(json_extract(r.header, '$.method.{each}'), '')" for each in _TEXTS)
        found.append((f"instr(fold({texts}), ?) > 0", wanted.text.casefold()))
    return [condition for condition, _ in found], [value for _, value in found]


def teach(connection: sqlite3.Connection) -> None:
    """Give a connection the function that these conditions need."""
    connection.create_function("fold", 1, _fold, deterministic=True)


def _fold(value: object) -> str:
    return "" if value is None else str(value).casefold()
