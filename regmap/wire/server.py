"""The adapter's half of the adapter protocol: what a bridge, or a simulated chip, answers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol, cast

from regmap.errors import CallError, LinkError
from regmap.wire.frame import Damaged, Decoder, Message, encode_frame, encoded_limit
from regmap.wire.layout import (
    CHECK_BYTES,
    HEADER_BYTES,
    KIND_OF,
    REPLY,
    VERSION,
    Answer,
    Burst,
    Capability,
    Code,
    ErrorReply,
    Identity,
    Kind,
    PinLevels,
    Setup,
    SetupDone,
    answer_body,
    parse_body,
)


class Refusal(Exception):  # noqa: N818 - not an error of ours: a handler's way to say no
    """Raised by a handler: busy (nothing was done) or failed."""

    def __init__(self, *, busy: bool = False) -> None:
        super().__init__("busy" if busy else "failed")
        self.busy = busy


class Handler(Protocol):
    """What a `Server` drives. Each may raise `Refusal`.

    `setup` gives the clock and gap really used. `burst` sends bytes under one chip select and
    gives as many, with the start in microseconds. `pins` drives enable unless None and reads both
    levels; those of pins the adapter has not are ignored.
    """

    def setup(self, setup: Setup) -> SetupDone: ...

    def burst(self, data: bytes) -> Burst: ...

    def pins(self, enable: bool | None) -> PinLevels: ...


class BitHandler(Handler, Protocol):
    """A handler with the ability BIT_COUNTS: of a burst's last byte only the first `last` bits are clocked."""

    def burst_bits(self, data: bytes, last: int) -> Burst: ...


class _Error(Exception):
    def __init__(self, code: Code, detail: int = 0) -> None:
        super().__init__(code, detail)
        self.reply = ErrorReply(code, detail)


