"""Sequence documents to test with."""

from typing import Any

from luggin.protocol import document, techniques

METHOD = document.read(techniques.TECHNIQUES["differential-pulse-voltammetry"].example)


def sequence(*steps: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"version": 1, "name": "column-day", "methods": {"dpv": METHOD, "short": METHOD}, "steps": steps, **more}
