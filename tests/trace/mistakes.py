"""Wiring and framing mistakes for the edge-level model, with the names by which each may be told.

`names` are what a finding may be called (several where the lines look the same either way); `words` the same for
a log of words, None where such a log cannot show the mistake at all (then only silence is wrong, "" means that
the log is sound and nothing needs to be said).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from edgelevel import Bits, Mistake, Wave, renamed, word_of

from regmap.chip.guard import Crc
from regmap.chip.model import Chip, Part
from regmap.errors import CallError
from regmap.frames.words import guard_value, guards_of


@dataclass(frozen=True)
class Case:
    make: Callable[[Chip], Mistake | None]
    names: frozenset[str]
    words: frozenset[str] | None
    how: dict[str, Any] = field(default_factory=dict)
    quiet: bool = False  #: the log of words is sound


def one_of(*names: str) -> frozenset[str]:
    return frozenset(names)


def reverse_bytes(bits: Bits, _n: int, _d: random.Random) -> Bits:
    return [b for i in range(len(bits) - 8, -1, -8) for b in bits[i : i + 8]]


def shifted(count: int) -> Callable[[Bits, int, random.Random], Bits]:
    def change(bits: Bits, _n: int, _d: random.Random) -> Bits:
        if count > 0:
            return [0] * count + bits[:-count]
        return bits[-count:] + [0] * -count

    return change


def resealed(chip: Chip, seal: Callable[[Part, int, int], int | None]) -> Mistake | None:
    """Check bits of the command as firmware computes them: seal(part, word, right value)."""
    layout = chip.default_frame().command
    parts = guards_of(layout)
    if not parts:
        return None
    probe = [seal(p, 0x5A5A5A5A5A5A & ((1 << layout.length) - 1), 0) for p in parts]
    if all(v is None for v in probe):
        return None

    def change(bits: Bits, _n: int, _d: random.Random) -> Bits:
        word = word_of(bits)
        for part in parts:
            value = seal(part, word, guard_value(part, word))
            if value is None:
                continue
            for place, bit in enumerate(part.bits):
                word &= ~(1 << bit)
                word |= (value >> (len(part.bits) - 1 - place) & 1) << bit
        return [word >> (len(bits) - 1 - i) & 1 for i in range(len(bits))]

    return Mistake(firmware=change)


def other_crc(**change: int) -> Callable[[Part, int, int], int | None]:
    def seal(part: Part, word: int, right: int) -> int | None:
        del right
        if part.crc is None:
            return None
        own = part.crc
        values = {n: getattr(own, n) for n in ("width", "poly", "init", "reflect_in", "reflect_out", "xor_out", "flush", "flush_value")}  # fmt: skip
        for name, value in change.items():
            values[name] = value & ((1 << own.width) - 1) | (1 if name == "poly" else 0)
        try:
            crc = Crc(**values)
        except CallError:
            return None
        prefix, count = part.prefix
        fed = 0
        for bit in part.over:
            fed = fed << 1 | (word >> bit & 1)
        return crc.over_int(prefix << len(part.over) | fed, count + len(part.over))

    return seal


def flips(rate: float) -> Callable[[int, int, random.Random], int]:
    def change(bit: int, number: int, draw: random.Random) -> int:
        hit = random.Random(number * 7919 + 5).random() < rate
        if not hit or bit > 1:
            return bit
        return bit ^ (draw.random() < 0.12)

    return change


def from_frame(
    first: int, level: int, last: int = 10**9
) -> Callable[[int, int, random.Random], int]:
    return lambda bit, number, _d: level if first <= number < last else bit


def without(name: str) -> Callable[[dict[str, Wave]], dict[str, Wave]]:
    return lambda waves: {n: w for n, w in waves.items() if n != name}


def select_name(chip: Chip) -> str:
    return "ncs" if chip.spi.select_active_low else "cs"


def inverted(name: str) -> Callable[[dict[str, Wave]], dict[str, Wave]]:
    def flip(wave: Wave) -> Wave:
        swap = {0: 1, 1: 0, 2: 2}
        return Wave(swap[wave.level], [(t, swap[v]) for t, v in wave.moves])

    return lambda waves: {n: flip(w) if n == name else w for n, w in waves.items()}


def in_bytes(parts: list[Bits]) -> list[Bits]:
    whole = [b for p in parts for b in p]
    return [whole[i : i + 8] for i in range(0, len(whole), 8)]


def padded(head: int, tail: int) -> Callable[[list[Bits]], list[Bits]]:
    return lambda parts: [[0] * head + p + [0] * tail for p in parts]


def _plain(make: Callable[[], Mistake]) -> Callable[[Chip], Mistake | None]:
    return lambda _chip: make()


def _single(make: Callable[[], Mistake]) -> Callable[[Chip], Mistake | None]:
    """For chips of one burst only."""
    return lambda chip: make() if len(chip.default_frame().bursts) <= 1 else None


CASES: dict[str, Case] = {
    "other clock phase": Case(_plain(lambda: Mistake(mode=lambda m: m ^ 1)), one_of("mode"), one_of("mode", "shift", "rejected")),
    "other clock polarity": Case(_plain(lambda: Mistake(mode=lambda m: m ^ 2)), one_of("mode"), one_of("mode", "shift", "rejected")),
    "other phase and polarity": Case(_plain(lambda: Mistake(mode=lambda m: m ^ 3)), one_of("mode"), one_of("mode", "shift", "rejected")),
    "bit order": Case(_single(lambda: Mistake(firmware=lambda b, _n, _d: b[::-1])), one_of("order"), one_of("order")),
    "byte order": Case(_single(lambda: Mistake(firmware=reverse_bytes)), one_of("bytes"), one_of("bytes")),
    "command one clock late": Case(_single(lambda: Mistake(firmware=shifted(1))), one_of("shift", "mode"), one_of("shift", "mode")),
    "command one clock early": Case(_single(lambda: Mistake(firmware=shifted(-1))), one_of("shift", "mode"), one_of("shift", "mode")),
    "command two clocks late": Case(_single(lambda: Mistake(firmware=shifted(2))), one_of("shift"), one_of("shift")),
    "command three clocks early": Case(_single(lambda: Mistake(firmware=shifted(-3))), one_of("shift"), one_of("shift")),
    "reply one clock late": Case(_single(lambda: Mistake(late_reply=1)), one_of("shift", "mode"), one_of("shift", "mode")),
    "reply two clocks late": Case(_single(lambda: Mistake(late_reply=2)), one_of("shift"), one_of("shift")),
    "command inverted": Case(_plain(lambda: Mistake(to_chip=lambda b, _n, _d: b ^ 1)), one_of("inverted"), one_of("rejected")),
    "reply inverted": Case(_plain(lambda: Mistake(from_chip=lambda b, _n, _d: b ^ 1 if b < 2 else b)), one_of("inverted"), one_of("inverted")),
    "command stuck low": Case(_plain(lambda: Mistake(to_chip=lambda _b, _n, _d: 0)), one_of("command_stuck_low"), one_of("rejected")),
    "command stuck high": Case(_plain(lambda: Mistake(to_chip=lambda _b, _n, _d: 1)), one_of("command_stuck_high"), one_of("rejected")),
    "command floating": Case(_plain(lambda: Mistake(to_chip=lambda _b, _n, _d: 2)), one_of("command_floating"), one_of("rejected")),
    "reply stuck high": Case(_plain(lambda: Mistake(from_chip=lambda _b, _n, _d: 1)), one_of("stuck_high"), one_of("stuck_high")),
    "reply stuck low": Case(_plain(lambda: Mistake(from_chip=lambda _b, _n, _d: 0)), one_of("stuck_low"), one_of("stuck_low")),
    "reply floating": Case(_plain(lambda: Mistake(from_chip=lambda _b, _n, _d: 2)), one_of("floating"), one_of("stuck_low")),
    "echo": Case(_plain(lambda: Mistake(echo=0)), one_of("echo", "twice"), one_of("echo")),
    "echo half a clock late": Case(_plain(lambda: Mistake(echo=60)), one_of("echo", "twice"), one_of("echo")),
    "data probes swapped": Case(_plain(lambda: Mistake(probe=renamed(mosi="miso", miso="mosi"))), one_of("data_swapped"), None, quiet=True),
    "clock and select probes swapped": Case(lambda c: Mistake(probe=renamed(sclk=select_name(c), **{select_name(c): "sclk"})), one_of("clock_select_swapped", "lines"), None, quiet=True),
    "clock and data probes swapped": Case(_plain(lambda: Mistake(probe=renamed(sclk="mosi", mosi="sclk"))), one_of("lines", "clock_select_swapped"), None, quiet=True),
    "select inverted": Case(_plain(lambda: Mistake(select="inverted")), one_of("select_inverted", "floating"), one_of("stuck_low")),
    "select probe inverted": Case(lambda c: Mistake(probe=inverted(select_name(c))), one_of("select_inverted"), None, quiet=True),
    "select tied": Case(_plain(lambda: Mistake(select="low")), one_of("select_still"), None, quiet=True),
    "select never active": Case(_plain(lambda: Mistake(select="high")), one_of("select_still", "floating"), one_of("stuck_low")),
    "select not captured": Case(lambda c: Mistake(probe=without(select_name(c))), one_of("select_missing"), None, quiet=True),
    "one clock too many": Case(_single(lambda: Mistake(bursts=padded(0, 1))), one_of("clocks"), None, quiet=True),
    "one clock too few": Case(_single(lambda: Mistake(bursts=lambda p: [p[0][:-1]])), one_of("clocks"), None, quiet=True),
    "two frames in one select": Case(_single(lambda: Mistake(merge=2)), one_of("clocks"), one_of("clocks")),
    "select after each byte": Case(_single(lambda: Mistake(bursts=in_bytes)), one_of("clocks"), one_of("rejected")),
    "eight clocks too many after": Case(_single(lambda: Mistake(bursts=padded(0, 8))), one_of("clocks"), one_of("clocks")),
    "eight clocks too many before": Case(_single(lambda: Mistake(bursts=padded(8, 0))), one_of("clocks"), one_of("clocks")),
    "check bits complemented": Case(lambda c: resealed(c, lambda p, _w, r: r ^ ((1 << p.width) - 1)), one_of("check_bits"), one_of("check_bits")),
    "check bits zero": Case(lambda c: resealed(c, lambda _p, _w, _r: 0), one_of("check_bits"), one_of("check_bits")),
    "checksum of another start": Case(lambda c: resealed(c, other_crc(init=0)), one_of("check_bits"), one_of("check_bits")),
    "checksum of another polynomial": Case(lambda c: resealed(c, other_crc(poly=0x1D)), one_of("check_bits"), one_of("check_bits")),
    "checksum in reverse order": Case(lambda c: resealed(c, lambda p, _w, r: int(f"{r:0{p.width}b}"[::-1], 2) if p.width > 2 else None), one_of("check_bits"), one_of("check_bits")),
    "glitches on the clock": Case(_single(lambda: Mistake(glitch=lambda n, _d: n % 9 == 4)), one_of("runt", "clocks", "glitch"), None, quiet=True),
    "noise on replies": Case(_plain(lambda: Mistake(from_chip=flips(0.3))), one_of("glitch", "replies?"), one_of("glitch", "replies?")),
    "noise on commands": Case(_plain(lambda: Mistake(to_chip=flips(0.3))), one_of("glitch", "replies?"), None),
    "reply line dies high": Case(_plain(lambda: Mistake(from_chip=from_frame(22, 1))), one_of("dead"), one_of("dead")),
    "reply line dies low": Case(_plain(lambda: Mistake(from_chip=from_frame(22, 0))), one_of("dead"), one_of("dead")),
    "reply line open for a while": Case(_plain(lambda: Mistake(from_chip=from_frame(15, 1, 27))), one_of("silent", "dead"), one_of("silent", "dead")),
    "one probe on clock and data": Case(_plain(lambda: Mistake(probe=lambda w: {**w, "mosi": w["sclk"]})), one_of("twice"), None, quiet=True),
    "one probe on both data lines": Case(_plain(lambda: Mistake(probe=lambda w: {**w, "miso": w["mosi"]})), one_of("twice", "echo"), None, quiet=True),
    "read in a wrong mode": Case(_plain(Mistake), one_of("mode"), None, how={"mode": "other"}, quiet=True),
    "sampled too slowly": Case(_plain(lambda: Mistake(sample=230)), one_of("undersampled"), None, quiet=True),
    "another map": Case(_plain(Mistake), one_of("another_map"), one_of("another_map"), how={"map": "other"}),
}  # fmt: skip
