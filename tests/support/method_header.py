"""The header that the session makes for a run of a method on the scripted instrument."""

from collections.abc import Mapping
from typing import Any

from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.reports import header_of
from luggin.protocol import method
from luggin.protocol.payloads import RunHeader, Start
from support.attended import METHOD, SETTINGS
from support.scripted import CAPABILITY


def header(run: str, document: Mapping[str, Any] = METHOD, instrument: str = "left") -> RunHeader:
    parsed = method.parse(dict(document))
    start = Start(request="request-0", token="", method=dict(document))
    return header_of(
        "lab",
        instrument,
        run,
        method=parsed,
        program=method.compile_method(parsed),
        capability=CAPABILITY,
        boot="boot-1",
        settings=SETTINGS,
        software="luggin 0",
        command=ReceivedCommand("start", "anna", True, start, "mqtt"),
        clock=Clock(),
    )
