"""Source-measure units by the words of SCPI-1999: what is said to them, what is believed, what is refused.

The words and error numbers are those of SCPI-1999 volume 2 and IEEE 488.2 (from memory).
"""

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.config import InstrumentSection
from luggin.drivers import registry
from luggin.drivers.api import Session
from luggin.drivers.conformance_bench import Follower, new_run
from luggin.drivers.errors import LinkLost, NotReachable, Refused, SettingsError
from luggin.drivers.scpi import ScpiDriver
from luggin.drivers.scpi_settings import ScpiSettings
from luggin.protocol.capability import check
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.method import compile_method, parse
from luggin.protocol.points import Flag
from luggin.protocol.program import Limit, Limits, Program, Ranging
from luggin.protocol.techniques import TECHNIQUES
from support.bench import WIDE, hold, program, ramp, rest
from support.smu import SETTINGS, smu

PERIOD = 0.02
LONG = program(hold(0.1, 600.0, PERIOD))


async def started(session: Session, what: Program) -> Follower:
    follower = Follower(session, new_run())
    await session.arm(follower.run, what)
    await session.start(follower.run)
    return follower


def column(follower: Follower, name: str) -> np.ndarray[Any, Any]:
    return np.concatenate([batch.columns[name] for batch in follower.batches])


# What is said


async def test_an_energised_unit_is_left_as_it_is_and_no_unit_is_ever_reset() -> None:
    async with smu("tcp", "energised", fastest_period=None) as bench:
        async with bench.driver.open(5.0) as session:
            assert (await session.status()).cell is Cell.ON
            assert bench.unit.source.on
            assert {each.split(";")[0] for each in bench.unit.said} == {"*IDN?", ":OUTP?"}
            with pytest.raises(Refused, match="does not read as off"):
                await started(session, program(hold(0.1, 600.0, 1.0)))
            assert (await session.cell_off()).confirmed
            await (await started(session, program(hold(0.1, 0.1, None)))).ended()
        assert not [each for each in bench.unit.said if "RST" in each]


async def test_the_output_closes_last_and_a_current_begins_at_zero() -> None:
    async with smu("tcp", sense_wires=4) as bench, bench.driver.open(5.0) as session:
        wide = Ranging(lower=1e-6, upper=100e-6, initial=1e-6)
        follower = await started(session, program(hold(20e-6, 0.1, PERIOD, control="current"), ranging=wide))
        await follower.ended()
        said = [each.removesuffix(";:SYST:ERR?") for each in bench.unit.said]
        begun = said[said.index("*CLS") : said.index(":OUTP OFF")]
        assert begun[:8] == [
            "*CLS",
            ":SYST:RSEN ON",
            ":SENS:VOLT:PROT 5.000000000E+00",
            ":SENS:CURR:PROT 1.000000000E-02",
            ":SENS:CURR:RANG 1.000000000E-04",
            ":SOUR:CURR 0.000000000E+00",
            ":SOUR:FUNC:MODE CURR",
            ":OUTP?",
        ]
        assert begun[8:10] == [":OUTP ON", ":SOUR:CURR 2.000000000E-05"]
        # Let go, a current goes to zero before the output goes off.
        assert said[said.index(":OUTP OFF") - 1] == ":SOUR:CURR 0"
        # 20 uA through 10 kohm
        assert column(follower, "potential") == pytest.approx(0.2, abs=1e-3)


async def test_the_working_electrode_may_be_at_the_low_terminal() -> None:
    async with smu("tcp", working_electrode="low") as bench, bench.driver.open(5.0) as session:
        follower = await started(session, program(hold(0.1, 0.1, PERIOD)))
        await follower.ended()
        assert bench.unit.source.volts == -0.1
        assert column(follower, "potential") == pytest.approx(0.1, abs=1e-3)
        assert column(follower, "current") == pytest.approx(10e-6, rel=1e-2)
        assert (column(follower, "flags") == Flag.HOST_TIME).all()


async def test_open_circuit_is_a_current_of_zero_where_the_settings_say_so() -> None:
    what = program(hold(0.1, 0.1, PERIOD), rest(0.1, PERIOD), hold(0.1, 0.1, PERIOD))
    async with smu("tcp") as bench, bench.driver.open(5.0) as session:
        with pytest.raises(Refused, match="it executes hold, ramp"):
            await session.arm(new_run(), what)
    async with smu("tcp", zero_current_is_open=True) as bench, bench.driver.open(5.0) as session:
        follower = await started(session, what)
        assert (await follower.ended()).outcome is Outcome.COMPLETED
        current, flags = column(follower, "current"), column(follower, "flags")
        assert current == pytest.approx([10e-6] * 5 + [0.0] * 5 + [10e-6] * 5, abs=1e-7)
        assert ((flags & Flag.CELL_OPEN) != 0).tolist() == [False] * 5 + [True] * 5 + [False] * 5


