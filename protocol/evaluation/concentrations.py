"""Concentrations in documents: amounts (mol/m3) or masses (kg/m3) in a volume, one of the two in a document."""

import math
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from luggin.protocol.quantity import QuantityError, parse

ConcentrationUnit = Literal["mol/m3", "kg/m3"]
UNITS: tuple[ConcentrationUnit, ...] = ("mol/m3", "kg/m3")
_PER_LITRE = {"mol/m3": (1e-3, "mol/L"), "kg/m3": (1.0, "g/L")}
_PREFIXES = {-12: "p", -9: "n", -6: "µ", -3: "m", 0: ""}


def _readable(value: object) -> float | str:
    try:
        number = parse(value, "mol/m3")
    except QuantityError as error:
        try:
            number = parse(value, "kg/m3")
        except QuantityError:
            raise ValueError(f'{error}, or a mass concentration such as "5 mg/L"') from None
    if number < 0:
        raise ValueError("a concentration must not be negative")
    return value if isinstance(value, str) else number


Concentration = Annotated[float | str, BeforeValidator(_readable), Field(json_schema_extra={"unit": "mol/m3 or kg/m3"})]
"""A number, or text with a unit that is converted once the document's unit is known; see `read`."""


def with_unit(document: Any, concentrations: Iterable[object]) -> Any:
    """The document with its `concentration_unit`: as it says, else that of the first concentration that names one."""
    if not isinstance(document, Mapping) or document.get("concentration_unit") is not None:
        return document
    given = [each for each in concentrations if isinstance(each, str)]
    unit = next((unit for each in given for unit in UNITS if _is_in(each, unit)), "mol/m3")
    return {**document, "concentration_unit": unit}


def read(concentration: float | str, unit: str, name: str) -> float:
    """The number in the document's unit.  Raises ValueError that names it."""
    try:
        return parse(concentration, unit)
    except QuantityError as error:
        raise ValueError(f"{name}: {error}; all concentrations of a document are in amounts or all in masses") from None


def scaled(largest: float, unit: str) -> tuple[float, str]:
    """(factor, unit) in which concentrations up to `largest` are shown, so that it lies between 1 and 1000."""
    base, word = _PER_LITRE[unit]
    largest = abs(largest) * base
    exponent = math.floor(math.log10(largest * (1 + 1e-9)) / 3) * 3 if largest > 0 and math.isfinite(largest) else 0
    exponent = min(max(exponent, -12), 0)
    return base / 10.0**exponent, _PREFIXES[exponent] + word


def shown(concentration: float, unit: str, digits: int = 4) -> str:
    """For people: 0.05 mol/m3 becomes "50 µmol/L"."""
    factor, word = scaled(concentration, unit)
    return f"{concentration * factor:.{digits}g} {word}"


def _is_in(text: str, unit: str) -> bool:
    try:
        parse(text, unit)
    except QuantityError:
        return False
    return True
