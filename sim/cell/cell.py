"""The simulated cell: one electrode in its surroundings, driven step by step."""

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from luggin.sim.cell.api import CellError, Complexes, Floats, Response
from luggin.sim.cell.compliance import Compliance
from luggin.sim.cell.electrode import Electrode
from luggin.sim.cell.galvanic import Wire
from luggin.sim.cell.linear import impedance
from luggin.sim.cell.solution import Solution
from luggin.sim.cell.state import Control
from luggin.sim.cell.surroundings import Counter, Gas, Reference

BEYOND = 100.0  # V, A: more than any potentiostat would ask of such a cell
INSTANT = 1e-6  # s
SHORTEST, LONGEST = 1e-9, 1e7  # s


class SimulatedCell:
    """See `api.Cell` for what it promises."""

    def __init__(
        self,
        electrode: Electrode,
        solution: Solution,
        *,
        counter: Counter | None,
        reference: Reference,
        gas: Gas | None,
        half_life: float | None,
        partner: Electrode | None = None,
    ) -> None:
        """`half_life` (s) of the active area; None: it lasts.  `partner` is a second electrode to be coupled."""
        self._electrode, self._solution = electrode, solution
        self._reference, self._gas = reference, gas
        self._half_life = half_life
        self._purging = False
        self._limiter = Compliance(electrode, counter)
        self._partner = partner
        self._wire = None if partner is None else Wire(electrode, partner)
        self._time = 0.0

    @property
    def time(self) -> float:
        return self._time

    def potential_control(
        self, dt: ArrayLike, first: ArrayLike, last: ArrayLike, *, compliance: float = math.inf
    ) -> Response:
        return self._run(Control.POTENTIAL, dt, first, last, compliance)

    def current_control(
        self, dt: ArrayLike, first: ArrayLike, last: ArrayLike, *, compliance: float = math.inf
    ) -> Response:
        return self._run(Control.CURRENT, dt, first, last, compliance)

    def open_circuit(self, dt: ArrayLike) -> Response:
        return self._run(Control.CURRENT, dt, 0.0, 0.0, math.inf)

    def couple(self, dt: ArrayLike) -> Response:
        if self._wire is None:
            raise CellError("this cell has one electrode; zero-resistance ammetry needs a partner to couple it to")
        spans = _steps(dt, 0.0, 0.0)[0]
        errors = self._reference.advance(spans)
        state, rows = self._electrode.state, []
        for span in spans.tolist():
            self._wear(span)
            self._wire.step(span)
            rows.append((state.measured, state.potential, state.current, state.charge))
        measured, interface, current, charge = np.array(rows, dtype=float).reshape(-1, 4).T
        return Response(
            applied=np.full(len(spans), np.nan),
            measured=measured - errors[1:],
            interface=interface,
            current=current,
            charge=charge,
            voltage=np.zeros(len(spans)),
            limited=np.zeros(len(spans), dtype=bool),
        )

    def open_circuit_potential(self) -> float:
        electrode, state = self._electrode, self._electrode.state
        before = state.save()
        electrode.step(Control.CURRENT, INSTANT, 0.0, 0.0)
        potential = state.measured - self._reference.error
        state.restore(before)
        return potential

    def impedance(self, frequency: ArrayLike) -> Complexes:
        wanted = np.asarray(frequency, dtype=float)
        if not (np.isfinite(wanted) & (wanted > 0)).all():
            raise CellError("frequency must be positive and finite; give it in Hz")
        return impedance(self._electrode, self._solution, wanted)

    def stir(self, on: bool) -> None:
        self._solution.stir(on)
        self._electrode.memory = self._solution.memory()

    def rotate(self, rate: float) -> None:
        if not 0 <= rate <= 1000:
            raise CellError(f"rotation rate {rate} Hz must be between 0 and 1000 Hz")
        self._solution.rotate(rate)
        self._electrode.memory = self._solution.memory()

    def purge(self, on: bool) -> None:
        self._purging = on

    def set_temperature(self, kelvin: float) -> None:
        if not 250 <= kelvin <= 400:
            raise CellError(f"temperature {kelvin} K must be between 250 K and 400 K")
        self._solution.set_temperature(kelvin)
        self._electrode.memory = self._solution.memory()

    def spike(self, additions: Mapping[str, float]) -> None:
        for name, amount in additions.items():
            if not 0 <= amount <= 1e5:
                raise CellError(f"addition of {name} = {amount} must be between 0 and 1e5 mol/m3")
        state = self._electrode.state
        bulk = state.bulk.copy()
        for name, amount in additions.items():
            bulk[self._solution.place(name)] += amount
        state.bulk = bulk

    def _run(self, control: Control, dt: ArrayLike, first: ArrayLike, last: ArrayLike, compliance: float) -> Response:
        if not compliance > 0:
            raise CellError(f"compliance {compliance} V must be above 0 V")
        spans, starts, ends = _steps(dt, first, last)
        asked = ends.copy()
        errors = self._reference.advance(spans)
        if control is Control.POTENTIAL:
            starts, ends = starts + errors[:-1], ends + errors[1:]
        state, voltage = self._electrode.state, self._limiter.voltage
        rows = []
        for span, start, end in zip(spans.tolist(), starts.tolist(), ends.tolist(), strict=True):
            self._wear(span)
            limited = self._advance(control, span, start, end, compliance)
            rows.append((state.measured, state.potential, state.current, state.charge, voltage(), limited))
        columns = np.array(rows, dtype=float).reshape(-1, 6).T
        return Response(
            applied=asked if control is Control.POTENTIAL else np.full(len(spans), np.nan),
            measured=columns[0] - errors[1:],
            interface=columns[1],
            current=columns[2],
            charge=columns[3],
            voltage=columns[4],
            limited=columns[5] != 0,
        )

    def _advance(self, control: Control, span: float, first: float, last: float, compliance: float) -> bool:
        if self._partner is not None:
            self._partner.step(Control.CURRENT, span, 0.0, 0.0)
        if compliance < math.inf:
            return self._limiter.step(control, span, first, last, compliance)
        self._electrode.step(control, span, first, last)
        return False

    def _wear(self, span: float) -> None:
        """What changes slowly: time, active area, dissolved gas."""
        self._time += span
        if self._half_life is not None:
            self._solution.set_active(0.5 ** (self._time / self._half_life))
        if self._gas is not None:
            state = self._electrode.state
            state.bulk = state.bulk.copy()
            state.bulk[self._gas.index] = self._gas.advance(state.bulk[self._gas.index], span, self._purging)


def _steps(dt: ArrayLike, first: ArrayLike, last: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """The steps as three arrays of one length."""
    try:
        spans, starts, ends = (
            np.atleast_1d(each)
            for each in np.broadcast_arrays(*(np.asarray(a, dtype=float) for a in (dt, first, last)))
        )
    except ValueError:
        raise CellError("dt, first and last must be numbers or arrays of one length") from None
    if spans.ndim != 1:
        raise CellError(f"dt, first and last have {spans.ndim} dimensions; give one")
    if not ((spans >= SHORTEST) & (spans <= LONGEST)).all():
        raise CellError(f"dt must be between {SHORTEST:g} and {LONGEST:g} s in every step")
    for name, values in (("first", starts), ("last", ends)):
        if not (np.abs(values) <= BEYOND).all():
            raise CellError(f"{name} must be a number between -{BEYOND:g} and {BEYOND:g} in every step")
    return spans, starts, ends
