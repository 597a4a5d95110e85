"""The simulated source-measure unit: its language, by SCPI-1999 and IEEE 488.2, and what it does to its cell."""

import argparse
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.drivers.errors import SettingsError
from luggin.sim import simulate
from luggin.sim.cell.load import load_cell
from luggin.sim.smu import Quirks, SourceMeasureUnit
from luggin.sim.smu_messages import LONGEST, MOST_ERRORS

Ask = Callable[[str], str]


class Bench:
    def __init__(self, *quirks: str, cell: str = "dummy-resistor") -> None:
        self.now = 100.0
        self.unit = SourceMeasureUnit(load_cell(cell), self.now, Quirks.parse(quirks))

    def ask(self, message: str, after: float = 0.5) -> str:
        """What it answered once so much time had passed."""
        self.unit.receive(f"{message}\n".encode(), self.now)
        self.now += after
        return self.unit.send(self.now).decode().rstrip("\n")


def test_headers_have_a_short_and_a_long_form_in_any_case() -> None:
    bench = Bench()
    for message in ("OUTP?", "output?", ":OUTPut:STATe?", "Outp:Stat?"):
        assert bench.ask(message) == "0"
    assert bench.ask("OUTPU?") == ""
    assert bench.ask("SYST:ERR?") == '-113,"Undefined header"'
    assert bench.ask("system:error:next?") == '0,"No error"'


def test_a_header_without_a_colon_goes_on_where_the_one_before_stood() -> None:
    bench = Bench()
    assert bench.ask(":SENS:CURR:RANG 1E-3;PROT 2E-3;*OPC?;PROT 3E-3;:SYST:ERR?") == '1;0,"No error"'
    assert bench.unit.source.most_amps == 3e-3
    assert bench.ask(":SENS:CURR:PROT 1E-3;OUTP?;:SYST:ERR?") == ""  # SENS:CURR:OUTP: what follows is not looked at
    assert bench.ask(":SYST:ERR?").startswith("-113")


@pytest.mark.parametrize(("message", "error"), [
    ("SOUR:VOLT 99", -222), ("SOUR:VOLT", -109), ("SOUR:VOLT 1,2", -108), ("SOUR:VOLT one", -104),
    ("OUTP MAYBE", -224), ("SOUR:FUNC:MODE POW", -224), ("FETC:VOLT?", -230), ("*XYZ", -113),
])  # fmt: skip
def test_errors_have_the_numbers_of_the_standard(message: str, error: int) -> None:
    bench = Bench()
    assert bench.ask(message) == ""
    assert bench.ask("SYST:ERR?").startswith(f"{error},")
    assert bench.ask("SYST:ERR?") == '0,"No error"'


def test_the_error_queue_says_when_it_ran_over() -> None:
    bench = Bench()
    for _ in range(MOST_ERRORS + 3):
        bench.ask("NONSENSE")
    errors = [bench.ask("SYST:ERR?") for _ in range(MOST_ERRORS + 1)]
    assert errors[-2:] == ['-350,"Queue overflow"', '0,"No error"']


def test_an_answer_that_was_not_read_is_lost() -> None:
    bench = Bench("slow")
    assert bench.ask("READ?", after=0.1) == ""
    assert bench.ask("OUTP?") == "0"
    assert bench.ask("SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_a_message_without_end_is_thrown_away() -> None:
    bench = Bench()
    bench.unit.receive(b"x" * (LONGEST + 1), bench.now)
    assert bench.ask("SYST:ERR?") == '-363,"Input buffer overrun"'


@given(st.lists(st.binary(max_size=60), max_size=6))
def test_nothing_that_is_sent_breaks_it(pieces: list[bytes]) -> None:
    bench = Bench()
    for piece in pieces:
        bench.unit.receive(piece, bench.now)
    bench.ask("*CLS")
    assert bench.ask("*IDN?").count(",") == 3


def test_it_sources_a_voltage_or_a_current_and_bounds_the_other() -> None:
    bench = Bench()  # 10 kohm
    bench.ask(":SENS:CURR:RANG 1E-4;:SOUR:VOLT 0.5;:OUTP ON")
    assert [float(each) for each in bench.ask("READ:CURR?;:FETC:VOLT?").split(";")] == pytest.approx([50e-6, 0.5])
    bench.ask(":SENS:CURR:PROT 2E-5")
    bench.ask("*OPC?")
    assert [float(each) for each in bench.ask("READ:CURR?;:FETC:VOLT?").split(";")] == pytest.approx([20e-6, 0.2])
    bench.ask(":SOUR:CURR -1E-5;:SOUR:FUNC:MODE CURR")
    assert [float(each) for each in bench.ask("READ:CURR?;:FETC:VOLT?").split(";")] == pytest.approx([-10e-6, -0.1])
    bench.ask(":SOUR:CURR 5E-4")
    assert float(bench.ask("READ?")) == 9.9e37


def test_off_leaves_the_cell_alone_unless_it_clamps() -> None:
    for quirks, charged in (((), True), (("clamped",), False)):
        bench = Bench(*quirks, cell="dummy-capacitor")
        bench.ask(":SOUR:VOLT 0.5;:OUTP ON", after=2.0)
        bench.ask(":OUTP OFF", after=2.0)
        bench.ask("READ?")
        assert (abs(bench.unit.source.potential) > 0.3) is charged


def test_what_other_models_have_is_refused() -> None:
    parser = argparse.ArgumentParser()
    simulate.add_arguments(parser)
    with pytest.raises(SettingsError, match=r"speed = '4.0': a source-measure unit has nothing of that kind"):
        simulate.run(parser.parse_args(["--model", "smu", "--speed", "4"]))
    with pytest.raises(SettingsError, match="there is no such quirk"):
        simulate.run(parser.parse_args(["--model", "smu", "--quirk", "odd"]))
