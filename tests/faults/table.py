"""Accounts of many scenarios in one table, a line for each kind of fault."""

from collections.abc import Iterable, Sequence
from typing import Any

from faults.account import Account

_COLUMNS = ("runs", "sent", "stored", "received", "gone", "lost", "doubled", "off", "unknown", "cell_off", "wrong")
_HEADS = {
    "runs": "scenarios",
    "gone": "gone, and said so",
    "off": "cells off",
    "unknown": "said unknown",
    "cell_off": "slowest off, s",
}


def rows(accounts: Iterable[Account]) -> list[dict[str, Any]]:
    """One row a kind, in the order of the alphabet, and one of all.

    `gone` are points that the instrument itself no longer had, `lost` acknowledged ones that are not stored.
    """
    found: dict[str, dict[str, Any]] = {}
    for account in accounts:
        for kind in (account.kind, "all"):
            row = found.setdefault(kind, {"kind": kind, **dict.fromkeys(_COLUMNS, 0)})
            row["runs"] += 1
            for name in ("sent", "stored", "received", "gone", "lost", "doubled"):
                row[name] += getattr(account, name)
            row[account.cell] += 1
            row["cell_off"] = max(row["cell_off"], round(account.cell_off, 3))
            row["wrong"] += bool(account.wrong)
    return [found[kind] for kind in sorted(found, key=lambda kind: (kind == "all", kind))]


def text(made: Sequence[dict[str, Any]]) -> str:
    """The rows as a table of Markdown."""
    heads = ["fault", *(_HEADS.get(name, name) for name in _COLUMNS)]
    lines = [heads, ["---"] + ["---:"] * len(_COLUMNS)]
    lines += [
        [str(row["kind"]), *(f"{row[name]:g}" if name == "cell_off" else str(row[name]) for name in _COLUMNS)]
        for row in made
    ]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
