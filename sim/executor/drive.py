"""Putting the steps of a course to the cell."""

import numpy as np

from luggin.sim.cell.api import Cell, Drive, Floats, Response
from luggin.sim.executor.course import Pieces


def drive(cell: Cell, control: Drive | None, pieces: Pieces, compliance: float) -> Response:
    """What the cell answers, one entry a step.  `control` None leaves it open."""
    if pieces.ripple is not None:
        return _rippled(cell, control, pieces, compliance)
    match control:
        case None:
            return cell.open_circuit(pieces.dt)
        case "couple":
            return cell.couple(pieces.dt)
        case "potential":
            return cell.potential_control(pieces.dt, pieces.first, pieces.last, compliance=compliance)
        case "current":
            return cell.current_control(pieces.dt, pieces.first, pieces.last, compliance=compliance)


def _rippled(cell: Cell, control: Drive | None, pieces: Pieces, compliance: float) -> Response:
    """The steps, and on top of each what the impedance right after it makes of the sine."""
    ripple = pieces.ripple
    assert ripple is not None
    parts, impedances = [], []
    for at in range(len(pieces.dt)):
        one = slice(at, at + 1)
        step = Pieces(pieces.dt[one], pieces.first[one], pieces.last[one])
        parts.append(drive(cell, control, step, compliance))
        impedances.append(complex(cell.impedance(ripple.frequency)))
    impedance = np.array(impedances)
    forced = ripple.phasor
    potential, current = (forced, forced / impedance) if control == "potential" else (forced * impedance, forced)
    return _on_top(Response.join(*parts), potential.imag, current.imag, compliance)


def _on_top(response: Response, potential: Floats, current: Floats, compliance: float) -> Response:
    voltage = response.voltage + potential
    return Response(
        applied=response.applied,
        measured=response.measured + potential,
        interface=response.interface,
        current=response.current + current,
        charge=response.charge,
        voltage=voltage,
        limited=response.limited | (np.abs(voltage) > compliance),
    )
