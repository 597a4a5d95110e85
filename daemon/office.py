"""Orders that only the daemon's own user may give, over the socket on its machine."""

from collections.abc import Mapping
from typing import Protocol

import structlog
from pydantic import ValidationError

from luggin.daemon.ending import Ending
from luggin.daemon.housekeeping import keep_house
from luggin.daemon.store import Store, StoreError
from luggin.protocol.payloads import LOCAL_ORDERS, Command, EndDaemon, Reply
from luggin.protocol.problem import from_validation
from luggin.protocol.unit import Unit, leavable

log = structlog.get_logger(__name__)


class HasUnit(Protocol):
    @property
    def unit(self) -> Unit: ...


class Office:
    """`instruments` by name; `ending` ends the daemon."""

    verbs = frozenset(LOCAL_ORDERS)

    def __init__(self, store: Store, instruments: Mapping[str, HasUnit], ending: Ending) -> None:
        self._store, self._instruments, self._ending = store, instruments, ending

    async def handle(self, verb: str, order: object, client: str) -> Reply:
        """Carry out one order of the user `client`; never raises."""
        try:
            command = LOCAL_ORDERS[verb].model_validate(order)
        except ValidationError as error:
            problems = [str(problem) for problem in from_validation(error)]
            return Reply(request="unread", accepted=False, sentence=problems[0], problems=problems)
        try:
            sentence = await self._carry_out(command, client)
            accepted = True
        except (Refusal, StoreError) as refusal:
            sentence, accepted = str(refusal), False
        log.info("order", verb=verb, client=client, accepted=accepted, sentence=sentence)
        return Reply(request=command.request, accepted=accepted, sentence=sentence)

    async def _carry_out(self, command: Command, client: str) -> str:
        match command:
            case EndDaemon():
                return await self._end(command.leave_runs, client)
        return await keep_house(self._store, command, client)

    async def _end(self, leave_runs: bool, client: str) -> str:
        if self._ending.asked:
            raise Refusal("the daemon is ending already")
        on = {name: each.unit for name, each in self._instruments.items() if each.unit.run is not None}
        stuck = [name for name, unit in on.items() if not leavable(unit)]
        if leave_runs and stuck:
            raise Refusal(
                f"what is on at {', '.join(stuck)} can't be left alone: it is starting or ending, or the instrument has"
                " no dead-man timer; wait for its end, stop it, or open the cells"
            )
        told = "leave runs going" if leave_runs else "open the cells"
        await self._store.event(
            None, None, "command", f"{client} asked to end the daemon and to {told}", {"client": client}, urgent=True
        )
        self._ending.ask(leave_runs)
        if not leave_runs or not on:
            return "The daemon ends; cells are switched off."
        alone = "; ".join(f"{unit.run.id} on {name} {_alone(unit)}" for name, unit in on.items() if unit.run)
        return f"The daemon ends and leaves running: {alone}."


class Refusal(Exception):
    """Why an order is not carried out."""


def _alone(unit: Unit) -> str:
    assert unit.run is not None
    return f"for at most {unit.run.order.silence:g} s without a daemon"
