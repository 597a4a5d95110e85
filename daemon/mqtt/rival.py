"""Whether another living daemon bears our node's name at a broker.

Two of one name would speak on the same topics, and with the same client name each would drive the other away.  So
before a daemon connects for good it looks, as a client of its own and without a last will:

- The retained status names the daemon that said it.  Ours, offline or none: the name is free.
- Another one, online: it may be alive, or it lost its power and the broker has not noticed yet.  We claim the name,
  and a living daemon answers by saying its status again.  Nobody answers: the name is free.

Then the client name, which is that of the node, makes the broker end whatever connection the dead one left, and speak
its last will before we say that we are online.  A crash locks no name out.
"""

import asyncio
from contextlib import suppress

from pydantic import ValidationError

from luggin.daemon.endpoint import Endpoint
from luggin.daemon.mqtt.client import connect
from luggin.protocol import topics
from luggin.protocol.payloads import Claim, NodeStatus

ANSWER_WITHIN = 4.0  # s; an answer waits behind what the other one's uplink is busy with
_ECHO_WITHIN = 2.0


class NameTaken(Exception):
    """Another daemon bears our name; the text says which."""

    def __init__(self, other: NodeStatus) -> None:
        super().__init__(
            f"another daemon named {other.node} is at this broker, on the machine {other.machine or 'unknown'}; until "
            f"it leaves, this one publishes nothing and takes commands on its own machine only; give one of them "
            f"another name in [node]"
        )


class _Look:
    def __init__(self, node: str, daemon: str) -> None:
        self._status, self._claim, self._daemon = topics.status(node), topics.claim(node), daemon
        self.kept: NodeStatus | None = None
        self.answer: NodeStatus | None = None
        self.echoed, self.answered = asyncio.Event(), asyncio.Event()

    def receive(self, topic: str, payload: bytes, kept: bool) -> None:
        with suppress(ValidationError):
            if topic == self._claim:
                if Claim.model_validate_json(payload).daemon == self._daemon:
                    self.echoed.set()
            elif topic == self._status:
                status = NodeStatus.model_validate_json(payload)
                other = status if status.online and status.daemon != self._daemon else None
                if kept:
                    self.kept = other
                elif other is not None:
                    self.answer = other
                    self.answered.set()


async def find_rival(endpoint: Endpoint, node: str, daemon: str) -> NodeStatus | None:
    """The status of another living daemon of this name.  Raises ConnectionLost, OSError."""
    look = _Look(node, daemon)
    async with connect(endpoint, f"luggin-{node}-{daemon}", None, look.receive) as link:
        await link.subscribe(topics.status(node))
        await link.subscribe(topics.claim(node))
        await link.publish(topics.claim(node), Claim(node=node, daemon=daemon).model_dump_json().encode(), "claim")
        await _within(_ECHO_WITHIN, look.echoed)  # what the broker keeps came before our own words
        if look.kept is not None:
            await _within(ANSWER_WITHIN, look.answered)
    return look.answer


def is_foreign(payload: bytes, daemon: str) -> bool:
    """Whether this claim is another daemon's."""
    try:
        return Claim.model_validate_json(payload).daemon != daemon
    except ValidationError:
        return False


async def _within(seconds: float, event: asyncio.Event) -> None:
    with suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()
