"""Whatever the numbers are, an analysis gives a result that fits into JSON, or one clear sentence."""

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from pydantic import BaseModel

from luggin.daemon.analysis import (
    addition,
    charge,
    corrosion,
    detection_limits,
    diffusion,
    impedance_fit,
    kramers_kronig,
    linearity,
    nicholson,
    ohmic,
    outliers,
    regression,
    rotating_disk,
    scan_rate_order,
    tafel,
)
from luggin.daemon.analysis.errors import AnalysisError

NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False),
    st.floats(-10, 10),
    st.sampled_from([0.0, 1.0, -1.0, 1e-9, 1e300, 1e-300, float("nan"), float("inf")]),
)
ROWS = hnp.arrays(np.float64, st.integers(0, 14), elements=NUMBERS)
TWO_ROWS = st.integers(0, 14).flatmap(
    lambda n: st.tuples(*[hnp.arrays(np.float64, n, elements=NUMBERS)] * 2),
)
KNOWN: dict[str, Any] = {"concentration": 1.0, "area": 1e-4}


def spectrum(x: Any, y: Any) -> Any:
    z = np.empty(x.size, dtype=np.complex128)
    z.real, z.imag = y, x
    return z


def any_circuit(x: Any, y: Any) -> Any:
    return impedance_fit.fit_circuit(np.abs(x) + 1e-3, spectrum(x, y), "R(RC)")


OF_TWO: dict[str, Callable[[Any, Any], Any]] = {
    "line": regression.fit_line,
    "weighted line": lambda x, y: regression.fit_line(x, y, weights=np.abs(y)),
    "mandel": linearity.mandel,
    "lack of fit": lambda x, y: linearity.lack_of_fit(np.round(x), y),
    "limits": lambda x, y: detection_limits.din_32645(regression.fit_line(x, y)),
    "addition": lambda x, y: addition.standard_addition(x, [[v] for v in y]),
    "addition with volume": lambda x, y: addition.standard_addition(
        x, [[v, v + 0.1] for v in y], volume_ratio=1 + np.abs(x), blank_signals=y[:1]
    ),
    "randles-sevcik": lambda x, y: diffusion.randles_sevcik(x, y, **KNOWN),
    "cottrell": lambda x, y: diffusion.cottrell(x, y, **KNOWN),
    "anson": lambda x, y: diffusion.anson(x, y, **KNOWN),
    "scan-rate order": scan_rate_order.scan_rate_order,
    "nicholson": lambda x, y: nicholson.nicholson(np.abs(x) / 10, y, 1e-9),
    "levich": lambda x, y: rotating_disk.levich(x, y, **KNOWN),
    "koutecky-levich": lambda x, y: rotating_disk.koutecky_levich(x, y, **KNOWN),
    "charge": charge.charge,
    "double layer": charge.double_layer_capacitance,
    "galvanostatic": lambda x, y: charge.galvanostatic_capacitance(x, y, 1e-3),
    "polarisation resistance": lambda x, y: corrosion.polarisation_resistance(x, y, window=1.0),
    "tafel": lambda x, y: tafel.extrapolated_current(tafel.tafel_line(x, y), 0.5),
    "mixed potential": lambda x, y: tafel.mixed_potential(x, y, window=2.0),
    "ohmic drop": lambda x, y: ohmic.correct_ohmic_drop(x, y, 10.0, ohmic.OhmicRecord())[1],
    "kramers-kronig": lambda x, y: kramers_kronig.kramers_kronig(np.abs(x) + 1e-3, spectrum(x, y)),
}
OF_ONE: dict[str, Callable[[Any], Any]] = {
    "grubbs": outliers.grubbs,
    "dixon": outliers.dixon,
    "blanks": lambda x: detection_limits.din_32645_blank(x, 1.0),
}


def fits_json_or_says_why(analysis: Callable[..., BaseModel], *rows: Any) -> None:
    try:
        result = analysis(*rows)
    except AnalysisError as error:
        assert str(error)
        return
    json.dumps(result.model_dump(mode="json"), allow_nan=False)


@pytest.mark.parametrize("name", OF_TWO)
@settings(max_examples=25, deadline=None)
@given(rows=TWO_ROWS)
def test_any_pair_of_rows(name: str, rows: Any) -> None:
    fits_json_or_says_why(OF_TWO[name], *rows)


@pytest.mark.parametrize("name", OF_ONE)
@settings(max_examples=25, deadline=None)
@given(row=ROWS)
def test_any_row(name: str, row: Any) -> None:
    fits_json_or_says_why(OF_ONE[name], row)


@settings(max_examples=8, deadline=None)
@given(rows=TWO_ROWS)
def test_any_spectrum(rows: Any) -> None:
    fits_json_or_says_why(any_circuit, *rows)


@pytest.mark.long
@settings(max_examples=300, deadline=None)
@given(rows=TWO_ROWS)
def test_very_many_spectra(rows: Any) -> None:
    fits_json_or_says_why(any_circuit, *rows)


@pytest.mark.long
@pytest.mark.parametrize("name", OF_TWO)
@settings(max_examples=1000, deadline=None)
@given(rows=TWO_ROWS)
def test_very_many_pairs_of_rows(name: str, rows: Any) -> None:
    fits_json_or_says_why(OF_TWO[name], *rows)
