"""What lies where in a stream of a daisy chain, and its bytes in C.

chain_pack, chain_unpack   words of all chips as the bytes of one chip select, and back
"""

from __future__ import annotations

from ..chip.model import Chain, Chip, Frame
from ..errors import CallError
from ..frames import chain as chains
from .bitcode import shifted
from .chainagain import ChainAgain
from .clearing import NAME, told_in_replies
from .frames import FrameNames, frame_type
from .names import word
from .sheet import Sheet
from .text import count, defines, number, wtype

Piece = tuple[
    int, int, int
]  # first bit of the round in the stream, bits of a piece, bits behind it


class Stream:
    """What lies where between two edges of chip select, of a daisy chain of `chips` chips whose frame is this one.

    `command_rounds` and `reply_rounds` are the pieces of every chip's word, `headers` the header words as (value, bits)
    with the count of chips in them, `commands` the header commands in the order of their bits, `lead` the clocks ahead.
    Raises CallError for a count that does not fit.
    """

    def __init__(self, chip: Chip, frame: Frame, chips: int) -> None:
        assert chip.chain is not None
        self.chain, self.length, self.chips = chip.chain, frame.length, chips
        self.command_rounds, self.reply_rounds = self._rounds()
        self.headers = self._headers()
        self.commands = list(dict.fromkeys(n for h in self.chain.headers for n in h.commands))
        self.bits = sum(h.length for h in self.chain.headers) + chips * self.length
        self.bytes = (self.bits + 7) // 8
        pad = 8 * self.bytes - self.bits
        self.lead = pad if chip.spi.extra_clocks == "last_count" else 0

    def _rounds(self) -> tuple[list[Piece], list[Piece]]:
        """Pieces of every chip's word as (first bit of the round in the stream, bits of a piece, bits behind it)."""
        ahead = sum(h.length for h in self.chain.headers)
        cut = self.chain.split if 0 < self.chain.split < self.length else self.length
        found: list[list[Piece]] = []
        for reply in (False, True):
            place = self.chain.reply_headers if reply else "start"
            at, left, rounds = ahead if place == "start" else 0, self.length, []
            while left:
                size = min(cut, left)
                left -= size
                rounds.append((at, size, left))
                at += self.chips * size
                if place == "between" and len(rounds) == 1:
                    at += ahead
            found.append(rounds)
        return found[0], found[1]

    def _headers(self) -> list[tuple[int, int]]:
        """Header words as (value, bits), the count of chips in them. Raises CallError."""
        stream, bits = chains.pack(self.chain, [(0, self.length)] * self.chips)
        left, made = bits, []
        for header in self.chain.headers:
            left -= header.length
            made.append(((stream >> left) & ((1 << header.length) - 1), header.length))
        return made

    def reply_headers(self) -> list[tuple[int, int, int, int]]:
        """Where each header stands in what comes back: (first bit, bits, those that count, what they are)."""
        if self.chain.reply_headers == "none":
            return []
        at = self.chips * self.reply_rounds[0][1] if self.chain.reply_headers == "between" else 0
        found = []
        for (value, bits), header in zip(self.headers, self.chain.headers, strict=True):
            mask = (1 << bits) - 1
            for bit in header.commands.values():
                mask &= ~(1 << bit)
            found.append((at, bits, mask, value & mask))
            at += bits
        return found


WAY_OUT = "Generate without the sections frames, init, verify and run"


def chainable(chip: Chip) -> Frame:
    """The one frame of a chip that can be chained here. Raises CallError for others."""
    if chip.chain is None:
        raise CallError(f"the map of {chip.name} says nothing of chains")
    frame, *others = chip.frames.values()
    if others or len(frame.bursts) > 1:
        raise CallError(
            f"{chip.name} has frames of several layouts or bursts; a daisy chain of such chips cannot be written in C. {WAY_OUT}"
        )
    if not chip.spi.msb_first:
        raise CallError(
            f"{chip.name} sends the least significant bit first; a daisy chain of such chips cannot be written in C. {WAY_OUT}"
        )
    return frame


