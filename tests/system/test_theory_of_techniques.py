"""Each technique that is no pulse train against theory, through the whole road: methods in, exported tables out.

One daemon with ideal instruments on cells in round numbers does all the work at once.  Constants: CODATA 2018
(scipy.constants), 25 degrees.  "B&F": Bard & Faulkner, Electrochemical Methods, 2nd ed. (2001), from memory.
"""

import math
from collections.abc import AsyncIterator
from typing import Any

import numpy as np
import pytest
import pytest_asyncio
from numpy.typing import NDArray

from luggin.daemon.analysis.kramers_kronig import kramers_kronig
from support.cells import DIFFUSION, FARADAY, THERMAL
from support.laboratory import Columns, at, opened, written

Floats = NDArray[np.float64]
SIGMA = 0.1 / THERMAL  # 1/s, at 0.1 V/s
PSI = 1.0
HEAD = 'title = "{title}"\nsource = "invented: the round numbers of textbooks"\n'
PLANE = HEAD + '\n[electrode]\nshape = "plane"\narea = "1 cm2"\n'
COUPLE = """
[[couples]]
formal_potential = "0 V"
rate_constant = {rate}
oxidised = {{ kind = "dissolved", name = "o", diffusion = "1e-5 cm2/s" }}
reduced = {{ kind = "dissolved", name = "r", concentration = "1 mM", diffusion = "1e-5 cm2/s" }}
"""
CELLS = {
    "reversible": PLANE.format(title="reversible couple") + COUPLE.format(rate=1000.0),
    # Without something else that reacts there is no open-circuit potential, and no current past the transition time.
    "edges": PLANE.format(title="reversible couple between the edges of a window")
    + COUPLE.format(rate=1000.0)
    + """
[[reactions]]
kind = "tafel"
rest_potential = "0 V"
exchange_current = 1e-14
anodic_slope = "60 mV"
cathodic_slope = "60 mV"
""",
    "slow": PLANE.format(title="psi = 1") + COUPLE.format(rate=PSI * math.sqrt(math.pi * DIFFUSION * SIGMA)),
    "microdisk": HEAD.format(title="disk of 5 um")
    + '\n[electrode]\nshape = "microdisk"\nradius = "5 um"\n'
    + COUPLE.format(rate=1000.0),
    "monolayer": PLANE.format(title="monolayer")
    + """
[[couples]]
formal_potential = "0 V"
oxidised = { kind = "adsorbed", name = "o" }
reduced = { kind = "adsorbed", name = "r", amount = "0.1 nmol/cm2" }
""",
    "circuit": HEAD.format(title="10 ohm + (100 ohm || 100 uF)")
    + """
[interface]
series_resistance = "10 ohm"
leak_resistance = "100 ohm"
double_layer = "100 uF"
""",
}
SHIPPED = ("dummy-diodes", "randles", "corroding", "thin-layer")
SPECTRUM = """
{bias}
amplitude_as = "peak"
highest_frequency = "10 kHz"
lowest_frequency = "0.5 Hz"
per_decade = 5
measure_time = "20 ms"
"""
REST = '[[phases]]\nphase = "rest"\nduration = "5 s"\n'
PLAUSIBLE = '[open_circuit]\nlow = "-0.7 V"\nhigh = "0.4 V"\n'
CYCLE = """
initial_potential = "-0.3 V"
first_switching_potential = "{turn} V"
second_switching_potential = "-0.3 V"
scan_rate = "0.1 V/s"
step = "0.5 mV"
"""
POLARISATION = 'initial_potential = "{low}"\nfinal_potential = "{high}"\nscan_rate = "1 mV/s"\nstep = "{step}"'
WORK = {
    "double step": (
        "reversible",
        written(
            "CC",
            'first_potential = "0.5 V"\nfirst_duration = "5 s"\nsecond_potential = "-0.5 V"\nsecond_duration = "5 s"\n'
            'period = "10 ms"',
        ),
    ),
    "transition": (
        "edges",
        written("CP", 'current = "100 uA"\nduration = "20 s"\nperiod = "5 ms"\nhigh_potential = "0.6 V"'),
    ),
    "slow cycle": ("slow", written("CV", CYCLE.format(turn=0.141))),
    "microdisk": ("microdisk", written("CA", 'potential = "0.5 V"\nduration = "1000 s"\nperiod = "0.5 s"')),
    "monolayer": ("monolayer", written("CV", CYCLE.format(turn=0.3))),
    "diodes": (
        "dummy-diodes",
        written("LSV", 'initial_potential = "-1 V"\nfinal_potential = "1 V"\nscan_rate = "1 V/s"\nstep = "10 mV"'),
    ),
    "circuit": ("circuit", written("EIS", SPECTRUM.format(bias='potential = "0 V"\namplitude = "5 mV"'))),
    "circuit by current": (
        "circuit",
        written("galvanostatic-EIS", SPECTRUM.format(bias='current = "0 A"\namplitude = "50 uA"')),
    ),
    "randles": (
        "randles",
        written(
            "EIS",
            SPECTRUM.format(bias='potential = "0.25 V"\namplitude = "2 mV"'),
            '[[phases]]\nphase = "settle"\nduration = "60 s"',
        ),
    ),
    "resistance": (
        "corroding",
        written("LPR", POLARISATION.format(low="-10 mV", high="10 mV", step="0.5 mV"), REST, PLAUSIBLE),
    ),
    "tafel": (
        "corroding",
        written("Tafel", POLARISATION.format(low="-250 mV", high="250 mV", step="1 mV"), REST, PLAUSIBLE),
    ),
    "electrolysis": (
        "thin-layer",
        written(
            "CPC",
            'potential = "-0.1 V"\nlongest = "60 s"\nperiod = "20 ms"\nend_share = "0.02 %"',
            '[[phases]]\nphase = "settle"\npotential = "0.6 V"\nduration = "5 s"',
        ),
    ),
    "rest": ("randles", written("OCP", 'duration = "10 s"\nperiod = "0.5 s"')),
}  # fmt: skip


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def measured(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[dict[str, Columns]]:
    folder = tmp_path_factory.mktemp("theory")
    instruments = {name: {"cell": name, "ideal": True} for name in SHIPPED}
    for name, text in CELLS.items():
        (folder / f"{name}.toml").write_text(text)
        instruments[name] = {"cell": str(folder / f"{name}.toml"), "ideal": True}
    async with opened(folder, instruments) as laboratory:
        yield await laboratory.measure(WORK)


def spectrum(columns: Columns) -> tuple[Floats, NDArray[np.complex128]]:
    there = np.isfinite(at(columns, "frequency"))
    impedance = at(columns, "impedance_real") + 1j * at(columns, "impedance_imaginary")
    return at(columns, "frequency")[there], impedance[there]


def agree(found: NDArray[np.complex128], expected: NDArray[Any], share: float, degrees: float) -> None:
    ratio = found / expected
    np.testing.assert_allclose(np.abs(ratio), 1, atol=share)
    np.testing.assert_allclose(np.degrees(np.angle(ratio)), 0, atol=degrees)


def vertex(x: Floats, y: Floats, top: int) -> float:
    around = slice(top - 8, top + 9)
    a, b, _ = np.polyfit(x[around] - x[top], y[around], 2)
    return float(x[top] - b / (2 * a))


@pytest.mark.timeout(120)
async def test_charge_of_a_step_follows_anson_and_half_of_it_comes_back(measured: dict[str, Columns]) -> None:
    """Q = 2 n F A c sqrt(D t / pi): 344.28 uC s^-1/2 for 1 cm2, 1 mM, 1e-5 cm2/s (Anson, Anal. Chem. 38 (1966) 54, from
    memory).  At 2 tau the charge given back is 0.586 of that taken, the current 0.293 (B&F)."""
    columns = measured["double step"]
    time, charge, current = (at(columns, name) for name in ("time", "charge", "current"))
    first = (time > 0.1) & (time <= 5.0)
    slope = np.polyfit(np.sqrt(time[first]), charge[first], 1)
    assert slope[0] == pytest.approx(344.28e-6, rel=1e-3)
    assert abs(slope[1]) < 1e-3 * charge[499]
    assert time[499] == pytest.approx(5.0)
    assert -charge[-1] / charge[499] == pytest.approx(2 - math.sqrt(2), rel=1e-3)
    assert -current[-1] / current[499] == pytest.approx(1 - 1 / math.sqrt(2), rel=1e-3)


@pytest.mark.timeout(120)
async def test_transition_time_follows_sand(measured: dict[str, Columns]) -> None:
    """i sqrt(tau) / c = 85.5 n sqrt(D) A in mA, s, mM, cm (B&F), computed 85.508: 7.312 s for 0.1 mA.  For a reversible
    couple E(3 tau/4) - E(tau/4) = 47.9 mV (B&F), computed 47.949."""
    time, potential = (at(measured["transition"], name) for name in ("time", "potential"))
    since = time - 1.0
    tau = since[np.argmax(potential > 0.3)]
    expected = (85.508 * math.sqrt(1e-5) / 0.1) ** 2
    assert tau == pytest.approx(expected, rel=2e-3)
    quarter, three_quarters = np.interp([expected / 4, 3 * expected / 4], since, potential)
    assert quarter == pytest.approx(0.0, abs=2e-4)
    assert three_quarters - quarter == pytest.approx(47.949e-3, abs=2e-4)


@pytest.mark.timeout(120)
async def test_quasi_reversible_peaks_are_as_far_apart_as_nicholson_says(measured: dict[str, Columns]) -> None:
    """psi = 1: 84 mV (Nicholson, Anal. Chem. 37 (1965) 1351, from memory), computed 83.1 when switched at 141 mV."""
    potential, current = (at(measured["slow cycle"], name) for name in ("applied_potential", "current"))
    turn = int(potential.argmax())
    peaks = [int(current[:turn].argmax()), turn + int(current[turn:].argmin())]
    assert vertex(potential, current, peaks[0]) - vertex(potential, current, peaks[1]) == pytest.approx(
        83.1e-3, abs=1e-3
    )


@pytest.mark.timeout(120)
async def test_a_microdisk_comes_to_its_steady_state(measured: dict[str, Columns]) -> None:
    """4 n F D c a = 1.92971 nA (Saito, Rev. Polarogr. 15 (1968) 177, from memory); on the way there within 0.6 % of
    Shoup & Szabo, J. Electroanal. Chem. 140 (1982) 237 (from memory): 0.7854 + 0.8862 tau^-1/2 + 0.2146 exp(-0.7823
    tau^-1/2) with tau = 4 D t / a2."""
    time, current = (at(measured["microdisk"], name) for name in ("time", "current"))
    assert current[-1] == pytest.approx(1.92971e-9, rel=3e-3)
    root = 1 / np.sqrt(4 * DIFFUSION * time / (5e-6) ** 2)
    transient = 1.92971e-9 * (0.7854 + 0.8862 * root + 0.2146 * np.exp(-0.7823 * root))
    np.testing.assert_allclose(current, transient, rtol=6e-3)


@pytest.mark.timeout(120)
async def test_a_monolayer_gives_its_bell(measured: dict[str, Columns]) -> None:
    """ip = n2 F2 v A G / (4 R T) = 9.3884 uA for 1e-10 mol/cm2, 1 cm2, 0.1 V/s; width 90.6 mV (B&F; 90.579)."""
    potential, current = (at(measured["monolayer"], name) for name in ("applied_potential", "current"))
    rising = slice(0, int(potential.argmax()))
    e, i = potential[rising], current[rising]
    top = int(i.argmax())
    assert i[top] == pytest.approx(9.3884e-6, rel=1e-3)
    left = np.interp(i[top] / 2, i[:top], e[:top])
    right = np.interp(-i[top] / 2, -i[top:], e[top:])
    assert right - left == pytest.approx(90.579e-3, abs=2e-4)
    assert i.sum() * 5e-3 == pytest.approx(FARADAY * 1e-10, rel=1e-3)  # all of it is oxidised: charge balance


@pytest.mark.timeout(120)
async def test_diodes_of_the_dummy_cell_follow_the_circuit_simulator(measured: dict[str, Columns]) -> None:
    """1 kohm + two antiparallel diodes (IS 1 nA, N 1.8), transient of ngspice (Debian package) at 0.3, 0.5, 1.0 V."""
    potential, current = (at(measured["diodes"], name) for name in ("applied_potential", "current"))
    found = current[[int(np.abs(potential - level).argmin()) for level in (0.3, 0.5, 1.0)]]
    assert found == pytest.approx([0.64739e-6, 27.414e-6, 403.098e-6], rel=3e-4)


@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", ["circuit", "circuit by current"])
async def test_the_impedance_of_a_circuit_is_its_closed_form(measured: dict[str, Columns], name: str) -> None:
    """10 ohm + (100 ohm parallel 100 uF): closed form (an AC analysis of ngspice agrees to 4e-13), within 0.1 % and 0.1
    degree."""
    frequency, found = spectrum(measured[name])
    assert len(frequency) == 23
    agree(found, 10 + 1 / (0.01 + 2j * np.pi * frequency * 1e-4), 1e-3, 0.1)


@pytest.mark.timeout(120)
async def test_a_randles_circuit_shows_its_arc_and_its_diffusion(measured: dict[str, Columns]) -> None:
    """Rct = R T / (F2 A k0 c), sigma = 2 R T / (F2 A c sqrt(2 D)) for both forms at c (B&F, ch. 10); consistent after
    Kramers and Kronig (test of Boukamp, J. Electrochem. Soc. 142 (1995) 1885)."""
    area, concentration = 7.0686e-6, 5.0
    transfer = THERMAL / (FARADAY * area * 5e-5 * concentration)
    sigma = 2 * THERMAL / (FARADAY * area * concentration * math.sqrt(2 * 7e-10))
    frequency, found = spectrum(measured["randles"])
    omega = 2 * np.pi * frequency
    expected = 100 + 1 / (2e-6j * omega + 1 / (transfer + sigma * (1 - 1j) / np.sqrt(omega)))
    agree(found, expected, 3e-3, 0.2)
    slow = frequency < 3
    slope = np.polyfit(found.real[slow], -found.imag[slow], 1)[0]
    assert slope == pytest.approx(1.0, abs=0.02)  # Warburg: 45 degrees
    assert np.abs(kramers_kronig(frequency, found).residual_real).max() < 1e-3


@pytest.mark.timeout(120)
async def test_polarisation_resistance_is_that_of_stern_and_geary(measured: dict[str, Columns]) -> None:
    """Rp = B / i_corr with B = ba bc / (ln 10 (ba + bc)) = 26.05 mV for 120 mV a decade each (ASTM G59 after Stern &
    Geary, J. Electrochem. Soc. 104 (1957) 56, from memory), and 20 ohm of solution in series."""
    columns = measured["resistance"]
    sweep = columns["phase"] == 1
    potential, current = (at(columns, name)[sweep] for name in ("applied_potential", "current"))
    near = np.abs(potential + 0.55) < 5e-3
    slope = np.polyfit(current[near], potential[near], 1)[0]
    assert slope - 20 == pytest.approx(0.02605 / 10e-6, rel=0.01)


@pytest.mark.timeout(120)
async def test_tafel_lines_meet_at_the_corrosion_current(measured: dict[str, Columns]) -> None:
    """120 mV a decade on either side, freed of 20 ohm, meeting at -0.55 V and 10 uA: the lines of the cell's document,
    read as ASTM G3 reads them (from memory).  1 mV/s into 40 uF adds 40 nA."""
    columns = measured["tafel"]
    sweep = columns["phase"] == 1
    current = at(columns, "current")[sweep]
    potential = at(columns, "applied_potential")[sweep] - 20 * current
    for side in (-1, 1):
        line = (side * (potential + 0.55) > 0.1) & (side * (potential + 0.55) < 0.2)
        slope, there = np.polyfit(potential[line] + 0.55, np.log10(np.abs(current[line])), 1)
        assert 1 / slope == pytest.approx(side * 0.120, rel=0.02)
        assert 10**there == pytest.approx(10e-6, rel=0.05)


@pytest.mark.timeout(120)
async def test_an_exhaustive_electrolysis_passes_the_charge_of_faraday(measured: dict[str, Columns]) -> None:
    """Q = n F c A l (Faraday's law), and 0.7 V into the double layer of 1.4 uF: 34.10 and 0.98 uC."""
    columns = measured["electrolysis"]
    charge = FARADAY * 1.0 * 7.0686e-6 * 50e-6
    assert charge == pytest.approx(34.10e-6, rel=1e-3)
    assert -at(columns, "charge")[-1] == pytest.approx(charge + 0.7 * 1.4e-6, rel=3e-3)
    assert at(columns, "time")[-1] < 30  # the current had fallen far enough, the time had not run out


@pytest.mark.timeout(120)
async def test_the_open_circuit_reads_nernst(measured: dict[str, Columns]) -> None:
    """Both forms at one concentration: the formal potential."""
    assert at(measured["rest"], "potential") == pytest.approx(np.full(20, 0.25), abs=1e-6)
