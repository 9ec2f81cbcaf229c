"""Words and their parts by layout, guards included; words on the wire. Pure: no chip, no state.

    word = build(layout, {"rw": 1, "address": 3, "data": 0x1A5})     fixed parts and guards are filled
    parts = split(layout, word)                                      {"rw": 1, ...}
    flaws = inspect(layout, word)                                    what contradicts the layout

Words are integers whose bit numbers are the data sheet's. `bursts` turns one into what travels
between two edges of chip select, `wire_bytes` that into what a byte-wide controller sends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

from regmap.record import dataclass

from ..chip.bits import deposit, extract, hexword, mask_of, spans
from ..chip.guard import Parity, reverse_bits
from ..chip.model import Frame, Layout, Part, Spi
from ..errors import CallError, FrameError
from ..quantity import many

GUARDS = ("parity", "crc")


@dataclass(frozen=True, slots=True)
class Flaw:
    """One contradiction between a word and its layout, or what the map says travels in it.

    `kind` is "check_bits", "fixed", "echo", "operation", "counter" or "frame" (a register of another layout).
    """

    kind: str
    part: str
    text: str


def _gather(word: int, bits: tuple[int, ...]) -> int:
    return extract(word, bits) if bits else 0


def guard_value(part: Part, word: int, sent: int = 0) -> int:
    """What a guard part must hold for the rest of `word`, in a reply to the command `sent`."""
    fed = _gather(sent, part.over_command) << len(part.over) | _gather(word, part.over)
    bits = len(part.over_command) + len(part.over)
    if part.kind == "parity":
        return Parity(even=part.even).over_int(fed, bits)
    assert part.crc is not None
    prefix, prefix_bits = part.prefix
    return part.crc.over_int(prefix << bits | fed, prefix_bits + bits)


class _ById:
    """A layout as a cache key by identity: its mappings have no hash."""

    __slots__ = ("layout",)

    def __init__(self, layout: Layout) -> None:
        self.layout = layout

    def __hash__(self) -> int:
        return id(self.layout)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ById) and other.layout is self.layout


@lru_cache(maxsize=512)
def _guards_in_order(key: _ById) -> tuple[Part, ...]:
    guards = [p for p in key.layout.parts if p.kind in GUARDS]
    ordered: list[Part] = []
    while guards:
        free = (
            g for g in guards if not any(o is not g and set(o.bits) & set(g.over) for o in guards)
        )
        ready = next(free, guards[0])
        ordered.append(ready)
        guards.remove(ready)
    return tuple(ordered)


def guards_of(layout: Layout) -> tuple[Part, ...]:
    """The guard parts in the order they must be filled."""
    return _guards_in_order(_ById(layout))


def build(layout: Layout, values: Mapping[str, int], sent: int = 0) -> int:
    """The word whose parts hold `values`; parts not given hold their fixed or start value, guards are computed.

    A guard that is given is taken as given, so that broken frames can be made on purpose. `sent` is
    the command word that a reply answers.
    Raises CallError for an unknown part or a value that does not fit.
    """
    word = 0
    known = set()
    for part in layout.parts:
        known.add(part.name)
        if part.kind in GUARDS:
            continue
        value = values.get(part.name)
        if value is None:
            value = part.start if part.kind == "counter" else part.value
            if part.kind == "status":
                value = 0 if part.active else (1 << part.width) - 1
        if value >> part.width or value < 0:
            raise CallError(
                f"0x{value:X} does not fit part '{part.name}' of {many(part.width, 'bit')}"
            )
        word |= deposit(value, part.bits)
    for name in values:
        if name not in known:
            raise CallError(
                f"the frame has no part {name!r}; it has {', '.join(p.name for p in layout.parts)}"
            )
    for part in guards_of(layout):
        value = values.get(part.name)
        word |= deposit(guard_value(part, word, sent) if value is None else value, part.bits)
    return word


def split(layout: Layout, word: int) -> dict[str, int]:
    """Every part's value. Raises FrameError where the word is wider than the layout."""
    if word < 0 or word >> layout.length:
        raise FrameError(f"0x{word:X} does not fit a frame of {layout.length} bits")
    return {part.name: extract(word, part.bits) for part in layout.parts}


def inspect(
    layout: Layout, word: int, known: int | None = None, sent: int | None = None
) -> list[Flaw]:
    """What contradicts the layout in `word`: guards, fixed bits, operation codes that mean nothing.

    `known` are the bits that count, all where not given; what needs another is not looked at, nor
    are guards over the answered command unless that is given as `sent`.
    """
    flaws = []
    for part in layout.parts:
        if known is not None and mask_of((*part.bits, *part.over)) & ~known:
            continue
        found = extract(word, part.bits)
        if part.kind in GUARDS:
            if part.over_command and sent is None:
                continue
            wanted = guard_value(part, word & ~mask_of(part.bits), sent or 0)
            if found != wanted:
                flaws.append(Flaw("check_bits", part.name, _guard_text(part, found, wanted)))
        elif part.kind in ("fixed", "chip") and found not in (part.value, *part.shared):
            flaws.append(
                Flaw(
                    "fixed",
                    part.name,
                    f"'{part.name}' (bits {spans(part.bits)}) holds {found:#b}; fixed to {part.value:#b}",
                )
            )
        elif part.kind == "operation" and found not in part.codes.values():
            names = ", ".join(f"{n} {c:#b}" for n, c in part.codes.items())
            flaws.append(
                Flaw("operation", part.name, f"'{part.name}' holds {found:#b}; known: {names}")
            )
    return flaws


