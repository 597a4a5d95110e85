"""Lanes: a flood drops ordinary commands and never stop or abort; retained commands are refused and cleared."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import cast

import pytest

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.desk import Desk
from luggin.daemon.mqtt.intake import MOST_REPLIES, MOST_WAITING, MOST_WAITING_OF_A_CLIENT, Intake, Outbox
from luggin.daemon.questions import Questions
from luggin.protocol import topics
from luggin.protocol.payloads import MOST_COMMAND_BYTES, Command, Reply


class Pausing:
    """An instrument that answers once it is released; stop and abort at once."""

    def __init__(self) -> None:
        self.told: list[ReceivedCommand] = []
        self.release = asyncio.Event()
        self.changed = asyncio.Condition()

    async def handle(self, command: ReceivedCommand) -> Reply:
        async with self.changed:
            self.told.append(command)
            self.changed.notify_all()
        if command.verb not in ("stop", "abort"):
            await self.release.wait()
        return Reply(request=command.payload.request, accepted=True)

    async def until_told(self, verb: str, times: int = 1) -> None:
        async with self.changed:
            await self.changed.wait_for(lambda: [each.verb for each in self.told].count(verb) >= times)


@asynccontextmanager
async def intake_for(pstat: Pausing) -> AsyncIterator[Intake]:
    intake = Intake(Desk("bench", {"pstat": pstat}, cast(Questions, None)), ["pstat"])
    task = asyncio.create_task(intake.run())
    try:
        yield intake
    finally:
        task.cancel()
        await asyncio.wait([task])


def command(verb: str, client: str = "ada", instrument: str = "pstat") -> str:
    return topics.command("bench", instrument, client, verb)


def body(request: str = "r1", client: str = "ada") -> bytes:
    return json.dumps({"request": request, "reply_to": topics.reply("bench", "pstat", client)}).encode()


async def test_a_command_is_answered() -> None:
    pstat = Pausing()
    pstat.release.set()
    async with intake_for(pstat) as intake:
        intake.verified = True
        intake.receive(command("hold"), body(), False)
        topic, reply = await intake.outbox.oldest()
    assert topic == topics.reply("bench", "pstat", "ada")
    assert reply is not None
    assert reply.accepted
    assert pstat.told[0].verified


@pytest.mark.parametrize("verb", ["start", "abort", "hold"])
async def test_a_retained_command_is_refused_and_cleared(verb: str) -> None:
    pstat = Pausing()
    async with intake_for(pstat) as intake:
        intake.receive(command(verb), body(), True)
        assert await intake.outbox.oldest() == (command(verb), None)
        intake.receive(command("stop"), body(), False)
        await pstat.until_told("stop")
    assert [each.verb for each in pstat.told] == ["stop"]


async def test_the_echo_of_clearing_is_no_command() -> None:
    pstat = Pausing()
    async with intake_for(pstat) as intake:
        intake.receive(command("abort"), b"", False)
        intake.receive(command("stop"), body(), False)
        await pstat.until_told("stop")
    assert [each.verb for each in pstat.told] == ["stop"]


async def test_a_flood_never_starves_stop_and_abort() -> None:
    pstat = Pausing()
    async with intake_for(pstat) as intake:
        for number in range(20_000):
            client = f"c{number % 1000}"
            intake.receive(command("hold", client), body(f"r{number}", client), False)
        for verb in ("stop", "abort"):
            for number in range(5000):
                intake.receive(command(verb), body(f"{verb}{number}"), False)
        await pstat.until_told("abort")
        await pstat.until_told("stop")
        assert [each.verb for each in pstat.told].count("hold") == 1  # still under way
        pstat.release.set()
        await pstat.until_told("hold", MOST_WAITING)
    verbs = [each.verb for each in pstat.told]
    assert verbs.count("hold") <= MOST_WAITING + 1
    assert verbs.count("abort") <= MOST_WAITING + 1


async def test_one_client_leaves_room_for_others() -> None:
    pstat = Pausing()
    async with intake_for(pstat) as intake:
        for number in range(1000):
            intake.receive(command("hold", "noisy"), body(f"r{number}", "noisy"), False)
        intake.receive(command("clear", "ada"), body(), False)
        pstat.release.set()
        await pstat.until_told("clear")
    assert sum(each.client == "noisy" for each in pstat.told) <= MOST_WAITING_OF_A_CLIENT + 1


async def test_size_is_bounded_before_anything_is_parsed_but_off_is_obeyed() -> None:
    pstat = Pausing()
    pstat.release.set()
    async with intake_for(pstat) as intake:
        intake.receive(command("hold"), b"x" * (MOST_COMMAND_BYTES + 1), False)
        intake.receive(command("abort"), b"x" * (MOST_COMMAND_BYTES + 1), False)
        await pstat.until_told("abort")
        intake.receive(command("clear"), body(), False)
        await pstat.until_told("clear")
    assert [each.verb for each in pstat.told] == ["abort", "clear"]


@pytest.mark.parametrize("topic", ["", "luggin/bench/pstat/command/ada", "luggin/bench/PSTAT/command/ada/abort"])
async def test_malformed_topics_do_nothing(topic: str) -> None:
    pstat = Pausing()
    async with intake_for(pstat) as intake:
        intake.receive(topic, body(), False)
        intake.receive(command("stop"), body(), False)
        await pstat.until_told("stop")
    assert len(pstat.told) == 1


async def test_an_unknown_instrument_gets_a_sentence() -> None:
    async with intake_for(Pausing()) as intake:
        intake.receive(command("hold", instrument="furnace"), body(), False)
        topic, reply = await intake.outbox.oldest()
    assert topic == topics.reply("bench", "furnace", "ada")
    assert reply is not None
    assert "pstat" in reply.sentence


async def test_replies_wait_for_a_broker_the_newest_when_there_are_too_many() -> None:
    outbox = Outbox()
    for number in range(MOST_REPLIES + 10):
        outbox.put("t", Reply(request=f"r{number}", accepted=True))
    entry = await outbox.oldest()
    assert entry[1] is not None
    assert entry[1].request == "r10"
    assert await outbox.oldest() is entry
    outbox.drop(entry)
    assert await outbox.oldest() is not entry


class Answering:
    async def handle(self, question: Command) -> Reply:
        return Reply(request=question.request, accepted=True)


async def test_questions_need_not_wait_for_an_evaluation() -> None:
    evaluator = Pausing()
    desk = Desk("bench", {}, cast(Questions, Answering()), orders={"evaluate": evaluator})
    intake = Intake(desk, [])
    task = asyncio.create_task(intake.run())
    replies = topics.reply("bench", topics.STORE, "ada")
    order = {"request": "r1", "reply_to": replies, "kind": "peaks", "runs": ["run-1"]}
    intake.receive(command("evaluate", instrument=topics.STORE), json.dumps(order).encode(), False)
    await evaluator.until_told("evaluate")
    question = {"request": "r2", "reply_to": replies}
    intake.receive(command("runs", instrument=topics.STORE), json.dumps(question).encode(), False)
    _, reply = await intake.outbox.oldest()
    assert reply is not None
    assert reply.request == "r2"
    task.cancel()
    await asyncio.wait([task])
