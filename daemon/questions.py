"""Answers to questions about stored runs, each bounded in size so that a broker carries it."""

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

from pydantic_core import from_json, to_json, to_jsonable_python

from luggin.daemon.mqtt.encode import points_messages
from luggin.daemon.store import Store, StoreError, Wanted
from luggin.protocol.payloads import AskEvaluation, AskEvaluations, AskPoints, AskRun, AskRuns, Command, Reply

MOST_EVENTS = 500
_ENVELOPE = 2048
_BYTES_PER_CHARACTER = 4  # at most, of UTF-8 and of JSON's escapes in canonical JSON


class Questions:
    """What clients may ask the store; `largest` is the size in bytes that an answer with points stays below."""

    def __init__(self, store: Store, largest: int) -> None:
        self._store = store
        self._room = largest - _ENVELOPE

    async def handle(self, question: Command) -> Reply:
        try:
            return Reply(request=question.request, accepted=True, data=await self._data(question))
        except StoreError as error:
            return Reply(request=question.request, accepted=False, sentence=str(error))

    async def _data(self, question: Command) -> dict[str, Any]:
        match question:
            case AskRuns():
                return {"runs": await self._runs(question)}
            case AskRun():
                return await self._run(question.run, question.event)
            case AskPoints():
                return await self._points(question)
            case AskEvaluations():
                return {"evaluations": await self._evaluations(question)}
            case AskEvaluation():
                return await self._evaluation(question)
        raise TypeError(f"no question: {question!r}")

    async def _runs(self, question: AskRuns) -> list[Any]:
        """As many as fit; the next question begins before the last of them."""
        wanted = Wanted(**{field.name: getattr(question, field.name) for field in fields(Wanted)})
        return self._fitting(await self._store.runs(question.limit, question.before, question.deleted, wanted))

    async def _run(self, run: str, event: int) -> dict[str, Any]:
        """`header` and `result` are as they are stored and hashed; the next question begins at event `next_event`,
        all are told once that is `after_event`; points are stored below `end`."""
        texts = await self._store.texts(run)
        deletion = await self._store.deletion(run)
        told = {
            "header": from_json(texts.header),
            "result": None if texts.result is None else from_json(texts.result),
            "seal": texts.seal,
            "sealed_events": texts.sealed_events,
            "hash": None if texts.result_hash is None else texts.result_hash.hex(),
            "gaps": to_jsonable_python(await self._store.gaps(run)),
            "stored": await self._store.stored_after(run),
            "end": await self._store.end(run),
            "deleted": to_jsonable_python(deletion),
            "after_event": len(texts.events),
        }
        room, events = self._room - len(to_json(told)), list[Any]()
        for each in await self._store.events(run, event, MOST_EVENTS):
            message = each.model_dump(mode="json")
            room -= len(to_json(message))
            if room < 0 and events:
                break
            events.append(message)
        return {**told, "events": events, "next_event": event + len(events)}

    async def _evaluations(self, question: AskEvaluations) -> list[Any]:
        """As many as fit; the next question begins before the last of them."""
        kind, subject, run = question.kind or None, question.subject or None, question.run or None
        return self._fitting(await self._store.evaluations(kind, subject, run, question.limit, question.before))

    def _fitting(self, summaries: Iterable[Any]) -> list[Any]:
        room, told = self._room, list[Any]()
        for each in summaries:
            room -= len(to_json(each))
            if room < 0 and told:
                break
            told.append(to_jsonable_python(each))
        return told

    async def _evaluation(self, question: AskEvaluation) -> dict[str, Any]:
        """A piece of the text; `after` is where the next one begins, `size` (characters) where the last one ends."""
        text = await self._store.evaluation_text(question.name)
        piece = text[question.first : question.first + self._room // _BYTES_PER_CHARACTER]
        return {"text": piece, "after": question.first + len(piece), "size": len(text)}

    async def _points(self, question: AskPoints) -> dict[str, Any]:
        """As many points as fit; `after` is where the next question begins, all that is stored below it was given."""
        after = question.first + question.count
        batches: list[Any] = []
        room = self._room
        for batch in await self._store.points(question.run, question.first, after, question.count):
            for piece, message in points_messages(batch, live=False, largest=self._room):
                room -= len(message)
                if room < 0 and batches:
                    return await self._answer(question.run, batches, piece.first)
                batches.append(from_json(message))
        return await self._answer(question.run, batches, after)

    async def _answer(self, run: str, batches: list[Any], after: int) -> dict[str, Any]:
        return {"batches": batches, "after": after, "stored": await self._store.stored_after(run)}
