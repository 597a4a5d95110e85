"""The faults: what is done to a laboratory, and how it is mended again.

Each is a coroutine function of a laboratory and a source of chance; it returns once the fault is over.  `harmless` ones
must change nothing of the run; `harmless` with `feeds` only while the dead-man timer is a long one.
"""

import json
from asyncio import sleep
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from random import Random
from typing import Any

import pytest

from faults.account import STALE
from faults.laboratory import INSTRUMENT, NODE, Laboratory
from luggin.daemon.store import Store, StoreInUse
from luggin.drivers.errors import NotReachable
from luggin.protocol import topics

Strike = Callable[[Laboratory, Random], Awaitable[None]]
MIDNIGHT_OF_1970 = 1_750_000_000.0


@dataclass(frozen=True)
class Kind:
    """`early` ones begin before the instrument is first connected; `final` ones leave the instrument out of reach."""

    name: str
    strike: Strike
    harmless: bool = False
    feeds: bool = False
    early: bool = False
    final: bool = False
    buffer: int | None = None


def _seconds(random: Random) -> float:
    """How long something lasts: mostly short, at times longer than any dead-man allowance here."""
    return random.choice([random.uniform(0.0, 0.5), random.uniform(0.5, 5.0), random.uniform(5.0, 90.0)])


# The line


async def cut(lab: Laboratory, random: Random) -> None:
    for _ in range(random.choice([1, 1, 3])):
        await lab.plugged.unplug()
        await sleep(_seconds(random))
        lab.plugged.plugged = True
        await sleep(random.uniform(0.0, 2.0))


async def cut_for_good(lab: Laboratory, random: Random) -> None:
    await lab.plugged.unplug()


def _line(text: Callable[[Random], str], mended: str = "") -> Strike:
    async def strike(lab: Laboratory, random: Random) -> None:
        lab.plugged.fault(text(random))
        if mended:
            await sleep(_seconds(random))
            lab.plugged.fault(mended)

    return strike


async def frames_again(lab: Laboratory, random: Random) -> None:
    """Frames of this host and of earlier ones come once more, out of order, long after they were sent."""
    for _ in range(random.randrange(1, 4)):
        frames = list(lab.plugged.overheard)
        if random.random() < 0.3:
            random.shuffle(frames)
        lab.plugged.repeat(frames[-random.randrange(1, len(frames) + 1) :])
        await sleep(_seconds(random))


# The instrument


async def relay(lab: Laboratory, random: Random, how: str) -> None:
    lab.plugged.fault(how)
    await sleep(random.uniform(0.0, 2.0))
    if random.random() < 0.7:
        await lab.order("abort")
    await sleep(_seconds(random))
    lab.plugged.fault("relay-sound")


async def off_refused(lab: Laboratory, random: Random) -> None:
    await relay(lab, random, "relay-stuck")


async def off_unread(lab: Laboratory, random: Random) -> None:
    await relay(lab, random, "relay-mute")


# The daemon and its machine


async def killed(lab: Laboratory, random: Random) -> None:
    for _ in range(random.choice([1, 1, 2, 4])):
        await lab.daemon.kill()
        await sleep(random.choice([0.0, 0.3, _seconds(random)]))
        await lab.start_daemon()
        await sleep(random.uniform(0.0, 3.0))


async def machine_restarted(lab: Laboratory, random: Random) -> None:
    """The monotonic clock begins anew, and the wall clock knows nothing until a time service has set it."""
    lab.machine_restarts += 1
    lab.wall.ahead, lab.wall.kept = -MIDNIGHT_OF_1970, False
    await killed(lab, random)
    lab.wall.ahead, lab.wall.kept = 0.0, True


async def second_daemon(lab: Laboratory, random: Random) -> None:
    for _ in range(3):
        with pytest.raises(StoreInUse):
            async with Store.open(lab.path):
                pass
        if lab.state is not None and lab.state.link == "up":
            with pytest.raises(NotReachable):
                async with lab.plugged.open(1.0):
                    pass
        await sleep(random.uniform(0.0, 1.0))


# The wall clock


async def clock_stepped(lab: Laboratory, random: Random) -> None:
    for _ in range(random.randrange(1, 5)):
        lab.wall.ahead += random.choice([-1, 1]) * random.uniform(0.5, 40.0) * 3600
        await sleep(random.uniform(0.0, 3.0))


async def clock_not_set(lab: Laboratory, random: Random) -> None:
    lab.wall.ahead, lab.wall.kept = -MIDNIGHT_OF_1970, False
    await sleep(random.uniform(2.0, 15.0))
    lab.wall.ahead, lab.wall.kept = 0.0, True


# The disk


async def disk_full(lab: Laboratory, random: Random) -> None:
    store = lab.daemon.store
    store.trouble = "full"
    await sleep(_seconds(random))
    store.trouble = "none"


