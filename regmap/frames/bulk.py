"""The numpy twin of `regmap.frames.codec`: whole arrays of words to parts, guards and registers at once.

Words are uint64 arrays of any one shape; every answer has that shape. A capture of a million frames
passes through here in a fraction of a second, and only what is new or flawed is looked at one by
one. Tests hold it to the answers of the codec and of the construct declarations.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from ..chip.bank import unknown
from ..chip.guard import Crc, parity_array
from ..chip.model import Bits, Chip, Frame, Layout, Part
from ..errors import CallError
from .codec import GUARDS, Codec, guard_value, guards_of

Words = NDArray[np.uint64]
Mask = NDArray[np.bool_]

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


def guard_values(part: Part, words: Words) -> Words:
    """What a guard part must hold for the rest of each word."""
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


def guards_ok(layout: Layout, words: Words) -> Mask:
    """Where every parity bit and checksum fits."""
    ok = np.ones(words.shape, dtype=np.bool_)
    for part in layout.parts:
        if part.kind in GUARDS:
            own = np.uint64(sum(1 << b for b in part.bits))
            ok &= extract(words, part.bits) == guard_values(part, words & ~own)
    return ok


def flawless(layout: Layout, words: Words) -> Mask:
    """Where `codec.inspect` finds nothing: guards, fixed bits and operation codes; and the width."""
    ok = guards_ok(layout, words)
    if layout.length < 64:
        ok &= words >> np.uint64(layout.length) == 0
    for part in layout.parts:
        if part.kind in ("fixed", "chip"):
            ok &= extract(words, part.bits) == np.uint64(part.value)
        elif part.kind == "operation":
            codes = np.array(sorted(part.codes.values()), dtype=np.uint64)
            ok &= np.isin(extract(words, part.bits), codes)
    return ok


class BulkCodec:
    """Arrays of commands of one chip: what each word asks, and of which register."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.codec = Codec(chip)
        self.names: tuple[str, ...] = tuple(chip.registers)
        self._index = {name: i for i, name in enumerate(self.names)}

    def kinds(self, frame: Frame, words: Words) -> NDArray[np.int32]:
        """UNKNOWN, READ, WRITE, or COMMAND plus the index of a command in the map's order."""
        kinds = np.full(words.shape, UNKNOWN, dtype=np.int32)
        parts = split(frame.command, words)
        operation = frame.command.of_kind("operation")
        if operation is None:
            kinds[...] = WRITE if frame.command.of_kind("data") else READ
        else:
            for name, kind in (("read", READ), ("write", WRITE)):
                if name in operation.codes:
                    kinds[parts[operation.name] == np.uint64(operation.codes[name])] = kind
        order = {name: i for i, name in enumerate(self.chip.commands)}
        # what the codec would find first comes last here, so that it stays
        ordered = list(self.chip.commands.values())[::-1]
        ordered.sort(key=lambda c: len(c.parts))
        for command in ordered:
            own = self.chip.frames[command.frame]
            if own is not frame and not (own is self.codec.usual and frame.when is not None):
                continue
            hit = np.ones(words.shape, dtype=np.bool_)
            for name, value in command.parts.items():
                if name not in parts:
                    hit[...] = False
                    break
                hit &= parts[name] == np.uint64(value)
            kinds[hit] = COMMAND + order[command.name]
        return kinds

    def fields(self, register: str, words: Words) -> dict[str, Words]:
        """The code of each field of a register in an array of its words, as they were read.

        Raises CallError for a register that the map does not have.
        """
        if register not in self.chip.registers:
            raise CallError(unknown(self.chip, register))
        return {f.name: extract(words, f.bits) for f in self.chip.registers[register].fields}

    def registers(
        self,
        frame: Frame,
        words: Words,
        page: int | None = None,
        kinds: NDArray[np.int32] | None = None,
    ) -> NDArray[np.int32]:
        """Index into `names` of the register each word addresses, -1 where there is none.

        `page` is the page selected by a field, where frames do not carry it. Words that are no
        register access have -1; `kinds` are those of the words, if they are known already.
        """
        address_part = frame.command.of_kind("address")
        if address_part is None:
            return np.full(words.shape, -1, dtype=np.int32)
        page_part = frame.command.of_kind("page")
        bits = (page_part.bits if page_part is not None else ()) + address_part.bits
        keys = extract(words, bits)
        if words.size >> len(bits):
            # fewer addresses than words: each address is looked for once
            every = np.arange(1 << len(bits), dtype=np.uint64)
            table = self._addressed(every, address_part.width, page_part is not None, page)
            result = table[keys.astype(np.intp)]
        else:
            result = self._addressed(keys, address_part.width, page_part is not None, page)
        kinds = self.kinds(frame, words) if kinds is None else kinds
        result[(kinds != READ) & (kinds != WRITE)] = -1
        return result

    def _addressed(
        self, keys: Words, width: int, paged: bool, page: int | None
    ) -> NDArray[np.int32]:
        """`registers` of addresses of `width` bits, the page above them if frames carry it."""
        result = np.full(keys.shape, -1, dtype=np.int32)
        addresses = keys & _mask(width)
        # registers of no page first: one that stands on the page itself has precedence
        for register in sorted(self.chip.registers.values(), key=lambda r: r.page is not None):
            hit = addresses == np.uint64(register.address)
            if register.page is not None:
                if paged:
                    hit &= keys >> np.uint64(width) == np.uint64(register.page)
                elif register.page != page:
                    continue
            result[hit] = self._index[register.name]
        return result


__all__ = [
    "COMMAND",
    "READ",
    "UNKNOWN",
    "WRITE",
    "BulkCodec",
    "build",
    "deposit",
    "extract",
    "flawless",
    "guard_values",
    "guards_ok",
    "split",
]
