"""Frames in C: pack a command, take a reply apart, check both, turn a frame into bytes of the bus.

For every frame of the map:

    pack(parts...)      a command from all its free parts, guard included
    read, write         the two commands that every register needs
    seal(frame)         guards computed anew, counters set: for frames kept ready in tables
    check(frame)        what is wrong with a command: 0 where nothing is
    reply_unpack        the parts of a reply, and what is wrong with it
    to_bytes, from_bytes  the bytes a byte-wide SPI controller sends and gets
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from ..bits import deposit, mask_of, spans
from ..codec import build, guards_of
from ..errors import CallError
from ..model import Command, Frame, Layout, Part
from .bitcode import put, take
from .guards import Guards
from .names import word
from .registers import _bracket
from .sheet import Sheet
from .text import block, comment, count, defines, number, storage, utype, wtype

FREE = ("operation", "address", "page", "data", "counter", "chip", "echo")
FLAWS = (
    ("GUARD", 1, "a parity bit or checksum is wrong"),
    ("FIXED", 2, "a bit that is always the same is not"),
    ("OPERATION", 4, "the operation code means nothing"),
    ("ECHO", 8, "the reply does not repeat what was sent"),
)


@dataclass(frozen=True, slots=True)
class FrameNames:
    """What the other sections call."""

    frame: Frame
    stem: str
    index: int
    kind: str
    seal: str
    counters: bool
    reply_data: str


def frame_type(sheet: Sheet) -> str:
    """The type that holds the longest frame of the map."""
    return utype(max(f.length for f in sheet.chip.frames.values()))


def word_type(sheet: Sheet) -> str:
    """The type that holds the widest register of the map."""
    return utype(word_bits(sheet))


def word_bits(sheet: Sheet) -> int:
    return max((r.width for r in sheet.chip.registers.values()), default=8)


def write_frames(sheet: Sheet) -> dict[str, FrameNames]:
    """Every frame's routines; returns their names by frame."""
    chip = sheet.chip
    if sheet.stage is not None and len(sheet.stage.chain) > 1:
        raise CallError(
            f"stage {sheet.stage.name} is a daisy chain of {len(sheet.stage.chain)} chips; frames in C are those of one "
            "chip. Generate without the sections frames, init, verify and run"
        )
    if chip.chain is not None:
        sheet.names.note(
            "frames are those of a chip that is alone on its chip select, not of a daisy chain"
        )
    sheet.section(
        "frames",
        [
            f"SPI mode {chip.spi.mode}, {'most' if chip.spi.msb_first else 'least'} significant bit first, "
            f"select active {'low' if chip.spi.select_active_low else 'high'}.",
            *_when_text(sheet),
        ],
    )
    rows = []
    for flaw, code, note in FLAWS:
        rows.append((sheet.names.macro("FLAW", flaw), count(code), note))
    if len(chip.frames) > 1:
        for index, frame in enumerate(chip.frames.values()):
            rows.append((format_macro(sheet, frame), count(index), f"{frame.length} bits"))
    sheet.lines(*defines(rows))
    guards = Guards(sheet)
    return {
        f.name: _Writer(sheet, guards, f, i).write() for i, f in enumerate(chip.frames.values())
    }


def format_macro(sheet: Sheet, frame: Frame) -> str:
    return sheet.names.macro("FORMAT", word(frame.name), of=f"format of frame {frame.name}")


def _when_text(sheet: Sheet) -> Iterator[str]:
    if len(sheet.chip.frames) > 1:
        for frame in sheet.chip.frames.values():
            if frame.when is not None:
                yield f"Frame {frame.name} is in force while {frame.when}; the caller chooses."
            else:
                yield f"Frame {frame.name} is in force otherwise, or where a register names it."


