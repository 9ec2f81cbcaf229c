"""A program part that proves on the target that its compiler has understood the header.

    text = self_test(load_stage("coolant_pump"), Options(prefix="gd"), "gd.h")

It compares the header's routines with frames of the map's examples and with vectors that the library
computes: parts packed, check bits, bytes on the SPI, fields taken out and changed. No output, no
heap: `gd_self_test()` is 0, or the number of the first check that failed.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..chip.bits import deposit
from ..chip.model import Chip, Field, Frame, Part, Register
from ..errors import CallError
from ..frames.codec import Codec, wire_bytes
from ..frames.words import build, bursts, guards_of
from .framebase import FREE
from .layout import generate
from .names import word
from .sheet import Options
from .text import block, comment, number

if TYPE_CHECKING:
    from ..stages.load import Stage

VECTORS = 6  # of each frame; the bits of each field besides


def self_test(
    source: Stage | Chip,
    options: Options,
    include: str,
    others: Sequence[Stage] = (),
    variants: Sequence[Stage] = (),
) -> str:
    """C text that includes the header `include`, generated of the same. Raises CallError."""
    # refuses what the header refuses, and fixes the prefix
    made = generate(source, options, others, variants)
    chip = source if isinstance(source, Chip) else source.chip
    check_include(include)
    lower, upper = made.prefix.lower(), made.prefix.upper()
    checks: list[tuple[str, str]] = []
    defined = made.header
    for frame in chip.frames.values():
        stem = f"{lower}_{word(frame.name).lower()}"
        if f"{stem}_pack(" in defined:
            checks += _frame_checks(chip, frame, stem)
    if "helpers" in (options.sections or ("helpers",)):
        # a field whose helper has another name than its own, because two would be one, is left out
        checks += [c for c in _field_checks(chip, lower) if f" {_called(c[1])}(" in defined]
    lines = [
        *block(
            [
                f"Self-test of {comment(include)} on the target: {len(checks)} checks.",
                f"Call {lower}_self_test() where a failure can be seen: 0 is right, else the number of the first check "
                "that failed. A number means that this compiler, with these options, does not do what the header says.",
            ]
        ),
        f'#include "{include}"',
        "",
        f"#if {upper}_HASH != 0x{made.hash[:8].upper()}U",
        '#error "header and self-test were not generated together"',
        "#endif",
        "",
        f"uint16_t {lower}_self_test(void);",
        "static uint16_t number;",
        "static uint16_t first;",
        "",
        "static void check(bool holds)",
        "{",
        "    number++;",
        "    if ((!holds) && (first == 0U)) {",
        "        first = number;",
        "    }",
        "}",
    ]
    size = 24  # checks in a function: compilers for small parts do not take endless ones
    groups = [checks[i : i + size] for i in range(0, len(checks), size)]
    most = max((sum((b + 7) // 8 for b in f.bursts) for f in chip.frames.values()), default=1)
    for index, group in enumerate(groups):
        lines += ["", f"static void part_{index}(void)", "{"]
        if any("bytes" in text for _, text in group):
            lines.append(f"    uint8_t bytes[{most}];")
        for about, text in group:
            lines.append(f"    /* {comment(about)} */")
            lines += [f"    {line}" for line in text.split("\n")]
        lines.append("}")
    lines += ["", f"uint16_t {lower}_self_test(void)", "{", "    number = 0U;", "    first = 0U;"]
    lines += [f"    part_{i}();" for i in range(len(groups))]
    lines += ["    return first;", "}"]
    return "\n".join(lines) + "\n"


def check_include(include: str) -> None:
    """Raises CallError for a file's name that cannot stand in an #include."""
    if any(c in include for c in '"\\\n\r') or not include.isprintable():
        raise CallError(f"the header's name {include[:40]!r} cannot stand in an #include")


def _called(text: str) -> str:
    """The routine of the header that a check calls."""
    return text.removeprefix("check(").partition("(")[0]


@dataclass(frozen=True, slots=True)
class FrameVector:
    """A command of one frame: the values of its free parts in order, the word, its bytes on the SPI, a bit of its check."""

    about: str
    values: tuple[int, ...]
    word: int
    data: bytes
    check_bit: int | None