class ChainStreams(ChainAgain):
    """Writes the streams of a chain of `chips` chips of one map."""

    def __init__(self, sheet: Sheet, item: FrameNames, chips: int) -> None:
        self.sheet, self.item, self.chips = sheet, item, chips
        assert sheet.chip.chain is not None
        self.chain: Chain = sheet.chip.chain
        self.length = item.frame.length
        self.frame = frame_type(sheet)
        self.wide = wtype(self.length)
        self.shape = Stream(sheet.chip, item.frame, chips)
        self.bits = self.shape.bits
        self.lenient = NAME in sheet.tables or bool(told_in_replies(sheet.chip))
        self.total = self.macro("BYTES")
        self.size = self.macro("CHIPS")

    def macro(self, name: str) -> str:
        return self.sheet.names.macro("CHAIN", name)

    def types(self) -> None:
        sheet = self.sheet
        kinds = self.shape.commands
        sheet.section(
            "daisy chain",
            [
                f"{self.chips} chips on one chip select, counted from the controller's data output. Each has a structure "
                "of its own, with all that a chip alone has; streams are those of all.",
                "One stream carries one frame of each: where a table waits, all wait.",
            ],
        )
        rows = [
            (self.size, count(self.chips), ""),
            (
                self.total,
                count(self.shape.bytes),
                f"{self.bits} bits between two edges of chip select",
            ),
        ]
        for at, name in enumerate(kinds):
            rows.append(
                (
                    self.sheet.names.macro(
                        "CHAIN_COMMAND", word(name), of=f"header command {name}"
                    ),
                    count(1 << at),
                    "to every chip, in a header",
                )
            )
        sheet.lines(*defines(rows))

    def streams(self) -> None:
        sheet, put = self.sheet, self.low("chain_put")
        lead = self.shape.lead
        sheet.hidden_function(
            f"void {put}(uint8_t *out, uint16_t at, {self.frame} value, uint8_t bits)",
            [
                "uint8_t left = bits;",
                "uint16_t spot = at;",
                "while (left > 0U) {",
                "    const unsigned int mask = 0x80U >> (spot & 7U);",
                "    left--;",
                f"    if (((({self.wide})value >> left) & 1U) != 0U) {{",
                "        out[spot >> 3U] = (uint8_t)(out[spot >> 3U] | mask);",
                "    } else {",
                "        out[spot >> 3U] = (uint8_t)(out[spot >> 3U] & (mask ^ 0xFFU));",
                "    }",
                "    spot++;",
                "}",
            ],
            "The low bits of a value into a stream, from its bit `at` on.",
        )
        take_ = self.low("chain_take")
        sheet.hidden_function(
            f"{self.frame} {take_}(const uint8_t *in, uint16_t at, uint8_t bits)",
            [
                f"{self.frame} value = 0U;",
                "uint8_t k;",
                "for (k = 0U; k < bits; k++) {",
                "    const uint16_t spot = (uint16_t)(at + k);",
                "    const unsigned int one = ((unsigned int)in[spot >> 3U] >> (7U - (spot & 7U))) & 1U;",
                f"    value = ({self.frame})((({self.wide})value << 1U) | one);",
                "}",
                "return value;",
            ],
            "Bits of a stream as a value.",
        )
        headers, commands = self.shape.headers, self.shape.commands
        lines = ["uint8_t k;", f"for (k = 0U; k < {self.total}; k++) {{", "    out[k] = 0U;", "}"]
        at = lead
        for (value, bits), header in zip(headers, self.chain.headers, strict=True):
            terms = [number(value, bits)]
            for index, name in enumerate(commands):
                if name in header.commands:
                    bit = header.commands[name]
                    terms.append(
                        f"(((commands & {count(1 << index)}) != 0U) ? {number(1 << bit, bits)} : 0U)"
                    )
            lines.append(
                f"{put}(out, {count(at)}, ({self.frame})({' | '.join(terms)}), {count(bits)});"
            )
            at += bits
        lines.append(f"for (k = 0U; k < {self.size}; k++) {{")
        lines.append(
            f"    const unsigned int place = {count(self.chips - 1)} - (unsigned int)k; /* the farthest first */"
        )
        for first, size, left in self.shape.command_rounds:
            part = f"({self.frame})(frames[k] >> {count(left)})" if left else "frames[k]"
            lines.append(
                f"    {put}(out, (uint16_t)({count(first + lead)} + (place * {count(size)})), {part}, {count(size)});"
            )
        lines.append("}")
        if not commands:
            lines.insert(1, "(void)commands;")
        sheet.function(
            f"void {self.low('chain_pack')}(const {self.frame} frames[{self.size}], uint8_t commands, uint8_t out[{self.total}])",
            lines,
            "The bytes of one stream from a command for each chip, by position; `commands` are CHAIN_COMMAND bits.",
        )
        lines = ["bool sound = true;", "uint8_t k;"]
        for at, bits, mask, value in self.shape.reply_headers():
            lines += [
                f"if (({take_}(in, {count(at)}, {count(bits)}) & {number(mask, bits)}) != {number(value, bits)}) {{",
                "    sound = false;",
                "}",
            ]
        lines.append(f"for (k = 0U; k < {self.size}; k++) {{")
        lines.append(f"    const unsigned int place = {count(self.chips - 1)} - (unsigned int)k;")
        lines.append("    frames[k] = 0U;")
        for first, size, left in self.shape.reply_rounds:
            piece = (
                f"{take_}(in, (uint16_t)({count(first)} + (place * {count(size)})), {count(size)})"
            )
            moved = shifted(f"({self.wide}){piece}", left) if left else piece
            lines.append(f"    frames[k] = ({self.frame})(frames[k] | {moved});")
        lines += ["}", "return sound;"]
        sheet.function(
            f"bool {self.low('chain_unpack')}(const uint8_t in[{self.total}], {self.frame} frames[{self.size}])",
            lines,
            "The reply of each chip, by position, from the bytes of one stream; false where a header is not as it must be.",
        )
