"""Commands: read, refused, repeated, obeyed; without a broker."""

import asyncio
import json
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from luggin.daemon.command import ReceivedCommand
from luggin.daemon.desk import UNREAD, Answer, Desk
from luggin.daemon.questions import Questions
from luggin.protocol import topics
from luggin.protocol.payloads import COMMANDS, MOST_COMMAND_BYTES, AskRuns, Command, Reply, Start
from luggin.protocol.topics import STORE, CommandTopic

REPLIES = topics.reply("bench", "pstat", "ada")


class Noting:
    """An instrument that notes what it was told."""

    def __init__(self) -> None:
        self.told: list[ReceivedCommand] = []

    async def handle(self, command: ReceivedCommand) -> Reply:
        self.told.append(command)
        await asyncio.sleep(0)
        return Reply(request=command.payload.request, accepted=True, sentence=f"{len(self.told)}")

    @property
    def verbs(self) -> list[str]:
        return [each.verb for each in self.told]


class Asked:
    async def handle(self, question: Command) -> Reply:
        return Reply(request=question.request, accepted=True, data={"asked": type(question).__name__})


class Clock:
    now = 0.0

    def __call__(self) -> float:
        return self.now


def desk_with(instrument: Any, clock: Clock | None = None) -> Desk:
    return Desk("bench", {"pstat": instrument}, cast(Questions, Asked()), clock or Clock())


def to(verb: str, instrument: str = "pstat", client: str = "ada", node: str = "bench") -> CommandTopic:
    return CommandTopic(node, instrument, client, verb)


def body(**fields: Any) -> bytes:
    return json.dumps({"request": "r1", "reply_to": REPLIES, **fields}).encode()


async def tell(desk: Desk, topic: CommandTopic, content: bytes) -> Answer:
    answer = await desk.answer(topic, content, True, "mqtt")
    assert answer is not None
    return answer


async def test_a_command_reaches_its_instrument() -> None:
    pstat = Noting()
    answer = await tell(desk_with(pstat), to("start"), body(token="t", method={"version": 1}))
    assert answer.to == REPLIES
    assert answer.reply.accepted
    [command] = pstat.told
    assert command == ReceivedCommand(
        "start", "ada", True, Start(request="r1", reply_to=REPLIES, token="t", method={"version": 1}), "mqtt"
    )


@pytest.mark.parametrize(
    ("topic", "content", "names"),
    [
        (to("start"), b"no json", "command"),
        (to("start"), b"[]", "command"),
        (to("start"), b"[" * 50_000, "command"),
        (to("start"), body(token="t", method={"a": float("nan")}), "command"),
        (to("start"), body(token="t", method={"a": [[[[[[[[[[[[[1]]]]]]]]]]]]]}), "nested"),
        (to("start"), body(method={}), "token"),
        (to("start"), body(token="t", method={}, colour="red"), "colour"),
        (to("start"), body(token="t", method={}, version=2), "version"),
        (to("hold"), b'{"request": "R 1"}', "request"),
        (to("hold"), body(reply_to="luggin/bench/pstat/reply/eve"), "reply_to"),
        (to("melt"), body(), "verb"),
        (to("hold", "furnace"), body(), "instrument"),
        (to("hold", node="other"), body(), "node"),
        (to("runs"), body(), "verb"),
        (to("hold", "store"), body(), "verb"),
        (to("abort", "store"), body(), "verb"),
        (to("start"), body(token="t", method={"a": "x" * MOST_COMMAND_BYTES}), "bytes"),
    ],
)
async def test_what_cannot_be_read_does_nothing_and_says_why(topic: CommandTopic, content: bytes, names: str) -> None:
    pstat = Noting()
    answer = await tell(desk_with(pstat), topic, content)
    assert not answer.reply.accepted
    assert names in answer.reply.sentence
    assert pstat.told == []


async def test_every_wrong_field_is_named() -> None:
    answer = await tell(desk_with(Noting()), to("attest"), body(person="x", statement="off"))
    assert len(answer.reply.problems) == 2


async def test_a_wrong_reply_topic_is_answered_at_the_right_one() -> None:
    answer = await tell(desk_with(Noting()), to("hold"), body(reply_to="luggin/bench/pstat/reply/eve"))
    assert answer.to == REPLIES


async def test_who_wants_no_reply_gets_none() -> None:
    assert (await tell(desk_with(Noting()), to("hold"), body(reply_to=""))).to == ""
    assert (await tell(desk_with(Noting()), to("hold"), b"?")).to == ""


@pytest.mark.parametrize("verb", ["stop", "abort"])
@pytest.mark.parametrize("content", [b"?", b"x" * (MOST_COMMAND_BYTES + 1), b'{"colour": 1}', body(reply_to="other")])
async def test_off_is_obeyed_however_it_is_written(verb: str, content: bytes) -> None:
    pstat = Noting()
    answer = await tell(desk_with(pstat), to(verb), content)
    assert pstat.verbs == [verb]
    assert answer.reply.request == UNREAD