def frame_vectors(chip: Chip, frame: Frame) -> Iterator[FrameVector]:
    """Examples of the map first, then vectors that never change."""
    layout = frame.command
    codec = Codec(chip)
    free = [p for p in layout.parts if p.kind in FREE]
    known = [
        command
        for k in chip.known_frames
        if (command := k.command) is not None
        and not command >> frame.length
        and not codec.decode_command(command, frame=frame).flaws
    ]
    rng = random.Random(f"{chip.name} {frame.name}")
    words = [("example of the map", w) for w in dict.fromkeys(known)][:VECTORS]
    guards = {g.name for g in guards_of(layout)}
    check_bit = next((p.bits[0] for p in layout.parts if p.name in guards), None)
    for index in range(VECTORS):
        values = {p.name: _value(p, index, rng) for p in free}
        words.append((f"vector {index}", build(layout, values)))
    for about, value in words:
        data = b"".join(
            wire_bytes(v, b, msb_first=chip.spi.msb_first) for v, b in bursts(frame, value)
        )
        taken = tuple(_take(p, value) for p in free)
        yield FrameVector(f"{frame.name}: {about}", taken, value, data, check_bit)


@dataclass(frozen=True, slots=True)
class FieldVector:
    """What a field's routines are tried with: its highest code and another one, and words of its register.

    `others` has every bit but the field's, `put` is the word of ones into which `code` was put; None where the
    field cannot be set.
    """

    most: int
    code: int
    others: int
    put: int | None


def field_vector(register: Register, field: Field) -> FieldVector:
    most = (1 << field.width) - 1
    code = 0x5A5A5A5A5A5A5A5A & most or 1
    others = register.mask & ~field.mask
    settable = field.writable and not field.access.clears
    return FieldVector(most, code, others, others | deposit(code, field.bits) if settable else None)


def _frame_checks(chip: Chip, frame: Frame, stem: str) -> Iterator[tuple[str, str]]:
    """Commands of one frame in C."""
    free = [p for p in frame.command.parts if p.kind in FREE]
    for one in frame_vectors(chip, frame):
        args = ", ".join(number(v, p.width) for v, p in zip(one.values, free, strict=True))
        text = number(one.word, frame.length)
        yield one.about, f"check({stem}_pack({args}) == {text});"
        yield "sound", f"check({stem}_check({text}) == 0U);"
        if one.check_bit is not None:
            wrong = number(one.word ^ 1 << one.check_bit, frame.length)
            yield "one bit wrong", f"check({stem}_check({wrong}) != 0U);"
        same = " && ".join(f"(bytes[{i}] == {number(b, 8)})" for i, b in enumerate(one.data))
        there = f"{stem}_to_bytes({text}, bytes);\ncheck({same});"
        yield "bytes, and back", f"{there}\ncheck({stem}_from_bytes(bytes) == {text});"


def _value(part: Part, index: int, rng: random.Random) -> int:
    full = (1 << part.width) - 1
    if part.kind == "chip":
        return part.value
    if part.kind == "operation":
        codes = sorted(part.codes.values())
        return codes[index % len(codes)]
    return (
        (0, full, 0x5555555555555555 & full, 1 << part.width >> 1)[index]
        if index < 4
        else rng.randint(0, full)
    )


def _take(part: Part, value: int) -> int:
    taken = 0
    for bit in part.bits:
        taken = taken << 1 | value >> bit & 1
    return taken


def _field_checks(chip: Chip, lower: str) -> Iterator[tuple[str, str]]:
    """Each field alone, and among ones."""
    for register in chip.registers.values():
        for field in register.fields:
            name = f"{lower}_{word(register.name).lower()}_{word(field.name).lower()}"
            one = field_vector(register, field)
            alone, among = number(field.mask, register.width), number(register.mask, register.width)
            yield field.ref, f"check({name}_get({alone}) == {number(one.most, field.width)});"
            others = number(one.others, register.width)
            yield "nothing else", f"check({name}_get({others}) == 0U);"
            if one.put is not None:
                put = number(one.put, register.width)
                word_in = "" if field.width == register.width else f"{among}, "
                yield (
                    "set",
                    f"check({name}_set({word_in}{number(one.code, field.width)}) == {put});",
                )
