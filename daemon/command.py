"""A command as it came in, whichever way it came."""

from dataclasses import dataclass
from typing import Literal

from luggin.protocol.payloads import Command


@dataclass(frozen=True)
class ReceivedCommand:
    """`verb` is a key of payloads.COMMANDS and `payload` an instance of its model.

    `verified` says whether whoever carried the command vouches that `client` sent it.
    """

    verb: str
    client: str
    verified: bool
    payload: Command
    origin: Literal["mqtt", "local"]
