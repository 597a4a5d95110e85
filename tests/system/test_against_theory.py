"""Theory through the whole road: a method file goes in, the table of a data package comes out.

The instrument is the ideal model of the simulator behind the link; the cells are those of the theory: one reversible
couple, no resistance, no double layer.  Constants: CODATA 2018 (scipy.constants).
"""

import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio
from numpy.typing import NDArray
from scipy.constants import R

from luggin.daemon.export import read_package
from support.road import REFERENCE, Road, walked
from support.theory import CELL, F, T

AREA, CONCENTRATION, DIFFUSION = 1e-4, 1.0, 1e-9  # 1 cm2, 1 mM, 1e-5 cm2/s
Columns = dict[str, NDArray[Any]]

METHOD = """
version = 1
name = "theory"
technique = "{technique}"

[setup]
reference = "{reference}"

[[phases]]
phase = "measure"
{measure}
"""
SWEEP = """
initial_potential = "{initial} V"
first_switching_potential = "{switching} V"
second_switching_potential = "{initial} V"
scan_rate = "100 mV/s"
step = "0.5 mV"
"""


@pytest_asyncio.fixture
async def road(tmp_path: Path) -> AsyncIterator[Road]:
    (tmp_path / "cell.toml").write_text(CELL)
    settings = {"driver": "sim", "ideal": True, "speed": 1000, "reference": REFERENCE}
    async with walked(tmp_path) as found:
        await found.serve(
            {
                "couple": {**settings, "cell": str(tmp_path / "cell.toml")},
                "dummy": {**settings, "cell": "dummy-r-rc"},
            }
        )
        yield found


async def measured(road: Road, instrument: str, technique: str, measure: str) -> Columns:
    method = road.folder / f"{technique}.toml"
    method.write_text(METHOD.format(technique=technique, reference=REFERENCE, measure=measure))
    await road.until(instrument, state="Idle", cell="off", link="up")
    result = await road.told("run", str(method), "-i", instrument)
    assert result["state"] == "Complete", json.dumps(result)
    folder = road.folder / f"data-{result['run']}"
    code, _, err = await road.luggin(
        "export", result["run"], "-o", str(folder), "--store", str(road.folder / "runs.sqlite")
    )
    assert code == 0, err
    return read_package(folder)[result["run"]][1]


async def test_reversible_voltammogram(road: Road) -> None:
    """Nicholson & Shain, Anal. Chem. 36 (1964) 706 (from memory): current function 0.4463 at the peak, 28.50 mV beyond
    E1/2; exact (semi-integral, computed independently): 0.446295, 28.492 mV; half-peak potential 28.092 mV before E1/2.
    Peak separation for a switching potential 271.5 mV beyond the peak: 57.8 mV (Bard & Faulkner, 2nd ed., table 6.5.1,
    from memory), computed 57.64 mV."""
    columns = await measured(road, "couple", "cyclic-voltammetry", SWEEP.format(initial=-0.3, switching=0.3))
    potential, current = (columns[name].astype(float) for name in ("applied_potential", "current"))
    sigma = F * 0.1 / (R * T)
    function = current / (F * AREA * CONCENTRATION * np.sqrt(DIFFUSION * sigma))
    turn = int(potential.argmax())
    top = int(function[:turn].argmax())
    assert function[top] == pytest.approx(0.446295, rel=5e-4)
    assert function[top] == pytest.approx(0.4463, rel=5e-4)
    peak = _vertex(potential[:turn], function[:turn], top)
    assert peak == pytest.approx(28.492e-3, abs=0.5e-3)
    half = np.interp(function[top] / 2, function[:top], potential[:top])
    assert half == pytest.approx(-28.092e-3, abs=0.5e-3)
    back = turn + int(function[turn:].argmin())
    assert peak - _vertex(potential, function, back) == pytest.approx(57.64e-3, abs=1e-3)
    # Randles-Sevcik: 2.69e5 in A, cm2, mol/cm3, V/s (from memory); 2.6865e5 computed
    assert current[top] == pytest.approx(2.6865e5 * 1.0 * np.sqrt(1e-5 * 0.1) * 1e-6, rel=1e-3)


async def test_step_into_the_limiting_current(road: Road) -> None:
    """Cottrell: i = n F A c sqrt(D / (pi t)), 172.142 uA at 1 s for 1 cm2, 1 mM, 1e-5 cm2/s."""
    columns = await measured(
        road, "couple", "chronoamperometry", 'potential = "0.5 V"\nduration = "10 s"\nperiod = "50 ms"'
    )
    time, current = columns["time"].astype(float), columns["current"].astype(float)
    assert np.interp(1.0, time, current) == pytest.approx(172.142e-6, rel=1e-3)
    later = time > 0.2
    cottrell = F * AREA * CONCENTRATION * np.sqrt(DIFFUSION / (np.pi * time[later]))
    np.testing.assert_allclose(current[later], cottrell, rtol=2e-3)


async def test_dummy_cell_charges_as_the_closed_form_says(road: Road) -> None:
    """1 kohm in series with 10 kohm parallel to 1 uF: i = U/(Rs+Rp) (1 + Rp/Rs exp(-t/tau)), tau = C Rs Rp/(Rs+Rp)."""
    columns = await measured(
        road, "dummy", "chronoamperometry", 'potential = "0.1 V"\nduration = "20 ms"\nperiod = "0.2 ms"'
    )
    time, current = columns["time"].astype(float), columns["current"].astype(float)
    series, parallel, capacity, voltage = 1e3, 10e3, 1e-6, 0.1
    tau = capacity * series * parallel / (series + parallel)
    expected = voltage / (series + parallel) * (1 + parallel / series * np.exp(-time / tau))
    np.testing.assert_allclose(current[1:], expected[1:], rtol=5e-3)
    assert current[-1] == pytest.approx(voltage / (series + parallel), rel=1e-4)


def _vertex(x: NDArray[np.float64], y: NDArray[np.float64], at: int) -> float:
    """Where a parabola through the points about index `at` has its top."""
    around = slice(max(at - 8, 0), at + 9)
    a, b, _ = np.polyfit(x[around] - x[at], y[around], 2)
    return float(x[at] - b / (2 * a))
