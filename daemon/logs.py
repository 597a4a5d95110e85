"""Logs: lines to read on a terminal, JSON under systemd or wherever else they are collected.

Their size is bounded: what repeats itself is left out and counted (see repeats), and whoever collects rotates.
"""

import logging
import sys
from functools import partial
from typing import TextIO

import structlog
from structlog.typing import EventDict, Processor

from luggin.daemon.repeats import Repeats, RepeatsFilter

_LEVELS = {"debug": logging.DEBUG, "info": logging.INFO, "warning": logging.WARNING, "error": logging.ERROR}
LEVELS = tuple(_LEVELS)


def configure(level: str = "info", stream: TextIO = sys.stderr) -> None:
    """Send our logs, and those of the libraries from `warning` on, to `stream`."""
    readable, repeats = stream.isatty(), Repeats()
    last: list[Processor]
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="%H:%M:%S" if readable else "iso", utc=not readable),
    ]
    # Tracebacks without local variables: among them are passwords.
    if readable:
        last = [structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)]
    else:
        plain = structlog.tracebacks.ExceptionDictTransformer(show_locals=False)
        last = [structlog.processors.ExceptionRenderer(plain), structlog.processors.JSONRenderer(default=str)]
    structlog.configure(
        processors=[partial(_bounded, repeats), *shared, structlog.processors.StackInfoRenderer(), *last],
        wrapper_class=structlog.make_filtering_bound_logger(_LEVELS[level]),
        logger_factory=structlog.WriteLoggerFactory(stream),
        cache_logger_on_first_use=False,
    )
    handler = logging.StreamHandler(stream)
    handler.addFilter(RepeatsFilter(repeats))
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared, processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last]
        )
    )
    logging.basicConfig(handlers=[handler], level=logging.WARNING, force=True)
    logging.captureWarnings(True)


def _bounded(repeats: Repeats, _: object, level: str, event: EventDict) -> EventDict:
    """Leave out what repeats itself, and say how much of it that was."""
    if level == "debug":  # whoever asks for these wants all of them
        return event
    left_out = repeats.take(f"{level} {event.get('event')} {event.get('instrument', event.get('part', ''))}")
    if left_out is None:
        raise structlog.DropEvent
    return {**event, "left_out": left_out} if left_out else event
