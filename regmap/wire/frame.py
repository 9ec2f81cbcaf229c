"""Framing of the adapter protocol: messages as they go on the line, and back out of any bytes."""

from __future__ import annotations

import zlib

from regmap.record import dataclass
from regmap.wire.layout import CHECK, CHECK_BYTES, HEADER, HEADER_BYTES, VERSION

LEAST_ENCODED = HEADER_BYTES + CHECK_BYTES + 1  # bytes on the line between two delimiters


def stuff(data: bytes) -> bytes:
    """Consistent overhead byte stuffing: the same data without a zero byte.

    Each zero is replaced by the distance to the next; a run of 254 bytes without one costs an
    extra byte. S. Cheshire, M. Baker, "Consistent overhead byte stuffing", IEEE/ACM Transactions
    on Networking 7(2), 1999.
    """
    out = bytearray()
    runs = data.split(b"\0")
    for number, run in enumerate(runs, start=1):
        start = 0
        while len(run) - start >= 254:
            out += b"\xff" + run[start : start + 254]
            start += 254
        # A full block implies no zero. It needs a next code only if a zero or more data follow.
        if start < len(run) or start == 0 or number < len(runs):
            out.append(len(run) - start + 1)
            out += run[start:]
    return bytes(out)


def unstuff(data: bytes) -> bytes | None:
    """What was stuffed, or None when a distance points past the end or a zero is inside."""
    out = bytearray()
    at = 0
    while at < len(data):
        step = data[at]
        block = data[at + 1 : at + step]
        if step == 0 or len(block) != step - 1 or 0 in block:
            return None
        out += block
        at += step
        if step < 0xFF and at < len(data):
            out.append(0)
    return bytes(out)


def encoded_limit(message_bytes: int) -> int:
    """The most bytes that a message of so many bytes needs between its delimiters."""
    return message_bytes + message_bytes // 254 + 1


@dataclass(frozen=True, slots=True)
class Message:
    """One frame that arrived whole: `check` is its CRC-32, by which repeats are recognised."""

    version: int
    kind: int
    sequence: int
    body: bytes
    check: int = 0


@dataclass(frozen=True, slots=True)
class Damaged:
    """Bytes between two delimiters that are no frame: `too_long`, or broken in any other way."""

    data: bytes
    too_long: bool = False


def encode_frame(kind: int, sequence: int, body: bytes, version: int = VERSION) -> bytes:
    """A message as it goes on the line, delimiters included."""
    header = {"version": version, "kind": kind, "sequence": sequence}
    content = bytes(HEADER.build(header)) + body
    return b"\0" + stuff(content + bytes(CHECK.build(zlib.crc32(content)))) + b"\0"


class Decoder:
    """Bytes in any portions to messages. Keeps at most `limit` bytes of a half-received frame.

    Whatever stands between two zero bytes is a message or it is not; so after garbage, an echo
    cut short or a lost byte, the next frame is received again. `damaged` counts the pieces of
    at least the length of a frame that were none.
    """

    def __init__(self, limit: int = 4096) -> None:
        self.limit = limit
        self.damaged = 0
        self._held = bytearray()

    def feed(self, data: bytes) -> list[Message]:
        """The messages completed by these bytes."""
        return [event for event in self.events(data) if isinstance(event, Message)]

    def events(self, data: bytes) -> list[Message | Damaged]:
        """As `feed`, with the damaged pieces in their places. Shorter ones count as noise."""
        found: list[Message | Damaged] = []
        *ended, rest = data.split(b"\0")
        for piece in ended:
            self._hold(piece)
            event = self._finish()
            if event is not None:
                found.append(event)
        self._hold(rest)
        return found

    def _hold(self, piece: bytes) -> None:
        room = self.limit + 1 - len(self._held)  # one more than allowed tells "too long"
        self._held += piece[:room]

    def _finish(self) -> Message | Damaged | None:
        piece = bytes(self._held)
        self._held.clear()
        if len(piece) < LEAST_ENCODED:
            return None
        content = unstuff(piece) if len(piece) <= self.limit else None
        if content is not None and len(content) >= HEADER_BYTES + CHECK_BYTES:
            check = int(CHECK.parse(content[-CHECK_BYTES:]))
            if zlib.crc32(content[:-CHECK_BYTES]) == check:
                header = HEADER.parse(content)
                body = content[HEADER_BYTES:-CHECK_BYTES]
                return Message(header.version, header.kind, header.sequence, body, check)
        self.damaged += 1
        return Damaged(piece, too_long=len(piece) > self.limit)