@given(verb=st.sampled_from(sorted(COMMANDS)), content=st.binary(max_size=200))
async def test_no_bytes_energise_and_none_raise(verb: str, content: bytes) -> None:
    pstat = Noting()
    await desk_with(pstat).answer(to(verb), content, False, "mqtt")
    assert set(pstat.verbs) <= {"stop", "abort"}


async def test_a_repetition_gets_the_same_reply_and_does_nothing() -> None:
    pstat = Noting()
    desk = desk_with(pstat)
    answers = [await tell(desk, to("hold"), body()) for _ in range(3)]
    assert pstat.verbs == ["hold"]
    assert answers[0] == answers[1] == answers[2]


async def test_a_repetition_while_it_is_carried_out_is_answered_once() -> None:
    release = asyncio.Event()

    class Slow(Noting):
        async def handle(self, command: ReceivedCommand) -> Reply:
            await release.wait()
            return await super().handle(command)

    pstat = Slow()
    desk = desk_with(pstat)
    async with asyncio.TaskGroup() as group:
        first = group.create_task(desk.answer(to("hold"), body(), True, "mqtt"))
        await asyncio.sleep(0)
        assert await desk.answer(to("hold"), body(), True, "mqtt") is None
        release.set()
    assert first.result() is not None
    assert pstat.verbs == ["hold"]


async def test_a_request_id_means_one_command_only() -> None:
    pstat = Noting()
    desk = desk_with(pstat)
    await tell(desk, to("hold"), body())
    answer = await tell(desk, to("clear"), body())
    assert not answer.reply.accepted
    assert "r1" in answer.reply.sentence
    assert pstat.verbs == ["hold"]


async def test_clients_do_not_share_request_ids() -> None:
    pstat = Noting()
    desk = desk_with(pstat)
    for client in ("ada", "ben"):
        content = body(reply_to=topics.reply("bench", "pstat", client))
        await tell(desk, to("hold", client=client), content)
    assert pstat.verbs == ["hold", "hold"]


@pytest.mark.parametrize("verb", ["stop", "abort"])
async def test_off_is_obeyed_each_time(verb: str) -> None:
    pstat = Noting()
    desk = desk_with(pstat)
    for _ in range(2):
        await tell(desk, to(verb), body())
    assert pstat.verbs == [verb, verb]


async def test_repetitions_are_remembered_for_a_while_only() -> None:
    pstat, clock = Noting(), Clock()
    desk = desk_with(pstat, clock)
    await tell(desk, to("hold"), body())
    clock.now += 601
    await tell(desk, to("hold"), body())
    assert pstat.verbs == ["hold", "hold"]
    for number in range(5000):
        await tell(desk, to("hold"), body(request=f"n{number}"))
    assert len(desk._recent) <= 1025


async def test_a_failing_instrument_is_a_refusal_not_a_traceback() -> None:
    class Failing(Noting):
        async def handle(self, command: ReceivedCommand) -> Reply:
            raise RuntimeError("secret detail")

    answer = await tell(desk_with(Failing()), to("hold"), body())
    assert not answer.reply.accepted
    assert "secret" not in answer.reply.sentence


async def test_closing_leaves_only_off() -> None:
    pstat = Noting()
    desk = desk_with(pstat)
    desk.close()
    refused = await tell(desk, to("start"), body(token="t", method={}))
    assert not refused.reply.accepted
    await tell(desk, to("abort"), body())
    assert pstat.verbs == ["abort"]


async def test_questions_go_to_the_store() -> None:
    content = json.dumps({"request": "r1", "limit": 5}).encode()
    answer = await tell(desk_with(Noting()), to("runs", "store"), content)
    assert answer.reply.data == {"asked": AskRuns.__name__}


async def test_an_order_to_the_store_comes_with_its_sender() -> None:
    evaluator = Noting()
    desk = Desk("bench", {}, cast(Questions, Asked()), orders={"evaluate": evaluator})
    replies = topics.reply("bench", STORE, "ada")
    answer = await tell(desk, to("evaluate", STORE), body(reply_to=replies, kind="peaks", runs=["run-1"]))
    assert answer.reply.accepted
    (told,) = evaluator.told
    assert (told.client, told.verified, told.verb) == ("ada", True, "evaluate")
    answer = await tell(desk, to("evaluate", STORE), body(request="r2", reply_to=replies, kind="peaks", runs=[]))
    assert "runs" in answer.reply.sentence
    desk.close()
    answer = await tell(desk, to("evaluate", STORE), body(request="r3", reply_to=replies, kind="peaks", runs=["run-1"]))
    assert "shutting down" in answer.reply.sentence
    assert len(evaluator.told) == 1
