"""A run as the session sees it: its header and program, and its limits checked on every batch."""

from luggin.protocol.limits import LimitState, Violation, check
from luggin.protocol.payloads import RunHeader
from luggin.protocol.points import Batch
from luggin.protocol.program import Program


class Execution:
    """`in_store` says whether the store has the run; `phases` names the method's phases."""

    def __init__(self, header: RunHeader, in_store: bool = False) -> None:
        self.header = header
        self.program = Program.model_validate(header.program)
        self.phases = [str(phase["phase"]) for phase in header.method["phases"]]
        self.in_store = in_store
        self._limits = LimitState()
        self._checked = 0

    @property
    def run(self) -> str:
        return self.header.run

    def judge(self, batch: Batch, received: int = 0) -> Violation | None:
        """Check what of the batch was not checked before; the first violation, if any.

        Points from `received` on that come late, behind newer ones, are checked by themselves.
        """
        late, fresh = batch.cut(received, self._checked), batch.cut(self._checked, batch.after)
        found = None
        if late is not None:
            _, found = check(LimitState(), late, self.program)
        if fresh is not None:
            self._limits, violation = check(self._limits, fresh, self.program)
            self._checked = fresh.after
            found = violation or found
        return found