# What is believed


async def test_an_output_that_clamps_is_not_believed_to_be_off() -> None:
    async with smu("tcp", "clamped", off_state="clamped") as bench, bench.driver.open(5.0) as session:
        receipt = await session.cell_off()
        assert receipt.cell is Cell.UNKNOWN
        assert "short-circuits the cell" in receipt.detail
        with pytest.raises(Refused, match="does not read as off"):
            await started(session, LONG)


@pytest.mark.parametrize("quirk", ["silent", "slow"])
async def test_cell_off_waits_for_no_reading(quirk: str) -> None:
    """A reading is begun and not answered: the output goes off at once, and what comes late is thrown away."""
    async with smu("tcp", quirk) as bench, bench.driver.open(5.0) as session:
        await started(session, LONG)
        await bench.until(lambda: bench.unit.said[-1].startswith(":READ"))
        assert (await session.cell_off()).confirmed
        after = [each.split(";")[0] for each in bench.unit.said]
        last = len(after) - after[::-1].index(":READ:CURR?")
        assert after[last : last + 3] == [":OUTP OFF", "*IDN?", ":OUTP?"]
        status = await session.status()
        assert (status.cell, status.activity, status.outcome) == (Cell.OFF, Activity.ENDED, Outcome.OFF)


async def test_a_unit_that_does_not_answer_is_a_fault_and_let_go() -> None:
    async with smu("tcp", "silent", answer_within="50 ms") as bench, bench.driver.open(5.0) as session:
        status = await (await started(session, LONG)).ended()
        assert (status.outcome, status.cell) == (Outcome.FAULT, Cell.OFF)
        assert "no answer to ':READ:CURR?" in status.detail
        assert not bench.unit.source.on


async def test_an_output_that_someone_switched_off_ends_the_run() -> None:
    async with smu("tcp") as bench, bench.driver.open(5.0) as session:
        follower = await started(session, LONG)
        await follower.points(2)
        bench.unit.source.on = False
        status = await follower.ended()
        assert (status.outcome, status.cell) == (Outcome.FAULT, Cell.OFF)
        assert "nothing here switched it off" in status.detail


async def test_a_bounded_current_is_a_lost_grip() -> None:
    """0.1 V over 10 kohm with 5 uA allowed: the unit holds the current, the potential is missed."""
    tight = Limits(potential=WIDE.potential, control_overload=0.1, duration=1000)
    what = program(hold(0.1, 600.0, PERIOD), limits=tight)
    async with smu("tcp", current_compliance="5 uA") as bench, bench.driver.open(5.0) as session:
        follower = await started(session, what)
        status = await follower.ended()
        assert (status.outcome, status.cell) == (Outcome.CONTROL_OVERLOAD, Cell.OFF)
        assert column(follower, "current")[-1] == pytest.approx(5e-6, rel=1e-2)
        assert column(follower, "flags")[-1] & Flag.CONTROL_OVERLOAD


async def test_beyond_the_range_there_is_no_number() -> None:
    small = Ranging(lower=1e-6, upper=1e-6)
    limits = Limits(potential=WIDE.potential, current=Limit(high=1.0, persistence=0.1), duration=1000)
    async with smu("tcp") as bench, bench.driver.open(5.0) as session:
        follower = await started(session, program(hold(0.1, 600.0, PERIOD), ranging=small, limits=limits))
        status = await follower.ended()
        assert status.outcome is Outcome.LIMIT
        assert "could not be measured" in status.detail
        assert np.isnan(column(follower, "current")).all()
        assert (column(follower, "flags") & Flag.CURRENT_OVERLOAD).all()


async def test_a_line_that_is_lost_leaves_the_unit_as_it_was_and_the_points_here() -> None:
    async with smu("pty") as bench:
        async with bench.driver.open(5.0) as session:
            follower = await started(session, LONG)
            await follower.points(3)
            bench.unplug()
            status = await follower.ended()
            assert (status.outcome, status.cell) == (Outcome.FAULT, Cell.UNKNOWN)
            with pytest.raises(LinkLost):
                await follower.points(1000)
        assert bench.unit.source.on  # nobody was there to switch it off: SMU.md says so
        with pytest.raises(NotReachable):
            async with bench.driver.open(1.0):
                pass


