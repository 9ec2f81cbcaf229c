"""Constant expressions by C's rules: random ones have the values and types that three compilers give them."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from regmap.lint.expressions import Evaluator
from regmap.lint.header import lint
from regmap.lint.integers import ILP32, IP16, LP64, CNumber, IntWidths, Unreadable
from regmap.maps.load import load_map

CHIP = load_map("quoll16")
COMPILERS = {"gcc": LP64, "arm-none-eabi-gcc": ILP32, "avr-gcc": IP16}
EDGES = [n + d for b in (7, 8, 15, 16, 31, 32, 63) for n in (1 << b,) for d in (-1, 0, 1)]
CASTS = [
    *(f"{u}int{n}_t" for u in ("u", "") for n in (8, 16, 32, 64)),
    "unsigned", "int", "unsigned long", "long", "unsigned short", "unsigned char", "signed char", "long long",
    "unsigned long long", "_Bool", "size_t", "const short",
]  # fmt: skip
BINARY = ["+", "-", "*", "/", "%", "&", "|", "^", "<<", ">>", "<", "<=", ">", ">=", "==", "!=", "&&", "||"]  # fmt: skip


@st.composite
def constants(draw: st.DrawFn) -> str:
    value = draw(st.one_of(st.integers(0, 40), st.sampled_from(EDGES), st.integers(0, 2**64 - 1)))
    shape = draw(st.sampled_from(["{}", "0x{:X}", "0{:o}"]))
    suffix = draw(st.sampled_from(["", "u", "L", "UL", "ll", "ULL"]))
    if shape == "{}" and "u" not in suffix.lower():
        value &= 2**63 - 1  # without a sign a decimal constant has no type of C
    return shape.format(value) + suffix


def larger(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    count = st.integers(0, 33).map(str)
    return st.one_of(
        st.tuples(st.sampled_from("~-!+"), inner).map(lambda t: f"{t[0]} {t[1]}"),
        st.tuples(inner, st.sampled_from(BINARY), inner).map(" ".join),
        st.tuples(inner, st.sampled_from(BINARY), inner).map(lambda t: f"({' '.join(t)})"),
        st.tuples(inner, st.sampled_from(["<<", ">>"]), count).map(lambda t: f"({' '.join(t)})"),
        st.tuples(st.sampled_from(CASTS), inner).map(lambda t: f"({t[0]})({t[1]})"),
        st.tuples(inner, inner, inner).map(lambda t: f"(({t[0]}) ? {t[1]} : {t[2]})"),
    )


#: what random ones once found: an operand that is not evaluated has its part in the type of the result
ONCE_WRONG = [
    "((04L) ? 0xFF == 0x26 : 74462UL / 0x0ll)",
    "((1) ? -1 : 0ULL % 0)",
    "(0 ? 1ll >> 64 : 3u)",
]
EXPRESSIONS = st.lists(st.recursive(constants(), larger, max_leaves=8), min_size=60, max_size=200)


def compiled(compiler: str, texts: list[str], folder: Path) -> dict[str, tuple[int, int]]:
    """(value in 64 bits, bytes of the type with 128 where it has a sign) of each that the compiler takes for a constant."""
    rows = "\n".join(f"{t}, sizeof({t}) | ((__typeof__({t}))-1 < 0) << 7," for t in texts)
    source = folder / "e.c"
    source.write_text(f"#include <stddef.h>\n#include <stdint.h>\nunsigned long long v[] = {{\n{rows}\n}};\n")  # fmt: skip
    made = [compiler, "-std=gnu11", "-w", "-fwrapv", "-c", source, "-o", folder / "e.o"]
    run = subprocess.run(made, check=False, capture_output=True, text=True)
    refused = {int(n) - 4 for n in re.findall(r"e\.c:(\d+):\d+: error", run.stderr)}
    if refused:
        assert len(refused) <= 1 + len(texts) // 10, run.stderr
        return compiled(compiler, [t for i, t in enumerate(texts) if i not in refused], folder)
    assert run.returncode == 0, run.stderr
    copy = [compiler.replace("gcc", "objcopy"), "-O", "binary", "-j", ".data", folder / "e.o", folder / "e.bin"]  # fmt: skip
    subprocess.run(copy, check=True)
    held = (folder / "e.bin").read_bytes()
    numbers = [int.from_bytes(held[i : i + 8], "little") for i in range(0, len(held), 8)]
    return dict(zip(texts, zip(numbers[::2], numbers[1::2], strict=True), strict=True))


def read(text: str, model: IntWidths) -> CNumber | None:
    """None where C does not define it, which is told; all else must be read."""
    try:
        return Evaluator({}, model).number(text)
    except Unreadable as error:
        if not str(error).startswith(("a shift by", "a division by zero")):
            raise
        return None


@pytest.mark.parametrize("compiler", COMPILERS)
def test_values_and_types_are_the_compilers(
    compiler: str, need_tool: Callable[[str], str], tmp_path: Path
) -> None:
    tool, model = need_tool(compiler), COMPILERS[compiler]

    @settings(
        max_examples=3,
        deadline=None,
        suppress_health_check=list(HealthCheck),
        phases=[Phase.explicit, Phase.generate, Phase.reuse],
    )
    @given(EXPRESSIONS)
    @example(ONCE_WRONG)
    def check(texts: list[str]) -> None:
        known = [(t, n) for t in texts if (n := read(t, model)) is not None]
        assert len(known) > len(texts) // 3 or len(texts) < 100
        theirs = compiled(tool, [t for t, _ in known], tmp_path)
        ours = {
            # _Bool of one bit takes a byte
            text: (n.value & 2**64 - 1, max(n.kind.bits, 8) // 8 | n.kind.signed << 7)
            for text, n in known
            if text in theirs
        }
        assert {t: (ours[t], theirs[t]) for t in ours if ours[t] != theirs[t]} == {}

    check()


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("((~0U) << 0) & (~0U >> (31 - 2))", 7),
        ("(uint32_t)(~0U >> 30) << 6", 0xC0),
        ("0 && 1 / 0", 0),
        ("1 ? 2 : 1 / 0", 2),
        ("(1 ? -1 : 1 / 0u) > 0", 1),
        ("uint8_t(0x1FF)", 0xFF),
        ("UINT16_C(7) << 1", 14),
        ("UINT32_MAX >> 30", 3),
        ("({ ((typeof(0x30))(2) << (__builtin_ffsll(0x30) - 1)) & (0x30); })", 0x20),
        ("__builtin_ctz(0x30) + __builtin_popcount(0x30) + __builtin_clzll(1)", 69),
    ],
)
def test_some_shapes_that_headers_have(text: str, value: int) -> None:
    """By hand; gcc accepts each as a constant expression of that value, but the cast that C++ has."""
    assert Evaluator({}).value(text) == value


def masks(low: str, high: str) -> str:
    return (
        f"#define GENMASK(h, l) ({low} & {high})\n#define Q_TIMING_DEAD_TIME GENMASK(2, 0)\n"
        "#define Q_TIMING_FULL_DRIVE GENMASK(5, 4)\n#define Q_TIMING_BLANKING GENMASK(7, 6)\n"
    )


@pytest.mark.parametrize(
    ("low", "high"),
    [
        ("((~0U) << (l))", "(~0U >> (31 - (h)))"),
        ("((~0UL) << (l))", "(~0UL >> (31 - (h)))"),
        ("((~0UL) << (l))", "(~0UL >> (63 - (h)))"),
        ("((~0ULL) << (l))", "(~0ULL >> (63 - (h)))"),
        ("((~0UL) - (1UL << (l)) + 1)", "(~0UL >> (32 - 1 - (h)))"),
        ("(0xFFFFu << (l))", "(0xFFFFu >> (15 - (h)))"),
        ("(~0u << (l))", "(~0u >> (15 - (h)))"),
    ],
)
def test_masks_that_rest_on_the_width_of_types(low: str, high: str) -> None:
    """Right for the compiler that the header is for, of 16, 32 or 64 bits; wrong for none of them is found."""
    result = lint(CHIP, masks(low, high), "g.h")
    assert (result.read, result.problems) == (3, ())
    [wrong] = lint(CHIP, masks(low, high).replace("(5, 4)", "(5, 3)"), "g.h").problems
    assert wrong.found == "mask 0x038 of 3 bits"


def test_types_of_the_file_cut_what_is_cast_to_them() -> None:
    text = "typedef unsigned char reg_t;\n#define Q_GATE_HS_SINK_MASK ((reg_t)~0x0F)\nstatic const reg_t Q_GATE_LS_SINK_MASK = ~0x0Fu;\n"
    assert lint(CHIP, text, "c.h").problems == ()
    longer = lint(CHIP, text.replace("char", "short"), "c.h").problems
    assert [p.found for p in longer] == ["mask 0x3F0 of 6 bits"] * 2
    wrong = lint(CHIP, text.replace("0x0F", "0x1F"), "c.h").problems
    assert [p.found for p in wrong] == ["mask 0x0E0 of 3 bits"] * 2
