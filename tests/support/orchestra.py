"""A conductor, and an instrument that a test plays."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from typing import Any

from luggin.daemon.bell import Bell
from luggin.daemon.board import Board
from luggin.daemon.clock import Clock
from luggin.daemon.command import ReceivedCommand
from luggin.daemon.evaluation.calculator import Calculator
from luggin.daemon.evaluation.evaluator import Evaluator
from luggin.daemon.sequences import Conductor
from luggin.daemon.store import Store
from luggin.protocol import payloads
from luggin.protocol.payloads import Reply, SequenceState, Start
from luggin.protocol.unit import Unit, begin
from luggin.sim.models import MODELS
from support.sequences import sequence
from support.stored_runs import header, result


class Played:
    """An instrument's session whose runs end when the test says so."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.unit: Unit = replace(begin(0.0), token="fresh")
        self.seen: list[str] = []
        self.on = False
        self.records: list[tuple[str, bool]] = []
        self.refusal: str | None = None
        self.renewed = 0
        self.runs: list[dict[str, Any]] = []
        self.bell = Bell("lab", "left", Board(), Clock())

    async def handle(self, command: ReceivedCommand) -> Reply:
        self.seen.append(command.verb)
        request = command.payload.request
        if command.verb == "start" and isinstance(command.payload, Start):
            if self.refusal is not None:
                return Reply(request=request, accepted=False, sentence=self.refusal)
            run, self.on = f"run-{len(self.runs)}", True
            self.runs.append(command.payload.method)
            await self.store.begin_run(header(run, "left").model_copy(update={"method": command.payload.method}))
            return Reply(request=request, accepted=True, run=run)
        if command.verb == "describe":
            capability = MODELS["bench"].capability("1").model_dump(mode="json")
            return Reply(request=request, accepted=True, data={"capability": capability})
        if command.verb in ("stop", "abort"):
            if not self.on:
                return Reply(request=request, accepted=False, sentence="No run is on.")
            await self.end("Stopped" if command.verb == "stop" else "Aborted")
        return Reply(request=request, accepted=True)

    def renew(self) -> None:
        """Counted only: the token stays, so that tests need not follow it."""
        self.renewed += 1

    def record(self, command: ReceivedCommand, reply: Reply) -> None:
        self.records.append((command.verb, reply.accepted))

    async def end(self, state: str = "Complete", *, evaluated: bool = True) -> None:
        run, self.on = f"run-{len(self.runs) - 1}", False
        await self.store.finish_run(result(run, 0).model_copy(update={"state": state}))
        if evaluated:
            await self.store.evaluated(run)


class Hall:
    """A conductor at work."""

    def __init__(self, conductor: Conductor, session: Played, board: Board) -> None:
        self.conductor, self.session, self.board = conductor, session, board
        self.asked = 0

    async def order(self, verb: str, **fields: Any) -> Reply:
        self.asked += 1
        payload = payloads.COMMANDS[verb](request=f"request-{self.asked}", **fields)
        return await self.conductor.handle(ReceivedCommand(verb, "anna", True, payload, "mqtt"))

    async def begin(self, *steps: dict[str, Any], **more: Any) -> Reply:
        reply = await self.order("sequence", token="fresh", sequence=sequence(*steps, **more))
        assert reply.accepted, reply.sentence
        return reply

    async def until(self, true: Callable[[SequenceState], bool]) -> SequenceState:
        serial = 0
        while True:
            serial, fresh = await self.board.newer(serial)
            state = fresh.get("luggin/lab/left/sequence")
            if isinstance(state, SequenceState) and true(state):
                return state

    async def running(self, number: int) -> SequenceState:
        return await self.until(lambda state: state.run == f"run-{number}")

    async def becomes(self, status: str) -> SequenceState:
        return await self.until(lambda state: state.status == status)


@asynccontextmanager
async def hall(store: Store, session: Played | None = None, clock: Clock | None = None) -> AsyncIterator[Hall]:
    session, board = session or Played(store), Board()
    calculator = Calculator(store.path)
    evaluator = Evaluator(store, calculator, "luggin 0")
    conductor = Conductor("lab", "left", session, store, board, clock or Clock(), evaluator)
    task = asyncio.create_task(conductor.run())
    try:
        yield Hall(conductor, session, board)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        await calculator.close()
