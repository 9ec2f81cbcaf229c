"""Layouts of the adapter protocol's messages; `regmap.wire` tells what they mean.

The layouts are construct declarations: `HEADER`, `CHECK` and `BODIES` are the whole definition.
Around them: the values that requests and answers stand for, and both directions between the two.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import Any, NamedTuple

import construct as c

from regmap.errors import CallError, LinkError
from regmap.record import dataclass

VERSION = 1
REPLY = 0x80  # added to the kind of the request that is answered
HEADER_BYTES = 4
CHECK_BYTES = 4
TIME_WRAP_US = 1 << 32


class Kind(IntEnum):
    """What a message asks for; an answer carries the same kind plus 0x80."""

    HELLO = 0x01
    SETUP = 0x02
    TRANSFER = 0x03
    PINS = 0x04
    BITS = 0x05
    ERROR = 0x7F  # only ever seen as an answer: 0xFF


class Code(IntEnum):
    """Why an adapter refused; the text and the meaning of `detail` are in `CODE_TEXT`."""

    BAD_CRC = 1
    TOO_LONG = 2
    MALFORMED = 3
    VERSION = 4
    UNSUPPORTED = 5
    NO_SESSION = 6
    SEQUENCE = 7
    NOT_SET_UP = 8
    BUSY = 9
    SPI_FAILED = 10


CODE_TEXT = {
    Code.BAD_CRC: "a damaged frame arrived",
    Code.TOO_LONG: "more than the adapter takes at once (limit {detail})",
    Code.MALFORMED: "the body does not fit the layout",
    Code.VERSION: "the adapter speaks protocol version {detail}",
    Code.UNSUPPORTED: "the adapter does not offer this (item {detail})",
    Code.NO_SESSION: "the adapter has restarted or was never greeted",
    Code.SEQUENCE: "sequence number out of order (last was {detail})",
    Code.NOT_SET_UP: "SPI has not been set up",
    Code.BUSY: "the adapter is busy",
    Code.SPI_FAILED: "the SPI hardware failed (burst {detail})",
}


class Capability(IntFlag):
    """What an adapter can do. The two pins are also the bits of the pin masks."""

    ENABLE_PIN = 0x0001
    FAULT_PIN = 0x0002
    TIMESTAMPS = 0x0004
    LSB_FIRST = 0x0008
    SELECT_HIGH = 0x0010
    IDLE = 0x0020
    BIT_COUNTS = 0x0040
    MODE_0 = 0x0100
    MODE_1 = 0x0200
    MODE_2 = 0x0400
    MODE_3 = 0x0800


EVERYTHING = Capability(0x0F3F)

HEADER = c.Struct("version" / c.Int8ub, "kind" / c.Int8ub, "sequence" / c.Int16ub)
CHECK = c.Int32ub
_BURST = c.Prefixed(c.Int8ub, c.GreedyBytes)

_BURSTS_READ = c.Struct(
    "bursts" / c.PrefixedArray(c.Int8ub, c.Struct("time_us" / c.Int32ub, "data" / _BURST)),
    c.Terminated,
)

BODIES: dict[int, Any] = {
    Kind.HELLO: c.Struct(c.Terminated),
    Kind.HELLO | REPLY: c.Struct(
        "firmware" / c.Int16ub,
        "max_bytes" / c.Int16ub,
        "max_bursts" / c.Int8ub,
        "min_clock_hz" / c.Int32ub,
        "max_clock_hz" / c.Int32ub,
        "capabilities" / c.Int16ub,
        "name" / c.PascalString(c.Int8ub, "ascii"),
        c.Terminated,
    ),
    Kind.SETUP: c.Struct(
        "mode" / c.Int8ub,
        "lsb_first" / c.Int8ub,
        "select_high" / c.Int8ub,
        "clock_hz" / c.Int32ub,
        "idle_ns" / c.Int32ub,
        c.Terminated,
    ),
    Kind.SETUP | REPLY: c.Struct("clock_hz" / c.Int32ub, "idle_ns" / c.Int32ub, c.Terminated),
    Kind.TRANSFER: c.Struct("bursts" / c.PrefixedArray(c.Int8ub, _BURST), c.Terminated),
    Kind.TRANSFER | REPLY: _BURSTS_READ,
    Kind.BITS | REPLY: _BURSTS_READ,
    Kind.BITS: c.Struct(
        "bursts" / c.PrefixedArray(c.Int8ub, c.Struct("last" / c.Int8ub, "data" / _BURST)),
        c.Terminated,
    ),
    Kind.PINS: c.Struct("set" / c.Int8ub, "levels" / c.Int8ub, c.Terminated),
    Kind.PINS | REPLY: c.Struct("present" / c.Int8ub, "levels" / c.Int8ub, c.Terminated),
    Kind.ERROR | REPLY: c.Struct("code" / c.Int8ub, "detail" / c.Int16ub, c.Terminated),
}


# --- requests and their answers ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hello:
    """Greet the adapter: it identifies itself and forgets set-up and stored answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """How the SPI is to be driven: mode 0..3, clock in Hz, least idle time in ns.

    The idle time is the time for which chip select stays inactive between two bursts.
    """

    mode: int
    clock_hz: int
    lsb_first: bool = False
    select_high: bool = False
    idle_ns: int = 0


