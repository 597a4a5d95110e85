"""The demo's job: a standard addition on a simulated cell, the prompts answered by the demo in sight of everybody."""

from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import demo_bench as bench
from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Evaluation
    from luggin.protocol.sequence.document import SequenceDocument

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
        made = await carried_out(remote, bench.INSTRUMENT, addition.compiled(plan))
    print("\n".join(page(made)))
    body = AdditionBody.model_validate(made.body)
    found = body.concentration
    print(f"\n  found         {estimated(found, body.concentration_unit)}")
    print(f"  true value    {shown(_TRUE, body.concentration_unit)}, invented: the simulated cell was made so")
    right = abs(found.value - _TRUE) <= _TOLERANCE * _TRUE
    inside = found.lower is not None and found.upper is not None and found.lower <= _TRUE <= found.upper
    print(f"  the interval {'holds' if inside else 'misses'} it; 95 % intervals miss once in twenty times")
    return made, right


async def carried_out(remote: "Remote", instrument: str, sequence: "SequenceDocument") -> "Evaluation":
    """The sequence from its beginning to the evaluation of all its runs; prompts are answered at once."""
    from luggin.daemon.cli.addition import tell
    from luggin.daemon.cli.evaluations import fetch_evaluation
    from luggin.daemon.cli.sequence import accepted, begin, with_token

    told = sequence.model_dump(mode="json", exclude_none=True)
    await begin(remote, instrument, told)
    seen: object = None
    answered = 0
    while True:
        state = await remote.sequence(instrument)
        now = (state.doing, state.run, state.prompt)
        if now != seen:
            seen = now
            tell(state, as_json=False)
        if state.prompt is not None and state.prompt > answered:
            answered = state.prompt
            print("    done (answered by the demo; on a real bench a person presses Return)", flush=True)
            words = "done, says the demo"
            accepted(await with_token(remote, instrument, "answer", prompt=state.prompt, words=words))
        elif state.evaluation:
            return await fetch_evaluation(remote, state.evaluation)
        elif state.status is None or (state.status != "Execute" and state.doing != "evaluating"):
            raise CliError(f"the standard addition is {state.status}: {state.reason}", exits.ABORTED)
        await remote.changed()
