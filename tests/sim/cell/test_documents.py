"""Cell documents: shipped ones load, files and mappings do, and what is wrong is named."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.protocol.problem import DocumentError
from luggin.sim.cell import Cell, CellError, load_cell, names
from support.cells import couple, monolayer

SHIPPED = {
    "corroding", "dummy-capacitor", "dummy-diodes", "dummy-r-rc", "dummy-resistor", "galvanic-couple", "long-run",
    "metal-film", "microdisk", "monolayer", "oxygen", "paracetamol", "paracetamol-addition", "pitting", "plating",
    "randles", "redox-probe", "storage", "thin-layer",
}  # fmt: skip


def document(**changes: Any) -> dict[str, Any]:
    made: dict[str, Any] = {
        "title": "test",
        "source": "round numbers",
        "electrode": {"shape": "plane", "area": "1 cm2"},
        "interface": {"series_resistance": "100 ohm", "double_layer": "10 uF"},
        "couples": [couple()],
    }
    return {**made, **changes}


def test_shipped_cells() -> None:
    assert set(names()) == SHIPPED


@pytest.mark.parametrize("name", sorted(SHIPPED))
def test_a_shipped_cell_runs(name: str) -> None:
    """Each answers a scan with a current of a plausible size, and a rest potential within a volt."""
    made: Cell = load_cell(name)
    rest = made.open_circuit(np.full(3, 1.0)).measured
    assert (np.abs(rest) < 1).all()
    ramp = np.linspace(-0.3, 0.5, 101)
    current = made.potential_control(0.08, ramp[:-1], ramp[1:]).current
    assert 1e-10 < np.abs(current).max() < 0.1
    assert np.isfinite(made.impedance([0.1, 1e5])).all()


def test_units_and_numbers_mean_the_same() -> None:
    ramp = np.linspace(0.3, -0.3, 61)
    plain = document(
        electrode={"shape": "plane", "area": 1e-4}, interface={"series_resistance": 100, "double_layer": 1e-5}
    )
    one, other = load_cell(document()), load_cell(plain)
    assert (
        one.potential_control(0.1, ramp[:-1], ramp[1:]).current
        == other.potential_control(0.1, ramp[:-1], ramp[1:]).current
    ).all()


def test_a_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "cell.toml"
    path.write_text('title = "resistor"\nsource = "ideal"\n[interface]\nleak_resistance = "2 kohm"\n')
    for source in (path, str(path)):
        assert load_cell(source).potential_control(1.0, 1.0, 1.0).current == pytest.approx([5e-4])


def test_concentrations_are_replaced_and_spiked() -> None:
    """A scan's peak follows the concentration, and a spike adds to it (in mol/m3)."""

    def height(made: Cell) -> float:
        made.potential_control(1.0, 0.0, 0.0)
        ramp = np.linspace(0.0, 0.7, 351)
        return float(made.potential_control(0.02, ramp[:-1], ramp[1:]).current[200:280].max())

    blank = height(load_cell("paracetamol", concentrations={"paracetamol": 0.0}))
    single = height(load_cell("paracetamol")) - blank
    double = height(load_cell("paracetamol", concentrations={"paracetamol": 0.1})) - blank
    spiked = load_cell("paracetamol")
    spiked.spike({"paracetamol": 0.05})
    assert double == pytest.approx(2 * single, rel=0.02)
    assert height(spiked) - blank == pytest.approx(double, rel=1e-12)


