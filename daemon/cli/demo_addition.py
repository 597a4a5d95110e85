"""The demo's job: a standard addition on a simulated cell, the prompts answered by the demo in sight of everybody."""

from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import demo_bench as bench

if TYPE_CHECKING:
    from luggin.protocol.payloads import Evaluation

_CELL, _SPEED = "paracetamol-addition", 100.0
_MIXING = "0.5 s"  # nothing has to mix here; waits for people are not hastened by the simulator
_TRUE = 15e-3  # mol/m3: what the simulated cell (sim/cell/cells/) holds, carried back to the sample
_TOLERANCE = 0.05


async def concentration(scratch: Path) -> "tuple[Evaluation, bool]":
    """What was found, and whether it is right within 5 % of the invented truth."""
    from luggin.daemon.cli.quantification_pages import estimated
    from luggin.daemon.cli.results import page
    from luggin.protocol import document
    from luggin.protocol.evaluation.concentrations import shown
    from luggin.protocol.evaluation.quantification_results import AdditionBody
    from luggin.protocol.sequence import addition

    method = document.read(addition.EXAMPLE_METHOD)
    plan = addition.read_plan({**document.read(addition.EXAMPLE), "method": method, "mixing_time": _MIXING})
    async with bench.instrument(scratch, _CELL, _SPEED), bench.connected(scratch) as remote:
        made = await bench.carried_out(remote, addition.compiled(plan))
    print("\n".join(page(made)))
    body = AdditionBody.model_validate(made.body)
    found = body.concentration
    print(f"\n  found         {estimated(found, body.concentration_unit)}")
    print(f"  true value    {shown(_TRUE, body.concentration_unit)}, invented: the simulated cell was made so")
    right = abs(found.value - _TRUE) <= _TOLERANCE * _TRUE
    inside = found.lower is not None and found.upper is not None and found.lower <= _TRUE <= found.upper
    print(f"  the interval {'holds' if inside else 'misses'} it; 95 % intervals miss once in twenty times")
    return made, right
