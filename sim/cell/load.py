"""From a name, a file or a mapping to a cell that runs."""

import re
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from luggin.protocol.document import MOST_BYTES, bounded, read
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.sim.cell.api import Cell, CellError
from luggin.sim.cell.build import build
from luggin.sim.cell.document import CellDocument

Source = str | Path | Mapping[str, Any]


def names() -> list[str]:
    """The cells that come with the package."""
    folder = resources.files("luggin.sim.cell") / "cells"
    return sorted(each.name.removesuffix(".toml") for each in folder.iterdir() if each.name.endswith(".toml"))


def load_cell(
    source: Source, *, seed: int = 0, concentrations: Mapping[str, float] | None = None, run: int = 0
) -> Cell:
    """Make a cell from a shipped name, the path of a TOML or JSON file, or a mapping.

    The same document, `seed`, `run` and steps give the same points. `concentrations` (mol/m3, by species) replaces
    those of the document; `run`, counted from 1, says how many of the document's additions have been made. Raises
    `DocumentError`, which names each wrong field, its value and what would be right.
    """
    document = load_document(source)
    try:
        with np.errstate(over="raise", divide="raise", invalid="raise"):
            return build(document, np.random.default_rng(seed), concentrations or {}, run)
    except (DocumentError, CellError):
        raise
    except (ArithmeticError, ValueError):
        reason = "some of its numbers are too large or too small to compute with; look at their units"
        raise DocumentError([Problem("cell", None, reason)]) from None


def load_document(source: Source) -> CellDocument:
    if isinstance(source, Mapping):
        data = dict(source)
        bounded(data, "cell")
    else:
        data = read(*_text(source))
    try:
        return CellDocument.model_validate(data)
    except ValidationError as error:
        raise DocumentError(from_validation(error)) from None


def _text(source: str | Path) -> tuple[bytes, str]:
    """The document's text (no more of it than is read at all) and its name."""
    if isinstance(source, str) and re.fullmatch(r"[a-z0-9-]{1,64}", source):
        if source not in names():
            raise DocumentError([Problem("cell", source, "no such cell", f"known are {', '.join(names())}")])
        return (resources.files("luggin.sim.cell") / "cells" / f"{source}.toml").read_bytes(), source
    try:
        with Path(source).open("rb") as file:
            return file.read(MOST_BYTES + 1), str(source)
    except (OSError, ValueError) as error:  # a name that no file can have is a ValueError
        reason = getattr(error, "strerror", None) or error
        raise DocumentError(
            [Problem("cell", str(source), f"can't be read ({reason})", "give a shipped name or a TOML file")]
        ) from None
