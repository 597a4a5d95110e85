"""The place where a program arrives in pieces, and is checked before the instrument takes it."""

from luggin.protocol.capability import Capability, check
from luggin.protocol.link.documents import program_digest, read_program
from luggin.protocol.link.kinds import MessageError
from luggin.protocol.link.numbers import Code
from luggin.protocol.program import Program
from luggin.sim.refused import Refused


class Loader:
    def __init__(self, capability: Capability) -> None:
        self._capability = capability
        self._bytes = bytearray()

    def upload(self, offset: int, data: bytes) -> None:
        """Take bytes for the place `offset`.  Raises Refused."""
        if offset > len(self._bytes):
            raise Refused(Code.OUT_OF_RANGE, f"offset {offset} leaves a hole; {len(self._bytes)} bytes are here")
        largest = self._capability.largest_program
        if offset + len(data) > largest:
            raise Refused(Code.NOT_EXECUTABLE, f"the program is too large; at most {largest} bytes fit")
        self._bytes[offset : offset + len(data)] = data

    def program(self, size: int, digest: bytes) -> Program:
        """The program in the first `size` bytes, which this instrument can execute.  Raises Refused."""
        encoded = bytes(self._bytes[:size])
        if len(encoded) != size or program_digest(encoded) != digest:
            raise Refused(Code.WRONG_HASH, f"the {len(encoded)} bytes here are not the program meant; upload it again")
        try:
            program = read_program(encoded)
        except MessageError as error:
            raise Refused(Code.NOT_EXECUTABLE, str(error)) from None
        problems = check(program, self._capability)
        if problems:
            raise Refused(Code.NOT_EXECUTABLE, "; ".join(map(str, problems)))
        return program
