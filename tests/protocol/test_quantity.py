"""Quantities, compared with pint (reference library) for every unit and prefix of the table."""

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.protocol.quantity import QuantityError, parse, show

UNITS: pint.UnitRegistry[float] = pint.UnitRegistry()
IN_PINT = {"Ω": "ohm", "ohm": "ohm", "Ah": "ampere * hour", "M": "mol / liter", "C": "coulomb", "d": "day", "h": "hour"}


@pytest.mark.parametrize(
    ("text", "unit", "in_pint", "si"),
    [
        ("100 mV/s", "V/s", "100 mV/s", "V/s"),
        ("10 uA", "A", "10 uA", "A"),
        ("10 µA", "A", "10 uA", "A"),
        ("2.5 nA", "A", "2.5 nA", "A"),
        ("3 min", "s", "3 minute", "s"),
        ("2 h", "s", "2 hour", "s"),
        ("1.5 d", "s", "1.5 day", "s"),
        ("7.07 mm2", "m2", "7.07 mm**2", "m**2"),
        ("0.07 cm^2", "m2", "0.07 cm**2", "m**2"),
        ("0.07 cm²", "m2", "0.07 cm**2", "m**2"),
        ("20 uF/cm2", "F/m2", "20 uF/cm**2", "F/m**2"),
        ("1e-5 cm2/s", "m2/s", "1e-5 cm**2/s", "m**2/s"),
        ("1e-5 cm2 s-1", "m2/s", "1e-5 cm**2/s", "m**2/s"),
        ("1 mM", "mol/m3", "1 mmol/liter", "mol/m**3"),
        ("1 mmol/L", "mol/m3", "1 mmol/liter", "mol/m**3"),
        ("250 uL", "m3", "250 uliter", "m**3"),
        ("5 kohm", "ohm", "5 kohm", "ohm"),
        ("5 kΩ", "ohm", "5 kohm", "ohm"),
        ("2 mAh", "C", "2 mA*hour", "coulomb"),
        ("3000 rpm", "Hz", "3000 / minute", "Hz"),
        ("1 mg/L", "kg/m3", "1 mg/liter", "kg/m**3"),
        ("2.5 ug/mL", "kg/m3", "2.5 ug/mL", "kg/m**3"),
        ("40 ng/L", "kg/m3", "40 ng/liter", "kg/m**3"),
        ("3 g/m3", "kg/m3", "3 g/m**3", "kg/m**3"),
        ("-0.2 V", "V", "-0.2 V", "V"),
        (".5 mC", "C", "0.5 mC", "coulomb"),
        ("1 A", "A", "1 A", "A"),
    ],
)
def test_agrees_with_reference_library(text: str, unit: str, in_pint: str, si: str) -> None:
    assert parse(text, unit) == pytest.approx(UNITS.Quantity(in_pint).to(si).magnitude, rel=1e-15)


def test_celsius_and_share() -> None:
    assert parse("25 °C", "K") == parse("25 degC", "K") == 298.15
    assert parse("50 %", "1") == 0.5


def test_decimal_text_gives_the_nearest_float() -> None:
    assert parse("10 uA", "A") == 1e-5
    assert parse("0.3 mV", "V") == 3e-4


def test_bare_numbers_are_si() -> None:
    assert parse(0.1, "V/s") == 0.1
    assert parse(3, "s") == 3.0


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        ("100 mV", "V/s", "in mV, but a quantity in V/s"),
        ("100", "V", "no unit"),
        ("5 xV", "V", "'xV'"),
        ("5 V/", "V", "operator"),
        ("", "V", "expected a quantity"),
        ("fast", "V/s", '"100 mV/s"'),
        (True, "V", "True"),
        (None, "V", "None"),
        ([1], "V", "[1]"),
        (math.nan, "V", "finite"),
        ("1e999 V", "V", "finite"),
        ("9**9**9 V", "V", "unknown"),
        ("1 mmin", "s", "'mmin'"),
        ("1" * 200 + " V", "V", "expected a quantity"),
    ],
)
def test_says_what_is_wrong(value: object, unit: str, said: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse(value, unit)
    assert said in str(caught.value)
    assert len(str(caught.value)) < 200


@given(st.text(max_size=80))
def test_any_text_is_a_number_or_a_clear_refusal(text: str) -> None:
    try:
        assert math.isfinite(parse(text, "V"))
    except QuantityError as error:
        assert str(error)


@given(st.floats(min_value=1e-11, max_value=1e8), st.sampled_from(["V", "A", "V/s", "C", "Hz", "ohm"]))
def test_what_is_shown_can_be_read_again(value: float, unit: str) -> None:
    for number in (value, -value):
        assert parse(show(number, unit), unit) == pytest.approx(number, rel=1e-5)
