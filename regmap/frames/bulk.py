"""The numpy twin of `regmap.frames.codec`: whole arrays of words to parts, guards and registers at once.

Words are uint64 arrays of any one shape; every answer has that shape. A capture of a million frames
passes through here in a fraction of a second, and only what is new or flawed is looked at one by
one. Tests hold it to the answers of the codec and of the construct declarations.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from regmap.record import dataclass

from ..chip.bank import Bank, unknown
from ..chip.guard import Crc, parity_array
from ..chip.model import Bits, Chip, Frame, Layout, Part
from ..errors import CallError
from .recogniser import Recogniser
from .words import GUARDS, guard_value, guards_of

Words = NDArray[np.uint64]
Mask = NDArray[np.bool_]
Counts = NDArray[np.int32]

#: worse than every reading: the word is too wide
_NEVER = np.int32(1 << 14)
#: words that pass through the cache together
_AT_ONCE = 1 << 15
#: operation, page and address of so many bits are looked up in a table
_TABLE_BITS = 16

#: what `BulkCodec.kinds` says beside the indexes of commands
UNKNOWN, READ, WRITE, COMMAND = 0, 1, 2, 3


def _runs(bits: Bits) -> list[tuple[int, int]]:
    """(lowest bit, count) of the runs of adjacent bits, most significant first."""
    runs: list[tuple[int, int]] = []
    for bit in bits:
        if runs and runs[-1][0] == bit + 1:
            runs[-1] = (bit, runs[-1][1] + 1)
        else:
            runs.append((bit, 1))
    return runs


def _mask(count: int) -> np.uint64:
    mask: np.uint64 = np.uint64((1 << count) - 1)
    return mask


def _ones(words: Words) -> Counts:
    """How many bits of each word are 1."""
    total = np.zeros(words.shape, np.int32)
    left = words
    while left.any():
        total += (left & np.uint64(1)).astype(np.int32)
        left = left >> np.uint64(1)
    return total


def extract(words: Words, bits: Bits) -> Words:
    """The value that `bits` (most significant first) hold in each word."""
    value = np.zeros_like(words)
    for low, count in _runs(bits):
        piece = (words >> np.uint64(low)) & _mask(count)
        value = piece if count == 64 else value << np.uint64(count) | piece
    return value


def deposit(values: Words, bits: Bits) -> Words:
    """The words that hold `values` in `bits` and 0 elsewhere."""
    words = np.zeros_like(values)
    left = len(bits)
    for low, count in _runs(bits):
        left -= count
        words |= ((values >> np.uint64(left)) & _mask(count)) << np.uint64(low)
    return words


def guard_values(part: Part, words: Words, sent: Words | None = None) -> Words:
    """What a guard part must hold for the rest of each word, in replies to the commands `sent`."""
    if part.over_command:
        return _linear(part, words, np.zeros_like(words) if sent is None else sent)
    if part.kind == "parity":
        return parity_array(extract(words, part.over), part.even)
    crc = part.crc
    assert crc is not None
    prefix, prefix_bits = part.prefix
    if prefix_bits and crc.reflect_in and prefix_bits % 8:
        # groups of eight straddle prefix and word: no start value stands for the prefix alone
        flat = [guard_value(part, int(w)) for w in words.ravel()]
        return np.array(flat, dtype=np.uint64).reshape(words.shape)
    if prefix_bits:
        start = Crc(crc.width, crc.poly, crc.init, crc.reflect_in).over_int(prefix, prefix_bits)
        crc = Crc(
            crc.width,
            crc.poly,
            start,
            crc.reflect_in,
            crc.reflect_out,
            crc.xor_out,
            crc.flush,
            crc.flush_value,
        )
    return crc.over_array(extract(words, part.over), len(part.over))


def _linear(part: Part, words: Words, sent: Words) -> Words:
    """A guard over bits of two words: each check bit is the parity of some bits of both."""
    rest = guard_value(part, 0, 0)
    result = np.full(words.shape, rest, np.uint64)
    mine = {bit: guard_value(part, 1 << bit, 0) ^ rest for bit in part.over}
    theirs = {bit: guard_value(part, 0, 1 << bit) ^ rest for bit in part.over_command}
    for place in range(part.width):
        for columns, source in ((mine, words), (theirs, sent)):
            some = sum(1 << bit for bit, turns in columns.items() if turns >> place & 1)
            result ^= parity_array(source & np.uint64(some)) << np.uint64(place)
    return result


def split(layout: Layout, words: Words) -> dict[str, Words]:
    """Every part's values."""
    return {part.name: extract(words, part.bits) for part in layout.parts}


