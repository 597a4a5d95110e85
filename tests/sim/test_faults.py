"""Scripted faults: their text, what they do to a line, and what an instrument and its host make of them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.drivers.errors import SettingsError
from luggin.protocol.instrument import Activity, Cell, Outcome
from luggin.protocol.link import message
from luggin.protocol.program import DeadMan
from luggin.sim.fault_kinds import KINDS
from luggin.sim.faults import Fault, parse_fault
from luggin.sim.line import Quality, Wire
from support.bench import block, hold, program
from support.wired import RUN, Wired


def test_faults_are_written_as_kind_value_and_time() -> None:
    assert parse_fault("drop") == Fault("drop")
    assert parse_fault("drop@12.5") == Fault("drop", at=12.5)
    assert parse_fault("stall=3@20") == Fault("stall", 3.0, 20.0)
    assert parse_fault(" stall = 3 s @ 2 min ") == Fault("stall", 3.0, 120.0)
    assert parse_fault("loss=20%") == parse_fault("loss=0.2") == Fault("loss", 0.2)
    assert parse_fault("current-spike=-2 mA@1") == Fault("current-spike", -2e-3, 1.0)
    assert all(parse_fault(kind + ("" if unit is None else "=0.5")).kind == kind for kind, (unit, _) in KINDS.items())


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("explode", "fault = 'explode': there is no such fault; known are drop, stall"),
        ("drop=1", "drop takes no value"),
        ("stall", "stall needs a value, stall=..."),
        ("stall=3 V", "'3 V' is in V, but a quantity in s is needed"),
        ("stall=-1", "stall can't be -1; give 0 s or more"),
        ("loss=120%", "loss can't be 1.2; give 0 to 1"),
        ("loss=nan", "expected a quantity"),
        ("drop@soon", "expected a quantity"),
    ],
)
def test_a_wrong_fault_is_refused_in_one_sentence(text: str, sentence: str) -> None:
    with pytest.raises(SettingsError) as refused:
        parse_fault(text)
    assert sentence in str(refused.value)


@given(st.text(max_size=30))
def test_any_text_is_a_fault_or_refused(text: str) -> None:
    try:
        assert parse_fault(text).kind in KINDS
    except SettingsError as error:
        assert "\n" not in str(error)


@given(st.lists(st.binary(min_size=1, max_size=20), max_size=20), st.booleans(), st.floats(0, 1))
def test_a_wire_keeps_order_and_brings_everything_that_it_does_not_lose(
    pieces: list[bytes], crumbs: bool, delay: float
) -> None:
    wire = Wire(Quality(delay=delay, crumbs=crumbs), seed=1)
    for k, piece in enumerate(pieces):
        wire.put(piece, float(k))
    arrived: list[bytes] = []
    for k in range(len(pieces) + 2):
        arrived += wire.take(float(k))
    assert b"".join(arrived) == b"".join(pieces)
    if crumbs:
        assert all(len(piece) == 1 for piece in arrived)
    assert wire.free


def test_a_wire_is_late_by_its_delay_and_forgets_what_is_cut() -> None:
    wire = Wire(Quality(delay=0.5), seed=1)
    wire.put(b"one", 10.0)
    assert wire.wakeup() == 10.5
    assert wire.take(10.4) == []
    assert wire.take(10.5) == [b"one"]
    wire.put(b"two", 11.0)
    wire.cut()
    assert wire.take(99.0) == []
    assert wire.wakeup() is None


def test_a_bad_wire_loses_and_garbles_its_share_and_the_same_for_the_same_seed() -> None:
    def sent(quality: Quality) -> list[bytes]:
        wire = Wire(quality, seed=3)
        for _ in range(2000):
            wire.put(b"abcdefgh", 0.0)
        return wire.take(0.0)

    assert len(sent(Quality(loss=0.2))) == pytest.approx(1600, abs=80)
    assert sent(Quality(loss=0.2)) == sent(Quality(loss=0.2))
    changed = [sum(a != b for a, b in zip(piece, b"abcdefgh", strict=True)) for piece in sent(Quality(garble=0.1))]
    assert sum(changed) == pytest.approx(1600, abs=150)


# On the whole instrument


def test_a_hanging_instrument_does_later_what_it_missed() -> None:
    wired = Wired("stall=2@5", ideal=True)
    wired.start(program(hold(0.1, 60.0, 1.0), dead_man=DeadMan(timeout=5.0)))
    wired.pass_time(4.0)
    wired.alive()
    wired.pass_time(1.2)
    before = wired.status().next
    wired.pass_time(1.5)
    assert wired.status().next == before == 5
    wired.pass_time(0.5)
    assert wired.status().next == 7
    assert wired.status().activity is Activity.RUNNING
    assert wired.columns()["time"].tolist() == pytest.approx([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])


def test_an_instrument_that_hangs_for_too_long_has_opened_its_cell_when_it_wakes() -> None:
    wired = Wired("stall=8@1", ideal=True)
    wired.start(program(hold(0.1, 60.0, 1.0), dead_man=DeadMan(timeout=3.0)))
    wired.pass_time(10.0)
    assert wired.status().outcome is Outcome.DEAD_MAN
    assert wired.status().run_time == pytest.approx(3.0, abs=0.11)


def test_a_power_failure_ends_the_session_and_opens_the_cell() -> None:
    wired = Wired("reboot@2")
    wired.start(program(hold(0.1, 60.0)))
    boot = wired.status().boot
    wired.pass_time(3.0)
    wired.wait_open()
    report = wired.ask(message.AskStatus(0))
    assert isinstance(report, message.Report)
    assert report.status.boot != boot
    assert (report.status.cell, report.status.activity, report.status.run) == (Cell.OFF, Activity.IDLE, None)


def test_a_stuck_relay_is_reported_as_unknown_until_it_is_well() -> None:
    wired = Wired("relay-stuck@1")
    wired.start(program(hold(0.1, 60.0)))
    wired.pass_time(1.5)
    receipt = wired.ask(message.CellOff(0))
    assert isinstance(receipt, message.OffReceipt)
    assert not receipt.receipt.confirmed
    wired.rig.fault(parse_fault("relay-sound"), wired.now)
    wired.pass_time(0.5)
    receipt = wired.ask(message.CellOff(0))
    assert isinstance(receipt, message.OffReceipt)
    assert receipt.receipt.confirmed


def test_cell_off_gets_through_a_bad_line() -> None:
    wired = Wired("loss=30%", "garble=0.05%", "delay=20 ms", speed=100.0)
    wired.start(program(block(hold(0.1, 1e5, 0.01), pause="any-time")))
    wired.pass_time(0.3)
    receipt = wired.ask(message.CellOff(0))
    assert isinstance(receipt, message.OffReceipt)
    assert receipt.receipt.confirmed
    assert wired.status().outcome is Outcome.OFF


def test_a_spike_and_a_lost_reference_come_again_in_every_run() -> None:
    wired = Wired("current-spike=5 mA@1", ideal=True, speed=10.0)
    for run in (RUN, "run-2"):
        wired.batches.clear()
        wired.statuses.clear()
        wired.start(program(hold(0.1, 2.0)), run)
        wired.finish()
        current = wired.columns()["current"]
        assert current.argmax() == 9
        assert current[9] > 4e-3
        wired.ask(message.Acknowledge(0, run, 20))
