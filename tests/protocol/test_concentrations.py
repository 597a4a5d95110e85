"""Concentrations in documents, and the settings of the kinds that quantify."""

from typing import Any

import pytest

from luggin.protocol.evaluation import settings_of
from luggin.protocol.evaluation.concentrations import scaled, shown
from luggin.protocol.evaluation.quantification_settings import CalibrationSettings, ConcentrationSettings
from luggin.protocol.problem import DocumentError
from luggin.protocol.quantity import parse


def levels(*concentrations: float | str) -> dict[str, Any]:
    standards = [{"concentration": each, "label": f"standard-{n}"} for n, each in enumerate(concentrations)]
    return {"name": "paracetamol-gc-3", "analyte": "paracetamol", "levels": standards}


@pytest.mark.parametrize("unit", ["mol/m3", "kg/m3"])
@pytest.mark.parametrize("value", [0.0, 3e-12, 4.2e-7, 0.05, 0.999999, 1.0, 250.0, -0.05])
def test_what_is_shown_is_what_was_meant(unit: str, value: float) -> None:
    assert parse(shown(value, unit, 9), unit) == pytest.approx(value, rel=1e-8)
    factor, word = scaled(value, unit)
    assert parse(f"{value * factor!r} {word}", unit) == pytest.approx(value, rel=1e-9)


def test_shown_with_the_prefix_that_people_would_use() -> None:
    assert shown(0.05, "mol/m3") == "50 µmol/L"
    assert shown(0.005, "kg/m3") == "5 mg/L"
    assert shown(0, "kg/m3") == "0 g/L"


def test_the_unit_of_a_document_is_that_of_its_concentrations() -> None:
    masses = settings_of("calibration", levels(0, "5 mg/L", "0.01 g/L"))
    assert isinstance(masses, CalibrationSettings)
    assert masses.concentration_unit == "kg/m3"
    assert [each.concentration for each in masses.levels] == pytest.approx([0, 0.005, 0.01])
    amounts = settings_of("calibration", levels(0, 0.5, "1 mM"))
    assert isinstance(amounts, CalibrationSettings)
    assert amounts.concentration_unit == "mol/m3"
    again = settings_of("calibration", masses.model_dump(mode="json"))
    assert again == masses


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (levels(0, 1), "levels: give standards of at least three different concentrations"),
        (levels(0, "1 mM", "5 mg/L"), "level 2: '5 mg/L' is in mg/L, but a quantity in mol/m3 is needed"),
        (levels(0, 1, "-1 mM"), r"levels\[2\]\.concentration = '-1 mM': a concentration must not be negative"),
        (levels(0, 1, "5 mV"), "or a mass concentration such as"),
        ({**levels(0, 1, 2), "weighting": "1/y"}, "weighting = '1/y'"),
        ({**levels(0, 1, 2), "valid_for": "-1 d"}, "valid_for"),
        ({**levels(0, 1, 2), "levels": [{"concentration": 0}] * 3}, "by its runs or by their label"),
        ({**levels(0, 1, 2), "levels": [{"concentration": n, "runs": ["run-1"]} for n in range(3)]}, "at two levels"),
    ],
)
def test_wrong_levels_are_named(given: dict[str, Any], says: str) -> None:
    with pytest.raises(DocumentError, match=says):
        settings_of("calibration", given)


def test_settings_of_an_unknown_sample_survive_json() -> None:
    made = settings_of("concentration", {"calibration": "paracetamol-gc-3", "recovery": {"added": "5 mg/L"}})
    assert isinstance(made, ConcentrationSettings)
    assert settings_of("concentration", made.model_dump(mode="json")) == made
    with pytest.raises(DocumentError, match=r"dilution = 0\.1"):
        settings_of("concentration", {"calibration": "a", "dilution": 0.1})
