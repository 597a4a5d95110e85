"""What a look at the cell, a resistance, a spectrum and a polarisation curve tell, against closed forms and tables."""

from typing import Any

import numpy as np
import pytest

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol import method
from luggin.protocol.evaluation.pre_flight_settings import PreFlightBody
from luggin.protocol.evaluation.quantities import quantities, unit_of
from luggin.protocol.fitness.dummy import DummyCell
from luggin.protocol.fitness.pre_flight import pre_flight_method
from luggin.protocol.points import Array, Flag
from luggin.protocol.problem import DocumentError
from support.fitness_runs import BENCH, impedance_of, run_data, spectrum_columns
from support.voltammograms import cyclic_columns, method_of, run_of

WANTED = method.parse(method_of("cyclic-voltammetry", pre_flight={}))
LOOK = pre_flight_method(WANTED, BENCH)
CELL = DummyCell(name="cell", series_resistance=120.0, parallel_resistance=1e6, capacitance=1.4e-6)


def look(cell: DummyCell = CELL, noise: float = 1e-5, outcome: str = "completed", flags: int = 0) -> PreFlightBody:
    frequency = np.geomspace(1e4, 100.0, 9)
    spectrum = spectrum_columns(frequency, impedance_of(cell, frequency))
    rest = 100
    columns: dict[str, Array] = {
        name: np.concatenate((np.zeros(rest) if name == "phase" else np.full(rest, np.nan), values))
        for name, values in spectrum.items()
    }
    columns["time"] = np.arange(1, rest + 10) * 0.02
    potential = 0.2 + noise * np.random.default_rng(5).normal(size=rest)
    columns["potential"] = np.concatenate((potential, np.full(9, 0.2)))
    columns["frequency"][:rest] = 0.0
    columns["flags"] = np.concatenate((np.full(rest, int(Flag.CELL_OPEN)), np.full(9, flags)))
    found = evaluate("pre-flight", [run_data(LOOK, columns, outcome)], dict(LOOK["evaluation"]))
    assert found.subject == "instrument/bench-1"
    return PreFlightBody.model_validate(found.body)


def test_a_sound_cell_passes_and_its_parts_are_known() -> None:
    body = look()
    assert body.passed
    values = body.quantities
    assert values["uncompensated-resistance"] == pytest.approx(120.0, rel=1e-3)
    assert values["capacitance"] == pytest.approx(1.4e-6, rel=0.02)
    assert values["open-circuit-potential"] == pytest.approx(0.2, abs=1e-4)
    assert values["open-circuit-noise"] == pytest.approx(1e-5, rel=0.3)
    rate = WANTED.measurement.scan_rate  # type: ignore[attr-defined]
    assert values["charging-current"] == pytest.approx(1.4e-6 * rate, rel=0.02)
    assert body.proposed_range == 1e-6


@pytest.mark.parametrize(
    ("case", "kinds"),
    [
        ({"cell": CELL.model_copy(update={"series_resistance": 3e5})}, ["resistance"]),
        ({"cell": CELL.model_copy(update={"series_resistance": 5e7})}, ["open"]),
        ({"cell": CELL.model_copy(update={"series_resistance": 0.1, "parallel_resistance": 0.1})}, ["short"]),
        ({"flags": int(Flag.CURRENT_OVERLOAD)}, ["short"]),
        ({"noise": 5e-3}, ["noise"]),
        ({"outcome": "control-overload"}, ["reference-open"]),
        ({"flags": int(Flag.CONTROL_OVERLOAD), "noise": 0.1}, ["reference-open", "noise"]),
    ],
)
def test_what_is_wrong_is_told_apart(case: dict[str, Any], kinds: list[str]) -> None:
    body = look(**case)
    assert not body.passed
    assert [each.kind for each in body.faults] == kinds


def test_a_look_that_was_cut_short_is_no_good_news() -> None:
    columns = {"time": np.arange(1, 4) * 0.02, "phase": np.zeros(3), "potential": np.zeros(3)}
    body = PreFlightBody.model_validate(
        evaluate("pre-flight", [run_data(LOOK, columns)], dict(LOOK["evaluation"])).body
    )
    assert [each.kind for each in body.faults] == ["no-answer"]


# 10 ohm + (100 ohm || 100 uF), closed form, at 15.9155 Hz: 60 - 50j ohm; it agrees with an AC analysis by ngspice.
NETWORK = DummyCell(name="network", series_resistance=10.0, parallel_resistance=100.0, capacitance=100e-6)


def spectrum(drift: float = 0.0, **more: Any) -> RunData:
    frequency = np.geomspace(1e4, 0.1, 41)
    z = impedance_of(NETWORK, frequency) * (1 + drift * np.linspace(0, 1, 41) ** 2)
    document = {**method_of("impedance-spectroscopy"), **more}
    number = next(n for n, phase in enumerate(document["phases"]) if phase["phase"] == "measure")
    return run_data(document, spectrum_columns(frequency, z, number))


def test_a_spectrum_is_tested_and_the_named_circuit_fitted() -> None:
    assert impedance_of(NETWORK, np.array([15.9155]))[0] == pytest.approx(60 - 50j, abs=1e-3)
    found = evaluate("impedance", [spectrum()], {"circuit": "R(RC)"})
    values = quantities("impedance", found.body)
    assert (values["R1"], values["R2"], values["C1"]) == pytest.approx((10.0, 100.0, 100e-6), rel=1e-4)
    assert unit_of("impedance", found.body, "C1") == "F"
    assert values["kramers-kronig"] < 1e-3
    assert found.warnings == ()


