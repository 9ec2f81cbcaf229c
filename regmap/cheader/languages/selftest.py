"""The self-test for the target in C++ and Rust, of the same vectors as in C (`cheader.selftest`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import PurePath

from ...chip.model import Chip, Field, Frame, Register
from ...errors import CallError
from ...stages.load import Stage
from ..framebase import FREE
from ..names import KEYWORDS
from ..selftest import check_include, field_vector, frame_vectors
from ..sheet import Options
from .either import Either
from .generate import written_in
from .language import RUST_WORDS, local
from .registers import OWN, has_registers

GROUP = 48  # checks in a function


def self_test_in(
    language: str,
    source: Stage | Chip,
    options: Options,
    include: str,
    others: Sequence[Stage] = (),
) -> str:
    """Text beside the one that `generate_in` makes of the same, which lies in `include`. Raises CallError."""
    made, sheet, lang = written_in(language, source, options, others)  # refuses what it refuses
    check_include(include)
    name = made.prefix.lower()
    if language == "rust":
        name = PurePath(include).stem
        if not name.isidentifier() or name in RUST_WORDS or name in KEYWORDS:
            raise CallError(
                f"the file's name {include[:40]!r} is no name of a module", "as drive.rs"
            )
    checks: list[tuple[str, list[str]]] = []
    taken: set[str] = set()
    for frame in sheet.chip.frames.values():
        path = lang.path(name, "frames", local(frame.name, taken))
        if sheet.has("frames"):
            checks += _frame(lang, sheet.chip, frame, path)
    taken = set()
    for register in sheet.chip.registers.values():
        inner, place = set(OWN), local(register.name, taken)
        for field in register.fields:
            path = lang.path(name, "reg", place, local(field.name, inner))
            if has_registers(sheet):
                checks += _field(lang, register, field, path)
    about = [
        f"Self-test of {include} on the target: {len(checks)} checks.",
        "Call self_test() where a failure can be seen: 0 is right, else the number of the first check that failed. A "
        "number means that this compiler, with these options, does not do what the text says.",
    ]
    groups = [checks[i : i + GROUP] for i in range(0, len(checks), GROUP)]
    lines = [*lang.remark(about), *lang.self_test(name, include, made.hash[:8].upper(), groups)]
    return "\n".join(lines) + "\n"


def _frame(lang: Either, chip: Chip, frame: Frame, path: str) -> Iterator[tuple[str, list[str]]]:
    free = [p for p in frame.command.parts if p.kind in FREE]
    longest = max(f.length for f in chip.frames.values())
    for one in frame_vectors(chip, frame):
        args = ", ".join(
            lang.seen(lang.number(v, p.width), lang.uint(p.width))
            for v, p in zip(one.values, free, strict=True)
        )
        text = lang.number(one.word, frame.length)
        whole = lang.seen(text, lang.uint(longest))
        yield one.about, [lang.holds(f"{lang.path(path, 'pack')}({args}) == {text}")]
        yield "sound", [lang.holds(f"{lang.path(path, 'check')}({whole}) == {lang.count(0)}")]
        if one.check_bit is not None:
            wrong = lang.seen(
                lang.number(one.word ^ 1 << one.check_bit, frame.length), lang.uint(longest)
            )
            yield (
                "one bit wrong",
                [lang.holds(f"{lang.path(path, 'check')}({wrong}) != {lang.count(0)}")],
            )
        same = " && ".join(f"(bytes[{i}] == {lang.number(b, 8)})" for i, b in enumerate(one.data))
        made = lang.let_auto("bytes", f"{lang.path(path, 'to_bytes')}({whole})")
        yield "bytes, and back", [made, lang.holds(same)]
        back = f"{lang.path(path, 'from_bytes')}({lang.borrowed('bytes')}) == {text}"
        yield "", [made, lang.holds(back)]


def _field(
    lang: Either, register: Register, field: Field, path: str
) -> Iterator[tuple[str, list[str]]]:
    whole, small = lang.uint(register.width), lang.uint(field.width)
    one = field_vector(register, field)

    def word(value: int) -> str:
        return lang.seen(lang.number(value, register.width), whole)

    get = lang.path(path, "get")
    full = lang.number(one.most, field.width)
    yield field.ref, [lang.holds(f"{get}({word(field.mask)}) == {full}")]
    yield (
        "nothing else",
        [lang.holds(f"{get}({word(one.others)}) == {lang.count(0)}")],
    )
    if one.put is not None:
        put = lang.number(one.put, register.width)
        value = lang.seen(lang.number(one.code, field.width), small)
        yield (
            "set",
            [lang.holds(f"{lang.path(path, 'set')}({word(register.mask)}, {value}) == {put}")],
        )
