"""What a simulated cell offers to whoever drives it; how it computes is not said here."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Drive = Literal["potential", "current", "couple"]
"""What is done to a closed cell: potential or current are controlled, or two electrodes are joined as by a wire."""


class CellError(ValueError):
    """A cell document, or something asked of a cell, that makes no sense.

    The message is one sentence that names the field, the value and the remedy.
    """


@dataclass(frozen=True, slots=True)
class Response:
    """What happened in a chunk of n steps: arrays of shape (n,), taken at the end of each step.

    applied    V    potential asked for, working against reference (NaN under current control)
    measured   V    potential between working and reference electrode; differs from `applied` only where the
                    compliance limit held the cell back
    interface  V    true potential across the interface: free of the ohmic drop and of the drift of the reference
    current    A    through the working electrode, anodic positive
    charge     C    passed during the step (current averaged over the step is charge / dt)
    voltage    V    working against counter electrode; a two-terminal dummy reads the same as `measured`
    limited    bool the compliance limit held the cell back in this step
    """

    applied: Floats
    measured: Floats
    interface: Floats
    current: Floats
    charge: Floats
    voltage: Floats
    limited: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.current)

    @staticmethod
    def join(*chunks: "Response") -> "Response":
        """One response out of several consecutive ones."""
        return Response(
            *(np.concatenate([getattr(chunk, column.name) for chunk in chunks]) for column in fields(Response))
        )


class Cell(Protocol):
    """A cell with a memory. Every call advances it; whatever the control was before, the state carries on.

    Time advances in *steps*, and each step is a linear piece: in step k the controlled quantity goes in a straight
    line from `first[k]` to `last[k]` in `dt[k]` seconds. Where `first[k]` differs from the `last[k-1]` (of the
    previous call too) the control jumps, and the cell refines its own time steps after the jump; the
    instantaneous charging spike of a cell without series resistance is left out. A step is never
    affected by how calls are cut: the same steps give the same numbers, bit for bit, in one call or in many.

    Response columns are taken at the end of a step, so a current that charges the double layer there has the slope of
    the piece that ends. To measure a sine, take means over the steps: charge / dt against the mean of first and last.

    `dt`, `first` and `last` broadcast against each other to shape (n,). Steps of equal `dt` are fast; a cell keeps
    what it worked out for each distinct value. `compliance` bounds |working against counter| in volts: beyond it the
    potential or current asked for is not reached, and the step is marked `limited`.

    Raises `CellError` for steps that are not finite, not positive in time or beyond 100 V.
    """

    @property
    def time(self) -> float:
        """Seconds simulated since the cell was made."""
        ...

    def potential_control(
        self, dt: ArrayLike, first: ArrayLike, last: ArrayLike, *, compliance: float = ...
    ) -> Response:
        """Apply potentials (V, working against reference)."""
        ...

    def current_control(self, dt: ArrayLike, first: ArrayLike, last: ArrayLike, *, compliance: float = ...) -> Response:
        """Force currents (A, anodic positive)."""
        ...

    def open_circuit(self, dt: ArrayLike) -> Response:
        """Leave the cell to itself: no current."""
        ...

    def couple(self, dt: ArrayLike) -> Response:
        """Join working and second electrode as by a wire: both come to one potential, and the current of one is that
        of the other with the opposite sign.  Raises CellError where there is no second electrode."""
        ...

    def open_circuit_potential(self) -> float:
        """What a voltmeter would read at this moment with the cell open (V). Does not advance the cell."""
        ...

    def impedance(self, frequency: ArrayLike) -> Complexes:
        """Small-signal impedance (ohm) about the present state at `frequency` (Hz). Does not advance the cell.

        Meant for frequencies at which stepping through time would be silly; it agrees with the response in time.
        """
        ...

    def stir(self, on: bool) -> None:
        """Stirrer on or off: transport to a steady diffusion layer, or by diffusion alone."""
        ...

    def rotate(self, rate: float) -> None:
        """Rotate the electrode at `rate` turns a second (Levich's layer); 0 stands still."""
        ...

    def purge(self, on: bool) -> None:
        """Purge gas on (dissolved gas leaves) or off (it slowly comes back)."""
        ...

    def set_temperature(self, kelvin: float) -> None:
        """Temperature of the solution."""
        ...

    def spike(self, additions: Mapping[str, float]) -> None:
        """Raise bulk concentrations (mol/m3 by species name), as a standard addition does."""
        ...
