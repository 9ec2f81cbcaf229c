"""Whether an adapter keeps the protocol: what a firmware writer runs against an adapter of their own.

    for finding in check_adapter(SerialLine("/dev/ttyACM0")):
        finding.ok, finding.title, finding.detail

It clocks arbitrary bytes out: nothing that could act on them may be connected to the SPI.
PROTOCOL.md says what is checked here, in the same words.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from itertools import pairwise

from regmap.errors import LinkError, told
from regmap.record import dataclass
from regmap.wire.frame import Decoder, Message, encode_frame
from regmap.wire.layout import (
    KIND_OF,
    REPLY,
    Answer,
    BitTransfer,
    Capability,
    Code,
    ErrorReply,
    Hello,
    Identity,
    Kind,
    Pins,
    Request,
    Setup,
    SetupDone,
    Transfer,
    parse_answer,
    request_body,
)
from regmap.wire.ports import Line

SOON = 0.05  # s; within which an adapter is to answer


@dataclass(frozen=True, slots=True)
class RuleFinding:
    """One rule of the protocol and whether the adapter keeps it."""

    title: str
    ok: bool
    detail: str = ""


class _Talk:
    """Raw frames out, raw answers in, and how long each took."""

    def __init__(self, line: Line, timeout: float, clock: Callable[[], float]) -> None:
        self.line, self.timeout, self.clock = line, timeout, clock
        self.number = 0
        self.slowest = 0.0

    def raw(self, data: bytes, *, quiet: bool = False) -> tuple[Message | None, bytes]:
        """What comes back for these bytes, parsed and as it came; None for nothing."""
        self.line.write(data)
        begin = self.clock()
        decoder, got = Decoder(), b""
        while self.clock() - begin < (0.2 if quiet else self.timeout):
            piece = self.line.read(0.05)
            got += piece
            for message in decoder.feed(piece):
                if message.kind & REPLY:
                    self.slowest = max(self.slowest, self.clock() - begin)
                    return message, got
        return None, got

    def frame(self, request: Request, number: int | None = None) -> bytes:
        if number is None:
            self.number = self.number % 0xFFFF + 1
            number = self.number
        return encode_frame(KIND_OF[type(request)], number, request_body(request))

    def ask(self, request: Request) -> Answer | ErrorReply | None:
        message, _ = self.raw(self.frame(request))
        return parse_answer(message.kind, message.body) if message is not None else None


def check_adapter(
    line: Line, *, timeout: float = 1.0, clock: Callable[[], float] = time.monotonic
) -> Iterator[RuleFinding]:
    """Every rule that can be seen from outside, in the order of PROTOCOL.md. Raises LinkError when the line is gone."""
    talk = _Talk(line, timeout, clock)
    identity = _hello(talk)
    if isinstance(identity, str):
        yield RuleFinding("hello is answered by an identity", False, identity)
        return
    yield RuleFinding("hello is answered by an identity", True, identity.name)
    modes = [m for m in range(4) if identity.capabilities & (Capability.MODE_0 << m)]
    yield RuleFinding("at least one SPI mode is offered", bool(modes), f"modes {modes}")
    if not modes:
        return
    good = Setup(mode=modes[0], clock_hz=identity.max_clock_hz)
    yield _error(talk, "a transfer needs a set-up", Transfer((b"\x5a",)), Code.NOT_SET_UP)
    yield from _setups(talk, identity, modes)
    talk.ask(good)
    yield from _transfers(talk, identity)
    yield from _numbers(talk, good)
    yield from _damage(talk, identity)
    yield from _pins(talk, identity)
    yield RuleFinding(
        f"answers come within {SOON * 1e3:g} ms",
        talk.slowest <= SOON,
        f"the slowest took {talk.slowest * 1e3:.1f} ms",
    )


def _hello(talk: _Talk) -> Identity | str:
    try:
        answer = talk.ask(Hello())
    except LinkError as error:
        return str(error)
    if isinstance(answer, Identity):
        return answer
    return "nothing came back" if answer is None else f"{answer}"


def _said(answer: Answer | ErrorReply | None) -> str:
    return "nothing came back" if answer is None else f"answered {answer}"


def _is_error(
    title: str, answer: Answer | ErrorReply | None, code: Code, detail: int | None = None
) -> RuleFinding:
    ok = isinstance(answer, ErrorReply) and answer.code == code
    ok = ok and (detail is None or getattr(answer, "detail", None) == detail)
    wanted = code.name + (f" {detail}" if detail is not None else "")
    return RuleFinding(title, ok, "" if ok else told(_said(answer), wanted))


def _error(
    talk: _Talk, title: str, request: Request, code: Code, detail: int | None = None
) -> RuleFinding:
    return _is_error(title, talk.ask(request), code, detail)


def _setups(talk: _Talk, identity: Identity, modes: list[int]) -> Iterator[RuleFinding]:
    gap = 2_000 if identity.capabilities & Capability.IDLE else 0
    for mode in range(4):
        wanted = Setup(mode=mode, clock_hz=identity.max_clock_hz, idle_ns=gap)
        if mode not in modes:
            yield _error(talk, f"mode {mode}, not offered, is refused", wanted, Code.UNSUPPORTED, 1)
            continue
        done = talk.ask(wanted)
        ok = (
            isinstance(done, SetupDone) and done.clock_hz <= wanted.clock_hz and done.idle_ns >= gap
        )
        yield RuleFinding(f"mode {mode}: no faster and no shorter idle than asked", ok, _said(done))
    slow = Setup(mode=modes[0], clock_hz=max(1, identity.min_clock_hz - 1))
    if identity.min_clock_hz > 1:
        yield _error(talk, "a clock below the least is refused", slow, Code.UNSUPPORTED, 4)
        yield _error(
            talk, "a set-up that is refused leaves none", Transfer((b"\x5a",)), Code.NOT_SET_UP
        )
    if not identity.capabilities & Capability.LSB_FIRST:
        turned = Setup(mode=modes[0], clock_hz=identity.max_clock_hz, lsb_first=True)
        yield _error(talk, "LSB first, not offered, is refused", turned, Code.UNSUPPORTED, 2)


def _transfers(talk: _Talk, identity: Identity) -> Iterator[RuleFinding]:
    most = min(255, identity.max_bytes)
    shapes = [(b"\x01",), (b"\x01\x02", b"\x03"), (bytes(most),)]
    if identity.max_bursts <= identity.max_bytes:
        shapes.append(tuple(b"\xa5" for _ in range(identity.max_bursts)))
    times: list[int] = []
    for bursts in shapes:
        answer = talk.ask(Transfer(bursts))
        found = list(answer) if isinstance(answer, tuple) else []
        times += [b.time_us for b in found]
        lengths = [len(b) for b in bursts]
        title = f"{len(bursts)} bursts of {sum(lengths)} bytes come back in their lengths"
        yield RuleFinding(title, [len(b.data) for b in found] == lengths, _said(answer)[:120])
    odd = BitTransfer((b"\x12\x30", b"\xff"), (5, 1))
    if identity.capabilities & Capability.BIT_COUNTS:
        answer = talk.ask(odd)
        found = list(answer) if isinstance(answer, tuple) else []
        beyond = [b.data[-1] & 0xFF >> last for b, last in zip(found, odd.last, strict=False)]
        ok = [len(b.data) for b in found] == [2, 1] and not any(beyond)
        yield RuleFinding(
            "bursts of 13 bits and of 1 come back with zeros beyond them", ok, _said(answer)[:120]
        )
        mixed = BitTransfer((b"\x12",), (8,))
        body = request_body(mixed)
        talk.number = talk.number % 0xFFFF + 1
        message, _ = talk.raw(encode_frame(Kind.BITS, talk.number, body[:1] + b"\x09" + body[2:]))
        refused = parse_answer(message.kind, message.body) if message is not None else None
        yield _is_error("nine bits of a byte are refused", refused, Code.MALFORMED)
    else:
        yield _error(talk, "bit counts, not offered, are refused", odd, Code.UNSUPPORTED, 6)
    if identity.capabilities & Capability.TIMESTAMPS:
        steps = [(b - a) % (1 << 32) for a, b in pairwise(times)]
        ok = all(step < 1 << 31 for step in steps) and any(times)
        yield RuleFinding("time stamps never run backwards", ok, f"{times[:6]} us")
    if identity.max_bursts < 255:
        many = Transfer(tuple(b"\x00" for _ in range(identity.max_bursts + 1)))
        yield _error(talk, "more bursts than the limit are refused", many, Code.TOO_LONG)


def _numbers(talk: _Talk, good: Setup) -> Iterator[RuleFinding]:
    first = talk.frame(Transfer((b"\x12\x34",)))
    _, once = talk.raw(first)
    _, again = talk.raw(first)
    same = once.strip(b"\0") == again.strip(b"\0")
    yield RuleFinding(
        "a repeated request gets the stored answer, byte for byte, and SPI does not run again",
        same and bool(once),
        "" if same else f"{once.hex(' ')} and then {again.hex(' ')}",
    )
    for title, number in (
        ("number 0 is refused", 0),
        ("a number behind is refused", talk.number - 1),
    ):
        message, _ = talk.raw(talk.frame(Pins(), number))
        answer = parse_answer(message.kind, message.body) if message is not None else None
        yield _is_error(title, answer, Code.SEQUENCE)
    other = talk.frame(Pins(), talk.number)
    message, _ = talk.raw(other)
    answer = parse_answer(message.kind, message.body) if message is not None else None
    yield _is_error("the last number with another request is refused", answer, Code.SEQUENCE)
    talk.ask(Hello())
    yield _error(talk, "hello forgets the set-up", Transfer((b"\x5a",)), Code.NOT_SET_UP)
    talk.ask(good)


def _damage(talk: _Talk, identity: Identity) -> Iterator[RuleFinding]:
    broken = bytearray(talk.frame(Pins()))
    broken[6] ^= 0x40 if broken[6] != 0x40 else 0x20
    message, _ = talk.raw(bytes(broken))
    answer = parse_answer(message.kind, message.body) if message is not None else None
    found = _is_error("a damaged request is answered by BAD_CRC", answer, Code.BAD_CRC)
    zero = message is not None and message.sequence == 0
    yield RuleFinding(found.title + " with number 0", found.ok and zero, found.detail)
    for title, data in (
        ("noise of fewer than 9 bytes is ignored", b"\x00\x55\xaa\x33\x00"),
        ("an answer heard back is ignored", encode_frame(Kind.PINS | REPLY, 77, b"\0\0")),
        ("empty frames are ignored", b"\0" * 20),
    ):
        message, got = talk.raw(data, quiet=True)
        yield RuleFinding(title, message is None and not got, got.hex(" "))
    message, _ = talk.raw(b"\x41" * 7 + talk.frame(Pins()))
    yield RuleFinding(
        "noise before a frame does not spoil it",
        message is not None and message.kind != Kind.ERROR | REPLY,
    )
    for title, frame, code, detail in (
        ("an unknown kind is refused", (0x30, b""), Code.UNSUPPORTED, 6),
        ("a body that does not fit is refused", (Kind.SETUP, b"\1"), Code.MALFORMED, None),
        ("a transfer without bursts is refused", (Kind.TRANSFER, b"\0"), Code.MALFORMED, None),
    ):
        talk.number = talk.number % 0xFFFF + 1
        message, _ = talk.raw(encode_frame(frame[0], talk.number, frame[1]))
        answer = parse_answer(message.kind, message.body) if message is not None else None
        yield _is_error(title, answer, code, detail)
    message, _ = talk.raw(encode_frame(Kind.HELLO, 9, b"", version=2))
    answer = parse_answer(message.kind, message.body) if message is not None else None
    yield _is_error("another version is refused", answer, Code.VERSION, 1)
    longest = 9 + identity.max_bursts + identity.max_bytes
    if longest < 2000:
        message, _ = talk.raw(b"\0" + b"\x11" * (longest + 600) + b"\0")
        answer = parse_answer(message.kind, message.body) if message is not None else None
        yield _is_error("more than its buffer is answered by TOO_LONG", answer, Code.TOO_LONG)


def _pins(talk: _Talk, identity: Identity) -> Iterator[RuleFinding]:
    levels = talk.ask(Pins())
    able = identity.capabilities
    wanted = (bool(able & Capability.ENABLE_PIN), bool(able & Capability.FAULT_PIN))
    found = (
        getattr(levels, "enable", None) is not None,
        getattr(levels, "fault", None) is not None,
    )
    yield RuleFinding(
        "the pins that exist are those of its abilities", found == wanted, _said(levels)
    )
    if able & Capability.ENABLE_PIN:
        low = talk.ask(Pins(False))
        yield RuleFinding(
            "the enable pin can be driven low", getattr(low, "enable", None) is False, _said(low)
        )
    else:
        yield _error(
            talk, "driving a pin that is not there is refused", Pins(False), Code.UNSUPPORTED, 7
        )