class _Writer:
    def __init__(self, sheet: Sheet, guards: Guards, frame: Frame, index: int) -> None:
        self.sheet, self.guards, self.frame, self.index = sheet, guards, frame, index
        self.bits = frame.length
        self.kind = utype(self.bits)
        self.wide = wtype(self.bits)
        self.counters = [p for p in frame.command.parts if p.kind == "counter"]
        self.members: dict[str, str] = {}

    def name(self, *pieces: str) -> str:
        return self.sheet.names.lower(
            word(self.frame.name), *pieces, of=f"{' '.join(pieces)} of frame {self.frame.name}"
        )

    def macro(self, *pieces: str) -> str:
        return self.sheet.names.macro(
            word(self.frame.name), *pieces, of=f"{' '.join(pieces)} of frame {self.frame.name}"
        )

    def write(self) -> FrameNames:
        sheet, frame = self.sheet, self.frame
        rows = [
            (self.macro("BITS"), count(frame.length), "bits of one frame"),
            (
                self.macro("BYTES"),
                count(sum((b + 7) // 8 for b in frame.bursts)),
                "bytes on the bus",
            ),
            (self.macro("BURSTS"), count(len(frame.bursts)), "chip-select bursts"),
            (
                self.macro("REPLY_AFTER"),
                count(frame.after),
                "frames until the reply comes; 0: in the same",
            ),
        ]
        for part in frame.command.parts:
            piece = word(part.name)
            for code_name, code in part.codes.items():
                rows.append((self.macro(piece, word(code_name)), count(code), ""))
            if part.kind == "chip":
                rows.append(
                    (self.macro(piece, "DEFAULT"), count(part.value), "the chip's own address")
                )
        sheet.lines("", *defines(rows))
        sheet.check(
            f"sizeof({self.kind}) * 8U >= {self.macro('BITS')}",
            f"frame {frame.name} does not fit its type",
        )
        self.shape(frame.command)
        taken: set[str] = {"frame", "out", "in"}
        for part in self.free:
            self.members[part.name] = sheet.names.member(part.name, taken)
        seal = self.seal()
        self.pack()
        self.accesses()
        self.commands()
        self.check()
        reply_data = self.replies()
        self.bytes()
        return FrameNames(
            frame, word(frame.name), self.index, self.kind, seal, bool(self.counters), reply_data
        )

    @property
    def free(self) -> list[Part]:
        return [p for p in self.frame.command.parts if p.kind in FREE]

    def shape(self, layout: Layout) -> None:
        text = ", ".join(f"{p.name} {spans(p.bits)} ({p.kind})" for p in layout.parts)
        self.sheet.lines("", *block(f"command of frame {self.frame.name}: {text}"))

    # --- command --------------------------------------------------------------------------------
    def guarded(self, layout: Layout, name: str, about: str, *, hidden: bool) -> str:
        """The routine that computes a layout's guards anew; "" where it has none."""
        guards = guards_of(layout)
        if not guards:
            return ""
        mask = mask_of(tuple(b for g in guards for b in g.bits))
        full = (1 << self.bits) - 1
        lines = [f"{self.wide} sealed = ({self.wide})frame & {number(full & ~mask, self.bits)};"]
        for guard in guards:
            value = self.guards.expression(guard, "sealed", self.bits)
            lines.append(f"sealed |= {put(value, guard.bits, self.bits)};")
        lines.append(f"return ({self.kind})sealed;")
        signature = f"{self.kind} {name}({self.kind} frame)"
        if hidden:
            self.sheet.hidden_function(signature, lines, about)
        else:
            self.sheet.function(signature, lines, about)
        return name

    def seal(self) -> str:
        """`seal(frame[, sent])`: with counters, `sent` is the number of frames sent before."""
        guard = self.guarded(
            self.frame.command,
            self.name("guard"),
            "The frame with its guard bits computed anew.",
            hidden=False,
        )
        if not self.counters:
            return guard
        name = self.name("seal")
        mask = mask_of(tuple(b for p in self.counters for b in p.bits))
        full = (1 << self.bits) - 1
        lines = [f"{self.wide} counted = ({self.wide})frame & {number(full & ~mask, self.bits)};"]
        for part in self.counters:
            value = "sent"
            if part.step != 1:
                value = f"((uint32_t)sent * {number(part.step)})"
            if part.start:
                value = f"((uint32_t){value} + {number(part.start)})"
            value = (
                f"({wtype(max(self.bits, part.width))})({value} & {number((1 << part.width) - 1)})"
            )
            lines.append(f"counted |= {put(value, part.bits, self.bits)};")
        last = f"({self.kind})counted"
        lines.append(f"return {guard}({last});" if guard else f"return {last};")
        self.sheet.function(
            f"{self.kind} {name}({self.kind} frame, uint32_t sent)",
            lines,
            "The frame with its counter for the frame number `sent`, counted from 0 after a reset, and its guard.",
        )
        return name

    def params(self, skip: tuple[str, ...] = ()) -> str:
        return (
            ", ".join(
                f"{utype(p.width)} {self.members[p.name]}" for p in self.free if p.kind not in skip
            )
            or "void"
        )

    def constant(self) -> int:
        value = 0
        for part in self.frame.command.parts:
            if part.kind in ("fixed", "ignored"):
                value |= deposit(part.value, part.bits)
        return value

    def pack(self) -> None:
        terms = [put(self.members[p.name], p.bits, self.bits) for p in self.free]
        constant = self.constant()
        if constant:
            terms.append(number(constant, self.bits))
        expr = " |\n        ".join(terms) or "0U"
        self._returning(
            f"{self.kind} {self.name('pack')}({self.params()})",
            expr,
            f"A command of frame {self.frame.name} from all its parts, guard included.",
        )

    def _returning(self, signature: str, expr: str, about: str) -> None:
        guard = self.name("guard") if guards_of(self.frame.command) else ""
        lines = [
            f"const {self.wide} frame =",
            *f"    {expr};".replace("\n        ", "\n    ").split("\n"),
        ]
        lines.append(
            f"return {guard}(({self.kind})frame);" if guard else f"return ({self.kind})frame;"
        )
        self.sheet.function(signature, lines, about)

    def accesses(self) -> None:
        command = self.frame.command
        operation = command.of_kind("operation")
        for kind in ("read", "write"):
            if kind == "write" and command.of_kind("data") is None:
                continue
            if operation is not None and kind not in operation.codes:
                continue
            if operation is None and kind == "read" and command.of_kind("data") is not None:
                continue
            args, params = [], []
            for part in self.free:
                if part.kind == "operation":
                    args.append(self.macro(word(part.name), word(kind)))
                elif part.kind == "chip":
                    args.append(self.macro(word(part.name), "DEFAULT"))
                elif part.kind == "data" and kind == "read":
                    args.append("0U")
                else:
                    args.append(self.members[part.name])
                    params.append(f"{utype(part.width)} {self.members[part.name]}")
            target = "a register" if command.of_kind("address") else "the register"
            self.sheet.inline(
                f"{self.kind} {self.name(kind)}({', '.join(params) or 'void'})",
                [f"return {self.name('pack')}({', '.join(args)});"],
                f"The frame that {kind}s {target}.",
            )

    def commands(self) -> None:
        rows = []
        for command in self.sheet.chip.commands.values():
            if not self._fits(command):
                continue
            data = self.frame.command.of_kind("data") if command.takes_data else None
            base = build(self.frame.command, command.parts)
            if data is None:
                note = command.summary + (
                    " (counter at its start: seal it)" if self.counters else ""
                )
                rows.append(
                    (self.macro("COMMAND", word(command.name)), number(base, self.bits), note)
                )
                continue
            value = self.members[data.name]
            args = []
            for part in self.free:
                if part is data:
                    args.append(value)
                elif part.kind == "counter":
                    args.append(count(part.start))
                else:
                    args.append(number(command.parts.get(part.name, part.value), part.width))
            self.sheet.inline(
                f"{self.kind} {self.name('command', word(command.name))}({utype(data.width)} {value})",
                [f"return {self.name('pack')}({', '.join(args)});"],
                f"Command {command.name}. {command.summary}".strip(),
            )
        if rows:
            self.sheet.lines(
                "",
                f"/* commands of frame {word(self.frame.name).lower()}, ready to send */",
                *defines(rows),
            )

    def _fits(self, command: Command) -> bool:
        if command.frame == self.frame.name:
            return True
        other = self.sheet.chip.frames[command.frame]
        return other.when is not None and all(
            (p := self.frame.command.named(n)) is not None and not v >> p.width
            for n, v in command.parts.items()
        )

    # --- checks ---------------------------------------------------------------------------------
    def flaws(self, layout: Layout, guard: str, operations: tuple[Part, ...] = ()) -> list[str]:
        lines = ["uint8_t flaws = 0U;"]
        if guard:
            lines += [
                f"if ({guard}(frame) != frame) {{",
                f"    flaws |= {self.flaw('GUARD')};",
                "}",
            ]
        fixed = [p for p in layout.parts if p.kind in ("fixed", "chip")]
        if fixed:
            mask = mask_of(tuple(b for p in fixed for b in p.bits))
            value = sum(deposit(p.value, p.bits) for p in fixed)
            lines += [
                f"if ((({self.wide})frame & {number(mask, self.bits)}) != {number(value, self.bits)}) {{",
                f"    flaws |= {self.flaw('FIXED')};",
                "}",
            ]
        for part in operations:
            known = sorted(set(part.codes.values()))
            if len(known) == 1 << part.width:
                continue
            code = _bracket(take("frame", part.bits, self.bits))
            wrong = " && ".join(f"({code} != {count(c)})" for c in known)
            lines += [f"if ({wrong}) {{", f"    flaws |= {self.flaw('OPERATION')};", "}"]
        full = (1 << self.bits) - 1
        if storage(self.bits) != self.bits:
            lines += [
                f"if (({self.wide})frame > {number(full, self.bits)}) {{",
                f"    flaws |= {self.flaw('FIXED')};",
                "}",
            ]
        return lines

    def flaw(self, name: str) -> str:
        return self.sheet.names.macro("FLAW", name)

    def check(self) -> None:
        layout = self.frame.command
        guard = self.name("guard") if guards_of(layout) else ""
        operations = tuple(p for p in layout.parts if p.kind == "operation")
        lines = self.flaws(layout, guard, operations)
        if len(lines) == 1:
            lines = ["(void)frame;", "return 0U;"]
        else:
            lines.append("return flaws;")
        self.sheet.function(
            f"uint8_t {self.name('check')}({self.kind} frame)",
            lines,
            "What is wrong with a command (FLAW bits); 0: nothing.",
        )

    # --- replies --------------------------------------------------------------------------------
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
            self.name(*pieces, "guard"),
            "The reply with its guard bits computed anew.",
            hidden=True,
        )
        parts = [
            p for p in layout.parts if p.kind not in ("fixed", "chip", "ignored", "parity", "crc")
        ]
        lines = self.flaws(layout, guard)
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
                    lines.append(f"parts->{item} = {_bracket(bit)} {compare} 0U;")
                else:
                    sheet.lines(f"    {utype(part.width)} {item};{note}")
                    value = _bracket(take("frame", part.bits, self.bits))
                    lines.append(f"parts->{item} = ({utype(part.width)}){value};")
            sheet.lines(f"}} {struct};")
        what = "any command" if kind == "any" else kind
        echoes = [p for p in layout.parts if p.kind == "echo"]
        unpack = self.name(*pieces, "unpack")
        if len(lines) == 1:
            lines = ["(void)frame;", "uint8_t flaws = 0U;"]
        target = f", {struct} *parts" if parts else ""
        sheet.function(
            f"uint8_t {unpack}({self.kind} frame{target})",
            [*lines, "return flaws;"],
            f"The parts of a reply to {what}, and what is wrong with it (FLAW bits); 0: nothing.",
        )
        if echoes:
            tests = []
            for part in echoes:
                source = self.frame.command.named(part.of)
                assert source is not None  # the loader has seen to it
                tests.append(
                    f"({_bracket(take('sent', source.bits, self.bits))} != {_bracket(take('frame', part.bits, self.bits))})"
                )
            sheet.inline(
                f"uint8_t {self.name(*pieces, 'echo')}({self.kind} sent, {self.kind} frame)",
                [f"return ({' || '.join(tests)}) ? {self.flaw('ECHO')} : 0U;"],
                "FLAW_ECHO where the reply does not repeat what the command sent.",
            )

    def _data_routine(self, layout: Layout, pieces: tuple[str, ...]) -> str:
        """`(sent, frame, *data) -> flaws`: what a runner needs of the reply to a read."""
        part = layout.of_kind("data")
        assert part is not None
        name = self.name("read_data")
        unpack, struct = self.name(*pieces, "unpack"), self.name(*pieces, "t")
        lines = [f"{struct} parts;", f"uint8_t flaws = {unpack}(frame, &parts);"]
        if any(p.kind == "echo" for p in layout.parts):
            lines.append(f"flaws |= {self.name(*pieces, 'echo')}(sent, frame);")
        else:
            lines.append("(void)sent;")
        member = self.sheet.names.member(part.name, set())
        lines += [f"*data = ({word_type(self.sheet)})parts.{member};", "return flaws;"]
        self.sheet.inline(
            f"uint8_t {name}({self.kind} sent, {self.kind} frame, {word_type(self.sheet)} *data)",
            lines,
            "The register word in the reply to a read, and what is wrong with that reply.",
        )
        return name

    # --- bytes ----------------------------------------------------------------------------------
    def bytes(self) -> None:
        """One byte sum per burst; a burst is padded at its end to whole bytes."""
        frame, sheet = self.frame, self.sheet
        out, back = [], []
        left, at = frame.length, 0
        for bits in frame.bursts:
            left -= bits
            for index in range((bits + 7) // 8):
                numbers = [
                    self._bit(left, bits, index * 8 + k) for k in range(min(8, bits - index * 8))
                ]
                order = tuple(numbers)
                pad = 8 - len(order)
                value = _bracket(take("frame", order, self.bits, 8))
                if pad:
                    value = f"({value} << {count(pad)})"
                out.append(f"out[{at}] = (uint8_t){value};")
                byte = f"((unsigned int)in[{at}] >> {count(pad)})" if pad else f"in[{at}]"
                back.append(f"frame |= {put(byte, order, self.bits)};")
                at += 1
        size = self.macro("BYTES")
        note = (
            f"; bursts of {', '.join(map(str, frame.bursts))} bits" if len(frame.bursts) > 1 else ""
        )
        sheet.function(
            f"void {self.name('to_bytes')}({self.kind} frame, uint8_t out[{size}])",
            out,
            f"The frame as the bytes of the bus, first bit in bit 7 of the first{note}.",
        )
        sheet.function(
            f"{self.kind} {self.name('from_bytes')}(const uint8_t in[{size}])",
            [f"{self.wide} frame = 0U;", *back, f"return ({self.kind})frame;"],
            "The frame of the bytes of the bus.",
        )
        if len(frame.bursts) > 1:
            table = self.name("bursts")
            rows = ["    " + ", ".join(f"{count((b + 7) // 8)}" for b in frame.bursts) + ","]
            sheet.table(
                "uint8_t", table, rows, self.macro("BURSTS"), "Bytes of each chip-select burst."
            )

    def _bit(self, low: int, bits: int, index: int) -> int:
        """The frame's bit number of the `index`-th bit of a burst on the wire."""
        return low + (bits - 1 - index if self.sheet.chip.spi.msb_first else index)