def _guard_text(part: Part, found: int, wanted: int) -> str:
    if part.kind == "parity":
        return f"parity '{part.name}' is {found}; {'even' if part.even else 'odd'} parity wants {wanted}"
    return (
        f"CRC '{part.name}' is {hexword(found, part.width)}; computed {hexword(wanted, part.width)}"
    )


def next_counters(layout: Layout, parts: Mapping[str, int]) -> dict[str, int]:
    """What the layout's counters (a toggle is one of a single bit) hold in the frame after this one."""
    return {
        part.name: (parts[part.name] + part.step) % (1 << part.width)
        for part in layout.parts
        if part.kind == "counter" and part.name in parts
    }


def counter_flaws(
    layout: Layout, before: Mapping[str, int], parts: Mapping[str, int]
) -> list[Flaw]:
    """Counters that did not move on as they must from one accepted frame to the next."""
    return [
        Flaw("counter", name, f"counter '{name}' is {parts[name]}; {wanted} follows {before[name]}")
        for name, wanted in next_counters(layout, before).items()
        if name in parts and parts[name] != wanted
    ]


def clock_of(frame: Frame, *, msb_first: bool = True) -> dict[int, int]:
    """The clock, counted from 1, with which each bit of a frame travels."""
    clocks: dict[int, int] = {}
    top = frame.length
    for length in frame.bursts or (frame.length,):
        bits = range(top - 1, top - length - 1, -1)
        for bit in bits if msb_first else reversed(bits):
            clocks[bit] = len(clocks) + 1
        top -= length
    return clocks


def bursts(frame: Frame, word: int) -> list[tuple[int, int]]:
    """The chip-select bursts of a frame as (value, bits), in the order they are sent."""
    result = []
    left = frame.length
    for bits in frame.bursts:
        left -= bits
        result.append(((word >> left) & ((1 << bits) - 1), bits))
    return result


def join_bursts(pieces: Sequence[tuple[int, int]]) -> int:
    """The frame word of its bursts."""
    word = 0
    for value, bits in pieces:
        word = word << bits | value
    return word


def wire_bytes(value: int, bits: int, *, msb_first: bool = True, lead: bool = False) -> bytes:
    """A burst as the bytes a byte-wide SPI controller sends, first bit on the wire in bit 7 of the first.

    Where `bits` is no multiple of eight, zero bits fill it up to whole bytes: at the end, or with `lead`
    before it, for a chip of which the last bits count.
    """
    if not msb_first:
        value = reverse_bits(value, bits)
    count = (bits + 7) // 8
    return (value << (0 if lead else count * 8 - bits)).to_bytes(count, "big")


def command_bytes(spi: Spi, value: int, bits: int) -> bytes:
    """`wire_bytes` of a command to a chip that takes extra clocks as its map says."""
    return wire_bytes(value, bits, msb_first=spi.msb_first, lead=spi.extra_clocks == "last_count")


def spoken_bytes(spi: Spi, bits: int) -> str:
    """What the bytes of a burst of so many bits are, and what a controller must be set to, in words."""
    count = (bits + 7) // 8
    extra = 8 * count - bits
    if not extra:
        return f"{many(count, 'byte')}, {bits} clocks"
    zeros = many(extra, "zero bit")
    head = f"{many(count, 'byte')}, {8 * count} clocks for {bits} bits: "
    if spi.extra_clocks == "last_count":
        return f"{head}{zeros} before them, since of more clocks the last {bits} count"
    if spi.extra_clocks == "first_count":
        return f"{head}{zeros} behind them, which the chip ignores"
    fits = next((n for n in range(min(bits, 32), 3, -1) if bits % n == 0 and n % 8), bits)
    unsure = "the chip rejects" if spi.extra_clocks else "the map does not say that the chip takes"
    return (
        f"{head}{zeros} behind them, but {unsure} frames of more clocks: set the controller to transfers of "
        f"{fits} bits"
    )


def spoken_order(spi: Spi) -> str:
    """For which bit order of a controller `wire_bytes` are, where it is not the chip's own; else ""."""
    if spi.msb_first:
        return ""
    return (
        "the chip takes the least significant bit first: these bytes are for a controller that sends "
        "bit 7 first; one set to send bit 0 first takes each with its bits turned round"
    )


def passed(word: int, bits: int, clocks: int, *, msb_first: bool = True) -> int:
    """What passes of a word of `bits` in so many clocks of one burst: its first bits, then zeros."""
    if not msb_first:
        return word & ((1 << clocks) - 1)
    return word >> (bits - clocks) if clocks < bits else word << (clocks - bits)


def first_of(value: int, clocks: int, bits: int, *, msb_first: bool = True) -> int:
    """The first `bits` of what passed in more clocks."""
    return value >> (clocks - bits) if msb_first else value & ((1 << bits) - 1)


def cut(value: int, came: int, bits: int, spi: Spi) -> int | None:
    """The burst of `bits` bits that the chip takes of one with more clocks; None where it rejects it."""
    if came == bits:
        return value
    if came < bits or spi.extra_clocks not in ("first_count", "last_count"):
        return None
    # the first bits on the wire are the upper ones, or the lower ones of a chip that sends those first
    upper = (spi.extra_clocks == "first_count") == spi.msb_first
    return value >> (came - bits) if upper else value & ((1 << bits) - 1)


def from_wire(data: bytes, bits: int, *, msb_first: bool = True) -> int:
    """The inverse of `wire_bytes`. Raises FrameError when there are too few bytes."""
    count = (bits + 7) // 8
    if len(data) != count:
        raise FrameError(f"{len(data)} bytes for a burst of {bits} bits", f"{count}")
    value = int.from_bytes(data, "big") >> (count * 8 - bits)
    return value if msb_first else reverse_bits(value, bits)