@pytest.mark.parametrize(
    ("changes", "field", "remedy"),
    [
        ({"title": ""}, "title", "at least 1"),
        ({"colour": "red"}, "colour", "unknown"),
        ({"electrode": {"shape": "plane", "area": "1 V"}}, "area", "m2"),
        ({"electrode": {"shape": "plane", "area": -1.0}}, "area", "greater than 0"),
        ({"electrode": {"shape": "cube", "area": 1.0}}, "electrode", "plane"),
        ({"electrode": None}, "document", "add its shape"),
        ({"interface": {"series_resistance": "100"}}, "series_resistance", "unit"),
        ({"interface": {"series_resistance": "nan"}}, "series_resistance", "expected"),
        ({"couples": [couple(), couple()]}, "document", "name of its own"),
        ({"couples": [couple(alpha=1.5)]}, "transfer_coefficient", "less than 1"),
        ({"couples": [{**couple(), "surface_rate_constant": 1.0}]}, "couples[0]", "rate_constant"),
        ({"couples": [{**monolayer(), "rate_constant": 1.0}]}, "couples[0]", "surface_rate_constant"),
        ({"couples": [{**couple(), "oxidised": monolayer()["oxidised"]}]}, "couples[0]", "adsorbed too"),
        ({"couples": [], "interface": {"series_resistance": 1.0}}, "document", "conducts"),
        ({"gas": {"species": "argon", "leaves_in": 1, "returns_in": 1}}, "document", "dissolved species"),
        ({"additions": [{"after_run": 1, "volume": "1 mL"}]}, "document", "add volume"),
        ({"volume": 1e-5, "additions": [{"after_run": 0, "volume": "1 mL"}]}, "after_run", "or equal to 1"),
        ({"volume": 1e-5, "additions": [{"after_run": 1, "volume": "1 V"}]}, "additions[0].volume", "m3"),
        ({"volume": 1e-5, "additions": [{"after_run": 1, "volume": 1e-6, "concentrations": {"x": 1.0}}]}, "document",
         "additions[0] names 'x'; the dissolved species are o, r"),
        ({"volume": 1e-5, "additions": [{"after_run": n, "volume": 1e-6} for n in (2, 1)]}, "document", "rising"),
        ({"reactions": [{"kind": "diodes", "saturation_current": 1e-9}]}, "scale", "add it"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(changes: dict[str, Any], field: str, remedy: str) -> None:
    with pytest.raises(DocumentError) as caught:
        load_cell(document(**changes))
    assert field in str(caught.value)
    assert remedy in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("source", "message"),
    [
        ("no-such-cell", "known are"),
        ("no/such/file.toml", "can't be read"),
        ("\0", "can't be read"),
        (Path("/"), "can't be read"),
    ],
)
def test_a_cell_that_is_not_there(source: str | Path, message: str) -> None:
    with pytest.raises(DocumentError, match=message):
        load_cell(source)


def test_files_are_bounded(tmp_path: Path) -> None:
    path = tmp_path / "huge.toml"
    path.write_bytes(b"#" * 100_000)
    with pytest.raises(DocumentError, match="too large"):
        load_cell(path)
    deep: dict[str, Any] = {}
    inner = deep
    for _ in range(30):
        inner["a"] = {}
        inner = inner["a"]
    with pytest.raises(DocumentError, match="nested"):
        load_cell(deep)


def test_species_that_are_not_there() -> None:
    with pytest.raises(CellError, match="it has o, r"):
        load_cell(document(), concentrations={"caffeine": 1.0})
    made = load_cell(document())
    with pytest.raises(CellError, match="it has o, r"):
        made.spike({"caffeine": 1.0})
    with pytest.raises(CellError, match="between 0 and"):
        made.spike({"o": -1.0})


def test_additions_before_a_run_are_mixed_in() -> None:
    """Amounts add up and volumes too; what is not added to is diluted; no run needs the runs before it."""
    base = document(
        couples=[couple(1.0, 0.5)],
        volume="10 mL",
        additions=[
            {"after_run": 2, "volume": "1 mL", "concentrations": {"o": "12 mM"}},
            {"after_run": 3, "volume": "1 mL"},
        ],
    )
    o, r = 1.0, 0.5
    held = {1: (o, r), 2: (o, r), 3: ((10 * o + 12) / 11, 10 * r / 11), 4: ((10 * o + 12) / 12, 10 * r / 12)}
    ramp = np.linspace(0.3, -0.3, 61)
    for run, (oxidised, reduced) in reversed(held.items()):
        plain = load_cell(base, concentrations={"o": oxidised, "r": reduced})
        found = load_cell(base, run=run).potential_control(0.1, ramp[:-1], ramp[1:]).current
        assert found == pytest.approx(plain.potential_control(0.1, ramp[:-1], ramp[1:]).current, rel=1e-9)


def test_what_was_replaced_is_there_before_anything_is_added() -> None:
    base = document(couples=[couple()], volume="10 mL", additions=[{"after_run": 1, "volume": "10 mL"}])
    ramp = np.linspace(0.3, -0.3, 61)
    diluted = load_cell(base, concentrations={"o": 2.0, "r": 1.0}, run=2).potential_control(0.1, ramp[:-1], ramp[1:])
    plain = load_cell(base, concentrations={"o": 1.0, "r": 0.5}).potential_control(0.1, ramp[:-1], ramp[1:])
    assert diluted.current == pytest.approx(plain.current, rel=1e-9)


def test_numbers_that_nobody_can_compute_with_are_a_problem_of_the_document() -> None:
    given = document()
    given["couples"][0]["oxidised"]["diffusion"] = 1e-320
    with pytest.raises(DocumentError, match="too large or too small to compute with"):
        load_cell(given)
