"""Conditions, macros and included headers as a C preprocessor has them; gcc and the standard's own examples as the oracles."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.budgets import allowing
from regmap.lint.header import lint
from regmap.lint.includes import beside
from regmap.lint.mending import put_right
from regmap.lint.preprocess import preprocess
from regmap.lint.units import HeaderUnit
from regmap.maps.load import load_map

CHIP = load_map("quoll16")
ANCHOR = "#define DRV_LOCK_ADDR 0xB\n#define DRV_SUPPLY_ADDR 0xC\n"


def from_dict(files: dict[str, str]) -> Callable[[str, str], tuple[str, str] | None]:
    return lambda _of, name: (name, files[name]) if name in files else None


def found(text: str, files: dict[str, str] | None = None, **given: str) -> list[str]:
    problems = lint(CHIP, text + ANCHOR, "h.h", from_dict(files or {}), given).problems
    return [f"{p.place.file}:{p.place.line}: {p.path}: {p.found}" for p in problems]


#: header in which the one sound way through the conditions is taken, or not
CONDITIONS = [
    "#define CHIP 1\n#if CHIP\n#define DRV_VDS_ADDR {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
    "#define CHIP 0\n#if CHIP\n#define DRV_VDS_ADDR {wrong}\n#else\n#define DRV_VDS_ADDR {right}\n#endif\n",
    "#ifdef OTHER\n#define DRV_VDS_ADDR {wrong}\n#else\n#define DRV_VDS_ADDR {right}\n#endif\n",
    "#ifndef OTHER\n#define DRV_VDS_ADDR {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
    "#define REV 0x23\n#if REV < 0x20\n#define DRV_VDS_ADDR {wrong}\n#elif REV < 0x30 && defined(REV)\n"
    "#define DRV_VDS_ADDR {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
    "#define A(x) ((x) == 2)\n#if A(1) || (!defined B && A(2))\n#define DRV_VDS_ADDR {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
    "#if NEVER_DEFINED\n#define DRV_VDS_ADDR {wrong}\n#elif 1\n# if 0\n#define DRV_VDS_ADDR {wrong}\n# endif\n"
    "#define DRV_VDS_ADDR {right}\n#endif\n",
    "#if !NEVER_DEFINED && NEVER_DEFINED + 1 == 1\n#define DRV_VDS_ADDR {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
    "#define DRV_VDS_ADDR {wrong}\n#undef DRV_VDS_ADDR\n#define DRV_VDS_ADDR {right}\n",
    "#define DRV_VDS_ADDR {wrong}\n#undef DRV_VDS_ADDR\nenum {{ DRV_VDS_ADDR = {right} }};\n",
    "#define N {right}\nenum {{ DRV_VDS_ADDR = N }};\n#undef N\n#define N {wrong}\n",
    "#ifndef BASE\n#define BASE {right}\n#endif\n#ifndef BASE\n#define BASE {wrong}\n#endif\n#define DRV_VDS_ADDR BASE\n",
    "#ifdef __cplusplus\n#define DRV_VDS_ADDR {wrong}\n#elif __STDC_VERSION__ >= 199901L\n#define DRV_VDS_ADDR {right}\n#endif\n",
    "#if 0\n/* #endif */\n#define DRV_VDS_ADDR {wrong}\n#endif // 0\n#define DRV_VDS_ADDR {right}\n",
    "#if 1 /* one\n*/\n#define DRV_VDS_ADDR \\\n  {right}\n#else\n#define DRV_VDS_ADDR {wrong}\n#endif\n",
]  # fmt: skip


@pytest.mark.parametrize("header", CONDITIONS)
def test_only_what_the_conditions_leave_is_judged(
    header: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Two ways, of which the compiler takes one: where that is right nothing is found, where it is wrong that is."""
    for right, wrong, clean in ((7, 9, True), (9, 7, False)):
        text = header.format(right=right, wrong=wrong)
        (tmp_path / "t.c").write_text(text + "int value = DRV_VDS_ADDR;\n")
        made = subprocess.run(
            [need_tool("gcc"), "-std=c11", "-w", "-S", "-o", "-", "t.c"],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        assert f".long\t{right}\n" in made
        assert (found(text) == []) is clean, (text, found(text))


@pytest.mark.parametrize(
    "condition", ["defined(__cplusplus) && (__cplusplus >= 201103L)", "OTHER > 2", "OTHER", "OTHER != 0"]
)  # fmt: skip
def test_a_name_that_is_no_macro_is_nought_in_a_condition(condition: str) -> None:
    """ISO C11 6.10.1: nothing is left undecided, so nothing is told of it."""
    text = f"#if {condition}\n#define DRV_VDS_ADDR 9\n#else\n#define DRV_VDS_ADDR 7\n#endif\n"
    result = lint(CHIP, text + ANCHOR, "h.h")
    assert (result.read, result.problems, result.skipped) == (3, (), ())


def test_what_the_build_defines_decides_conditions() -> None:
    text = "#ifdef REV_B\n#define DRV_VDS_ADDR 0x9\n#else\n#define DRV_VDS_ADDR 0x7\n#endif\n"
    assert found(text) == []
    assert found(text, REV_B="1") == ["h.h:2: DRV_VDS_ADDR: address 0x9"]


def test_an_error_directive_that_is_reached_is_told() -> None:
    text = "#ifndef BOARD\n#error set BOARD\n#endif\n#define DRV_VDS_ADDR 7\n"
    [skipped] = lint(CHIP, text + ANCHOR, "h.h").skipped
    assert "#error set BOARD" in skipped.found
    assert skipped.place.line == 2


def test_included_headers_are_judged_in_their_own_places() -> None:
    files = {
        "inner.h": '#pragma once\n#define DRV_STATUS1_ADDR 0x3\n#include "deep.h"\n',
        "deep.h": "\n#define DRV_TIMING_DEAD_TIME_MASK 0x0F\nenum { DRV_MODE_ADDR = BASE + 4 };\n",
    }
    text = '#define BASE 0\n#include "inner.h"\n#include "inner.h"\n#define DRV_VDS_ADDR 0x8\n'
    assert found(text, files) == [
        "h.h:4: DRV_VDS_ADDR: address 0x8",
        "inner.h:2: DRV_STATUS1_ADDR: address 0x3",
        "deep.h:2: DRV_TIMING_DEAD_TIME_MASK: mask 0x00F of 4 bits",
        "deep.h:3: DRV_MODE_ADDR: address 0x4",
    ]


def test_a_list_that_is_included_again_and_again_makes_declarations() -> None:
    files = {"regs.def": "REGISTER(STATUS1, 0x0)\nREGISTER(MODE, 0x4)\n"}
    text = '#define REGISTER(n, a) DRV_##n##_ADDR = a,\nenum {\n#include "regs.def"\n};\n#undef REGISTER\n'
    [problem] = lint(CHIP, text + ANCHOR, "h.h", from_dict(files)).problems
    assert (problem.place.file, problem.place.line) == ("regs.def", 2)


def test_fixes_go_to_the_file_that_holds_the_number() -> None:
    files = {"inner.h": "#define DRV_STATUS1_ADDR 0x3\n"}
    text = '#include "inner.h"\n#define DRV_VDS_ADDR 0x8\n' + ANCHOR
    done = put_right(CHIP, text, "h.h", from_dict(files))
    texts, after = done.texts, done.after
    assert texts == {"h.h": text.replace("0x8", "0x7"), "inner.h": "#define DRV_STATUS1_ADDR 0x0\n"}
    assert after.problems == ()


def test_headers_elsewhere_are_not_read(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "out.h").write_text("#define DRV_VDS_ADDR 0x8\n")
    (tmp_path / "in/link.h").symlink_to(tmp_path / "out.h")
    text = '#include "../out.h"\n#include "link.h"\n#include "/etc/passwd"\n' + ANCHOR
    result = lint(CHIP, text, str(tmp_path / "in/h.h"), beside(tmp_path / "in/h.h", Path.read_text))
    assert len(result.texts) == 1
    assert len(result.skipped) == 3


#: replacement lists of ISO C11 6.10.3.5, examples 3 to 5, as far as they are whole lines
STANDARD = [
    ("#define t(x,y,z) x ## y ## z\nint j[] = { t(1,2,3), t(,4,5), t(6,,7), t(8,9,), t(10,,), t(,11,), t(,,12), t(,,) };",
     "int j[] = { 123, 45, 67, 89, 10, 11, 12, };"),
    ("#define x 3\n#define f(a) f(x * (a))\n#undef x\n#define x 2\n#define g f\n#define z z[0]\n#define t(a) a\nint v = t(t(g)(0) + t)(1);",
     "int v = f(2 * (0)) + t(1);"),
    ("#define hash_hash # ## #\n#define mkstr(a) # a\n#define in_between(a) mkstr(a)\n#define join(c, d) in_between(c hash_hash d)\nchar p[] = join(x, y);",
     'char p[] = "x ## y";'),
]  # fmt: skip


@pytest.mark.parametrize(("text", "wanted"), STANDARD)
def test_macros_are_expanded_as_the_standard_does(text: str, wanted: str) -> None:
    names = {line.split()[1].partition("(")[0] for line in text.splitlines() if "#define" in line}
    # what does not live to the end is expanded wherever it stands
    unit = preprocess("\n".join([text, *(f"#undef {n}" for n in names)]), "x.h")
    made = "".join(line.code for line in unit.lines)
    assert "".join(made.split()) == "".join(wanted.split())


BOMBS = {
    "doubling lists": "#define A0 {1},\n" + "".join(f"#define A{n} A{n - 1} A{n - 1}\n" for n in range(1, 40)) + "int a[] = { A39 };\n",
    "doubling arguments": "#define F0(x) {x}, {x},\n" + "".join(f"#define F{n}(x) F{n - 1}(x) F{n - 1}(x)\n" for n in range(1, 40)) + "int a[] = { F39(1) };\n",
    "doubling conditions": "#define A0 1\n" + "".join(f"#define A{n} A{n - 1} + A{n - 1}\n" for n in range(1, 60)) + "#if A59\n#endif\n",
    "long chains": "#define A0 {1}\n" + "".join(f"#define A{n} A{n - 1}\n" for n in range(1, 5000)) + "int a[] = A4999;\n#if A4999\n#endif\n",
    "shifts": "#if 1 << 99999999999\n#endif\n#if (1 << 63) << 63 << 63\n#endif\n",
    "brackets": "#if " + "(" * 3000 + "1" + ")" * 3000 + "\n#endif\n",
    "conditions within conditions": "#if 1\n" * 5000 + "#endif\n" * 5000,
    "one long line": "#define L {\nint a[] = L " + "1," * 200_000 + "};\n",
    "one long line that is left out": "#define L {\n#if 0\nL " + "1 " * 200_000 + "\n#endif\n",
    "namespaces": "namespace a {" * 50_000 + "}" * 50_000,
    "structures": "struct a { static const int b = 1;" * 3000 + "};" * 3000,
    "structures unclosed": "struct a " * 20_000,
    "itself": '#include "x.h"\n',
    "parameters": "#define F(" + ",".join(f"a{n}" for n in range(600)) + ") {a1 a2}\nint x = F(1);\n",
}  # fmt: skip


@pytest.mark.parametrize("name", BOMBS)
def test_bombs_end_in_a_message(name: str) -> None:
    """What they cost, tests/test_budgets.py measures for one of them."""
    text = f"{ANCHOR}{BOMBS[name]}#define DRV_VDS_ADDR 7\n"
    with allowing({"tokens": 100_000}):
        result = lint(CHIP, text, "x.h", from_dict({"x.h": text}))
    assert [p for p in result.problems if "nothing was read" not in p.found] == []


MALFORMED = [
    "#", "# 12", "#define", "#define 3", "#define F(", "#define F(a", "#define F(a,,b) {a}", "#define F(a, ...) {a}\nint x[] = F(1, 2);",
    "#define F(...) {__VA_ARGS__}\nint x[] = F();", "#define F(a) #\nF(1)", "#define F(a) ## a\nint x = F(1);", "#define F(a) a ##\nint x = F(1);",
    "#undef", "#ifdef", "#ifndef", "#if", "#if !", "#if !defined", "#if defined", "#if defined(", "#if )", "#elif", "#elif 1", "#else", "#else\n#else",
    "#endif", "#if 1\n#elif", "#if 0\n#elif", "#include", "#include <", "#include \"", "#include x", "#define x x\n#include x", "#pragma", "#pragma once",
    "#line 3", "#error", "#warning", "#if 'a'", "#if \"a\"", "#if 1.5", "#if 0x", "#if __has_include(<x>)", "#define A ??/\n3", "#if 1 ? 2", "#define defined 1\n#if defined",
    "#define F(a) {a}\nF", "#define F(a) {a}\nF(", "#define F(a) {a}\nF(1", "#define F(a) {a}\nint x[] = F\n(1);", "#define __FILE__ {1}\n__FILE__ __LINE__",
    "\x00", "#define \x00 1", "#define A {\x00}\nint x = A;", "int x = '", "#define A {\nint x = A '\";", "#if 1 //", "#if /*", "/*", "\\", "#define A \\", "#define \u00b5 {1}\nint x = \u00b5;",
]  # fmt: skip


@pytest.mark.parametrize("text", MALFORMED)
def test_malformed_directives_are_survived(text: str) -> None:
    lint(CHIP, f"{ANCHOR}#if 1\n{text}\n#define DRV_VDS_ADDR 7\n#endif\n", "h.h")
    lint(CHIP, f"#if 0\n{text}\n#endif\n{ANCHOR}", "h.h")
    lint(CHIP, text, "h.h", from_dict({"x": text}))


@given(
    st.lists(
        st.sampled_from(
            ["#define ", "#undef ", "#if ", "#ifdef ", "#else", "#endif", "#elif ", "#include ", "A", "B(", "(x, y)", ")", "x", "{", "}", ";",
             "##", "#", "\n", "\n", "\n", " ", "1", "'", '"', "\\\n", ",", "...", "__VA_ARGS__", "defined", "/*", "*/", "//", "=", "enum ", "::", "namespace "]
        ),
        max_size=60,
    )
)  # fmt: skip
def test_any_directives_are_survived(parts: list[str]) -> None:
    text = "".join(parts)
    lint(CHIP, text, "h.h", from_dict({"A": text}))


def lines_of(unit: HeaderUnit) -> str:
    return " ".join("".join(line.code for line in unit.lines).split())


@given(
    st.lists(
        st.sampled_from(
            ["#define A 1", "#define A 2", "#define B A", "#define F(x) {x}", "#undef A", "#undef B", "#if A", "#ifdef A", "#ifndef B", "#elif B",
             "#else", "#endif", "int v[] = F(A);", "int w = A + B;", "#if defined(A) && A > 1", "#if !defined B"]
        ),
        max_size=14,
    )
)  # fmt: skip
def test_conditions_and_macros_as_gcc_has_them(parts: list[str]) -> None:
    """Which lines are left, and with what numbers: every name is made temporary, so that all are expanded."""
    depth = 0
    kept = []
    for part in parts:
        if part.startswith("#if"):
            depth += 1
        elif part in ("#endif", "#else", "#elif B") and not depth:
            continue
        elif part == "#endif":
            depth -= 1
        elif part in ("#else", "#elif B"):
            part = "#endif"
            depth -= 1
        kept.append(part)
    text = "\n".join([*kept, *["#endif"] * depth, "#undef A", "#undef B", "#undef F", ""])
    try:
        gcc = subprocess.run(
            ["gcc", "-E", "-P", "-w", "-x", "c", "-"], input=text, capture_output=True, text=True, check=True
        ).stdout  # fmt: skip
    except (FileNotFoundError, subprocess.CalledProcessError):
        return
    assert lines_of(preprocess(text, "h.h")).replace(" ", "") == "".join(gcc.split())
