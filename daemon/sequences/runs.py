"""The runs of a sequence: asked for as anybody would, in the name of whoever began it, and watched to their end."""

import asyncio
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, cast

import structlog

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.sequences.memory import Patron
from luggin.daemon.store import NoSuchRun, Store, StoreError, Wanted
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.payloads import Check, Describe, Plain, Reply, RunResult, Start
from luggin.protocol.sequence import SequenceDocument
from luggin.protocol.sequence.effects import StartRun
from luggin.protocol.unit import Unit

EVALUATED_WITHIN = 120.0
_AGAIN = 5.0
log = structlog.get_logger(__name__)


class Session(Protocol):
    @property
    def unit(self) -> Unit: ...

    def renew(self) -> None: ...

    async def handle(self, command: ReceivedCommand) -> Reply: ...


@dataclass(frozen=True)
class Over:
    """How a run ended, and the quantities by name and the warnings of its evaluations."""

    state: str
    sentence: str
    quantities: Mapping[str, float] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


def tag_of(sequence: str, number: int) -> str:
    """The tag by which a run belongs to a place in a sequence."""
    return f"{sequence}/{number}"


class Runs:
    """`offs` counts how often somebody wanted the cell off: what was asked for before does not start any more."""

    def __init__(self, instrument: str, session: Session, store: Store) -> None:
        self._instrument, self._session, self._store = instrument, session, store
        self.offs = 0
        self._off_by = ""

    def call_off(self, by: str) -> None:
        """Off is obeyed always, also with nothing yet to switch off: a start on its way finds its token void."""
        self.offs, self._off_by = self.offs + 1, by
        self._session.renew()

    def called_off(self, since: int) -> str | None:
        """Why nothing starts that was asked for when `offs` was `since`, None where nobody called it off."""
        return None if self.offs == since else f"{self._off_by} called it off; the method was not started."

    async def refusal(self, document: SequenceDocument, command: ReceivedCommand) -> str | None:
        """Why the instrument can't execute one of the methods; a sequence finds that out before it begins."""
        for name, method in document.methods.items():
            payload = Check(request=secrets.token_hex(8), method=method)
            asked = ReceivedCommand("check", command.client, command.verified, payload, command.origin)
            reply = await self._session.handle(asked)
            if not reply.accepted:
                return f"methods.{name}: {reply.sentence}"
        return None

    async def ask_for(self, patron: Patron, method: Mapping[str, Any], since: int, token: str | None = None) -> Reply:
        """Ask for a run, with this token; or with the one of now, once more when that was renewed in between.

        Nothing is asked for once somebody called it off after `since`, see `offs`.
        """
        for _ in range(2 if token is None else 1):
            quoted = self._session.unit.token if token is None else token
            payload = Start(request=secrets.token_hex(8), token=quoted, method=dict(method))
            if (sentence := self.called_off(since)) is not None:
                return Reply(request=payload.request, accepted=False, sentence=sentence)
            reply = await self._session.handle(_command("start", patron, payload))
            if reply.accepted or reply.problems or quoted == self._session.unit.token:
                break
        if not reply.accepted and (sentence := self.called_off(since)) is not None:
            return reply.model_copy(update={"sentence": sentence})
        return reply

    async def tell(self, verb: str, patron: Patron, payload: Check | Describe) -> Reply:
        """Ask the instrument's session something that touches nothing."""
        return await self._session.handle(_command(verb, patron, payload))

    async def end(self, patron: Patron, how: Literal["stop", "abort"]) -> None:
        reply = await self._session.handle(_command(how, patron, Plain(request=secrets.token_hex(8))))
        if not reply.accepted:  # it ended by itself at this moment: its result tells how
            log.info("a run of a sequence could not be ended", instrument=self._instrument, reason=reply.sentence)

    async def of(self, sequence: str, number: int) -> str | None:
        """The run at this place of a sequence, if it began."""
        wanted = Wanted(instrument=self._instrument, tag=tag_of(sequence, number))
        found = await self._store.runs(1, wanted=wanted)
        return found[0].run if found else None

    async def all_of(self, sequence: str, count: int) -> list[str]:
        """The runs of a sequence that began `count` of them, in their order."""
        found: dict[int, str] = {}
        wanted = Wanted(instrument=self._instrument, sequence=sequence)
        for summary in await self._store.runs(count, wanted=wanted):
            header = await self._store.header(summary.run)
            for tag in header.method["setup"]["tags"]:
                name, _, number = str(tag).rpartition("/")
                if name == sequence and number.isdigit():
                    found[int(number)] = summary.run
        return [found[number] for number in sorted(found)]

    async def over(self, run: str, *, also_failed: bool = False) -> Over:
        """Wait until the run has its result, and a bounded time for its evaluation; of a run that is not complete, only
        when it is `also_failed` that is asked for."""
        serial = -1
        while (result := await self._result(run)) is None:
            serial = await self._store.changed(serial)
        if result.state != "Complete" and not also_failed:
            return Over(result.state, result.sentence)
        try:
            async with asyncio.timeout(EVALUATED_WITHIN):
                while run in await self._store.unevaluated():
                    serial = await self._store.changed(serial)
            found, warnings = await self._evaluated(run)
        except (TimeoutError, StoreError) as error:
            log.warning("a run of a sequence was not evaluated in time", run=run, reason=str(error))
            found, warnings = {}, ()
        return Over(result.state, result.sentence, found, warnings)

    async def _result(self, run: str) -> RunResult | None:
        """A store that can't be read now is asked again: nobody else would ever tell how the run ended."""
        while True:
            try:
                return await self._store.result(run)
            except NoSuchRun:
                raise
            except StoreError as error:
                log.warning("whether a run of a sequence is over can't be read", run=run, reason=str(error))
                await asyncio.sleep(_AGAIN)

    async def _evaluated(self, run: str) -> tuple[dict[str, float], tuple[str, ...]]:
        found: dict[str, float] = {}
        warnings: list[str] = []
        for _, evaluation in await self._store.evaluations_of(run):
            found |= quantities(evaluation.kind, evaluation.body or {})
            warnings += evaluation.warnings
        return found, tuple(warnings)


def method_of(sequence: str, document: SequenceDocument, asked: StartRun) -> dict[str, Any]:
    """The method of a step, with its place in the sequence among its tags."""
    method = dict(document.methods[asked.method])
    setup = dict(method.get("setup", {}))
    setup["tags"] = [*setup.get("tags", ()), asked.label, tag_of(sequence, asked.number)]
    if asked.sample is not None:
        setup["sample"] = asked.sample
    return {**method, "setup": setup}


def _command(verb: str, patron: Patron, payload: Start | Plain | Check | Describe) -> ReceivedCommand:
    origin = cast(Literal["mqtt", "local"], patron.origin)
    return ReceivedCommand(verb, patron.client, patron.verified, payload, origin)
