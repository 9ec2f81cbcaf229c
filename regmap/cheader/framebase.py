"""What all routines of a frame share: names, check bits computed anew, and what can be wrong with one."""

from __future__ import annotations

from ..chip.bits import deposit, mask_of
from ..chip.model import Chip, Frame, Layout, Part
from ..frames.recogniser import Recogniser
from ..frames.words import guards_of
from .bitcode import put, take
from .guards import Guards
from .names import word
from .sheet import Sheet
from .text import bracket, count, number, storage, utype, wtype

FREE = ("operation", "address", "page", "data", "counter", "chip", "echo")
FRAME_ERRORS = (
    ("CHECK_BITS", 1, "a parity bit or checksum is wrong"),
    ("FIXED", 2, "a bit that is always the same is not"),
    ("OPERATION", 4, "the operation code means nothing"),
    ("ECHO", 8, "the reply does not repeat what was sent"),
    ("COUNTER", 16, "the reply's counter does not follow the one before: a frame was rejected"),
    ("REJECTED", 32, "the reply's status says that a frame was rejected"),
    ("RESET", 64, "the reply's status says that the chip has been reset"),
)


def frame_type(sheet: Sheet) -> str:
    """The type that holds the longest frame of the map."""
    return utype(max(f.length for f in sheet.chip.frames.values()))


def word_type(sheet: Sheet) -> str:
    """The type that holds the widest register of the map."""
    return utype(word_bits(sheet))


def word_bits(sheet: Sheet) -> int:
    return max((r.width for r in sheet.chip.registers.values()), default=8)


def asks(layout: Layout) -> bool:
    """Whether check bits of a reply run over the answered command too."""
    return any(p.over_command for p in layout.parts)


def known_codes(chip: Chip, recogniser: Recogniser, frame: Frame, part: Part) -> list[int]:
    """The codes that mean something in an operation part of a frame: commands may have some that it does not name."""
    given = [
        c.parts[part.name]
        for c in chip.commands.values()
        if part.name in c.parts and recogniser.carries(frame, c)
    ]
    return sorted({*part.codes.values(), *given})


def accesses_of(frame: Frame) -> tuple[str, ...]:
    """Which of "read" and "write" a command of this frame can be made for without more than its free parts."""
    operation, carries = (
        frame.command.of_kind("operation"),
        frame.command.of_kind("data") is not None,
    )
    if operation is None:
        return ("write",) if carries else ("read",)
    return tuple(k for k in ("read", "write") if k in operation.codes and (carries or k == "read"))


class FrameWriter:
    """One frame of the map, its names in C and its types."""

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

    @property
    def free(self) -> list[Part]:
        return [p for p in self.frame.command.parts if p.kind in FREE]

    def guarded(self, layout: Layout, name: str, about: str, *, hidden: bool) -> str:
        """The routine that computes a layout's check bits anew; "" where it has none."""
        guards = guards_of(layout)
        if not guards:
            return ""
        mask = mask_of(tuple(b for g in guards for b in g.bits))
        full = (1 << self.bits) - 1
        lines = [f"{self.wide} complete = ({self.wide})frame & {number(full & ~mask, self.bits)};"]
        for guard in guards:
            value = self.guards.expression(guard, "complete", self.bits)
            lines.append(f"complete |= {put(value, guard.bits, self.bits)};")
        lines.append(f"return ({self.kind})complete;")
        both = f"{self.kind} sent, " if asks(layout) else ""
        signature = f"{self.kind} {name}({both}{self.kind} frame)"
        if hidden:
            self.sheet.hidden_function(signature, lines, about)
        else:
            self.sheet.function(signature, lines, about)
        return name

    def errors(self, layout: Layout, guard: str, operations: tuple[Part, ...] = ()) -> list[str]:
        lines = ["uint8_t errors = 0U;"]
        if guard:
            lines += [
                f"if ({guard}({'sent, ' if asks(layout) else ''}frame) != frame) {{",
                f"    errors |= {self.error('CHECK_BITS')};",
                "}",
            ]
        fixed = [p for p in layout.parts if p.kind in ("fixed", "chip") and not p.shared]
        tests = []
        if fixed:
            mask = mask_of(tuple(b for p in fixed for b in p.bits))
            value = sum(deposit(p.value, p.bits) for p in fixed)
            tests.append(
                f"(({self.wide})frame & {number(mask, self.bits)}) != {number(value, self.bits)}"
            )
        for part in layout.parts:
            if part.shared:  # addresses that all chips take
                code = bracket(take("frame", part.bits, self.bits))
                meant = dict.fromkeys((part.value, *part.shared))
                tests.append(" && ".join(f"({code} != {count(c)})" for c in meant))
        for test in tests:
            lines += [f"if ({test}) {{", f"    errors |= {self.error('FIXED')};", "}"]
        for part in operations:
            known = known_codes(self.sheet.chip, self.sheet.recogniser, self.frame, part)
            if len(known) == 1 << part.width:
                continue
            code = bracket(take("frame", part.bits, self.bits))
            wrong = " && ".join(f"({code} != {count(c)})" for c in known)
            lines += [f"if ({wrong}) {{", f"    errors |= {self.error('OPERATION')};", "}"]
        full = (1 << self.bits) - 1
        if storage(self.bits) != self.bits:
            lines += [
                f"if (({self.wide})frame > {number(full, self.bits)}) {{",
                f"    errors |= {self.error('FIXED')};",
                "}",
            ]
        return lines

    def error(self, name: str) -> str:
        return self.sheet.names.macro("FRAME_ERROR", name)