async def sync_failed(lab: Laboratory, random: Random) -> None:
    store = lab.daemon.store
    store.random = random
    for _ in range(random.randrange(1, 4)):
        store.trouble = "sync"
        await sleep(random.choice([0.05, 0.3, random.uniform(0.5, 10.0)]))
        store.trouble = "none"
        await sleep(random.uniform(0.0, 1.0))


# The broker and its subscriber


async def broker_gone(lab: Laboratory, random: Random) -> None:
    for _ in range(random.choice([1, 1, 4])):
        lab.broker.up = False
        lab.broker.cut()
        await sleep(_seconds(random))
        lab.broker.up = True
        await sleep(random.uniform(0.0, 1.0))


async def broker_slow(lab: Laboratory, random: Random) -> None:
    before = lab.broker.latency
    lab.broker.latency = random.uniform(0.05, 2.0)
    await sleep(_seconds(random))
    lab.broker.latency = before


async def subscriber_slow(lab: Laboratory, random: Random) -> None:
    lab.broker.deaf = True
    await sleep(_seconds(random))
    lab.broker.deaf = False


# Commands


async def stale_commands(lab: Laboratory, random: Random) -> None:
    """What was sent once, and starts with tokens of before, from somebody else and from the sender himself."""
    tokens = [m.content["token"] for m in lab.broker.received if m.kind == "state" and m.content["token"]]
    method: dict[str, Any] = next((json.loads(body)["method"] for _, body in lab.sent if b'"method"' in body), {})
    now = lab.state.token if lab.state is not None else ""
    for number in range(30):
        topic = topics.command(NODE, INSTRUMENT, random.choice(["anna", STALE]), random.choice(["start", "unhold"]))
        stale = [token for token in tokens if token != now] or ["0" * 16]
        content = {"request": f"again-{random.randrange(10**9)}-{number}", "token": random.choice(stale)}
        if topic.endswith("start"):
            content |= {"method": method}
        bodies = [json.dumps(content).encode()] + [body for old, body in lab.sent if old.endswith(("start", "unhold"))]
        lab.broker.send(topic, random.choice(bodies))
        await sleep(random.uniform(0.0, 0.3))


async def kept_commands(lab: Laboratory, random: Random) -> None:
    """A broker that keeps a start, and gives it to everyone who connects."""
    starts = [(topic, body) for topic, body in lab.sent if topic.endswith(("start", "unhold"))]
    for topic, body in starts:
        lab.broker.kept[topic] = body
    await broker_gone(lab, random)


async def flood(lab: Laboratory, random: Random) -> None:
    """More of everything than can be dealt with, nonsense above all."""
    verbs = ["start", "hold", "unhold", "clear", "attest", "points", "nonsense"]
    for _ in range(20):
        for _ in range(100):
            where = random.choice([INSTRUMENT, "right", topics.STORE])
            topic = topics.command(NODE, where, random.choice(["anna", STALE]), random.choice(verbs))
            if topic.endswith(("hold", "clear")) and "un" not in topic:
                topic += "-not"  # orders that anybody may give are no fault
            lab.broker.send(topic, random.randbytes(random.choice([0, 3, 200, 20_000])))
        await sleep(random.uniform(0.0, 0.2))


KINDS = {
    kind.name: kind
    for kind in (
        Kind("link cut", cut),
        Kind("link cut for good", cut_for_good, final=True),
        Kind("link garbled", _line(lambda r: f"garble={r.choice([1e-4, 1e-3, 5e-3])}", "garble=0"), True, True),
        Kind("link delayed", _line(lambda r: f"delay={r.uniform(0.0, 0.3)}", "delay=0"), True, True),
        Kind("one byte at a time", _line(lambda r: "crumbs"), True, early=True),
        Kind("20 % frame loss", _line(lambda r: "loss=0.2", "loss=0"), True, True),
        Kind("old frames again", frames_again),
        Kind("instrument hangs", _line(lambda r: f"stall={_seconds(r)}")),
        Kind("off refused", off_refused),
        Kind("off without read-back", off_unread),
        Kind("instrument reboots", _line(lambda r: "reboot")),
        Kind("reference lost", _line(lambda r: "reference-lost")),
        Kind("buffer overflows", cut, buffer=60),
        Kind("daemon killed", killed),
        Kind("machine restarts", machine_restarted),
        Kind("second daemon", second_daemon, True),
        Kind("clock stepped", clock_stepped, True),
        Kind("clock not set at start", clock_not_set, True, early=True),
        Kind("disk full", disk_full),
        Kind("sync fails", sync_failed),
        Kind("broker gone", broker_gone, True),
        Kind("broker slow", broker_slow, True),
        Kind("subscriber slow", subscriber_slow, True),
        Kind("stale commands", stale_commands, True),
        Kind("kept commands", kept_commands, True),
        Kind("flood of commands", flood, True),
    )
}
