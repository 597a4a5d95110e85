"""Electrochemical cells that compute.

    cell = load_cell("redox-probe", seed=7)      # shipped name, path of a TOML file, or a mapping
    ramp = 0.6 - 0.001 * np.arange(601)          # 0.6 V to 0 V in 1 mV steps at 0.1 V/s
    scan = cell.potential_control(0.01, ramp[:-1], ramp[1:])
    rest = cell.open_circuit(np.full(100, 0.05))
    scan.current, rest.measured                  # A (anodic positive), V

A `Cell` (see `api`) takes steps: straight lines of the controlled quantity, each from `first` to `last` in `dt`
seconds, as many to a call as the caller likes; results do not depend on how the calls are cut.

    potential_control(dt, first, last, *, compliance=inf) -> Response    potential, V
    current_control(dt, first, last, *, compliance=inf)   -> Response    current, A
    open_circuit(dt)                                      -> Response
    impedance(frequency)  open_circuit_potential()        -> complex ohm, V; about the present state
    stir(on)  rotate(turns a second)  purge(on)  set_temperature(kelvin)  spike({species: mol/m3})  time

`Response` has arrays `applied`, `measured`, `interface` (V), `current` (A), `charge` (C), `voltage` (V,
working against counter) and `limited` (compliance reached), one entry a step, at its end.
"""

from luggin.sim.cell.api import Cell, CellError, Response
from luggin.sim.cell.load import load_cell, names

__all__ = ["Cell", "CellError", "Response", "load_cell", "names"]
