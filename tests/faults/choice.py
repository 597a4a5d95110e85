"""Methods to be disturbed: every technique that the simulated instrument says it executes, with parameters drawn."""

from collections.abc import Iterator
from functools import cache
from random import Random
from typing import Any

from luggin.protocol import document, method
from luggin.protocol.capability import check
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import Program, bounds
from luggin.protocol.quantity import QuantityError, parse
from luggin.protocol.techniques import TECHNIQUES
from luggin.sim.models import MODELS

MODEL = "bench"
REFERENCE = "Ag/AgCl (3 M KCl)"
_CELLS = {
    "column-inlet": "paracetamol",
    "column-outlet": "paracetamol",
    "rinse-water": "metal-film",
    "carbon-electrode": "storage",
    "process-water": "corroding",
    "dummy-cell": "dummy-r-rc",
}
_FACTORS = (0.6, 1.5)
_SCALED = ("s", "V/s")  # units of what may be stretched without leaving a technique's sense
_TRIES = 8


@cache
def executed() -> tuple[str, ...]:
    """Full names of the techniques whose example the instrument takes."""
    return tuple(name for name, each in TECHNIQUES.items() if not _problems(document.read(each.example)))


def cell_of(data: dict[str, Any]) -> str:
    """The simulated cell for an example's sample."""
    if data["technique"] == "zero-resistance-ammetry":
        return "galvanic-couple"  # it needs a second electrode
    return _CELLS.get(data["setup"].get("sample", ""), "redox-probe")


def draw(random: Random, technique: str) -> dict[str, Any]:
    """A method of this technique: its example with times and rates stretched, and a dead-man rule."""
    example = document.read(TECHNIQUES[technique].example)
    for _ in range(_TRIES):
        data: dict[str, Any] = {**_stretched(example, random), "dead_man": _dead_man(random)}
        if not _problems(data):
            return data
    return {**example, "dead_man": _dead_man(random)}


def program_of(data: dict[str, Any]) -> Program:
    return method.compile_method(method.parse(data))


def duration_of(data: dict[str, Any]) -> float:
    """Upper bound (s of run time)."""
    return float(bounds(program_of(data)).duration)


def _problems(data: dict[str, Any]) -> bool:
    try:
        return bool(check(program_of(data), MODELS[MODEL].capability("1")))
    except DocumentError:
        return True


def _dead_man(random: Random) -> dict[str, Any]:
    rule: dict[str, Any] = {"timeout": random.choice([0.5, 2.0, 10.0, 10.0])}
    match random.randrange(4):
        case 0:
            rule |= {"action": "continue", "duration": random.uniform(1.0, 60.0)}
        case 1:
            rule |= {"action": "hold", "potential": 0.0, "duration": random.uniform(1.0, 20.0)}
    return rule


def _stretched(data: dict[str, Any], random: Random) -> dict[str, Any]:
    def changed(value: Any, name: str) -> Any:
        if isinstance(value, dict):
            return {key: changed(inner, key) for key, inner in value.items()}
        if isinstance(value, list):
            return [changed(inner, name) for inner in value]
        size = next(_sizes(value), None)
        return value if size is None or random.random() < 0.5 else size * random.uniform(*_FACTORS)

    return {**data, "phases": changed(data["phases"], "phases")}


def _sizes(value: object) -> Iterator[float]:
    """The size of a quantity that may be stretched."""
    for unit in _SCALED:
        if isinstance(value, str):
            try:
                yield parse(value, unit)
            except QuantityError:
                continue
