"""Parity and CRC in C, specialised for each check of a frame.

A CRC runs most significant bit first in a register of at least eight bits, kept left-aligned, as
`regmap.chip.guard` does: one table then serves every width from 3 to 32, and a rest of r < 8 bits uses
its first 2**r entries. What is constant (prefix bits that fill whole groups) is folded into the
start value here, not in the controller.
"""

from __future__ import annotations

from ..chip.guard import Crc, _table
from ..chip.model import Part
from ..errors import CallError
from .bitcode import take
from .sheet import Sheet
from .text import count, number, storage, utype, wtype


class Guards:
    """Writes each routine once and returns expressions that call it."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self._crc: dict[tuple[Crc, int, int, int], str] = {}
        self._engines: dict[tuple[int, int], str] = {}
        self._parity: dict[tuple[int, bool], str] = {}
        self._reverse8 = ""

    def expression(self, part: Part, word: str, word_bits: int) -> str:
        """The value of a check over `word`, an expression of `wtype(word_bits)`. Raises CallError."""
        if part.over_command:
            raise CallError(
                f"part '{part.name}' covers the answered command too, which C code does not support. "
                "Leave out the section 'frames'"
            )
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
        masked = f"({utype(bits)})(({wtype(word_bits)}){word} & {number(mask, word_bits)})"
        return f"{name}({masked})"

    # --- CRC ------------------------------------------------------------------------------------
    def _crc_of(self, part: Part, word: str, word_bits: int) -> str:
        assert part.crc is not None
        crc, (prefix, prefix_bits) = part.crc, part.prefix
        init, fed_bits, constant = crc.init, len(part.over), 0
        if prefix_bits and (not crc.reflect_in or prefix_bits % 8 == 0):
            init = _after(crc, prefix, prefix_bits)
        elif prefix_bits:
            constant = prefix << fed_bits
            fed_bits += prefix_bits
        if fed_bits > 64:
            raise CallError(
                f"part '{part.name}' feeds its checksum with {fed_bits} bits (prefix of {prefix_bits}, reversed in "
                "groups of eight); in C at most 64 are supported. Leave out the section 'frames'"
            )
        key = (crc, init, fed_bits, constant)
        name = self._crc.get(key)
        if name is None:
            name = self._routine(crc, init, fed_bits)
            self._crc[key] = name
        fed = take(word, part.over, word_bits, fed_bits)
        if constant:
            fed = f"({fed} | {number(constant)})"
        return f"{name}(({utype(fed_bits)}){fed})"

    def _routine(self, crc: Crc, init: int, fed_bits: int) -> str:
        names = self.sheet.names
        step = self._engine(crc)
        index = len(self._crc)
        name = names.lower(f"crc{crc.width}" + (f"_{index + 1}" if index else ""))
        size = max(crc.width, 8)
        kind, wide = utype(size), wtype(size)
        fed_kind = wtype(fed_bits)
        start = init << (size - crc.width)
        lines = [f"{kind} reg = {number(start, size)};"]
        left = fed_bits
        reverse = self._reverse() if crc.reflect_in else ""
        while left > 0:
            n = min(left, 8)
            left -= n
            group = f"(({fed_kind})fed{f' >> {count(left)}' if left else ''})"
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
        self.sheet.hidden_function(f"{kind} {name}({utype(fed_bits)} fed)", lines, f"{about}.")
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

    def _reverse(self) -> str:
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


def _after(crc: Crc, prefix: int, prefix_bits: int) -> int:
    """The register after the prefix: a plain CRC of it without reflection, flush or final xor."""
    from ..chip.guard import reverse_bits

    if crc.reflect_in:
        prefix = int.from_bytes(
            bytes(reverse_bits(b, 8) for b in prefix.to_bytes(prefix_bits // 8, "big")), "big"
        )
    return Crc(width=crc.width, poly=crc.poly, init=crc.init).over_int(prefix, prefix_bits)
