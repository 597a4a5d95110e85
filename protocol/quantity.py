"""Quantities with units: "100 mV/s" becomes 0.1, and the unit is checked.

Inside the project every number is SI, so a bare number is taken as SI.  The table of units is closed and there is no
expression evaluation: a general unit library evaluates arithmetic found in its input ("9**9**9"), which an
unauthenticated document must not be able to ask for.  The tests compare every unit here with such a library.
"""

import math
import re
from fractions import Fraction
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

Dimension = tuple[int, int, int, int, int, int]


def _dim(m: int = 0, kg: int = 0, s: int = 0, a: int = 0, k: int = 0, mol: int = 0) -> Dimension:
    return (m, kg, s, a, k, mol)


_UNITS: dict[str, tuple[Dimension, Fraction]] = {
    "V": (_dim(2, 1, -3, -1), Fraction(1)),
    "A": (_dim(a=1), Fraction(1)),
    "C": (_dim(s=1, a=1), Fraction(1)),
    "Ah": (_dim(s=1, a=1), Fraction(3600)),
    "ohm": (_dim(2, 1, -3, -2), Fraction(1)),
    "Ω": (_dim(2, 1, -3, -2), Fraction(1)),
    "F": (_dim(-2, -1, 4, 2), Fraction(1)),
    "W": (_dim(2, 1, -3), Fraction(1)),
    "J": (_dim(2, 1, -2), Fraction(1)),
    "s": (_dim(s=1), Fraction(1)),
    "min": (_dim(s=1), Fraction(60)),
    "h": (_dim(s=1), Fraction(3600)),
    "d": (_dim(s=1), Fraction(86400)),
    "Hz": (_dim(s=-1), Fraction(1)),
    "rpm": (_dim(s=-1), Fraction(1, 60)),
    "m": (_dim(m=1), Fraction(1)),
    "L": (_dim(m=3), Fraction(1, 1000)),
    "l": (_dim(m=3), Fraction(1, 1000)),
    "g": (_dim(kg=1), Fraction(1, 1000)),
    "mol": (_dim(mol=1), Fraction(1)),
    "M": (_dim(m=-3, mol=1), Fraction(1000)),
    "K": (_dim(k=1), Fraction(1)),
    "%": (_dim(), Fraction(1, 100)),
    "1": (_dim(), Fraction(1)),
}
_NO_PREFIX = {"min", "h", "d", "rpm", "%", "1"}
_PREFIXES = {
    symbol: Fraction(10) ** power
    for symbol, power in {
        "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "c": -2, "d": -1, "k": 3, "M": 6, "G": 9,
    }.items()
}  # fmt: skip
_SUPERSCRIPTS = str.maketrans("⁻¹²³", "-123")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_FACTOR = re.compile(r"([A-Za-zµμΩ%]+|1)\^?(-?[1-3])?")
_CELSIUS = {"°C", "degC"}
_LONGEST = 64
_EXAMPLES = {
    "V": '"0.4 V"', "V/s": '"100 mV/s"', "A": '"10 uA"', "s": '"30 s"', "C": '"1 mC"', "K": '"25 degC"',
    "mol/m3": '"50 umol/L"', "kg/m3": '"5 mg/L"', "m3": '"10 mL"',
}  # fmt: skip


class QuantityError(ValueError):
    """A value that is no quantity of the wanted unit; the message says what was wrong and what is expected."""


