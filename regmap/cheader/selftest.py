"""A program part that proves on the target that its compiler has understood the header.

    text = self_test(load_stage("coolant_pump"), Options(prefix="gd"), "gd.h")

It calls every routine of the frames with frames of the map's examples and with vectors that the library computes, commands
and replies, whole and with each bit wrong, in a daisy chain the streams as well; and takes fields out and changes them. No
output, no heap: `gd_self_test()` is 0, or the number of the first check that failed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from ..chip.model import Chip, Frame
from ..errors import CallError
from .chainstream import Stream
from .layout import generate
from .names import Namer, word
from .selfframes import FrameChecks
from .sheet import Options
from .text import block, comment, number, utype
from .vectors import Check, field_vector, groups, stream_vectors

if TYPE_CHECKING:
    from ..stages.load import Stage

#: lines in a function; of frames of more than 32 bits, which fill a small part's stack
SIZE, FEW = 24, 6


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
    helpers: list[str] = []
    checks: list[Check] = []
    defined = f"{made.header}{made.source or ''}"
    for frame in chip.frames.values():
        if f" {lower}_{word(frame.name).lower()}_pack(" in defined:
            of_frame = FrameChecks(chip, frame, Namer(made.prefix), defined)
            checks += of_frame.checks()
            helpers += of_frame.helpers
    framed = bool(checks)
    if f" {lower}_chain_pack(" in defined:
        [frame] = chip.frames.values()
        chips = options.chain or (0 if isinstance(source, Chip) else len(source.chain))
        checks += _stream_checks(chip, frame, lower, chips)
    if f" {lower}_word_t;" in defined:
        fields = list(_field_checks(chip, lower, defined))
        if fields:
            helpers += LOOK.replace("@", lower).split("\n")
        checks += fields
    lines = [
        *block(
            [
                f"Self-test of {comment(include)} on the target: {len(checks)} checks.",
                f"Call {lower}_self_test() where a failure can be seen: 0 is right, else the number of the first check "
                "that failed, as it stands below. A number means that this compiler, with these options, does not do "
                "what the header says.",
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
        "static void next(void)",
        "{",
        "    number++;",
        "}",
        "",
        "static void check(bool holds)",
        "{",
        "    if ((!holds) && (first == 0U)) {",
        "        first = number;",
        "    }",
        "}",
    ]
    if framed:
        lines += WORDS.replace("@", lower).split("\n")
    lines += helpers
    wide = any(f.length > 32 for f in chip.frames.values())
    parts = groups(checks, FEW if wide else SIZE)
    at = 0
    for index, group in enumerate(parts):
        lines += ["", f"static void part_{index}(void)", "{"]
        for about, text in group:
            at += 1
            lines += [f"    /* {at}. {comment(about)} */", "    next();"]
            lines += [f"    {line}" for line in text]
        lines.append("}")
    lines += ["", f"uint16_t {lower}_self_test(void)", "{", "    number = 0U;", "    first = 0U;"]
    lines += [f"    part_{i}();" for i in range(len(parts))]
    lines += ["    return first;", "}"]
    return "\n".join(lines) + "\n"


#: what the checks of fields call, and those of frames
LOOK = """
static @_word_t look(@_word_t value)
{
    static volatile @_word_t place;
    place = value;
    return place;
}"""
WORDS = """
/* a command, a reply or another frame, and one bit of it; volatile, so that no compiler works it out beforehand */
static volatile @_frame_t sent;
static volatile @_frame_t frame;
static @_frame_t bit;

/* `error` where this bit is one of those that make it */
static uint8_t wrong(@_frame_t bits, uint8_t error)
{
    return ((bit & bits) != 0U) ? error : 0U;
}"""


def check_include(include: str) -> None:
    """Raises CallError for a file's name that cannot stand in an #include."""
    if any(c in include for c in '"\\\n\r') or not include.isprintable():
        raise CallError(f"the header's name {include[:40]!r} cannot stand in an #include")


