"""The example of every technique goes the whole road: checked, run by a daemon on a simulated instrument, exported."""

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main
from luggin.protocol import document, method
from luggin.protocol.points import Flag
from luggin.protocol.techniques import TECHNIQUES
from support.laboratory import Columns, opened

# The cell that each example is meant for.
CELLS = {
    "linear-sweep-voltammetry": "paracetamol",
    "cyclic-voltammetry": "redox-probe",
    "staircase-voltammetry": "redox-probe",
    "normal-pulse-voltammetry": "redox-probe",
    "differential-pulse-voltammetry": "paracetamol",
    "square-wave-voltammetry": "paracetamol",
    "linear-sweep-stripping-voltammetry": "metal-film",
    "differential-pulse-stripping-voltammetry": "metal-film",
    "square-wave-stripping-voltammetry": "metal-film",
    "chronoamperometry": "redox-probe",
    "double-step-chronoamperometry": "redox-probe",
    "multiple-step-chronoamperometry": "redox-probe",
    "chronocoulometry": "redox-probe",
    "controlled-potential-coulometry": "thin-layer",
    "amperometric-monitoring": "paracetamol",
    "pulsed-amperometric-detection": "paracetamol",
    "chronopotentiometry": "redox-probe",
    "current-step-chronopotentiometry": "redox-probe",
    "galvanostatic-charge-discharge": "storage",
    "open-circuit-potential": "redox-probe",
    "impedance-spectroscopy": "redox-probe",
    "galvanostatic-impedance-spectroscopy": "dummy-r-rc",
    "impedance-against-time": "paracetamol",
    "impedance-against-potential": "paracetamol",
    "uncompensated-resistance": "redox-probe",
    "polarisation-resistance": "corroding",
    "tafel-polarisation": "corroding",
    "cyclic-polarisation": "pitting",
    "zero-resistance-ammetry": "galvanic-couple",
}
MOST_EACH = 3
LOST = int(Flag.CONTROL_OVERLOAD | Flag.HELD)
UNFIT = int(Flag.SETTLING | Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD)


@pytest.mark.timeout(120)
async def test_every_example_is_checked_run_and_exported(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, technique in TECHNIQUES.items():
        (tmp_path / "method.toml").write_text(technique.example)
        assert main(["check", str(tmp_path / "method.toml")]) == exits.OK, name
        assert f"valid {name} " in capsys.readouterr().out
    places = _places()
    cells = {places[name]: {"cell": cell} for name, cell in CELLS.items()}
    async with opened(tmp_path, cells) as laboratory:
        found = await laboratory.measure(
            {name: (places[name], technique.example) for name, technique in TECHNIQUES.items()}
        )
    assert found.keys() == TECHNIQUES.keys()
    for name, columns in found.items():
        assert laboratory.results[name].cell == "off", name
        assert laboratory.results[name].gaps == [], name
        _is_sound(name, columns)


def _places() -> dict[str, str]:
    """The instrument for each technique; with one cell there are so many that none has more than MOST_EACH to do."""
    counted: Counter[str] = Counter()
    places = {}
    for name, cell in CELLS.items():
        places[name] = f"{cell}-{counted[cell] // MOST_EACH}"
        counted[cell] += 1
    return places


def _is_sound(name: str, columns: Columns) -> None:
    """The measuring phase has points, nearly all of them fit, and the quantity by which its curve is looked at."""
    technique = TECHNIQUES[name]
    phases = method.parse(document.read(technique.example)).phases
    measuring = next(number for number, phase in enumerate(phases) if phase.phase == "measure")
    measured = columns["phase"] == measuring
    flags = columns["flags"][measured]
    assert len(flags) >= 1, name
    assert not (flags & LOST).any(), name
    assert ((flags & UNFIT) != 0).mean() <= 0.05, name
    assert (np.diff(columns["time"]) > 0).all(), name
    for column in (technique.view.x, technique.view.y):
        assert np.isfinite(columns[column][measured]).all(), (name, column)
