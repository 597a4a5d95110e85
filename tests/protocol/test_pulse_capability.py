"""Whether a pulse train is within what an instrument can do, told before the cell is touched."""

from typing import Any

import pytest
from pydantic import ValidationError

from luggin.protocol.capability import Capability, check
from luggin.protocol.program import Block, Hold, Limit, Limits, Outputs, Program, Pulse, Pulses, Ranging
from support.paper_instrument import CAPABILITY

ABLE = CAPABILITY.model_copy(
    update={
        "segments": ("hold", "pulses"),
        "controls": ("potential", "current"),
        "current_ranges": (1e-6, 1e-5, 1e-4),
        "settling_times": (20e-3, 5e-3, 1e-3),
        "fastest_period": 1e-3,
        "outputs": ("rotation_rate",),
        "highest_rotation_rate": 100.0,
    }
)


def program(half: float, window: float, **more: Any) -> Program:
    """A square wave, sampled at the end of each half."""
    control, ranging = more.get("control", "potential"), more.get("ranging", {})
    halves = tuple(
        Pulse(duration=half, offset=offset, record=record, sample_from=half - window, sample_to=half)
        for offset, record in ((1e-5, "forward"), (-1e-5, "reverse"))
    )
    train = Pulses(control=control, start=0.0, step=0.0, count=9, pulses=halves, period=2 * half, difference=True)
    limits = Limits(potential=Limit(low=-1, high=1), duration=1e3)
    blocks = (Block(phase=3, segments=(train, train)),)
    return Program(technique="test", blocks=blocks, limits=limits, ranging=Ranging(**ranging))


def told(given: Program, able: Capability = ABLE) -> list[str]:
    return [str(problem) for problem in check(given, able)]


def test_the_lowest_range_asked_for_has_to_settle_before_the_current_is_sampled() -> None:
    assert told(program(25e-3, 5e-3, ranging={"lower": 1e-6})) == []
    assert told(program(24e-3, 5e-3, ranging={"lower": 1e-6})) == [
        "phases[3].sampling_window: the current is sampled 0.019 s after a pulse begins, when the range of 1 µA still "
        "settles (it takes 0.02 s); set ranging.lower = 10 µA, or lengthen the pulses or sample later in them"
    ]
    assert told(program(24e-3, 5e-3, ranging={"lower": 1e-5})) == []


def test_without_a_lowest_range_the_instrument_takes_those_that_are_fast_enough() -> None:
    assert told(program(3e-3, 2e-3)) == []
    assert "lengthen the pulses" in told(program(2.5e-3, 2e-3))[0]
    assert "the range of 10 µA still settles" in told(program(3e-3, 2e-3, ranging={"upper": 1e-5}))[0]


def test_nothing_is_asked_of_ranges_whose_times_are_unknown_or_that_a_controlled_current_sets() -> None:
    assert told(program(2.5e-3, 2e-3), ABLE.model_copy(update={"settling_times": None})) == []
    assert told(program(2.5e-3, 2e-3, control="current")) == []


def test_pulses_and_windows_have_a_shortest() -> None:
    words = "phases[3].pulse_width = '500 µs': shorter than the instrument can pulse; its shortest is 0.001 s"
    assert words in told(program(5e-4, 1e-4))
    assert told(program(25e-3, 5e-4)) == [
        "phases[3].sampling_window = '500 µs': shorter than the instrument can sample; its shortest is 0.001 s"
    ]


def test_an_electrode_turns_no_faster_than_it_can() -> None:
    def turning(rate: float) -> list[str]:
        hold = Hold(level=0.0, duration=1.0, period=0.1, outputs=Outputs(rotation_rate=rate))
        limits = Limits(potential=Limit(low=-1, high=1), duration=1e3)
        return told(Program(technique="test", blocks=(Block(phase=0, segments=(hold,)),), limits=limits))

    assert turning(100.0) == []
    assert turning(101.0) == [
        "phases[0].rotation_rate = '101 Hz': faster than the electrode can turn; it turns at 100 Hz at most"
    ]


def test_each_range_has_its_settling_time() -> None:
    with pytest.raises(ValidationError, match="of one length"):
        Capability.model_validate({**ABLE.model_dump(), "settling_times": (1.0,)})
