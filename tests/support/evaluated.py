"""Evaluations to put into a store, and a store of version 1 as a file."""

import gzip
from pathlib import Path
from typing import Any

from luggin.protocol.payloads import Evaluation

OLD_STORE = Path(__file__).parents[1] / "daemon" / "store" / "version-1.sqlite.gz"
"""Written by the program before there were evaluations: a finished square-wave run-1, run-2 under way; invented."""


def unpack_old_store(path: Path) -> None:
    path.write_bytes(gzip.decompress(OLD_STORE.read_bytes()))


def evaluation(name: str = "first", runs: tuple[str, ...] = ("run-1",), **fields: Any) -> Evaluation:
    told: dict[str, Any] = {
        "name": name,
        "kind": "peaks",
        "subject": f"run/{runs[-1]}" if runs else "instrument/bench-1",
        "runs": runs,
        "settings": {"kind": "peaks", "significance": 5.0},
        "body": {"height": 1.25e-6, "potential": 0.1 + 0.2},
        "warnings": ("the top is flat",),
        "software": "luggin 0.1.0",
        "asked_by": "analyst",
        "verified": True,
        "utc": 1_790_000_700.5,
    }
    return Evaluation(**{**told, **fields})