@dataclass(frozen=True, slots=True)
class Transfer:
    """Chip-select bursts, each 1 to 255 bytes, sent in this order."""

    bursts: tuple[bytes, ...]


class Clocked(NamedTuple):
    """The bytes of one burst, of whose last byte only the first `last` bits (1 to 8) are clocked.

    The bits that count come first on the wire: the upper ones, of bytes that are sent LSB first the lower.
    """

    data: bytes
    last: int = 8


@dataclass(frozen=True, slots=True)
class BitTransfer(Transfer):
    """Bursts that need not be whole bytes: `last[i]` bits of the last byte of burst i are clocked.

    What is read comes back in as many bytes, its bits in the same places and zeros beyond them.
    """

    last: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Pins:
    """Read the pins; first drive the enable pin high (True) or low (False) unless None."""

    enable: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """What an adapter says of itself. `firmware` is major * 256 + minor; clocks in Hz.

    `max_bytes` and `max_bursts` bound one transfer. The name is ASCII, 31 characters at most.
    """

    name: str
    firmware: int = 0x0100
    max_bytes: int = 256
    max_bursts: int = 32
    min_clock_hz: int = 1
    max_clock_hz: int = 10_000_000
    capabilities: Capability = EVERYTHING
    protocol: int = VERSION

    def __post_init__(self) -> None:
        if not self.name.isascii() or not self.name.isprintable() or len(self.name) > 31:
            raise CallError(f"an adapter's name is up to 31 printable characters: {self.name!r}")
        if not (1 <= self.max_bytes <= 0xFFFF and 1 <= self.max_bursts <= 0xFF):
            raise CallError("max_bytes is 1 to 65535 and max_bursts 1 to 255")
        if not 1 <= self.min_clock_hz <= self.max_clock_hz < 1 << 32:
            raise CallError("clock limits are 1 Hz to 4.29 GHz, the lower one first")


@dataclass(frozen=True, slots=True)
class SetupDone:
    """The clock (Hz, never above the one asked) and idle time (ns, never below) really used."""

    clock_hz: int
    idle_ns: int


@dataclass(frozen=True, slots=True)
class Burst:
    """Bytes read during one burst, and when chip select became active (us, adapter's clock)."""

    time_us: int
    data: bytes


@dataclass(frozen=True, slots=True)
class PinLevels:
    """Electrical levels (True is high); None where the adapter has no such pin."""

    enable: bool | None
    fault: bool | None


@dataclass(frozen=True, slots=True)
class ErrorReply:
    """An adapter's refusal. A code this version does not know is kept as a number."""

    code: int
    detail: int

    def __str__(self) -> str:
        try:
            return CODE_TEXT[Code(self.code)].format(detail=self.detail)
        except ValueError:
            return f"unknown error code {self.code} (detail {self.detail})"


Request = Hello | Setup | Transfer | Pins
Answer = Identity | SetupDone | tuple[Burst, ...] | PinLevels

KIND_OF: dict[type, Kind] = {
    Hello: Kind.HELLO,
    Setup: Kind.SETUP,
    Transfer: Kind.TRANSFER,
    BitTransfer: Kind.BITS,
    Pins: Kind.PINS,
}


