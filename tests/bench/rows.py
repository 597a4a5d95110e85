"""What a measurement returns."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Row:
    what: str
    value: float
    unit: str
    remark: str = ""


def percentiles(what: str, seconds: Sequence[float], remark: str) -> list[Row]:
    """Median and 99th percentile, in ms."""
    half, most = np.percentile(seconds, [50, 99]) * 1e3
    remark = f"{remark}; {len(seconds)} times"
    return [Row(f"{what}, median", float(half), "ms", remark), Row(f"{what}, p99", float(most), "ms", remark)]
