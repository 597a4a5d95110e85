"""Equivalent circuits in the trade's short notation, and their impedance.

A circuit is written as its elements in series; a parenthesis holds what is in parallel, a parenthesis within that
again what is in series, and so on in turn: "R(C(RW))" is a resistance in series with a capacitance that lies
parallel to a resistance and a Warburg impedance in series (Boukamp, Solid State Ionics 20 (1986) 31).

    R  resistance, ohm                          C  capacitance, F
    L  inductance, H                            Q  constant phase element 1 / (Q (jw)^n), Q in S s^n
    W  semi-infinite diffusion s (1 - j) / sqrt(w), s in ohm s^(-1/2)
    O  diffusion through a finite layer, R tanh(sqrt(jw tau)) / sqrt(jw tau)
    T  diffusion in a bounded layer, R coth(sqrt(jw tau)) / sqrt(jw tau)
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from luggin.daemon.analysis.arrays import Complexes, Floats, all_positive, floats
from luggin.daemon.analysis.errors import AnalysisError

_LONGEST = 64
_DEEPEST = 8
_MOST_PARAMETERS = 20

COMMON_CIRCUITS: Mapping[str, str] = MappingProxyType(
    {
        "RC": "ideally polarisable electrode: solution resistance and double layer",
        "RQ": "blocking electrode with a constant phase element",
        "R(RC)": "solution resistance, charge transfer, double layer",
        "R(RQ)": "the same with a constant phase element for a rough electrode",
        "LR(RQ)": "the same with the inductance of the leads",
        "R(C(RW))": "Randles: charge transfer and semi-infinite diffusion",
        "R(Q(RW))": "Randles with a constant phase element",
        "R(C(RO))": "charge transfer and diffusion through a finite layer (rotating disk, film)",
        "R(Q(RO))": "the same with a constant phase element",
        "R(Q(RT))": "charge transfer and diffusion in a bounded layer (insertion electrode)",
        "R(RC)(RC)": "two relaxations in series",
        "R(RQ)(RQ)": "two relaxations in series with constant phase elements",
        "R(C(R(RC)))": "coated metal: coating with pores, charge transfer at their ground",
        "R(Q(R(RQ)))": "coated metal with constant phase elements",
    }
)


class Parameter(NamedTuple):
    """One number of a circuit.  An exponent lies between 0 and 1, everything else is above zero."""

    name: str
    unit: str
    kind: Literal["R", "C", "L", "Q", "W", "exponent", "time"]


@dataclass(frozen=True)
class Element:
    """A letter of the notation, and where its parameters start."""

    letter: str
    first: int


@dataclass(frozen=True)
class Group:
    """Elements and groups in series or in parallel."""

    parallel: bool
    members: tuple["Element | Group", ...]


@dataclass(frozen=True)
class Circuit:
    """A circuit that was read: its code, its tree, and its parameters in the order of the code."""

    code: str
    root: Group
    parameters: tuple[Parameter, ...]

    def impedance(self, frequency: ArrayLike, values: ArrayLike) -> Complexes:
        """Impedance in ohm, shape (n,), at frequencies in Hz, for parameter values of shape (p,) in SI units."""
        f = floats("frequency", frequency)
        all_positive("frequency", f)
        numbers = floats("values", values)
        if numbers.size != len(self.parameters):
            names = ", ".join(parameter.name for parameter in self.parameters)
            raise AnalysisError(f"{self.code} has the parameters {names}, and {numbers.size} values were given.")
        return self.at(laplace(f), numbers)

    def at(self, s: Complexes, values: Floats) -> Complexes:
        """Impedance at complex angular frequencies s = jw, unchecked, for fits."""
        return _impedance(self.root, s, values)

    def symmetric_groups(self) -> Iterator[tuple[slice, ...]]:
        """Parameter ranges of neighbouring groups of the same make, whose values could be exchanged."""
        yield from _symmetric(self.root)


def laplace(frequency: Floats) -> Complexes:
    """Complex angular frequency s = jw for frequencies in Hz."""
    return np.asarray(2j * np.pi * frequency, dtype=np.complex128)


@cache
def read_circuit(code: str) -> Circuit:
    """Read the notation; raises AnalysisError that says at which character it goes wrong."""
    if not code or len(code) > _LONGEST:
        raise AnalysisError(f"A circuit is written with 1 to {_LONGEST} characters, such as R(RC); got {len(code)}.")
    parameters: list[Parameter] = []
    root, end = _group(code, 0, 0, parameters)
    if end != len(code):
        raise AnalysisError(f'Circuit "{code}" closes a parenthesis at character {end + 1} that it never opened.')
    if len(parameters) > _MOST_PARAMETERS:
        raise AnalysisError(f'Circuit "{code}" has {len(parameters)} parameters; {_MOST_PARAMETERS} are the most.')
    return Circuit(code, root, tuple(parameters))


_UNITS: Mapping[str, str] = MappingProxyType({"R": "ohm", "C": "F", "L": "H", "W": "ohm s^-0.5", "Q": "S s^n"})


def _group(code: str, start: int, depth: int, parameters: list[Parameter]) -> tuple[Group, int]:
    members: list[Element | Group] = []
    at = start
    while at < len(code) and code[at] != ")":
        if code[at] == "(":
            if depth == _DEEPEST:
                raise AnalysisError(f'Circuit "{code}" nests deeper than {_DEEPEST} parentheses.')
            inner, end = _group(code, at + 1, depth + 1, parameters)
            if end == len(code):
                raise AnalysisError(f'Circuit "{code}" never closes the parenthesis opened at character {at + 1}.')
            if len(inner.members) < 2:
                raise AnalysisError(f'Circuit "{code}" has fewer than two elements in the parenthesis at {at + 1}.')
            members.append(inner)
            at = end + 1
            continue
        members.append(Element(code[at], len(parameters)))
        parameters += _parameters(code, at, parameters)
        at += 1
    return Group(depth % 2 == 1, tuple(members)), at


def _parameters(code: str, at: int, so_far: list[Parameter]) -> list[Parameter]:
    letter = code[at]

    def numbered(stem: str) -> str:
        return f"{stem}{sum(parameter.name.rstrip('0123456789') == stem for parameter in so_far) + 1}"

    if letter in ("R", "C", "L", "W"):
        return [Parameter(numbered(letter), _UNITS[letter], letter)]  # type: ignore[arg-type]
    if letter == "Q":
        return [Parameter(numbered("Q"), _UNITS["Q"], "Q"), Parameter(numbered("n"), "1", "exponent")]
    if letter in ("O", "T"):
        return [Parameter(numbered(letter), "ohm", "R"), Parameter(numbered("tau"), "s", "time")]
    raise AnalysisError(f'Circuit "{code}" has "{letter}" at character {at + 1}; elements are R, C, L, Q, W, O and T.')


def _impedance(node: Element | Group, s: Complexes, values: Floats) -> Complexes:
    if isinstance(node, Group):
        parts = [_impedance(member, s, values) for member in node.members]
        total = sum(1 / part for part in parts) if node.parallel else sum(parts)
        return np.asarray(1 / total if node.parallel else total, dtype=np.complex128)
    value = values[node.first]
    match node.letter:
        case "R":
            return np.full(s.shape, value, dtype=np.complex128)
        case "C":
            return np.asarray(1 / (s * value))
        case "L":
            return np.asarray(s * value)
        case "W":
            return np.asarray(value * np.sqrt(2) / np.sqrt(s))
        case "Q":
            return np.asarray(1 / (value * s ** values[node.first + 1]))
        case _:
            root = np.sqrt(s * values[node.first + 1])
            shape = np.tanh(root)
            return np.asarray(value * (shape if node.letter == "O" else 1 / shape) / root)


def _symmetric(node: Element | Group) -> Iterator[tuple[slice, ...]]:
    if isinstance(node, Element):
        return
    alike: dict[str, list[slice]] = {}
    for member in node.members:
        if isinstance(member, Group):
            letters, first, size = _shape(member)
            alike.setdefault(letters, []).append(slice(first, first + size))
        yield from _symmetric(member)
    yield from (tuple(group) for group in alike.values() if len(group) > 1)


def _shape(group: Group) -> tuple[str, int, int]:
    """Letters of a group with its parentheses, the index of its first parameter, and how many it has."""
    letters, firsts, size = "", [], 0
    for member in group.members:
        if isinstance(member, Group):
            inner, first, count = _shape(member)
            letters, size = f"{letters}({inner})", size + count
        else:
            first, letters = member.first, letters + member.letter
            size += 2 if member.letter in "QOT" else 1
        firsts.append(first)
    return letters, min(firsts), size