def test_without_a_circuit_a_spectrum_is_tested_only_and_a_drifting_one_is_found_out() -> None:
    found = evaluate("impedance", [spectrum(drift=0.5)])
    assert "fit" not in found.body
    assert any("Kramers-Kronig" in each for each in found.warnings)


def test_the_circuit_may_stand_in_the_method() -> None:
    parsed = method.parse({**method_of("impedance-spectroscopy"), "evaluation": {"circuit": "R(C(RW))"}})
    assert parsed.evaluation[0].model_dump()["circuit"] == "R(C(RW))"
    with pytest.raises(DocumentError, match="parentheses"):
        method.parse({**method_of("impedance-spectroscopy"), "evaluation": {"circuit": "R(C(RW)"}})


def test_the_resistance_is_the_real_part_at_the_highest_frequency() -> None:
    document = method_of("uncompensated-resistance")
    columns = spectrum_columns(np.array([1e4]), np.array([119.7 - 11j]))
    assert quantities("resistance", evaluate("resistance", [run_data(document, columns)]).body) == {
        "uncompensated-resistance": pytest.approx(119.7)
    }
    doubtful = evaluate("resistance", [run_data(document, spectrum_columns(np.array([1e4]), np.array([50 - 60j])))])
    assert "phase angle" in doubtful.warnings[0]
    with pytest.raises(EvaluationError, match="no impedance"):
        evaluate("resistance", [run_data(document, spectrum_columns(np.array([1e4]), np.array([np.nan + 0j])))])


def corroding(technique: str, area: float | None = 1e-4) -> RunData:
    """i = i_corr (10^(x/ba) - 10^(-x/bc)) with ba = bc = 0.12 V and 1 mA/cm2 on 1 cm2 (Wagner & Traud 1938)."""
    reach = 0.02 if technique == "polarisation-resistance" else 0.25
    x = np.linspace(-reach, reach, 161)
    current = 1e-3 * (10 ** (x / 0.12) - 10 ** (-x / 0.12))
    document = method_of(technique)
    setup = {name: value for name, value in document["setup"].items() if name != "area"}
    document["setup"] = setup if area is None else {**setup, "area": area}
    number = next(n for n, phase in enumerate(document["phases"]) if phase["phase"] == "measure")
    columns = {
        "time": np.arange(1, 162) * 0.5,
        "phase": np.full(161, number),
        "potential": x - 0.55,
        "current": current,
    }
    return run_data(document, columns)


IRON = {"equivalent_weight": "27.92 g/mol", "density": "7.87 g/mL"}


@pytest.mark.parametrize("technique", ["polarisation-resistance", "tafel-polarisation"])
def test_iron_at_1_milliampere_per_square_centimetre_loses_11_6_millimetres_a_year(technique: str) -> None:
    """11.6 mm/y and 249 g/(m2 d): public corrosion conversion table; B = 26.05 mV: ASTM G59 and G102, from memory."""
    slopes = {"anodic_slope": "120 mV", "cathodic_slope": "120 mV"} if technique == "polarisation-resistance" else {}
    found = evaluate("polarisation", [corroding(technique)], {**IRON, **slopes, "window": "3 mV"})
    assert found.body["millimetres_per_year"] == pytest.approx(11.6, rel=0.005)
    assert found.body["grams_per_square_metre_and_day"] == pytest.approx(249, rel=0.006)
    values = quantities("polarisation", found.body)
    assert values["corrosion-potential"] == pytest.approx(-0.55, abs=1e-4)
    if slopes:
        assert values["stern-geary-coefficient"] == pytest.approx(0.02605, abs=1e-5)
        assert values["polarisation-resistance"] == pytest.approx(26.05, rel=2e-3)
    else:
        assert values["anodic-slope"] == pytest.approx(0.12, rel=1e-3)


def test_a_rate_without_an_area_is_not_made_up_and_ohmic_drop_is_taken_off_once() -> None:
    found = evaluate("polarisation", [corroding("tafel-polarisation", area=None)], IRON)
    assert "penetration-rate" not in quantities("polarisation", found.body)
    assert "setup.area" in found.warnings[-1]
    run = corroding("polarisation-resistance")
    values = {
        ohm: quantities("polarisation", evaluate("polarisation", [run], {"uncompensated_resistance": ohm}).body)
        for ohm in (1.0, 6.0)
    }
    plain = quantities("polarisation", evaluate("polarisation", [run]).body)["polarisation-resistance"]
    for ohm, found_values in values.items():
        assert found_values["polarisation-resistance"] == pytest.approx(plain - ohm, rel=0.01)
    assert evaluate("polarisation", [run], {"uncompensated_resistance": 6.0}).body["ohmic"]["subtracted"] == 6.0


def test_peaks_are_corrected_from_the_measured_potentials_however_often() -> None:
    """A peak of i moves by i R; both peaks of a couple are 10 uA, so their separation falls by 2 i R."""
    run = run_of("cyclic-voltammetry", cyclic_columns(1, 400))
    plain, corrected = (
        evaluate("peaks", [run], {"uncompensated_resistance": ohm, "baseline": {"kind": "tangent"}})
        for ohm in (None, 1000.0)
    )
    again = evaluate("peaks", [run], {"uncompensated_resistance": 1000.0, "baseline": {"kind": "tangent"}})
    assert again.body == corrected.body
    assert corrected.body["ohmic"] == {"by_instrument": 0.0, "subtracted": 1000.0}
    assert plain.body["ohmic"]["subtracted"] == 0.0
    fell = plain.body["couples"][0]["separation"] - corrected.body["couples"][0]["separation"]
    assert fell == pytest.approx(2 * 1e-5 * 1000, rel=0.1)