def parse(value: object, unit: str) -> float:
    """Turn `value` (a number, taken as SI, or text such as "100 mV/s") into the SI number of dimension `unit`.

    Raises QuantityError when the text is no quantity, its unit has another dimension, or the number is not finite.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise QuantityError(f"expected a quantity such as {_example(unit)}, got {_shown(value)}")
    if isinstance(value, int | float):
        return _finite(value, value)
    text = value.strip()
    number = _NUMBER.match(text)
    if len(text) > _LONGEST or number is None:
        raise QuantityError(f"expected a quantity such as {_example(unit)}, got {_shown(value)}")
    symbol = text[number.end() :].strip()
    magnitude = Fraction(number.group())  # exact, so that "10 uA" is the float 1e-5 and not its neighbour
    if not symbol and unit != "1":
        raise QuantityError(f"{_shown(value)} has no unit; write for instance {_example(unit)}")
    if symbol in _CELSIUS and unit == "K":
        return _finite(magnitude + Fraction(27315, 100), value)
    dimension, factor = _resolve(symbol or "1", value, unit)
    wanted, scale = _resolve(unit, value, unit)
    if dimension != wanted:
        raise QuantityError(f"{_shown(value)} is in {symbol}, but a quantity in {unit} is needed")
    return _finite(magnitude * factor / scale, value)


def show(value: float, unit: str) -> str:
    """Write an SI number for people: 0.1 V/s becomes "100 mV/s", with at most six significant digits."""
    head = re.match(r"[A-Za-zΩ]+", unit)
    if value == 0 or not math.isfinite(value) or head is None or unit in ("K", "1"):
        return f"{value:.6g}" + ("" if unit == "1" else f" {unit}")
    if unit == "s" and abs(value) >= 1e-3:
        return f"{value:.6g} s"
    if head.end() < len(unit) and unit[head.end()] in "0123456789^²³":
        return f"{value:.6g} {unit}"
    exponent = min(max(math.floor(math.log10(abs(value) * (1 + 1e-9)) / 3) * 3, -12), 9)
    prefix = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G"}[exponent]
    return f"{value / 10.0**exponent:.6g} {prefix}{unit}"


def _resolve(symbol: str, value: object, unit: str) -> tuple[Dimension, Fraction]:
    dimension, factor, sign, position = [0] * 6, Fraction(1), 1, 0
    text = symbol.translate(_SUPERSCRIPTS)
    while position < len(text):
        found = _FACTOR.match(text, position)
        if found is None:
            break
        one, scale = _atom(found.group(1), value, unit)
        power = sign * int(found.group(2) or 1)
        dimension = [d + power * o for d, o in zip(dimension, one, strict=True)]
        factor *= scale**power
        position = found.end()
        separator = re.compile(r"\s*([/*·])\s*|\s+").match(text, position)
        if separator is None:
            break
        sign = -1 if separator.group(1) == "/" else sign if separator.group(1) is None else 1
        position = separator.end()
        if position == len(text):
            raise QuantityError(f"{_shown(value)} ends in an operator; a quantity in {unit} is needed")
    if position != len(text):
        raise QuantityError(f"unit {symbol!r} in {_shown(value)} is unknown; a quantity in {unit} is needed")
    return (dimension[0], dimension[1], dimension[2], dimension[3], dimension[4], dimension[5]), factor


def _atom(symbol: str, value: object, unit: str) -> tuple[Dimension, Fraction]:
    if symbol in _UNITS:
        return _UNITS[symbol]
    prefix, rest = symbol[0], symbol[1:]
    if prefix in _PREFIXES and rest in _UNITS and rest not in _NO_PREFIX:
        dimension, factor = _UNITS[rest]
        return dimension, factor * _PREFIXES[prefix]
    raise QuantityError(f"unit {symbol!r} in {_shown(value)} is unknown; a quantity in {unit} is needed")


def _finite(number: float | Fraction, value: object) -> float:
    try:
        result = float(number)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise QuantityError(f"{_shown(value)} is not a finite number")
    return result


def _example(unit: str) -> str:
    return _EXAMPLES.get(unit, f'"1 {unit}"')


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= _LONGEST else text[:_LONGEST] + "..."


def _field(unit: str) -> Any:
    return (BeforeValidator(lambda value: parse(value, unit)), Field(json_schema_extra={"unit": unit}))


Potential = Annotated[float, *_field("V")]
ScanRate = Annotated[float, *_field("V/s")]
Current = Annotated[float, *_field("A")]
CurrentRate = Annotated[float, *_field("A/s")]
Charge = Annotated[float, *_field("C")]
Duration = Annotated[float, *_field("s")]
Frequency = Annotated[float, *_field("Hz")]
Temperature = Annotated[float, *_field("K")]
Area = Annotated[float, *_field("m2")]
Resistance = Annotated[float, *_field("ohm")]
Capacitance = Annotated[float, *_field("F")]
Concentration = Annotated[float, *_field("mol/m3")]
MolarMass = Annotated[float, *_field("kg/mol")]
MassConcentration = Annotated[float, *_field("kg/m3")]
Volume = Annotated[float, *_field("m3")]
Diffusion = Annotated[float, *_field("m2/s")]
Ratio = Annotated[float, *_field("1")]
