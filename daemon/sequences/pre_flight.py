"""The look at the cell before a run: a short run of its own, made with the order that asks for the run.

There is no second way to energise a cell.  The look is a start like any other, with the token of the order; once it is
over and evaluated the method is started with the token of that moment, as a sequence starts its runs.  Whether the
outcome refuses or flags the method is decided where all requirements are (see `luggin.daemon.fitness`).
"""

import secrets
from collections.abc import Mapping
from typing import Any

from luggin.daemon.sequences.memory import Patron
from luggin.daemon.sequences.runs import Runs
from luggin.protocol import method
from luggin.protocol.capability import Capability
from luggin.protocol.fitness.pre_flight import pre_flight_method
from luggin.protocol.payloads import Check, Describe, Reply
from luggin.protocol.problem import DocumentError


class PreFlight:
    """`on` while a look is on or its method not yet started."""

    def __init__(self, runs: Runs) -> None:
        self._runs = runs
        self.on = False

    async def start(self, patron: Patron, document: Mapping[str, Any], since: int, token: str | None = None) -> Reply:
        """Start a method, unless somebody calls it off after `since` (see Runs.offs); one that asks for it only after
        a look at the cell.  The reply is the method's, or says why it was not started.
        """
        if document.get("pre_flight") is None:
            return await self._runs.ask_for(patron, document, since, token)
        if self.on:
            return _refused("A look at the cell before another run is on; wait for its end, or abort it.")
        self.on = True
        try:
            return await self._look_and_start(patron, document, since, token)
        finally:
            self.on = False

    async def _look_and_start(
        self, patron: Patron, document: Mapping[str, Any], since: int, token: str | None
    ) -> Reply:
        # A look for a method that could not run at all would be for nothing.
        able = await self._runs.tell("check", patron, Check(request=secrets.token_hex(8), method=dict(document)))
        if not able.accepted:
            return able
        described = await self._runs.tell("describe", patron, Describe(request=secrets.token_hex(8)))
        if not described.accepted:
            return described
        try:
            capability = Capability.model_validate(described.data["capability"])
            look = pre_flight_method(method.parse(dict(document)), capability)
        except DocumentError as error:
            return _refused(f"The method can't run here: {error}", [str(problem) for problem in error.problems])
        begun = await self._runs.ask_for(patron, look, since, token)
        if begun.run is None or not begun.accepted:
            return begun
        over = await self._runs.over(begun.run, also_failed=True)
        if over.state != "Complete":
            likely = "".join(f" Likely: {each}." for each in over.warnings[:1])
            ended = f"The look at the cell, run {begun.run}, ended {over.state}: {over.sentence.rstrip('. ')}.{likely}"
            return _refused(f"{ended} The method was not started.", run=begun.run)
        if (sentence := self._runs.called_off(since)) is not None:
            return _refused(sentence, run=begun.run)
        return await self._runs.ask_for(patron, document, since)


def _refused(sentence: str, problems: list[str] | None = None, run: str | None = None) -> Reply:
    return Reply(request="look", accepted=False, sentence=sentence, problems=problems or [], run=run)
