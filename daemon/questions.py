"""Answers to questions about stored runs, each bounded in size so that a broker carries it."""

from typing import Any

from pydantic_core import from_json, to_json, to_jsonable_python

from luggin.daemon.mqtt.encode import points_messages
from luggin.daemon.store import Store, StoreError
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
                found = await self._store.runs(question.limit, question.before)
                return {"runs": to_jsonable_python(found)}
            case AskRun():
                return await self._run(question.run)
            case AskPoints():
                return await self._points(question)
            case AskEvaluations():
                return {"evaluations": await self._evaluations(question)}
            case AskEvaluation():
                return await self._evaluation(question)
        raise TypeError(f"no question: {question!r}")

    async def _run(self, run: str) -> dict[str, Any]:
        header, result = await self._store.header(run), await self._store.result(run)
        return {
            "header": header.model_dump(mode="json"),
            "result": result.model_dump(mode="json") if result else None,
            "events": to_jsonable_python(await self._store.events(run, limit=MOST_EVENTS)),
            "gaps": to_jsonable_python(await self._store.gaps(run)),
            "stored": await self._store.stored_after(run),
        }

    async def _evaluations(self, question: AskEvaluations) -> list[Any]:
        """As many as fit; the next question begins before the last of them."""
        kind, subject, run = question.kind or None, question.subject or None, question.run or None
        room, told = self._room, list[Any]()
        for each in await self._store.evaluations(kind, subject, run, question.limit, question.before):
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
