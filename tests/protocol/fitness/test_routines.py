"""What qualifies an instrument or an electrode: every run of a routine can be executed, and what can't be is said."""

import math

import pytest

from luggin.protocol import method
from luggin.protocol.capability import Capability, check
from luggin.protocol.fitness.dummy import DUMMY_CELLS, DummyCell
from luggin.protocol.fitness.dummy_routine import FILL, Place, dummy_routine, range_word
from luggin.protocol.fitness.pre_flight import pre_flight_method
from luggin.protocol.fitness.probe import REDOX_PROBES
from luggin.protocol.fitness.probe_routine import probe_routine
from luggin.protocol.problem import DocumentError
from luggin.protocol.program import bounds
from luggin.protocol.sequence import SequenceDocument, parse
from luggin.sim.models import MODELS
from support.voltammograms import method_of

PLACE = Place("Ag/AgCl (3 M KCl)", "gc-3", 7.07e-6)
BENCH, FIELD = (MODELS[name].capability("1") for name in ("bench", "field"))


def without_impedance(**more: object) -> Capability:
    return BENCH.model_copy(update={"segments": ("open", "hold", "ramp"), **more})


CAPABILITIES = {
    "bench": BENCH,
    "field": FIELD,
    "no impedance": without_impedance(),
    "slow": without_impedance(fastest_period=0.05, host_timed=True),
}


def executable(sequence: SequenceDocument, capability: Capability) -> None:
    for document in sequence.methods.values():
        assert check(method.compile_method(method.parse(document)), capability) == []


@pytest.mark.parametrize("capability", CAPABILITIES.values(), ids=CAPABILITIES.keys())
@pytest.mark.parametrize("cell", DUMMY_CELLS.values(), ids=DUMMY_CELLS.keys())
def test_every_run_of_a_qualification_can_be_executed(capability: Capability, cell: DummyCell) -> None:
    sequence = parse(dummy_routine(capability, cell, PLACE).document)
    executable(sequence, capability)
    assert sequence.evaluation is not None
    assert sequence.steps[0].prompt.startswith(f"Put the dummy cell {cell.name}")  # type: ignore[union-attr]
    fixed = [document.get("ranging", {}).get("fixed") for name, document in sequence.methods.items() if "range" in name]
    assert fixed == list(capability.current_ranges)


def test_a_sweep_fills_its_range_and_stays_within_what_the_cell_may_see() -> None:
    cell = DUMMY_CELLS["dummy-resistor"]
    sequence = parse(dummy_routine(BENCH, cell, PLACE).document)
    for name, document in sequence.methods.items():
        if name.startswith("range-") and document["technique"] == "linear-sweep-voltammetry":
            extent = bounds(method.compile_method(method.parse(document)))
            assert extent.potential_high is not None
            reach, full_scale = extent.potential_high, document["ranging"]["fixed"]
            assert reach == pytest.approx(min(FILL * full_scale * 10e3, cell.largest_potential))
            assert extent.potential_low == pytest.approx(-reach)


def test_what_a_routine_can_not_look_at_it_says() -> None:
    cell = DUMMY_CELLS["dummy-r-rc"]
    assert [each.split(":")[0] for each in dummy_routine(BENCH, cell, PLACE).left_out] == [
        "the resistance in the range of 10 mA"
    ]
    fast, slow = (dummy_routine(CAPABILITIES[name], cell, PLACE) for name in ("no impedance", "slow"))
    assert "step" in fast.document["methods"]
    assert "step" not in slow.document["methods"]
    assert any(each.startswith("the capacitance:") for each in slow.left_out)


def test_the_bounds_of_offset_and_noise_allow_for_what_the_cell_itself_lets_through() -> None:
    cell = DUMMY_CELLS["dummy-r-rc"]
    assert cell.most_offset(1e-7) == pytest.approx(0.002 * 1e-7 + 1e-3 / 11e3)
    assert cell.most_noise(1e-2) == pytest.approx(5e-4 * 1e-2 + 20e-6 / 1e3)
    assert DUMMY_CELLS["dummy-capacitor"].resistance is None
    low, high = cell.corners or (0.0, 0.0)
    assert (low, high) == pytest.approx((1 / (2 * math.pi * 1e4 * 1e-6), 1 / (2 * math.pi * 1e3 * 1e-6)))
    assert [range_word(scale) for scale in (1e-7, 1e-5, 1e-2)] == ["100nA", "10uA", "10mA"]


@pytest.mark.parametrize("capability", CAPABILITIES.values(), ids=CAPABILITIES.keys())
def test_an_electrode_is_scanned_at_each_rate_from_where_the_dissolved_form_is_stable(capability: Capability) -> None:
    probe = REDOX_PROBES["hexacyanoferrate-iii"]
    sequence = parse(probe_routine(capability, probe, PLACE).document)
    executable(sequence, capability)
    scans = [each for each in sequence.methods.values() if each["technique"] == "cyclic-voltammetry"]
    rates = [each["phases"][-1]["scan_rate"] for each in scans]
    assert rates == [rate for rate in sorted(probe.scan_rates) if rate * capability.fastest_period <= 5e-3]
    assert all(each["phases"][-1]["initial_potential"] == pytest.approx(0.53) for each in scans)
    assert {each["setup"]["electrode"] for each in scans} == {"gc-3"}
    assert len(sequence.evaluation["left_out"]) >= len(probe.scan_rates) - len(rates)  # type: ignore[index]
    assert ("resistance" in sequence.methods) == ("sine" in capability.segments)


def test_an_instrument_that_is_too_slow_for_every_scan_is_not_asked() -> None:
    with pytest.raises(DocumentError, match="scan_rates"):
        probe_routine(without_impedance(fastest_period=1.0), REDOX_PROBES["hexacyanoferrate-iii"], PLACE)


@pytest.mark.parametrize("capability", CAPABILITIES.values(), ids=CAPABILITIES.keys())
def test_the_look_before_a_run_stays_within_millivolts_of_open_circuit(capability: Capability) -> None:
    wanted = method.parse(method_of("cyclic-voltammetry", pre_flight={"amplitude": "8 mV", "rest": "1 s"}))
    document = pre_flight_method(wanted, capability)
    look = method.parse(document)
    program = method.compile_method(look)
    assert check(program, capability) == []
    assert look.measurement.relative
    levels = [level for block in program.blocks for segment in block.segments for level in segment.levels()]
    assert max(abs(level) for level in levels) <= 0.008 * math.sqrt(2) + 1e-12
    assert look.setup.electrode == wanted.setup.electrode
    assert "pre-flight" in look.setup.tags
    (settings,) = look.evaluation
    assert settings.kind == "pre-flight"


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"parallel_resistance": None, "capacitance": None}, "nothing stands in the cell"),
        ({"resistance_tolerance": "10 ohm"}, "resistance_tolerance"),
        ({"name": "Cell 1"}, "name"),
    ],
)
def test_a_wrong_dummy_document_is_refused(wrong: dict[str, object], words: str) -> None:
    given = {"name": "mine", "parallel_resistance": "10 kohm", "capacitance": "1 uF"}
    with pytest.raises(ValueError, match=words):
        DummyCell.model_validate({**given, **wrong})
