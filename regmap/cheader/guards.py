"""Parity and CRC in C, specialised for each check of a frame.

A CRC runs most significant bit first in a register of at least eight bits, kept left-aligned, as
`regmap.chip.guard` does: one table then serves every width from 3 to 32, and a rest of r < 8 bits uses
its first 2**r entries. What is constant (prefix bits that fill whole groups) is folded into the
start value here, not in the controller.
"""

from __future__ import annotations

from ..chip.guard import Crc, _table, reverse_bits
from ..chip.model import Part
from ..errors import CallError
from .bitcode import shifted, take
from .sheet import Sheet
from .text import count, number, storage, utype, wtype


class Guards:
    """Writes each routine once and returns expressions that call it."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self._crc: dict[tuple[Crc, int, int], str] = {}
        self._engines: dict[tuple[int, int], str] = {}
        self._parity: dict[tuple[int, bool], str] = {}
        self._reverse8 = ""

    def expression(self, part: Part, word: str, word_bits: int) -> str:
        """The value of a check over `word`, an expression of `wtype(word_bits)`, and over `sent`, of as many

        bits, where the check covers the answered command too. Raises CallError.
        """
        if part.kind == "parity":
            return self._parity_of(part, word, word_bits)
        return self._crc_of(part, word, word_bits)

    # --- parity ---------------------------------------------------------------------------------
    def _parity_of(self, part: Part, word: str, word_bits: int) -> str:
        mask = 0
        for bit in part.over:
            mask ^= 1 << bit
        bits = max(storage(word_bits), 16)
        name = self._parity.get((bits, part.even))
        if name is None:
            name = self.sheet.names.lower(f"parity{bits}" if part.even else f"parity{bits}_odd")
            self._parity[bits, part.even] = name
            kind = utype(bits)
            # folded in 16 bits at the end: wider folding into a table of sixteen bits is lost by one
            # compiler for small parts (sdcc 4.2, stm8)
            half = " ^ ".join(["bits", *(f"(bits >> {count(n)})" for n in range(16, bits, 16))])
            if bits > 16:
                half = f"({half}) & 0xFFFFU"
            lines = [f"unsigned int folded = (unsigned int)({half});"]
            lines += [f"folded ^= folded >> {count(n)};" for n in (8, 4, 2, 1)]
            lines.append(f"return (uint8_t)({'folded' if part.even else '(folded ^ 1U)'} & 1U);")
            self.sheet.hidden_function(
                f"uint8_t {name}({kind} bits)",
                lines,
                f"The bit that makes the number of ones {'even' if part.even else 'odd'}.",
            )
        masked = f"({wtype(word_bits)}){word} & {number(mask, word_bits)}"
        if part.over_command:
            # the parity of both is that of their sum without carry
            asked = 0
            for bit in part.over_command:
                asked ^= 1 << bit
            masked = f"({masked}) ^ (({wtype(word_bits)})sent & {number(asked, word_bits)})"
        masked = f"({utype(bits)})({masked})"
        return f"{name}({masked})"

    # --- CRC ------------------------------------------------------------------------------------
    def _crc_of(self, part: Part, word: str, word_bits: int) -> str:
        assert part.crc is not None
        crc, (prefix, prefix_bits) = part.crc, part.prefix
        init, stream = crc.init, [("sent", b) for b in part.over_command]
        stream += [(word, b) for b in part.over]
        if prefix_bits and (not crc.reflect_in or prefix_bits % 8 == 0):
            init = _after(crc, prefix, prefix_bits)
        elif prefix_bits:
            fixed = [("", prefix >> n & 1) for n in range(prefix_bits - 1, -1, -1)]
            stream = fixed + stream
        fed_bits = len(stream)
        if fed_bits > 128:
            raise CallError(
                f"part '{part.name}' feeds its checksum with {fed_bits} bits (prefix of {prefix_bits}); in C at most 128 "
                "are supported. Leave out the section 'frames'"
            )
        key = (crc, init, fed_bits)
        name = self._crc.get(key)
        if name is None:
            name = self._routine(crc, init, fed_bits)
            self._crc[key] = name
        head = _head(fed_bits)
        pieces = [stream[:head], stream[head:]] if head else [stream]
        args = (f"({utype(len(p))}){_gathered(p, word_bits)}" for p in pieces)
        return f"{name}({', '.join(args)})"

    def _routine(self, crc: Crc, init: int, fed_bits: int) -> str:
        names = self.sheet.names
        step = self._engine(crc)
        index = len(self._crc)
        name = names.lower(f"crc{crc.width}" + (f"_{index + 1}" if index else ""))
        size = max(crc.width, 8)
        kind, wide = utype(size), wtype(size)
        head = _head(fed_bits)
        start = init << (size - crc.width)
        lines = [f"{kind} reg = {number(start, size)};"]
        left = fed_bits
        reverse = self.reverse() if crc.reflect_in else ""
        while left > 0:
            n = min(left, 8)
            left -= n
            source, rest = (
                ("head", left - (fed_bits - head)) if left >= fed_bits - head else ("fed", left)
            )
            size_of = wtype(head if source == "head" else fed_bits - head)
            group = f"(({size_of}){source}{f' >> {count(rest)}' if rest else ''})"
            group = f"(uint8_t)({group} & {number((1 << n) - 1, 8)})"
            if reverse:
                group = f"{reverse}({group})"
                if n < 8:
                    group = f"(uint8_t)((unsigned int){group} >> {count(8 - n)})"
            lines.append(f"reg = {step}(reg, {group}, {count(n)});")
        for n in [8] * (crc.flush // 8) + [crc.flush % 8]:
            if n:
                bits = (1 << n) - 1 if crc.flush_value else 0
                lines.append(f"reg = {step}(reg, {number(bits, 8)}, {count(n)});")
        value = "reg"
        if size > crc.width:
            lines.append(f"reg = ({kind})(({wide})reg >> {count(size - crc.width)});")
        if crc.reflect_out:
            lines = [
                f"{kind} out = 0U;",
                "uint8_t i;",
                *lines,
                f"for (i = 0U; i < {count(crc.width)}; i++) {{",
                f"    out = ({kind})((({wide})out << 1U) | (({wide})reg & 1U));",
                f"    reg = ({kind})(({wide})reg >> 1U);",
                "}",
            ]
            value = "out"
        if crc.xor_out:
            value = f"(({wide}){value} ^ {number(crc.xor_out, crc.width)})"
        lines.append(f"return ({kind}){value};")
        about = f"CRC of {crc.width} bits, polynomial 0x{crc.poly:X}, over {fed_bits} bits"
        if init != crc.init:
            about += "; the prefix is in the start value"
        first = f"{utype(head)} head, " if head else ""
        signature = f"{kind} {name}({first}{utype(fed_bits - head)} fed)"
        self.sheet.hidden_function(signature, lines, f"{about}.")
        return name

    def _engine(self, crc: Crc) -> str:
        """The routine that feeds n <= 8 bits, by table or bit by bit."""
        key = (crc.width, crc.poly)
        if key in self._engines:
            return self._engines[key]
        sheet, names = self.sheet, self.sheet.names
        stem = f"crc{crc.width}" + (f"_{len(self._engines) + 1}" if self._engines else "")
        size = max(crc.width, 8)
        kind, wide = utype(size), wtype(size)
        mask = number((1 << size) - 1, size)
        name = names.lower(f"{stem}_feed")
        signature = f"{kind} {name}({kind} reg, uint8_t bits, uint8_t n)"
        if sheet.options.crc == "table":
            table = names.lower(f"{stem}_table")
            entries = [number(v, size) for v in _table(crc.width, crc.poly)]
            per_line = 8 if size <= 16 else 6
            rows = [
                "    " + ", ".join(entries[i : i + per_line]) + ","
                for i in range(0, len(entries), per_line)
            ]
            sheet.hidden_table(kind, table, rows, 256)
            lines = [
                f"const uint8_t rest = (uint8_t)({count(size)} - n);",
                f"{wide} index = ({wide})reg >> rest;",
                f"{kind} entry = 0U;",
                f"index = (index ^ ({wide})bits) & 0xFFU;",
                sheet.fetch("entry", f"{table}[index]"),
                f"return ({kind})(((({wide})reg << n) & {mask}) ^ entry);",
            ]
            about = "Feeds n bits, at most 8, by table."
        else:
            aligned = crc.poly << (size - crc.width)
            lines = [
                f"const uint8_t rest = (uint8_t)({count(size)} - n);",
                f"{wide} shifted = ({wide})reg ^ (({wide})bits << rest);",
                "uint8_t i;",
                "for (i = 0U; i < n; i++) {",
                f"    const {wide} out = shifted & {number(1 << (size - 1), size)};",
                "    shifted <<= 1U;",
                "    if (out != 0U) {",
                f"        shifted ^= {number(aligned, size)};",
                "    }",
                "}",
                f"return ({kind})(shifted & {mask});",
            ]
            about = "Feeds n bits, at most 8, one at a time."
        sheet.hidden_function(signature, lines, about)
        self._engines[key] = name
        return name

    def reverse(self) -> str:
        """The routine that turns the bits of a byte round, written at the first call."""
        if not self._reverse8:
            self._reverse8 = self.sheet.names.lower("reverse8")
            self.sheet.hidden_function(
                f"uint8_t {self._reverse8}(uint8_t bits)",
                [
                    "unsigned int x = bits;",
                    "x = ((x >> 4U) & 0x0FU) | ((x << 4U) & 0xF0U);",
                    "x = ((x >> 2U) & 0x33U) | ((x << 2U) & 0xCCU);",
                    "x = ((x >> 1U) & 0x55U) | ((x << 1U) & 0xAAU);",
                    "return (uint8_t)x;",
                ],
                "The bits of a byte in the opposite order.",
            )
        return self._reverse8


def _head(fed_bits: int) -> int:
    """How many bits go ahead of the last 64 at most: whole groups of eight, 0 where all fit."""
    return -(-(fed_bits - 64) // 8) * 8 if fed_bits > 64 else 0


def _gathered(stream: list[tuple[str, int]], word_bits: int) -> str:
    """An expression of the bits of a stream: constants ("", 0 or 1) first, then (word, its bit)."""
    bits = len(stream)
    terms, constant, left = [], 0, bits
    for word in dict.fromkeys(w for w, _ in stream):
        own = tuple(b for w, b in stream if w == word)
        left -= len(own)
        if not word:
            constant = int("".join(map(str, own)), 2) << left
            continue
        term = take(word, own, word_bits, bits)
        terms.append(shifted(term, left))
    if constant:
        terms.append(number(constant))
    return terms[0] if len(terms) == 1 else f"({' | '.join(terms)})"


def _after(crc: Crc, prefix: int, prefix_bits: int) -> int:
    """The register after the prefix: a plain CRC of it without reflection, flush or final xor."""
    if crc.reflect_in:
        prefix = int.from_bytes(
            bytes(reverse_bits(b, 8) for b in prefix.to_bytes(prefix_bits // 8, "big")), "big"
        )
    return Crc(width=crc.width, poly=crc.poly, init=crc.init).over_int(prefix, prefix_bits)