def build(
    layout: Layout, values: Mapping[str, Words], shape: tuple[int, ...] | None = None
) -> Words:
    """The words whose parts hold `values`; other parts and guards are filled in as by the codec.

    `shape` is needed only where no values are given. Raises CallError for a value that does not fit.
    """
    if shape is None:
        if not values:
            raise CallError("no values and no shape")
        shape = np.broadcast_shapes(*(v.shape for v in values.values()))
    words: Words = np.zeros(shape, dtype=np.uint64)
    known = {part.name for part in layout.parts}
    for name in values:
        if name not in known:
            raise CallError(f"the frame has no part {name!r}; it has {', '.join(sorted(known))}")
    for part in layout.parts:
        if part.kind in GUARDS:
            continue
        given = values.get(part.name)
        if given is None:
            rest = part.start if part.kind == "counter" else part.value
            if part.kind == "status":
                rest = 0 if part.active else (1 << part.width) - 1
            given = np.full(shape, rest, dtype=np.uint64)
        if part.width < 64 and bool((given >> np.uint64(part.width)).any()):
            raise CallError(f"a value does not fit part '{part.name}' of {part.width} bits")
        words = words | deposit(np.broadcast_to(given, shape).astype(np.uint64), part.bits)
    for part in guards_of(layout):
        given = values.get(part.name)
        value = guard_values(part, words) if given is None else given
        words = words | deposit(value, part.bits)
    return words


def guard_flaws(layout: Layout, words: Words, sent: Words | None = None) -> Counts:
    """How many check parts do not fit in each word; `sent` are the commands that replies answer.

    Without them, guards that cover the command are not looked at.
    """
    wrong = np.zeros(words.shape, dtype=np.int32)
    for part in layout.parts:
        if part.kind in GUARDS and not (part.over_command and sent is None):
            own = np.uint64(sum(1 << b for b in part.bits))
            wrong += extract(words, part.bits) != guard_values(part, words & ~own, sent)
    return wrong


def guards_ok(layout: Layout, words: Words) -> Mask:
    """Where every parity bit and checksum fits."""
    ok: Mask = guard_flaws(layout, words) == 0
    return ok


def flawless(layout: Layout, words: Words, sent: Words | None = None) -> Mask:
    """Where `codec.inspect` finds nothing: guards, fixed bits and operation codes; and the width."""
    ok: Mask = guard_flaws(layout, words, sent) == 0
    if layout.length < 64:
        ok &= words >> np.uint64(layout.length) == 0
    for part in layout.parts:
        if part.kind in ("fixed", "chip"):
            ok &= _meant(part, extract(words, part.bits))
        elif part.kind == "operation":
            codes = np.array(sorted(part.codes.values()), dtype=np.uint64)
            ok &= np.isin(extract(words, part.bits), codes)
    return ok


def _meant(part: Part, values: Words) -> Mask:
    """Where a fixed part, or one with a chip's address, holds what it must."""
    meant: Mask = values == np.uint64(part.value)
    for shared in part.shared:
        meant |= values == np.uint64(shared)
    return meant


@dataclass(frozen=True, slots=True)
class Seen:
    """What words are, as arrays of their shape.

    frame     index of the layout in the map's order, -1 where the length fits none
    kind      UNKNOWN, READ, WRITE, or COMMAND plus the index of a command in the map's order
    register  index of the register in the map's order, -1 for none
    flaws     how many: 0 where the word is sound
    doubt     how little the reading explains, as `Recogniser` ranks them: least is best
    """

    frame: Counts
    kind: Counts
    register: Counts
    flaws: Counts
    doubt: Counts


