"""Faults as text: `KIND`, `KIND=VALUE`, `KIND@TIME` or `KIND=VALUE@TIME`, with TIME the run time at which it comes."""

import math
from dataclasses import dataclass

from luggin.drivers.errors import SettingsError
from luggin.protocol.problem import Problem
from luggin.protocol.quantity import QuantityError, parse
from luggin.sim.fault_kinds import KINDS


@dataclass(frozen=True)
class Fault:
    """One fault.  `at` is a run time in s; None is at once."""

    kind: str
    value: float = 0.0
    at: float | None = None


def parse_fault(text: str) -> Fault:
    """Understand one fault.  Raises SettingsError, saying what is wrong."""
    head, *when = text.strip().split("@", 1)
    kind, *value = (part.strip() for part in head.split("=", 1))
    if kind not in KINDS:
        raise _wrong(text, "there is no such fault", f"known are {', '.join(KINDS)}")
    unit = KINDS[kind][0]
    if (unit is None) != (not value):
        raise _wrong(text, f"{kind} takes no value" if unit is None else f"{kind} needs a value, {kind}=...")
    try:
        size = _number(value[0], unit) if unit is not None else 0.0
        at = _number(when[0], "s") if when else None
    except QuantityError as error:
        raise _wrong(text, str(error)) from None
    if unit in ("s", "1") and not 0 <= size <= (math.inf if unit == "s" else 1):
        raise _wrong(text, f"{kind} can't be {size:g}", "give 0 to 1" if unit == "1" else "give 0 s or more")
    return Fault(kind, size, at)


def _number(text: str, unit: str) -> float:
    try:
        return parse(float(text), unit)
    except ValueError:
        return parse(text.strip(), unit)


def _wrong(text: str, reason: str, allowed: str = "") -> SettingsError:
    return SettingsError([Problem("fault", text, reason, allowed)])
