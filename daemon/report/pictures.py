"""Figures as they stand in a page: inside it."""

import base64
import io

from matplotlib.figure import Figure

from luggin.daemon.figures.draw import save
from luggin.daemon.report.parts import Picture

_LARGEST_SVG = 400_000


def picture(figure: Figure, caption: str) -> Picture:
    """Lines that print sharply at any size; as dots where the lines alone would make the page heavy."""
    drawn = io.BytesIO()
    save(figure, drawn, "svg")
    form = "svg+xml"
    if len(drawn.getvalue()) > _LARGEST_SVG:
        drawn, form = io.BytesIO(), "png"
        figure.set_dpi(220)
        save(figure, drawn, "png")
    return Picture(f"data:image/{form};base64,{base64.b64encode(drawn.getvalue()).decode()}", caption)