async def test_points_of_a_lost_session_come_again_and_a_second_session_waits() -> None:
    async with smu("tcp") as bench:
        async with bench.driver.open(5.0) as session:
            with pytest.raises(NotReachable, match="another session"):
                async with bench.driver.open(5.0):
                    pass
            # The unit serves the newest connection: the older one is gone.
            with pytest.raises(LinkLost):
                await session.status()
        async with bench.driver.open(5.0) as session:
            follower = await started(session, program(hold(0.1, 0.1, PERIOD)))
            await follower.ended()
            once = column(follower, "time")
        async with bench.driver.open(5.0) as session:
            again = Follower(session, follower.run)
            await session.replay(again.run, 0)
            await again.ended()
            assert (column(again, "time") == once).all()


# What is refused


@pytest.mark.parametrize(("quirk", "more", "told"), [
    ("no-sense", {"sense_wires": 4}, '-113,"Undefined header"'),
    ("no-fetch", {}, '-230,"Data corrupt or stale"'),
    ("slow", {"voltage_compliance": "30 V"}, '-222,"Data out of range"'),
])  # fmt: skip
async def test_what_the_unit_does_not_take_is_told_in_its_own_words(
    quirk: str, more: dict[str, Any], told: str
) -> None:
    async with smu("tcp", quirk, answer_within="0.5 s", **more) as bench, bench.driver.open(5.0) as session:
        follower = Follower(session, new_run())
        await session.arm(follower.run, LONG)
        try:
            await session.start(follower.run)
        except Refused as refused:
            assert told in str(refused)
        status = await follower.ended()
        assert status.outcome is Outcome.FAULT
        assert told in status.detail
        assert not bench.unit.source.on


async def test_how_fast_it_is_is_tried_where_nothing_is_energised() -> None:
    async with smu("tcp", "slow", fastest_period=None) as bench, bench.driver.open(5.0) as session:
        assert 0.6 <= session.capability.fastest_period <= 1.5
    async with smu("tcp", "energised", fastest_period=None) as bench, bench.driver.open(5.0) as session:
        assert session.capability.fastest_period == 1.0


async def test_fast_methods_are_refused_with_their_reason() -> None:
    told = {}
    async with smu("tcp") as bench, bench.driver.open(5.0) as session:
        capability = session.capability
    assert (capability.dead_man, capability.host_timed) == (False, True)
    for technique in TECHNIQUES.values():
        problems = check(compile_method(parse(tomllib.loads(technique.example))), capability)
        told[technique.name] = "; ".join(map(str, problems))
    assert "can't execute this kind of segment" in told["square-wave-voltammetry"]
    assert "can't execute this kind of segment" in told["impedance-spectroscopy"]
    fast = check(program(ramp(0.0, 1.0, 1.0, 0.02)), capability)
    assert [each.reason for each in fast] == ["steeper than the instrument sweeps"]
    dense = check(program(ramp(0.0, 1.0, 0.1, 0.005)), capability)
    assert "faster than the instrument can sample" in str(dense[0])
    assert check(program(ramp(0.0, 1.0, 0.25, 0.02), hold(0.1, 1.0, 0.02)), capability) == []


# Settings


@pytest.mark.parametrize(("change", "told"), [
    ({"off_state": "open"}, "off_state"),
    ({"host": "a"}, "exactly one of port"),
    ({"port": None}, "exactly one of port"),
    ({"potential_low": "3 V"}, "below potential_high"),
    ({"current_ranges": ["1 mA", "1 uA"]}, "ascend"),
    ({"current_compliance": "1 V"}, "current_compliance"),
    ({"speed": 1}, "unknown here"),
])  # fmt: skip
def test_settings_name_each_wrong_field(change: dict[str, Any], told: str) -> None:
    with pytest.raises(SettingsError, match=told):
        ScpiDriver.parse({**SETTINGS, "port": "/dev/null", **change})
    assert registry.load("scpi") is ScpiDriver
    assert ScpiDriver.parse({**SETTINGS, "port": "/dev/null"}).address == "serial port /dev/null"


def test_the_settings_of_its_page_are_understood() -> None:
    page = resources.files("luggin.drivers").joinpath("SMU.md").read_text()
    example = tomllib.loads(page.split("```toml")[1].split("```")[0])
    section = InstrumentSection.model_validate(example["instruments"]["unit-1"])
    driver = registry.load(section.driver).parse(section.options)
    assert driver.address == "serial port /dev/serial/by-id/usb-example"
    told = page.split("## Settings")[1]
    assert [name for name in ScpiSettings.model_fields if f"`{name}`" not in told] == []


async def test_where_nobody_is(tmp_path: Path) -> None:
    with pytest.raises(NotReachable, match="no such device"):
        async with ScpiDriver.parse({**SETTINGS, "port": str(tmp_path / "none")}).open(1.0):
            pass
