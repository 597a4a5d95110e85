"""What an instrument can't do is refused by the daemon before the cell is touched; a sentence names the limit."""

from pathlib import Path

from luggin.protocol.techniques import TECHNIQUES
from support.laboratory import Laboratory, opened, written

SWEEP = """
initial_potential = "0 V"
final_potential = "{final}"
scan_rate = "{rate}"
step = "{step}"
"""
# For each case: the instrument's model, the method, and what its refusal says.
CASES = {
    "steeper than it sweeps": (
        "bench",
        written("LSV", SWEEP.format(final="1 V", rate="200 V/s", step="10 mV")),
        "phases[0].scan_rate = '200 V/s': steeper than the instrument sweeps; its steepest sweep is 100 V/s",
    ),
    "points that follow too fast": (
        "bench",
        written("LSV", SWEEP.format(final="1 V", rate="100 V/s", step="0.1 mV")),
        "points follow each other faster than the instrument can sample; its shortest is 10 µs",
    ),
    "more fast points than its memory holds": (
        "bench",
        written("CA", 'potential = "0.1 V"\nduration = "10 s"\nperiod = "15 us"'),
        "points = 666666: too many for the instrument's memory at this rate; it streams 50000 points/s",
    ),
    "outside its window": (
        "field",
        written("LSV", SWEEP.format(final="2.5 V", rate="1 V/s", step="5 mV")),
        "potential = '2.5 V': outside the instrument's window; the instrument applies -2 V to 2 V",
    ),
    "a current on a potentiostat": (
        "field",
        TECHNIQUES["chronopotentiometry"].example,
        "phases[0] = 'current': the instrument can't control this quantity; it controls potential",
    ),
    "a current beyond its largest range": (
        "bench",
        written("CP", 'current = "20 mA"\nduration = "1 s"\nperiod = "10 ms"'),
        "current = '20 mA': more than the instrument delivers; the largest range is 10 mA",
    ),
    "a current beyond the ranges that are allowed": (
        "bench",
        TECHNIQUES["chronopotentiometry"].example.replace('current = "-10 uA"', 'current = "-150 uA"'),
        "the program forces -150 µA, which the largest allowed range does not hold",
    ),
    "a frequency too high": (
        "field",
        TECHNIQUES["uncompensated-resistance"].example,
        "phases[1].frequency = '10 kHz': outside the instrument's frequencies; it measures from 10 mHz to 1 kHz",
    ),
    "a frequency too low": (
        "bench",
        written(
            "EIS",
            'potential = "0 V"\namplitude = "5 mV"\nhighest_frequency = "1 Hz"\nlowest_frequency = "0.1 mHz"',
        ),
        "phases[0].frequency = '100 µHz': outside the instrument's frequencies; it measures from 1 mHz to 100 kHz",
    ),
    "a couple on an instrument that has no second lead": (
        "field",
        written("ZRA", 'duration = "10 s"\nperiod = "1 s"'),
        "phases[0] = 'couple': the instrument can't execute this kind of segment; it executes open, hold, ramp",
    ),
    "an output that it does not have": (
        "field",
        written("AM", 'potential = "0.1 V"\nduration = "10 s"\nperiod = "1 s"\nstirrer = true'),
        "stirrer = True: the instrument has no such output; it has no outputs",
    ),
    "a range that it does not have": (
        "field",
        TECHNIQUES["galvanostatic-charge-discharge"].example,
        "ranging.upper = '10 mA': the instrument has no such range; it has 1 µA, 10 µA, 100 µA, 1 mA",
    ),
}


async def test_what_an_instrument_can_not_do_is_refused(tmp_path: Path) -> None:
    models = {model: {"cell": "redox-probe", "model": model} for model in ("bench", "field")}
    async with opened(tmp_path, models) as laboratory:
        for case, (model, method, sentence) in CASES.items():
            await _is_refused(laboratory, case, model, method, sentence)
        for model in models:
            state = await laboratory.road.until(model, state="Idle")
            assert state["cell"] == "off"
            assert state["run"] is None


async def _is_refused(laboratory: Laboratory, case: str, model: str, method: str, sentence: str) -> None:
    reply = await laboratory.start(model, method)
    assert not reply.accepted, case
    assert reply.run is None, case
    assert any(sentence in problem for problem in reply.problems), (case, reply.problems)