def _stream_checks(chip: Chip, frame: Frame, lower: str, chips: int) -> Iterator[Check]:
    """A daisy chain in C."""
    shape = Stream(chip, frame, chips)
    kind = f"{lower}_frame_t"
    for index, one in enumerate(stream_vectors(chip, frame, chips)):
        flags = sum(1 << shape.commands.index(n) for n in one.commands)
        lines = [f"static {kind} frames[{chips}];", f"static uint8_t stream[{shape.bytes}];"]
        for k, w in enumerate(one.words):
            lines += [f"frame = {number(w, frame.length)};", f"frames[{k}] = frame;"]
        lines += [f"{lower}_chain_pack(frames, {flags}U, stream);"]
        lines += _same("stream", [number(b, 8) for b in one.out])
        lines += [f"stream[{i}] = {number(b, 8)};" for i, b in enumerate(one.back)]
        lines += [f"check({lower}_chain_unpack(stream, frames));"]
        lines += _same("frames", [number(w, frame.length) for w in one.words])
        for at, bits, mask, _ in shape.reply_headers() if not index else ():
            for place in range(at, at + bits):
                byte = f"stream[{place >> 3}]"
                toggle = f"{byte} = (uint8_t)({byte} ^ {number(0x80 >> (place & 7), 8)});"
                no = "!" if mask >> (at + bits - 1 - place) & 1 else ""
                lines += [toggle, f"check({no}{lower}_chain_unpack(stream, frames));", toggle]
        yield f"stream {index} of the chain", ["{", *(f"    {line}" for line in lines), "}"]


def _same(name: str, texts: Sequence[str]) -> list[str]:
    """Checks of a row's elements, some in each."""
    each = [f"({name}[{i}] == {text})" for i, text in enumerate(texts)]
    return [f"check({' && '.join(each[i : i + 8])});" for i in range(0, len(each), 8)]


def _field_checks(chip: Chip, lower: str, defined: str) -> Iterator[Check]:
    """Fields of each register alone, and among ones; reserved bits. A helper that has another name, because two would be
    one, is left out."""
    for register in chip.registers.values():
        stem = f"{lower}_{word(register.name).lower()}"
        kind, width = utype(register.width), register.width
        lines: list[str] = []
        for field in register.fields:
            name = f"{stem}_{word(field.name).lower()}"
            if f" {name}_get(" not in defined:
                continue
            one, mask = field_vector(register, field), number(field.mask, width)
            lines.append(
                f"check({name}_get(({kind})(none | {mask})) == {number(one.most, field.width)});"
            )
            lines.append(f"check({name}_get(({kind})(ones ^ {mask})) == 0U);")
            if one.put is not None and f" {name}_set(" in defined:
                ahead = "" if field.width == width else "ones, "
                put = number(one.put, width)
                lines.append(f"check({name}_set({ahead}{number(one.code, field.width)}) == {put});")
                ahead = "" if field.width == width else "none, "
                lines.append(
                    f"check({name}_set({ahead}{number(one.most, field.width)}) == {mask});"
                )
        if f" {stem}_with_reserved(" in defined:
            fixed = register.reserved_write & register.stated
            for given, left in (("ones", register.mask & ~register.stated), ("none", 0)):
                lines.append(
                    f"check({stem}_with_reserved({given}) == {number(left | fixed, width)});"
                )
        text = "\n".join(lines)
        words = [("ones", register.mask), ("none", 0)]
        declared = [
            f"const {kind} {n} = ({kind})look({number(v, width)});" for n, v in words if n in text
        ]
        for at in range(0, len(lines), SIZE):
            some = [*declared, *lines[at : at + SIZE]]
            used = [
                x
                for x in some
                if not x.startswith("const") or any(x.split()[2] in y for y in some if y is not x)
            ]
            yield f"fields of {register.name}", ["{", *(f"    {x}" for x in used), "}"]
