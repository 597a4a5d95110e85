"""Three roles at a broker, and which of them may send what; each may do what the one before it may.

view       read everything and ask the store
operate    start, pause, end and clear runs and sequences, and evaluate
maintain   attest that the cell of an unreachable instrument is off

Nobody deletes runs or ends a daemon over MQTT: that takes its own user on its own machine.
"""

from typing import Literal, get_args

from luggin.protocol.payloads import QUESTIONS

Role = Literal["view", "operate", "maintain"]
ROLES: tuple[Role, ...] = get_args(Role)
_MAINTAINED = frozenset({"attest"})


def role_of(verb: str) -> Role:
    """The least role that may send this verb."""
    if verb in QUESTIONS:
        return "view"
    return "maintain" if verb in _MAINTAINED else "operate"


def may(role: Role, verb: str) -> bool:
    return ROLES.index(role_of(verb)) <= ROLES.index(role)
