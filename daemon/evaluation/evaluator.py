"""Evaluates each run after its end, and runs when somebody asks; the store keeps what comes of it."""

import asyncio
import secrets
import time
from collections.abc import Callable, Sequence
from contextlib import suppress

import structlog
from pydantic import ValidationError

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.evaluation.calculator import Calculator
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.store import NoSuchRun, Store, StoreError
from luggin.protocol.evaluation import EvaluationSettings, after_run, settings_of
from luggin.protocol.payloads import Evaluate, Evaluation, Note, Reply
from luggin.protocol.problem import DocumentError, from_validation

log = structlog.get_logger(__name__)

_STORE_AGAIN = 60.0
NOTE = "note"
"""Kind of the evaluations that hold a person's words; nothing computes it."""


class Evaluator:
    """A run that has ended waits in the store until it is evaluated, so none is forgotten when the daemon ends first.

    An evaluation that fails is an event of its run and changes nothing else.
    """

    def __init__(
        self, store: Store, calculator: Calculator, software: str, utc: Callable[[], float] = time.time
    ) -> None:
        self._store, self._calculator, self._software, self._utc = store, calculator, software, utc

    async def run(self) -> None:
        """Evaluate what ends; returns only by cancellation."""
        try:
            serial = -1
            while True:
                serial = await self._store.changed(serial)
                try:
                    for run in await self._store.unevaluated():
                        with suppress(NoSuchRun):  # it was purged meanwhile
                            await self._after(run)
                except StoreError as error:
                    log.error("a run can't be evaluated; trying again", reason=str(error))
                    await asyncio.sleep(_STORE_AGAIN)
        finally:
            await self._calculator.close()

    async def _after(self, run: str) -> None:
        header = await self._store.header(run)
        failures: dict[str, str] = {}
        asked: tuple[EvaluationSettings, ...] = ()
        try:
            asked = after_run(header.method)
        except DocumentError as error:
            failures["evaluation"] = str(error)
        # A daemon that ended in between may have got through some of them.
        done = {each.kind for each in await self._store.evaluations(run=run)} if asked else set()
        for settings in asked:
            if settings.kind in done:
                continue
            try:
                await self.make([run], settings, header.asked_by, header.verified)
            except EvaluationError as error:
                log.warning("a run could not be evaluated", run=run, kind=settings.kind, reason=str(error))
                failures[settings.kind] = str(error)
        await self._store.evaluated(run, failures)

    async def handle(self, command: ReceivedCommand) -> Reply:
        """Carry out `evaluate` and `note`."""
        asked = command.payload
        if isinstance(asked, Note):
            return await self._note(command, asked)
        if not isinstance(asked, Evaluate):
            raise TypeError(f"no order to evaluate: {asked!r}")
        try:
            header = await self._store.header(asked.runs[0])
            settings = settings_of(asked.kind, asked.settings, str(header.method.get("technique", "")))
            made = await self.make(asked.runs, settings, command.client, command.verified)
        except DocumentError as error:
            problems = [str(problem) for problem in error.problems]
            return Reply(request=asked.request, accepted=False, sentence="; ".join(problems), problems=problems)
        except (EvaluationError, StoreError) as error:
            return Reply(request=asked.request, accepted=False, sentence=str(error))
        data = {"evaluation": made.name, "subject": made.subject}
        return Reply(request=asked.request, accepted=True, sentence=f"Stored as {made.name}.", data=data)

    async def _note(self, command: ReceivedCommand, asked: Note) -> Reply:
        kept = note(asked.subject, asked.text, self._software, command.client, command.verified, self._utc())
        try:
            await self._store.add_evaluation(kept)
        except StoreError as error:
            return Reply(request=asked.request, accepted=False, sentence=f"The note can't be stored: {error}.")
        data = {"evaluation": kept.name, "subject": kept.subject}
        return Reply(request=asked.request, accepted=True, sentence=f"Stored as {kept.name}.", data=data)

    async def make(
        self, runs: Sequence[str], settings: EvaluationSettings, asked_by: str, verified: bool
    ) -> Evaluation:
        """Evaluate runs and store what comes of it.  Raises EvaluationError, StoreError."""
        told = settings.model_dump(mode="json", serialize_as_any=True)
        found = await self._calculator.evaluate(settings.kind, runs, told)
        made = record(found, runs, settings, self._software, asked_by, verified, self._utc())
        await self._store.add_evaluation(made)
        log.info("evaluated", kind=made.kind, evaluation=made.name, runs=list(runs))
        return made


def record(
    found: Finding,
    runs: Sequence[str],
    settings: EvaluationSettings,
    software: str,
    asked_by: str,
    verified: bool,
    utc: float,
) -> Evaluation:
    """What is stored of a finding.  Raises EvaluationError where it has no form that can be, by its subject's name."""
    moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime(utc))
    try:
        return Evaluation(
            name=f"{moment}-{settings.kind[:40]}-{secrets.token_hex(3)}",
            kind=settings.kind,
            subject=found.subject,
            runs=tuple(runs),
            settings=settings.model_dump(mode="json", serialize_as_any=True),
            body=dict(found.body),
            warnings=found.warnings,
            software=software,
            asked_by=asked_by,
            verified=verified,
            utc=utc,
            expires=None if found.valid_for is None else utc + found.valid_for,
        )
    except ValidationError as error:
        raise EvaluationError(f"what was found can't be stored: {from_validation(error)[0]}") from None


def note(subject: str, text: str, software: str, asked_by: str, verified: bool, utc: float) -> Evaluation:
    """What a person did or saw, kept among the evaluations of its subject; it rests on no run."""
    moment = time.strftime("%Y%m%d-%H%M%S", time.gmtime(utc))
    return Evaluation(
        name=f"{moment}-{NOTE}-{secrets.token_hex(3)}",
        kind=NOTE,
        subject=subject,
        runs=(),
        settings={},
        body={"text": text},
        software=software,
        asked_by=asked_by,
        verified=verified,
        utc=utc,
    )
