"""The line of a calibration and of a standard addition, drawn and told; what has no interval is no trouble."""

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.cli.results import page
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.figures.curve import CannotDraw
from luggin.daemon.figures.draw import save
from luggin.daemon.figures.quantification import line_figure
from luggin.protocol.payloads import Evaluation
from support.quantified import labelled, stored

PLAN: dict[str, Any] = {
    "name": "outlet",
    "analyte": "paracetamol",
    "sample_volume": "10 mL",
    "replicates": 1,
    "additions": [{"volume": "10 uL", "concentration": "10 mM"}] * 3,
}


def addition(*heights: float, setup: dict[str, str] | None = None) -> Evaluation:
    signals = {label: [each] for label, each in zip(("sample", "addition-1", "addition-2"), heights, strict=False)}
    return stored(
        evaluate("standard-addition", labelled(signals, setup=setup or {}), PLAN), "standard-addition", "made"
    )


def calibration(**levels: list[float]) -> Evaluation:
    named = [{"concentration": f"{label[1:]} mg/L", "label": label} for label in levels]
    settings = {"name": "paracetamol-gc-3", "analyte": "paracetamol", "levels": named}
    return stored(evaluate("calibration", labelled(levels), settings), "calibration", "made")


def test_an_addition_is_drawn_against_what_was_added(tmp_path: Path) -> None:
    made = addition(1.00e-7, 2.01e-7, 3.00e-7)
    figure = line_figure(made)
    (axes,) = figure.axes
    assert axes.get_xlabel() == "added $c$(paracetamol) in the sample / (µmol/L)"
    assert axes.get_ylabel() == r"volume-corrected $i_\mathrm{p}$ / nA"
    (runs,) = [line for line in axes.lines if line.get_label() == "runs"]
    assert np.asarray(runs.get_xdata()) == pytest.approx([0, 10, 20])
    words = axes.get_legend_handles_labels()[1]
    assert any("95 % interval" in each for each in words)
    save(figure, tmp_path / "line.png")
    assert (tmp_path / "line.png").stat().st_size > 5000


def test_words_of_others_are_no_formulas(tmp_path: Path) -> None:
    figure = line_figure(addition(1e-7, 2e-7, 3.1e-7, setup={"sample": "$x_1$ costs $5"}))
    assert figure.axes[0].get_title() == r"paracetamol in \$x_1\$ costs \$5, standard addition"
    save(figure, tmp_path / "line.svg")


def test_a_single_addition_has_no_interval(tmp_path: Path) -> None:
    made = addition(1e-7, 2e-7)
    save(line_figure(made), tmp_path / "line.png")
    said = "\n".join(page(made))
    assert "without an uncertainty" in said


def test_a_result_below_zero_is_drawn_and_told(tmp_path: Path) -> None:
    made = addition(-1e-9, 1.0e-7, 2.03e-7)
    save(line_figure(made), tmp_path / "line.png")
    assert "RESULT      -" in "\n".join(page(made))


def test_a_calibration_without_scatter_has_no_limits(tmp_path: Path) -> None:
    made = calibration(s1=[1e-7], s2=[2e-7], s4=[4e-7])
    figure = line_figure(made)
    assert figure.axes[0].get_xlabel() == "$c$(paracetamol) / (mg/L)"
    save(figure, tmp_path / "line.pdf")
    said = "\n".join(page(made))
    assert "range       1 mg/L to 4 mg/L" in said
    assert "limits" not in said


def test_another_kind_has_no_line() -> None:
    other = calibration(s1=[1e-7], s2=[2e-7], s4=[4.1e-7]).model_copy(update={"kind": "levels"})
    with pytest.raises(CannotDraw, match="made is of the kind levels, which has no line"):
        line_figure(other)
