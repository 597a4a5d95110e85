"""Points: what an instrument measured, as columns, in batches that are known by run, boot, first index and count."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


@dataclass(frozen=True)
class Column:
    """One quantity of a point: its name, SI unit ("1" for counts and flags), little-endian dtype and meaning."""

    name: str
    unit: str
    dtype: str
    meaning: str


# The order is the order of exported tables.  A column that the instrument doesn't measure is absent, never zero.
COLUMNS: Mapping[str, Column] = {
    column.name: column
    for column in (
        Column("time", "s", "<f8", "instrument time since the start of the run"),
        Column("phase", "1", "<u1", "index of the method's phase, counted from 0"),
        Column("cycle", "1", "<u4", "repetition within the phase, counted from 1"),
        Column("channel", "1", "<u1", "electrode channel, counted from 1"),
        Column("applied_potential", "V", "<f4", "potential asked of the control loop, against the reference"),
        Column("potential", "V", "<f4", "measured potential of the working electrode against the reference"),
        Column("current", "A", "<f4", "measured current, anodic positive; for pulses the net current"),
        Column("current_range", "A", "<f4", "full scale of the current range in use"),
        Column("cell_voltage", "V", "<f4", "counter electrode against working electrode"),
        Column("charge", "C", "<f8", "charge passed since the start of the segment, anodic positive"),
        Column("forward_current", "A", "<f4", "current sampled at the end of the forward pulse"),
        Column("reverse_current", "A", "<f4", "current sampled at the end of the reverse pulse or before the pulse"),
        Column("current_minimum", "A", "<f4", "smallest current within the sampling period"),
        Column("current_maximum", "A", "<f4", "largest current within the sampling period"),
        Column("frequency", "Hz", "<f4", "frequency of the sine perturbation"),
        Column("impedance_real", "ohm", "<f4", "real part of the impedance"),
        Column("impedance_imaginary", "ohm", "<f4", "imaginary part of the impedance"),
        Column("rotation_rate", "Hz", "<f4", "rotation rate of the working electrode"),
        Column("temperature", "K", "<f4", "temperature of the cell or, without a probe, of the instrument"),
        Column("auxiliary_1", "V", "<f4", "first auxiliary input"),
        Column("auxiliary_2", "V", "<f4", "second auxiliary input"),
        Column("flags", "1", "<u2", "sum of flags, see Flag"),
    )
}


class Flag(IntFlag):
    """What is known of a point's worth.  Zero means nothing to remark."""

    SETTLING = 1  # taken while a range change or a step settles; not for evaluation
    CURRENT_OVERLOAD = 2  # current beyond the range's full scale
    UNDERLOAD = 4  # current far below the range, resolution is poor
    CONTROL_OVERLOAD = 8  # the control loop does not reach the potential or current it was asked for
    HELD = 16  # taken after an operator had held and released the run
    CELL_OPEN = 32  # taken at open circuit: potential limits don't apply, the current is no measurement of the cell
    HOST_TIME = 64  # the host stamped this point, the instrument has no clock of its own


@dataclass(frozen=True, eq=False)
class Batch:
    """A run of consecutive points.

    `columns` maps a name of COLUMNS to an array of shape (count,).  Points are known by their index within the run,
    so batches may be cut anew on replay; `boot` tells a rebooted instrument's points from the ones before.
    """

    run: str
    boot: str
    first: int
    columns: Mapping[str, Array]

    def __post_init__(self) -> None:
        lengths = {array.shape for array in self.columns.values()}
        if len(lengths) != 1 or len(next(iter(lengths))) != 1:
            raise ValueError(f"columns of a batch differ in shape: {sorted(lengths)}")
        unknown = self.columns.keys() - COLUMNS.keys()
        if unknown:
            raise ValueError(f"unknown columns: {sorted(unknown)}")

    @property
    def count(self) -> int:
        return len(next(iter(self.columns.values())))

    @property
    def after(self) -> int:
        """Index of the first point that is not in this batch."""
        return self.first + self.count

    def cut(self, first: int, after: int) -> "Batch | None":
        """The part with indices in [first, after), or None when nothing is left."""
        low, high = max(first, self.first) - self.first, min(after, self.after) - self.first
        if low >= high:
            return None
        if low == 0 and high == self.count:
            return self
        return Batch(self.run, self.boot, self.first + low, {n: c[low:high] for n, c in self.columns.items()})


def batch(run: str, boot: str, first: int, columns: Mapping[str, Iterable[Any]]) -> Batch:
    """Make a batch, each column brought to its dtype of COLUMNS."""
    return Batch(run, boot, first, {n: np.asarray(c, dtype=COLUMNS[n].dtype) for n, c in columns.items()})


def joinable(left: Batch, right: Batch) -> bool:
    """Whether `right` continues `left` without a gap, with the same columns."""
    return (
        left.run == right.run
        and left.boot == right.boot
        and left.after == right.first
        and left.columns.keys() == right.columns.keys()
    )


def join(batches: Iterable[Batch]) -> list[Batch]:
    """Merge neighbours that continue each other, so that one commit or message carries many small frames."""
    groups: list[list[Batch]] = []
    for each in batches:
        if groups and joinable(groups[-1][-1], each):
            groups[-1].append(each)
        else:
            groups.append([each])
    return [group[0] if len(group) == 1 else _concatenate(group) for group in groups]


def _concatenate(group: list[Batch]) -> Batch:
    head = group[0]
    columns = {name: np.concatenate([each.columns[name] for each in group]) for name in head.columns}
    return Batch(head.run, head.boot, head.first, columns)
