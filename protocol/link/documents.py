"""Documents that may be longer than a frame: a program goes to the instrument, its capability comes from it.

Both are CBOR maps with the field names of `luggin.protocol.program` and `luggin.protocol.capability` as keys.  Every
field is there, null where it says nothing, so a firmware needs to know no defaults.
"""

import hashlib
import zlib
from typing import Any, TypeVar

from pydantic import ValidationError

from luggin.protocol.capability import Capability
from luggin.protocol.link import cbor
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.problem import from_validation
from luggin.protocol.program import Frozen, Program

LARGEST_CAPABILITY = 2**14
LARGEST_PROGRAM = 2**22

_Document = TypeVar("_Document", bound=Frozen)


def write_program(program: Program) -> bytes:
    """The bytes that are uploaded; the same program gives the same bytes."""
    return cbor.dump(program.model_dump(mode="json"))


def read_program(encoded: bytes) -> Program:
    """Raises MessageError, saying what is wrong, for bytes that are no program."""
    return _read(Program, encoded, LARGEST_PROGRAM)


def program_digest(encoded: bytes) -> bytes:
    """SHA-256 (FIPS 180-4) of an encoded program."""
    return hashlib.sha256(encoded).digest()


def write_capability(capability: Capability) -> bytes:
    return cbor.dump(capability.model_dump(mode="json"))


def read_capability(encoded: bytes) -> Capability:
    """Raises MessageError, saying what is wrong, for bytes that are no capability."""
    return _read(Capability, encoded, LARGEST_CAPABILITY)


def capability_checksum(encoded: bytes) -> int:
    """CRC-32 of an encoded capability, as in frames."""
    return zlib.crc32(encoded)


def _read(model: type[_Document], encoded: bytes, most: int) -> _Document:
    if len(encoded) > most:
        raise MessageError(f"a {model.__name__.lower()} of {len(encoded)} bytes is too large; at most {most} are read")
    item = cbor.load(encoded)
    try:
        return model.model_validate(_tuples(item), strict=True)
    except ValidationError as error:
        problems = "; ".join(map(str, from_validation(error)))
        raise MessageError(f"not a {model.__name__.lower()}: {problems}") from None


def _tuples(value: Any) -> Any:
    """Arrays as the tuples that strict models ask for."""
    if isinstance(value, list):
        return tuple(map(_tuples, value))
    if isinstance(value, dict):
        return {key: _tuples(each) for key, each in value.items()}
    return value
