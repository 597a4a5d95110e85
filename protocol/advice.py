"""What is allowed but may be unwise: remarks on a valid method that a person should read before a run."""

from luggin.protocol.method import Method
from luggin.protocol.method_parts import Preparation
from luggin.protocol.program import Bounds, Limit, Program, bounds
from luggin.protocol.quantity import show

_LONG = 3600.0
_NARROW = 5e-3
"""V: less room than this between what is applied and a limit is taken up by noise and by settling."""


def advice(method: Method, program: Program) -> list[str]:
    """Remarks, one sentence each; empty when there is nothing to say."""
    remarks = []
    deposits = [i for i, p in enumerate(method.phases) if isinstance(p, Preparation) and p.phase == "deposit"]
    if deposits and method.dead_man.action == "open":
        remarks.append(
            f"phases[{deposits[0]}] deposits a film and the dead-man action opens the cell: a lost link loses the film."
            " Choose dead_man.action = hold or continue if that harms more than an unattended cell does"
        )
    if method.dead_man.action != "open":
        remarks.append(
            f"when the host falls silent the cell stays energised for up to {show(method.dead_man.duration, 's')} "
            f"(dead_man.action = {method.dead_man.action}); make sure that this is safe unattended"
        )
    if method.ending.after_run == "hold":
        remarks.append(
            f"after the run the cell stays energised at {show(method.ending.potential or 0.0, 'V')} "
            f"for {show(method.ending.duration, 's')}"
        )
    extent = bounds(program)
    remarks += _narrow_windows(extent, program.limits.potential)
    if extent.duration > _LONG and method.limits.current is None and extent.potential_low is not None:
        remarks.append(
            f"the run may last {extent.duration / 3600:.1f} h and has no current limit; "
            "limits.current ends it when something goes wrong with the electrode"
        )
    starts = method.measurement.starts_at
    before = [p for p in method.phases if isinstance(p, Preparation)]
    if starts is not None and not before:
        remarks.append(
            f"the measurement starts at {show(starts, 'V')} straight from open circuit; "
            "a settle phase keeps the charging current out of the curve"
        )
    return remarks


def _narrow_windows(extent: Bounds, window: Limit) -> list[str]:
    """A remark for each edge of the potential window that lies within the noise of what the program applies."""
    edges = (
        ("low", window.low, extent.potential_low),
        ("high", window.high, extent.potential_high),
    )
    return [
        f"limits.potential.{name} = {show(limit, 'V')} lies at the edge of what the method applies "
        f"({show(applied, 'V')}); noise may end the run, leave some 10 mV"
        for name, limit, applied in edges
        if limit is not None and applied is not None and abs(limit - applied) < _NARROW
    ]