class BulkCodec:
    """`regmap.frames.recogniser` for arrays of command words: the same answers, many at a time."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.recogniser = Recogniser(chip)
        self.names: tuple[str, ...] = tuple(chip.registers)
        self._index = {name: i for i, name in enumerate(self.names)}
        self._order = {name: i for i, name in enumerate(chip.commands)}
        self._lookups: dict[tuple[str, int | None], Counts] = {}
        # the last one stands for no register: no data is too wide for it
        self._room = np.array([r.width for r in chip.registers.values()] + [64], np.uint64)

    def recognise(self, words: Words, bank: Bank | None = None, bits: int | None = None) -> Seen:
        """As `Recogniser.command`, of each word; `bits` are those that all of them have on the SPI."""
        bank = bank if bank is not None else Bank.at_reset(self.chip)
        page = self.recogniser.page(bank)
        flat = words.reshape(-1)
        frames = [
            f for f in self.recogniser.frames_possible(bank) if bits is None or bits == f.length
        ]
        result = Seen(*(np.full(flat.shape, v, np.int32) for v in (-1, UNKNOWN, -1, 1, _NEVER)))
        for first in range(0, len(flat), _AT_ONCE):
            some = slice(first, first + _AT_ONCE)
            for number, frame in enumerate(frames):
                seen = self.read(frame, flat[some], page)
                better = seen.doubt < result.doubt[some]
                for name in Seen.__slots__:
                    new, old = getattr(seen, name), getattr(result, name)[some]
                    old[...] = new if not number and better.all() else np.where(better, new, old)
        return Seen(*(getattr(result, n).reshape(words.shape) for n in Seen.__slots__))

    def read(self, frame: Frame, words: Words, page: int | None = None) -> Seen:
        """The words as ones of this layout."""
        layout = frame.command
        kind = self.kinds(frame, words)
        register = self.registers(frame, words, page, kind)
        flaws = guard_flaws(layout, words)
        wrong = np.zeros(words.shape, np.int32)
        for part in layout.parts:
            if part.kind in ("fixed", "chip"):
                bad = ~_meant(part, extract(words, part.bits))
            elif part.kind == "operation":
                known = np.zeros(1 << part.width, np.bool_)
                known[list(part.codes.values())] = True
                bad = ~known[extract(words, part.bits).astype(np.intp)]
            else:
                continue
            for command in self.chip.commands.values():
                if part.name in command.parts:
                    bad &= kind != COMMAND + self._order[command.name]
            flaws += bad
            if part.kind == "fixed" and part.width > 1:
                apart = extract(words, part.bits) ^ np.uint64(part.value)
                wrong += np.where(bad, _ones(apart), 0)
            elif part.kind == "fixed":
                wrong += bad
        access = (kind == READ) | (kind == WRITE)
        operation = layout.of_kind("operation")
        if operation is not None:
            # a code that the map names and that neither reads, writes nor is a command
            known = np.isin(extract(words, operation.bits), list(operation.codes.values()))
            flaws += known & ~access & (kind == UNKNOWN)
        strange = access & (register < 0) | (kind == UNKNOWN)
        foreign = np.array(
            [not self.recogniser.carries(frame, r) for r in self.chip.registers.values()] + [False]
        )
        if foreign.any():
            stray = foreign[register]
            flaws += stray
            strange |= stray
        data = layout.of_kind("data")
        if data is not None:
            room = np.minimum(self._room, np.uint64(63))[register]
            flaws += (kind == WRITE) & (extract(words, data.bits) >> room != 0) & (register >= 0)
        doubt = flaws + strange * np.int32(1 << 10)
        doubt += (wrong > 1) * np.int32(1 << 11)
        doubt += (flaws > 0) * np.int32(1 << 12)
        if layout.length < 64:
            doubt = np.where(words >> np.uint64(layout.length) != 0, _NEVER, doubt)
        place = list(self.chip.frames).index(frame.name)
        return Seen(np.full(words.shape, place, np.int32), kind, register, flaws, doubt)

    def kinds(self, frame: Frame, words: Words) -> Counts:
        """What each word asks, read as one of this layout (`Seen.kind`)."""
        layout = frame.command
        operation = layout.of_kind("operation")
        if operation is None:
            kinds = np.full(words.shape, WRITE if layout.of_kind("data") else READ, np.int32)
        else:
            table = np.full(1 << operation.width, UNKNOWN, np.int32)
            # of names with one code the first counts
            for name, code in reversed(list(operation.codes.items())):
                does = self.recogniser.kinds.get(name, "")
                table[code] = {"read": READ, "write": WRITE}.get(does, UNKNOWN)
            kinds = table[extract(words, operation.bits).astype(np.intp)]
        # what the codec would find first comes last here, so that it stays
        for command in reversed(self.recogniser.commands):
            if not self.recogniser.carries(frame, command):
                continue
            parts = [(layout.named(name), value) for name, value in command.parts.items()]
            if all(part is not None for part, _ in parts):
                hit = np.ones(words.shape, np.bool_)
                for part, value in parts:
                    assert part is not None
                    care = np.uint64(command.care.get(part.name, (1 << part.width) - 1))
                    hit &= (extract(words, part.bits) ^ np.uint64(value)) & care == 0
                kinds[hit] = COMMAND + self._order[command.name]
        return kinds

    def fields(self, register: str, words: Words) -> dict[str, Words]:
        """The code of each field of a register in an array of its words, as they were read.

        Raises CallError for a register that the map does not have.
        """
        if register not in self.chip.registers:
            raise unknown(self.chip, register)
        return {f.name: extract(words, f.bits) for f in self.chip.registers[register].fields}

    def registers(
        self, frame: Frame, words: Words, page: int | None = None, kinds: Counts | None = None
    ) -> Counts:
        """Index into `names` of the register each word is about, -1 where there is none.

        `page` is the page selected by a field, where frames do not carry it. Words that are no
        register access have -1; `kinds` are those of the words, if they are known already.
        """
        bits: Bits = ()
        for kind in ("operation", "page", "address"):
            part = frame.command.of_kind(kind)
            bits += part.bits if part is not None else ()
        keys = extract(words, bits)
        if len(bits) <= _TABLE_BITS:
            found = self._lookup(frame, page)[keys.astype(np.intp)]
        else:
            different, which = np.unique(keys, return_inverse=True)
            found = self._looked_up(frame, different, page)[which].reshape(words.shape)
        kinds = self.kinds(frame, words) if kinds is None else kinds
        return np.where((kinds == READ) | (kinds == WRITE), found, np.int32(-1))

    def _lookup(self, frame: Frame, page: int | None) -> Counts:
        """Register indexes by operation, page and address, side by side as one number."""
        table = self._lookups.get((frame.name, page))
        if table is None:
            bits = sum(
                part.width
                for kind in ("operation", "page", "address")
                if (part := frame.command.of_kind(kind)) is not None
            )
            table = self._looked_up(frame, np.arange(1 << bits, dtype=np.uint64), page)
            self._lookups[frame.name, page] = table
        return table

    def _looked_up(self, frame: Frame, keys: Words, page: int | None) -> Counts:
        layout = frame.command
        operation, pages, addresses = (
            layout.of_kind(kind) for kind in ("operation", "page", "address")
        )
        result = np.full(keys.shape, -1, np.int32)
        low = addresses.width if addresses is not None else 0
        high = low + (pages.width if pages is not None else 0)
        for (name, address), row in self.recogniser.places(frame).items():
            code = operation.codes.get(name or "", -1) if operation is not None else 0
            if code < 0 or (address or 0) >> low:
                continue
            hit = (keys >> np.uint64(high) == np.uint64(code)) & (
                keys & _mask(low) == np.uint64(address or 0)
            )
            # registers of no page are on every page, one that stands on the page itself before them
            # ... and of several the first in the row
            ordered = row[::-1]
            ordered.sort(key=lambda r: r.page is not None)
            for register in ordered:
                here = hit
                if register.page is not None and pages is not None:
                    here = hit & (keys >> np.uint64(low) & _mask(pages.width) == register.page)
                elif register.page is not None and register.page != page:
                    continue
                result[here] = self._index[register.name]
        return result


__all__ = [
    "COMMAND",
    "READ",
    "UNKNOWN",
    "WRITE",
    "BulkCodec",
    "Seen",
    "build",
    "deposit",
    "extract",
    "flawless",
    "guard_values",
    "guards_ok",
    "split",
]
