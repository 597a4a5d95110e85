"""Frames: the envelope of one message on a line that carries nothing but bytes.

    frame = COBS( message + CRC-32 of the message, little endian ) + 00

COBS (consistent overhead byte stuffing, Cheshire and Baker, IEEE/ACM Trans. Netw. 7 (1999) 159) leaves no zero byte
inside, so a zero always ends a frame and a listener that lost its place has it again at the next one.  The CRC-32 is
that of ISO 3309 and ITU-T V.42 (reflected polynomial EDB88320, as in zlib and Ethernet).
"""

import zlib

from cobs import cobs

LARGEST_FRAME = 512
"""Bytes of a frame on the line, its ending zero included."""
SMALLEST_LARGEST_FRAME = 128
"""The least that both ends must be able to receive; every request but an upload fits."""
DELIMITER = b"\0"
_CHECKSUM = 4


def room(largest_frame: int = LARGEST_FRAME) -> int:
    """Bytes of message that are sure to fit a frame of `largest_frame` bytes, whatever their values."""
    stuffed = largest_frame - len(DELIMITER)
    return stuffed - (stuffed + 254) // 255 - _CHECKSUM


LARGEST_MESSAGE = room()


def encode(message: bytes) -> bytes:
    """Put a message of at most LARGEST_MESSAGE bytes into a frame."""
    if not 0 < len(message) <= LARGEST_MESSAGE:
        raise ValueError(f"a message of {len(message)} bytes does not fit a frame; it may have 1 to {LARGEST_MESSAGE}")
    return bytes(cobs.encode(message + zlib.crc32(message).to_bytes(_CHECKSUM, "little"))) + DELIMITER


def open_frame(stuffed: bytes) -> bytes | None:
    """The message inside a frame given without its ending zero, or None when the frame is damaged."""
    try:
        content = bytes(cobs.decode(stuffed))
    except cobs.DecodeError:
        return None
    message, checksum = content[:-_CHECKSUM], content[-_CHECKSUM:]
    if not message or zlib.crc32(message) != int.from_bytes(checksum, "little"):
        return None
    return message


class Decoder:
    """Finds the frames in a stream of bytes that arrives in any pieces.  Holds at most one frame's bytes.

    `good` counts frames, `damaged` the stretches between two zeros that were no frame, `skipped` their bytes.  Zeros
    that follow each other are idle line and are not counted.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._oversize = False  # the bytes up to the next zero belong to something too long for a frame
        self.good = 0
        self.damaged = 0
        self.skipped = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Take the next bytes of the stream; return the messages that are complete with them."""
        *ended, rest = data.split(DELIMITER)
        messages = []
        for piece in ended:
            message = self._end(piece)
            if message is not None:
                messages.append(message)
        self._hold(rest)
        return messages

    def _hold(self, piece: bytes) -> None:
        if self._oversize:
            self.skipped += len(piece)
        elif len(self._held) + len(piece) >= LARGEST_FRAME:
            self.skipped += len(self._held) + len(piece)
            self._held.clear()
            self._oversize = True
        else:
            self._held += piece

    def _end(self, piece: bytes) -> bytes | None:
        if not self._held and not self._oversize and len(piece) < LARGEST_FRAME:
            stuffed = piece
        else:
            self._hold(piece)
            stuffed = bytes(self._held)
            self._held.clear()
        if self._oversize:
            self._oversize = False
            self.damaged += 1
            return None
        if not stuffed:
            return None
        message = open_frame(stuffed)
        if message is None:
            self.damaged += 1
            self.skipped += len(stuffed)
        else:
            self.good += 1
        return message
