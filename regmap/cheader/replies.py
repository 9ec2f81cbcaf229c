"""Replies in C: taken apart and checked, echoes compared; and both directions as bytes of the SPI."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..chip.model import Chip, Frame, Layout, Part, Spi
from .bitcode import put, take
from .framebase import FrameWriter, asks, word_type
from .names import word
from .text import bracket, comment, count, utype

#: parts of a reply that its structure does not show
UNSHOWN = ("fixed", "chip", "ignored", "parity", "crc")
#: what raises a fault that says: a frame was rejected
REJECTIONS = {"check_bits", "clocks", "counter", "operation", "address"}


def status_error(chip: Chip, part: Part) -> str:
    """What an error a status bit of a reply stands for: REJECTED, RESET (which is none), or "" where it says neither."""
    fault = chip.faults.get(part.fault)
    if part.kind != "status" or fault is None or part.width != 1:
        return ""
    if set(fault.raised_by) & REJECTIONS:
        return "REJECTED"
    return "RESET" if fault.normal_at_power_up else ""


def counter_of(frame: Frame) -> tuple[tuple[int, ...], int]:
    """Bits and step of the counter that every reply of a frame has alike; no bits where there is none."""
    found = {
        (p.bits, p.step)
        for layout in frame.replies.values()
        for p in layout.parts
        if p.kind == "counter"
    }
    every = all(x.of_kind("counter") is not None for x in frame.replies.values())
    return found.pop() if len(found) == 1 and every else ((), 0)


def told_apart(frame: Frame, kinds: Mapping[str, str]) -> dict[int, str] | None:
    """The reply layout's key for each operation code, where that code decides; None where it does not.

    `kinds` are what registers call the codes that read and write them. A code that is not in it has the layout of any reply.
    """
    operation = frame.command.of_kind("operation")
    codes = operation.codes if operation is not None else {}
    # the layout of a code's own name, else that of what it does
    keys = {c: k for c in codes for k in (kinds.get(c, ""), c) if k in frame.replies}
    if not keys or not set(frame.replies) - set(keys.values()) <= {"any"}:
        return None
    found: dict[int, str] = {}
    for name, key in keys.items():
        found.setdefault(codes[name], key)
    return found


class ReplyWriter(FrameWriter):
    """Everything that takes a reply apart."""

    def replies(self) -> str:
        done: dict[str, tuple[str, ...]] = {}
        for kind, layout in self.frame.replies.items():
            done[kind] = ("reply",) if kind == "any" else (word(kind).lower(), "reply")
            self.reply(kind, layout, done[kind])
        answer = self.frame.reply_to("read")
        if answer is None or answer.of_kind("data") is None:
            return ""
        return self._data_routine(answer, done["read" if "read" in done else "any"])

    def reply(self, kind: str, layout: Layout, pieces: tuple[str, ...]) -> None:
        sheet = self.sheet
        guard = self.guarded(
            layout,
            self.name(*pieces, "with_check_bits"),
            "The reply with its check bits computed anew.",
            hidden=True,
        )
        parts = [p for p in layout.parts if p.kind not in UNSHOWN]
        lines = self.errors(layout, guard)
        struct = self.name(*pieces, "t")
        if parts:
            taken: set[str] = set()
            sheet.lines("", "typedef struct {")
            for part in parts:
                item = sheet.names.member(part.name, taken)
                about = part.summary or {
                    "data": "the register's word",
                    "echo": f"repeats {part.of}",
                }.get(part.kind, "")
                note = f"  /* {comment(about)} */" if about else ""
                if part.kind == "status" and part.width == 1:
                    sheet.lines(f"    bool {item};{note}")
                    bit = take("frame", part.bits, self.bits)
                    compare = "!=" if part.active else "=="
                    lines.append(f"parts->{item} = {bracket(bit)} {compare} 0U;")
                else:
                    sheet.lines(f"    {utype(part.width)} {item};{note}")
                    value = bracket(take("frame", part.bits, self.bits))
                    lines.append(f"parts->{item} = ({utype(part.width)}){value};")
            sheet.lines(f"}} {struct};")
        what = "any command" if kind == "any" else kind
        echoes = [p for p in layout.parts if p.kind == "echo"]
        unpack = self.name(*pieces, "unpack")
        if len(lines) == 1:
            lines = ["(void)frame;", "uint8_t errors = 0U;"]
        target = f", {struct} *parts" if parts else ""
        both = f"{self.kind} sent, " if asks(layout) else ""
        sheet.function(
            f"uint8_t {unpack}({both}{self.kind} frame{target})",
            [*lines, "return errors;"],
            f"The parts of a reply to {what}, and what is wrong with it (FRAME_ERROR bits); 0: nothing.",
        )
        if echoes:
            tests = []
            for part in echoes:
                source = self.frame.command.named(part.of)
                assert source is not None  # the loader has seen to it
                tests.append(
                    f"({bracket(take('sent', source.bits, self.bits))} != {bracket(take('frame', part.bits, self.bits))})"
                )
            sheet.inline(
                f"uint8_t {self.name(*pieces, 'echo')}({self.kind} sent, {self.kind} frame)",
                [f"return ({' || '.join(tests)}) ? {self.error('ECHO')} : 0U;"],
                "FRAME_ERROR_ECHO where the reply does not repeat what the command sent.",
            )

    def _data_routine(self, layout: Layout, pieces: tuple[str, ...]) -> str:
        """`(sent, frame, *data) -> errors`: what a runner needs of the reply to a read."""
        part = layout.of_kind("data")
        assert part is not None
        name = self.name("reply_data")
        unpack, struct = self.name(*pieces, "unpack"), self.name(*pieces, "t")
        both = "sent, " if asks(layout) else ""
        lines = [f"{struct} parts;", f"uint8_t errors = {unpack}({both}frame, &parts);"]
        if any(p.kind == "echo" for p in layout.parts):
            lines.append(f"errors |= {self.name(*pieces, 'echo')}(sent, frame);")
        elif not both:
            lines.append("(void)sent;")
        member = self.sheet.names.member(part.name, set())
        lines += [f"*data = ({word_type(self.sheet)})parts.{member};", "return errors;"]
        self.sheet.inline(
            f"uint8_t {name}({self.kind} sent, {self.kind} frame, {word_type(self.sheet)} *data)",
            lines,
            "The register word in the reply to a read, and what is wrong with that reply.",
        )
        return name

    def reply_errors(self) -> str:
        """`reply_errors(sent, frame)` of a reply to whatever was sent; "" where there are no replies."""
        layouts = self.frame.replies
        if not layouts:
            return ""
        name = self.name("reply_errors")
        operation = self.frame.command.of_kind("operation")
        told = told_apart(self.frame, self.sheet.recogniser.kinds)
        if operation is not None and told is not None:
            # the operation code decides
            code = bracket(take("sent", operation.bits, self.bits))
            lines = ["uint8_t errors = 0U;", f"switch ((unsigned int){code}) {{"]
            for number_, key in told.items():
                lines += [
                    f"case {count(number_)}:",
                    *self._errors(key, layouts[key], "errors"),
                    "    break;",
                ]
            lines.append("default:")
            if "any" in layouts:
                lines += self._errors("any", layouts["any"], "errors")
            lines += ["    break;", "}", "return errors;"]
        else:
            # several that only the chip's state tells apart: one of them must fit
            items = list(layouts.items())
            lines = ["uint8_t errors = 0U;", *_out(self._errors(*items[0], "errors"))]
            if len(items) > 1:
                lines.insert(1, "uint8_t other = 0U;")
            for key, layout in items[1:]:
                lines += ["if ((errors & 0x3FU) != 0U) {", *self._errors(key, layout, "other")]
                lines += [
                    "    if ((other & 0x3FU) < (errors & 0x3FU)) {",
                    "        errors = other;",
                    "    }",
                    "}",
                ]
            lines.append("return errors;")
        lines[-1:-1] = self._unanswered()
        text = "\n".join(lines)
        if "sent" not in text:
            lines.insert(1, "(void)sent;")
        if "frame" not in text:
            lines.insert(1, "(void)frame;")
        self.sheet.function(
            f"uint8_t {name}({self.kind} sent, {self.kind} frame)",
            lines,
            "What is wrong with the reply to a command (FRAME_ERROR bits), as far as the map tells; RESET is none: it tells that the chip was reset.",
        )
        return name

    def _unanswered(self) -> list[str]:
        """Lines for commands to an address that every chip takes and none replies to."""
        lines: list[str] = []
        for part in self.frame.command.parts:
            for address in part.shared:
                code = bracket(take("sent", part.bits, self.bits))
                lines += [
                    f"if ({code} == {count(address)}) {{",
                    "    errors = 0U; /* nobody replies */",
                    "}",
                ]
        return lines

    def _errors(self, key: str, layout: Layout, target: str) -> list[str]:
        """Lines that put the errors of a reply of this layout into `target`."""
        pieces = ("reply",) if key == "any" else (word(key).lower(), "reply")
        unpack, struct = self.name(*pieces, "unpack"), self.name(*pieces, "t")
        shown = any(p.kind not in UNSHOWN for p in layout.parts)
        both = "sent, " if asks(layout) else ""
        lines = ["{"]
        if shown:
            lines.append(f"    {struct} parts;")
        lines.append(f"    {target} = {unpack}({both}frame{', &parts' if shown else ''});")
        if any(p.kind == "echo" for p in layout.parts):
            lines.append(f"    {target} |= {self.name(*pieces, 'echo')}(sent, frame);")
        taken: set[str] = set()
        for part in layout.parts:
            if part.kind in UNSHOWN:
                continue
            item = self.sheet.names.member(part.name, taken)
            error = status_error(self.sheet.chip, part)
            if error:
                lines += [
                    f"    if (parts.{item}) {{",
                    f"        {target} |= {self.error(error)};",
                    "    }",
                ]
        if shown and len(lines) == 3 + any(p.kind == "echo" for p in layout.parts):
            lines.append("    (void)parts;")
        return [f"    {line}" for line in [*lines, "}"]]

    def reply_counter(self) -> tuple[str, int, int]:
        """An expression for the counter of `reply`, its step and width; "" where not every reply has the same."""
        bits, step = counter_of(self.frame)
        if not bits:
            return "", 0, 0
        return bracket(take("reply", bits, self.bits)), step, len(bits)


def _out(lines: list[str]) -> list[str]:
    """Lines one level further left."""
    return [line.removeprefix("    ") for line in lines]


class ByteWriter(FrameWriter):
    """A frame as the bytes of its chip-select bursts, and back."""

    def bytes(self) -> None:
        frame, sheet = self.frame, self.sheet
        out, back = [], []
        for at, found in enumerate(byte_orders(sheet.chip.spi, frame.bursts, frame.length)):
            order, pad, back_order, back_pad = found
            if not sheet.chip.spi.msb_first:
                out.append(f"out[{at}] = {self._turned_out(order, pad) if order else '0U'};")
                if back_order:
                    back.append(f"frame |= {self._turned_in(at, back_order, back_pad)};")
                continue
            value = bracket(take("frame", order, self.bits, 8)) if order else "0U"
            out.append(f"out[{at}] = (uint8_t){f'({value} << {count(pad)})' if pad else value};")
            byte = f"((unsigned int)in[{at}] >> {count(back_pad)})" if back_pad else f"in[{at}]"
            if back_order:
                back.append(f"frame |= {put(byte, back_order, self.bits)};")
        size = self.macro("BYTES")
        note = (
            f"; bursts of {', '.join(map(str, frame.bursts))} bits" if len(frame.bursts) > 1 else ""
        )
        sheet.function(
            f"void {self.name('to_bytes')}({self.kind} frame, uint8_t out[{size}])",
            out,
            f"The frame as the bytes of the SPI, first bit in bit 7 of the first{note}.",
        )
        sheet.function(
            f"{self.kind} {self.name('from_bytes')}(const uint8_t in[{size}])",
            [f"{self.wide} frame = 0U;", *back, f"return ({self.kind})frame;"],
            "The frame of the bytes of the SPI.",
        )
        if len(frame.bursts) > 1:
            table = self.name("bursts")
            rows = ["    " + ", ".join(f"{count((b + 7) // 8)}" for b in frame.bursts) + ","]
            sheet.table(
                "uint8_t", table, rows, self.macro("BURSTS"), "Bytes of each chip-select burst."
            )

    # Least significant bit first: a byte is cut out whole and turned round. Bit by bit in the frame's width one
    # compiler for small parts (sdcc 4.2, stm8) loses its stack.
    def _turned_out(self, order: tuple[int, ...], pad: int) -> str:
        """The byte that sends these bits, the lowest first, before `pad` clocks."""
        piece = take("frame", tuple(reversed(order)), self.bits, 8)
        return self._turned(piece, 8 - len(order) - pad)

    def _turned_in(self, at: int, order: tuple[int, ...], pad: int) -> str:
        """What a byte that came has for these bits, the lowest first, before `pad` clocks."""
        byte = self._turned(f"in[{at}]", 8 - len(order) - pad)
        return put(byte, tuple(reversed(order)), self.bits)

    def _turned(self, byte: str, past: int) -> str:
        turned = f"{self.guards.reverse()}((uint8_t){byte})"
        return f"(uint8_t)((unsigned int){turned} >> {count(past)})" if past else turned


def byte_orders(
    spi: Spi, bursts: Sequence[int], length: int
) -> list[tuple[tuple[int, ...], int, tuple[int, ...], int]]:
    """For each byte on the SPI: the frame's bits that it sends and the clocks after them, the same of a reply.

    A reply comes with the first clocks; a command is padded to whole bytes at its end too, or before
    it where of more clocks the last count.
    """
    lead = spi.extra_clocks == "last_count"
    found = []
    left = length
    for bits in bursts:
        left -= bits
        whole = (bits + 7) // 8
        for index in range(whole):
            each = []
            for first in (lead * (8 * whole - bits), 0):
                spots = [index * 8 + k - first for k in range(8)]
                order = tuple(
                    left + (bits - 1 - n if spi.msb_first else n) for n in spots if 0 <= n < bits
                )
                each.append((order, sum(n >= bits for n in spots)))
            found.append((*each[0], *each[1]))
    return found