def request_body(request: Request) -> bytes:
    """The body of a request. Raises CallError for what the layout cannot carry."""
    values: dict[str, Any] = {}
    if isinstance(request, Setup):
        if request.mode not in range(4):
            raise CallError(f"SPI mode is 0 to 3, not {request.mode}")
        for what, number in (("clock", request.clock_hz), ("idle time", request.idle_ns)):
            if not 0 <= number < 1 << 32:
                raise CallError(f"{what} {number} does not fit in 32 bits")
        values = {
            "mode": request.mode,
            "lsb_first": int(request.lsb_first),
            "select_high": int(request.select_high),
            "clock_hz": request.clock_hz,
            "idle_ns": request.idle_ns,
        }
    elif isinstance(request, Transfer):
        if not 1 <= len(request.bursts) <= 255:
            raise CallError(f"a transfer has 1 to 255 bursts, not {len(request.bursts)}")
        for burst in request.bursts:
            if not 1 <= len(burst) <= 255:
                raise CallError(f"a burst has 1 to 255 bytes, not {len(burst)}")
        values = {"bursts": list(request.bursts)}
        if isinstance(request, BitTransfer):
            if [n for n in request.last if not 1 <= n <= 8] or len(request.last) != len(
                request.bursts
            ):
                raise CallError("of each burst's last byte 1 to 8 bits are clocked")
            pairs = zip(request.bursts, request.last, strict=True)
            values = {"bursts": [{"last": last, "data": data} for data, last in pairs]}
    elif isinstance(request, Pins):
        level = 0 if request.enable is None else int(Capability.ENABLE_PIN)
        values = {"set": level, "levels": level if request.enable else 0}
    return bytes(BODIES[KIND_OF[type(request)]].build(values))


def answer_body(answer: Answer | ErrorReply, transfer: Kind = Kind.TRANSFER) -> tuple[int, bytes]:
    """Kind (with the reply bit) and body of an answer; `transfer` is the kind that bursts answer."""
    values: dict[str, Any]
    if isinstance(answer, Identity):
        kind = Kind.HELLO
        values = {
            "firmware": answer.firmware,
            "max_bytes": answer.max_bytes,
            "max_bursts": answer.max_bursts,
            "min_clock_hz": answer.min_clock_hz,
            "max_clock_hz": answer.max_clock_hz,
            "capabilities": int(answer.capabilities),
            "name": answer.name,
        }
    elif isinstance(answer, SetupDone):
        kind = Kind.SETUP
        values = {"clock_hz": answer.clock_hz, "idle_ns": answer.idle_ns}
    elif isinstance(answer, PinLevels):
        kind = Kind.PINS
        pins = ((Capability.ENABLE_PIN, answer.enable), (Capability.FAULT_PIN, answer.fault))
        values = {
            "present": sum(int(bit) for bit, level in pins if level is not None),
            "levels": sum(int(bit) for bit, level in pins if level),
        }
    elif isinstance(answer, ErrorReply):
        kind = Kind.ERROR
        values = {"code": answer.code, "detail": answer.detail}
    else:
        kind = transfer
        values = {"bursts": [{"time_us": b.time_us % TIME_WRAP_US, "data": b.data} for b in answer]}
    return kind | REPLY, bytes(BODIES[kind | REPLY].build(values))


def parse_body(kind: int, body: bytes) -> Any:
    """The fields of a body. LinkError when the kind is unknown or the body does not fit it."""
    layout = BODIES.get(kind)
    if layout is None:
        raise LinkError(f"unknown message kind {kind:#04x}")
    try:
        return layout.parse(body)
    except (c.ConstructError, UnicodeDecodeError) as error:
        raise LinkError(f"body of message kind {kind:#04x} does not fit its layout") from error


def parse_answer(kind: int, body: bytes) -> Answer | ErrorReply:
    """The answer in a reply of this kind. LinkError when it does not fit the layout."""
    fields = parse_body(kind, body)
    if kind == Kind.HELLO | REPLY:
        values = {k: v for k, v in fields.items() if not k.startswith("_")}
        values["capabilities"] = Capability(fields.capabilities)
        try:
            return Identity(**values)
        except CallError as error:
            raise LinkError(f"the adapter's identity makes no sense: {error}") from error
    if kind == Kind.SETUP | REPLY:
        return SetupDone(fields.clock_hz, fields.idle_ns)
    if kind in (Kind.TRANSFER | REPLY, Kind.BITS | REPLY):
        return tuple(Burst(b.time_us, b.data) for b in fields.bursts)
    if kind == Kind.PINS | REPLY:
        present = Capability(fields.present)
        levels = Capability(fields.levels)
        return PinLevels(
            *(
                bool(levels & pin) if present & pin else None
                for pin in (Capability.ENABLE_PIN, Capability.FAULT_PIN)
            )
        )
    if kind == Kind.ERROR | REPLY:
        return ErrorReply(fields.code, fields.detail)
    raise LinkError(f"message kind {kind:#04x} is no answer")
