"""From parts to the page: HTML that loads nothing, runs nothing and prints on A4.

Whatever stands in a method, an event or a package is escaped by the template engine and made legible first.
"""

import time
from collections.abc import Sequence
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from luggin.daemon.legible import legible
from luggin.daemon.report.parts import Part, moment

_LONGEST = 6000
_LONGEST_CELL = 800
_SHORT = 26
"""Characters of a cell that stays on one line."""


def render(title: str, parts: Sequence[Part], software: str, utc: float | None = None) -> str:
    """The whole page.  `utc` is when it was made, s since 1970; now by default."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["short"] = lambda cell: len(cell) <= _SHORT and "\n" not in cell
    environment.filters["cell"] = lambda cell: legible(cell, _LONGEST_CELL, lines=True)
    made = moment(time.time() if utc is None else utc)
    return environment.get_template("page.html").render(title=title, parts=parts, software=software, made=made)


def _shown(value: object) -> object:
    """What an expression of the template gives: legible text, unless the template itself made it."""
    return value if isinstance(value, Markup | int) else legible(value, _LONGEST, lines=True)