class Server:
    """The adapter's half: bytes in, calls of the handler, bytes out. Obeys the rules above."""

    def __init__(self, handler: Handler, identity: Identity) -> None:
        self.handler = handler
        self.identity = identity
        # a burst's length, and how many bits of its last byte count
        heads = 1 + 2 * identity.max_bursts
        longest = HEADER_BYTES + heads + identity.max_bytes + CHECK_BYTES
        self._decoder = Decoder(encoded_limit(longest))
        self._session = False
        self._set_up = False
        self._last = 0
        self._check = 0
        self._stored: bytes | None = None

    def feed(self, data: bytes) -> bytes:
        """Act upon what these bytes complete; the bytes to send back, in order."""
        out = bytearray()
        for event in self._decoder.events(data):
            if isinstance(event, Damaged):
                code = Code.TOO_LONG if event.too_long else Code.BAD_CRC
                detail = self.identity.max_bytes if event.too_long else 0
                out += self._frame(0, ErrorReply(code, detail))
            elif not event.kind & REPLY:
                out += self._answer(event)
        return bytes(out)

    @staticmethod
    def _frame(sequence: int, answer: Answer | ErrorReply, transfer: Kind = Kind.TRANSFER) -> bytes:
        kind, body = answer_body(answer, transfer)
        return encode_frame(kind, sequence, body)

    def _answer(self, message: Message) -> bytes:
        try:
            repeat = self._admit(message)
        except _Error as error:
            return self._frame(message.sequence, error.reply)
        if repeat is not None:
            return repeat
        self._stored = None
        answer: Answer | ErrorReply
        try:
            answer = self._act(message)
        except _Error as error:
            answer = error.reply
            if answer.code == Code.BUSY:
                return self._frame(message.sequence, answer)
        bits = message.kind == Kind.BITS
        frame = self._frame(message.sequence, answer, Kind.BITS if bits else Kind.TRANSFER)
        self._last, self._check = message.sequence, message.check
        if message.kind != Kind.HELLO:
            self._stored = frame
        return frame

    def _admit(self, message: Message) -> bytes | None:
        """Rules 1 to 4: the stored answer for a repeat, None to act, or an error."""
        number = message.sequence
        if message.version != VERSION:
            raise _Error(Code.VERSION, VERSION)
        if message.kind == Kind.HELLO:
            if message.body:
                raise _Error(Code.MALFORMED)
            if number == 0:
                raise _Error(Code.SEQUENCE, self._last)
            return None
        if not self._session:
            raise _Error(Code.NO_SESSION)
        if number == self._last and message.check == self._check and self._stored is not None:
            return self._stored
        if number == 0 or not 0 < (number - self._last) % 0x10000 < 0x8000:
            raise _Error(Code.SEQUENCE, self._last)
        return None

    def _act(self, message: Message) -> Answer:
        if message.kind == Kind.SETUP:
            self._set_up = False
        unable = (
            message.kind == Kind.BITS and not self.identity.capabilities & Capability.BIT_COUNTS
        )
        if message.kind not in KIND_OF.values() or unable:
            raise _Error(Code.UNSUPPORTED, 6)
        try:
            fields = parse_body(message.kind, message.body)
        except LinkError:
            raise _Error(Code.MALFORMED) from None
        if message.kind == Kind.HELLO:
            self._session, self._set_up = True, False
            return self.identity
        try:
            if message.kind == Kind.SETUP:
                return self._setup(fields)
            if message.kind == Kind.TRANSFER:
                return self._transfer(fields.bursts)
            if message.kind == Kind.BITS:
                lasts = [b.last for b in fields.bursts]
                if any(not 1 <= last <= 8 for last in lasts):
                    raise _Error(Code.MALFORMED)
                return self._transfer([b.data for b in fields.bursts], lasts)
            return self._pins(fields["set"], fields["levels"])
        except Refusal as refusal:
            raise _Error(Code.BUSY if refusal.busy else Code.SPI_FAILED) from None

    def _setup(self, fields: Mapping[str, int]) -> SetupDone:
        able = self.identity.capabilities
        if fields["lsb_first"] > 1 or fields["select_high"] > 1:
            raise _Error(Code.MALFORMED)
        wants = (
            fields["mode"] < 4 and bool(able & (Capability.MODE_0 << fields["mode"])),
            not fields["lsb_first"] or bool(able & Capability.LSB_FIRST),
            not fields["select_high"] or bool(able & Capability.SELECT_HIGH),
            fields["clock_hz"] >= self.identity.min_clock_hz,
            not fields["idle_ns"] or bool(able & Capability.IDLE),
        )
        if not all(wants):
            raise _Error(Code.UNSUPPORTED, wants.index(False) + 1)
        setup = Setup(
            mode=fields["mode"],
            clock_hz=min(fields["clock_hz"], self.identity.max_clock_hz),
            lsb_first=bool(fields["lsb_first"]),
            select_high=bool(fields["select_high"]),
            idle_ns=fields["idle_ns"],
        )
        done = self.handler.setup(setup)
        self._set_up = True
        return done

    def _transfer(
        self, bursts: Sequence[bytes], lasts: Sequence[int] | None = None
    ) -> tuple[Burst, ...]:
        if not bursts or not all(bursts):
            raise _Error(Code.MALFORMED)
        if len(bursts) > self.identity.max_bursts:
            raise _Error(Code.TOO_LONG, self.identity.max_bursts)
        if sum(map(len, bursts)) > self.identity.max_bytes:
            raise _Error(Code.TOO_LONG, self.identity.max_bytes)
        if not self._set_up:
            raise _Error(Code.NOT_SET_UP)
        read = []
        for index, data in enumerate(bursts):
            try:
                if lasts is None:
                    burst = self.handler.burst(data)
                else:
                    burst = cast("BitHandler", self.handler).burst_bits(data, lasts[index])
            except Refusal as refusal:
                if refusal.busy and index == 0:
                    raise
                raise _Error(Code.SPI_FAILED, index) from None
            if len(burst.data) != len(data):
                raise CallError(f"handler gave {len(burst.data)} bytes for {len(data)}")
            read.append(burst)
        return tuple(read)

    def _pins(self, which: int, levels: int) -> PinLevels:
        able = self.identity.capabilities
        if levels & ~which:
            raise _Error(Code.MALFORMED)
        if which & ~(int(able & Capability.ENABLE_PIN)):
            raise _Error(Code.UNSUPPORTED, 7)
        state = self.handler.pins(bool(levels) if which else None)
        return PinLevels(
            state.enable if able & Capability.ENABLE_PIN else None,
            state.fault if able & Capability.FAULT_PIN else None,
        )
