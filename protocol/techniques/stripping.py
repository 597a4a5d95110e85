"""Stripping: a voltammetry after a deposition; the cell stays closed from the deposition to the end of the scan."""

from luggin.protocol.techniques.base import NET, NET_AND_BOTH, Technique, example
from luggin.protocol.techniques.pulses import DifferentialPulse, SquareWave
from luggin.protocol.techniques.sweeps import LinearSweep

_SUMMARY = (
    "The analyte is first collected on the electrode at a deposition potential, usually with stirring, then stripped"
    " off by {scan}. The peak grows with concentration and deposition time; traces become measurable."
)
_DEPOSIT = """
[[phases]]
phase = "purge"
duration = "3 min"
period = "2 s"
gas = true
stirrer = true

[[phases]]
phase = "deposit"
potential = "-1.0 V"
duration = "30 s"
stirrer = true

[[phases]]
phase = "rest"
potential = "-1.0 V"
duration = "5 s"
"""
_CLEAN = """
[[phases]]
phase = "clean"
potential = "0.1 V"
duration = "10 s"
stirrer = true
"""
_NOTES = "lead in the rinse water of a treatment column, thin mercury film electrode"
_COMMON = 'initial_potential = "-0.9 V"\nfinal_potential = "-0.1 V"\n'


def _example(name: str, technique: str, measure: str) -> str:
    return example(
        name,
        technique,
        _NOTES,
        _COMMON + measure,
        before=_DEPOSIT,
        after=_CLEAN,
        electrode="film-1",
        sample="rinse-water",
    )


LINEAR_SWEEP_STRIPPING = Technique(
    name="linear-sweep-stripping-voltammetry",
    alias="LSSV",
    summary=_SUMMARY.format(scan="a linear sweep"),
    parameters=LinearSweep,
    needs=("deposit",),
    example=_example("lead-sweep", "linear-sweep-stripping-voltammetry", 'scan_rate = "50 mV/s"\nstep = "2 mV"'),
)
DIFFERENTIAL_PULSE_STRIPPING = Technique(
    name="differential-pulse-stripping-voltammetry",
    alias="DPSV",
    summary=_SUMMARY.format(scan="differential pulses"),
    parameters=DifferentialPulse,
    view=NET,
    needs=("deposit",),
    example=_example(
        "lead-dpv",
        "differential-pulse-stripping-voltammetry",
        'step = "5 mV"\npulse_amplitude = "25 mV"\npulse_width = "50 ms"\nperiod = "100 ms"\nsampling_window = "10 ms"',
    ),
)
SQUARE_WAVE_STRIPPING = Technique(
    name="square-wave-stripping-voltammetry",
    alias="SWSV",
    summary=_SUMMARY.format(scan="a square wave"),
    parameters=SquareWave,
    view=NET_AND_BOTH,
    needs=("deposit",),
    example=_example(
        "lead-swv",
        "square-wave-stripping-voltammetry",
        'step = "4 mV"\namplitude = "25 mV"\nfrequency = "25 Hz"\nsampling_window = "4 ms"',
    ),
)
