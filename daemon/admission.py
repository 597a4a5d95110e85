"""Whether a method may start on this instrument: everything that can be said before the cell is touched."""

from collections.abc import Mapping, Sequence
from typing import Any

from luggin.daemon.settings import InstrumentSettings
from luggin.protocol import method
from luggin.protocol.capability import Capability, check
from luggin.protocol.method import Method
from luggin.protocol.problem import DocumentError, Problem
from luggin.protocol.program import Program


def admit(
    document: Mapping[str, Any], capability: Capability, settings: InstrumentSettings, unfit: Sequence[Problem] = ()
) -> tuple[Method, Program]:
    """The method and its program; `unfit` is what it requires and does not stand (see fitness).

    Raises DocumentError listing every problem.
    """
    parsed = method.parse(dict(document))
    program = method.compile_method(parsed)
    problems = [*check(program, capability), *unfit]
    if _plain(parsed.setup.reference) != _plain(settings.reference):
        reason = "the potentials are against another reference electrode than the one in this cell"
        allowed = f"the cell has {settings.reference}; use a method for it, or correct the configuration"
        problems.append(Problem("setup.reference", parsed.setup.reference, reason, allowed))
    if not capability.dead_man and not settings.without_dead_man:
        reason = "the instrument has no dead-man timer, a lost link would leave the cell energised"
        problems.append(Problem("instrument", None, reason, "attended only: set without_dead_man = true for it"))
    if problems:
        raise DocumentError(problems)
    return parsed, program


def _plain(reference: str) -> str:
    return " ".join(reference.casefold().split())
