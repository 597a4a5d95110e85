"""The runs of a sequence: asked for as anybody would, in the name of whoever began it, and watched to their end."""

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, cast

import structlog

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.sequences.memory import Patron
from luggin.daemon.store import Store, StoreError
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.payloads import Check, Plain, Reply, Start
from luggin.protocol.sequence import SequenceDocument
from luggin.protocol.sequence.effects import StartRun
from luggin.protocol.unit import Unit

EVALUATED_WITHIN = 120.0
_LOOK_BACK = 5
_PAGE = 100
_MOMENT = len("20261125-120000")
log = structlog.get_logger(__name__)


class Session(Protocol):
    @property
    def unit(self) -> Unit: ...

    async def handle(self, command: ReceivedCommand) -> Reply: ...


@dataclass(frozen=True)
class Over:
    """How a run ended, and the quantities of its evaluations by name."""

    state: str
    sentence: str
    quantities: Mapping[str, float] = field(default_factory=dict)


def tag_of(sequence: str, number: int) -> str:
    """The tag by which a run belongs to a place in a sequence."""
    return f"{sequence}/{number}"


class Runs:
    def __init__(self, instrument: str, session: Session, store: Store) -> None:
        self._instrument, self._session, self._store = instrument, session, store

    async def refusal(self, document: SequenceDocument, command: ReceivedCommand) -> str | None:
        """Why the instrument can't execute one of the methods; a sequence finds that out before it begins."""
        for name, method in document.methods.items():
            payload = Check(request=secrets.token_hex(8), method=method)
            asked = ReceivedCommand("check", command.client, command.verified, payload, command.origin)
            reply = await self._session.handle(asked)
            if not reply.accepted:
                return f"methods.{name}: {reply.sentence}"
        return None

    async def start(self, sequence: str, document: SequenceDocument, patron: Patron, asked: StartRun) -> Reply:
        """Ask for a run, with the token as it is now; once more when that was renewed in between."""
        method = _method_of(sequence, document, asked)
        for _ in range(2):
            token = self._session.unit.token
            payload = Start(request=secrets.token_hex(8), token=token, method=method)
            reply = await self._session.handle(_command("start", patron, payload))
            if reply.accepted or reply.problems or token == self._session.unit.token:
                break
        return reply

    async def end(self, patron: Patron, how: Literal["stop", "abort"]) -> None:
        reply = await self._session.handle(_command(how, patron, Plain(request=secrets.token_hex(8))))
        if not reply.accepted:  # it ended by itself at this moment: its result tells how
            log.info("a run of a sequence could not be ended", instrument=self._instrument, reason=reply.sentence)

    async def of(self, sequence: str, number: int) -> str | None:
        """The run at this place of a sequence, if it began."""
        tag = tag_of(sequence, number)
        for summary in await self._store.runs(_LOOK_BACK):
            header = await self._store.header(summary.run)
            if header.instrument == self._instrument and tag in header.method.get("setup", {}).get("tags", ()):
                return summary.run
        return None

    async def all_of(self, sequence: str, count: int) -> list[str]:
        """The runs of a sequence that began `count` of them, in their order."""
        found: dict[int, str] = {}
        before = ""
        while len(found) < count and (page := await self._store.runs(_PAGE, before)):
            before = page[-1].run
            for summary in page:
                if summary.instrument == self._instrument:
                    header = await self._store.header(summary.run)
                    for tag in header.method.get("setup", {}).get("tags", ()):
                        name, _, number = str(tag).rpartition("/")
                        if name == sequence and number.isdigit():
                            found[int(number)] = summary.run
            if page[-1].run[:_MOMENT] < sequence[:_MOMENT]:
                break  # runs and sequences are named by when they began
        return [found[number] for number in sorted(found)]

    async def over(self, run: str) -> Over:
        """Wait until the run has its result, and a bounded time for its evaluation."""
        serial = -1
        while (result := await self._store.result(run)) is None:
            serial = await self._store.changed(serial)
        if result.state != "Complete":
            return Over(result.state, result.sentence)
        try:
            async with asyncio.timeout(EVALUATED_WITHIN):
                while run in await self._store.unevaluated():
                    serial = await self._store.changed(serial)
            found = await self._quantities(run)
        except (TimeoutError, StoreError) as error:
            log.warning("a run of a sequence was not evaluated in time", run=run, reason=str(error))
            found = {}
        return Over(result.state, result.sentence, found)

    async def _quantities(self, run: str) -> dict[str, float]:
        found: dict[str, float] = {}
        for _, evaluation in await self._store.evaluations_of(run):
            found |= quantities(evaluation.kind, evaluation.body or {})
        return found


def _method_of(sequence: str, document: SequenceDocument, asked: StartRun) -> dict[str, Any]:
    method = dict(document.methods[asked.method])
    setup = dict(method.get("setup", {}))
    setup["tags"] = [*setup.get("tags", ()), asked.label, tag_of(sequence, asked.number)]
    if asked.sample is not None:
        setup["sample"] = asked.sample
    return {**method, "setup": setup}


def _command(verb: str, patron: Patron, payload: Start | Plain) -> ReceivedCommand:
    origin = cast(Literal["mqtt", "local"], patron.origin)
    return ReceivedCommand(verb, patron.client, patron.verified, payload, origin)
