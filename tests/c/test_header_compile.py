"""Generated C under strict compilers: C99, C11, C++11, 32-bit and 16-bit `int`, and a MISRA checker.

The suite has every file compiled by one compiler after the other in rotation and checks one stage against MISRA C;
GATEWORD_ALL_TARGETS=1 takes every file with every compiler, and further stages.
"""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from regmap.cheader import Generated, Options, generate, select
from regmap.chip.model import Chip
from regmap.maps.load import bundled, load_map
from regmap.stages.load import Stage, load_stage

HERE = Path(__file__).parent
ALL = os.environ.get("GATEWORD_ALL_TARGETS") == "1"
STRICT = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
CORTEX_M0 = ["-mcpu=cortex-m0", "-mthumb", "-Os", "-ffreestanding"]
AVR = ["-mmcu=atmega328p", "-Os", "-ffreestanding"]  # int of 16 bits
COMPILERS = {
    "gcc-c99": ("gcc", ["-std=c99", "-O2"]),
    "gcc-c11": ("gcc", ["-std=c11"]),
    "clang-c99": ("clang", ["-std=c99"]),
    "clang-c11": ("clang", ["-std=c11"]),
    "g++-c++11": ("g++", ["-std=c++11", "-x", "c++"]),
    "cortex-m0": ("arm-none-eabi-gcc", ["-std=c99", *CORTEX_M0]),
    "avr": ("avr-gcc", ["-std=c99", *AVR]),
}
MAPS = [n for n, p in bundled("devices").items() if "gateword_map" in p.read_text("utf-8")]
STAGES = [n for n in bundled("devices") if n not in MAPS]
NAMES = [*MAPS, *STAGES, "wombat24 stage", "bilby32 stage", "potoroo40 stage"]


def twin_tests() -> ModuleType:
    spec = importlib.util.spec_from_file_location("header_twin", HERE / "test_header_twin.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def source_of(name: str, folder: Path) -> Stage | Chip:
    if name.endswith(" stage"):
        found: Stage = twin_tests().stage_of(name.removesuffix(" stage"), folder)
        return found
    return load_map(name) if name in MAPS else load_stage(name)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with every header alone and as a pair, and a program text that uses each."""
    folder = tmp_path_factory.mktemp("headers")
    for name in NAMES:
        stem = name.replace(" ", "_")
        source = source_of(name, folder)
        # small checksums here: the tables are compiled in the other tests
        alone = generate(source, Options(prefix="gd", crc="loop"))
        pair = generate(source, Options(prefix="gd", split=True, include=f"{stem}_pair.h"))
        assert pair.source is not None
        (folder / f"{stem}.h").write_text(alone.header, "ascii")
        (folder / f"{stem}_pair.h").write_text(pair.header, "ascii")
        (folder / f"{stem}_pair.c").write_text(pair.source, "ascii")
        # included twice: the guard holds
        (folder / f"{stem}_user.c").write_text(
            f'#include "{stem}.h"\n#include "{stem}.h"\nint gd_user(void);\nint gd_user(void)\n'
            "{\n    return (int)(GD_HASH & 1U);\n}\n",
            "ascii",
        )
    return folder


@pytest.mark.parametrize("compiler", COMPILERS)
def test_strict_compilers(compiler: str, made: Path, need_tool: Callable[[str], str]) -> None:
    program, flags = COMPILERS[compiler]
    tool = need_tool(program)
    files = sorted(p.name for p in [*made.glob("*_user.c"), *made.glob("*_pair.c")])
    assert len(files) == 2 * len(NAMES)
    if (
        not ALL
    ):  # each file by two of the seven, each compiler with single headers and pairs of other chips
        turn = list(COMPILERS).index(compiler)
        files = [f for i, f in enumerate(files) if (i // 2 + 3 * (i % 2)) % 3 == turn % 3]
        assert {f.rsplit("_", 1)[1] for f in files} == {"user.c", "pair.c"}
    done = subprocess.run(
        [tool, *flags, *STRICT, "-c", *files], cwd=made, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr[:4000]
    assert done.stderr == ""


def test_assertions_bite(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """A mask changed by hand stops the build, in C99 as well as in C11 and C++11."""
    header = generate(load_map("quoll16"), Options(prefix="gd")).header
    changed = re.sub(r"(#define GD_GATE_HS_SOURCE_MASK +)0x00FU", r"\g<1>0x01FU", header)
    assert changed != header
    (tmp_path / "gd.h").write_text(changed, "ascii")
    (tmp_path / "t.c").write_text('#include "gd.h"\n', "ascii")
    for tool, flags in (
        ("gcc", ["-std=c99"]),
        ("gcc", ["-std=c11"]),
        ("g++", ["-std=c++11", "-x", "c++"]),
    ):
        done = subprocess.run(
            [need_tool(tool), *flags, "-fsyntax-only", "t.c"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
        )
        assert done.returncode != 0
        assert "GD_ASSERT" in done.stderr


def test_two_headers_of_one_prefix_do_not_mix(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    for name in ("quoll16", "numbat24"):
        made = generate(load_map(name), Options(prefix="gd"))
        (tmp_path / f"{name}.h").write_text(made.header, "ascii")
    (tmp_path / "t.c").write_text('#include "quoll16.h"\n#include "numbat24.h"\n', "ascii")
    done = subprocess.run(
        [need_tool("gcc"), "-fsyntax-only", "t.c"], cwd=tmp_path, capture_output=True, text=True
    )
    assert "two different headers with the prefix GD" in done.stderr


def test_pair_from_two_runs_does_not_mix(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    chip = load_map("quoll16")
    old = generate(chip, Options(prefix="gd", split=True, include="gd.h", version="1"))
    new = generate(chip, Options(prefix="gd", split=True, include="gd.h", version="2"))
    (tmp_path / "gd.h").write_text(old.header, "ascii")
    (tmp_path / "gd.c").write_text(str(new.source), "ascii")
    done = subprocess.run(
        [need_tool("gcc"), "-fsyntax-only", "gd.c"], cwd=tmp_path, capture_output=True, text=True
    )
    assert "not generated together" in done.stderr


def test_nothing_forbidden_is_generated() -> None:
    """No bit-fields, no heap, no division but by a constant, no object that could be changed."""
    for name in NAMES[: len(MAPS) + len(STAGES)]:
        source = load_map(name) if name in MAPS else load_stage(name)
        made: Generated = generate(source, Options(prefix="gd", split=True))
        text = re.sub(
            r'/\*.*?\*/|"(?:[^"\\]|\\.)*"', "", made.header + str(made.source), flags=re.S
        )
        assert not re.search(r"\b(malloc|calloc|free|float|double|goto|union|enum)\b", text)
        assert not re.search(
            r"[/%](?! 0x[1-9A-F][0-9A-F]*U?L?\b)", re.sub(r"#include <.*>", "", text)
        )
        assert not re.search(r"^\s+\w+ \w+ : \d+;", text, re.M)
        for line in text.split("\n"):
            if re.match(r"(static|extern) +(?!inline)\w", line) and "(" not in line:
                assert " const " in line


@pytest.mark.parametrize(
    "name", ["coolant_pump", "bilby32 stage", "potoroo40 stage"] if ALL else ["bilby32 stage"]
)
def test_misra_findings_are_justified(
    name: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Every rule the cppcheck addon reports stands in the notes of the generated file."""
    tool = need_tool("cppcheck")
    stage = source_of(name, tmp_path)
    made = generate(stage, Options(prefix="gd"))
    (tmp_path / "gd.h").write_text(made.header, "ascii")
    (tmp_path / "user.c").write_text('#include "gd.h"\n', "ascii")
    done = subprocess.run(
        [tool, "-q", "--addon=misra", "--std=c99", "--enable=style,warning,portability", "user.c"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
    )
    notes = " ".join(made.header.partition("*/")[0].replace("\n *", " ").split())
    justified = set(re.findall(r"\d+\.\d+", notes.partition("MISRA C:2012 notes")[2]))
    found = re.findall(r"\[misra-c2012-(\d+\.\d+)\]$", done.stderr, re.M)
    assert "2.5" in found  # the addon has run
    assert set(found) <= justified, {f: done.stderr.count(f"-{f}]") for f in set(found) - justified}
    others = [
        line
        for line in re.findall(r"\[(\w+)\]$", done.stderr, re.M)
        if not line.startswith("misra") and line not in ("missingIncludeSystem", "unusedFunction")
    ]
    assert others == []


@pytest.mark.parametrize("name", [*STAGES, "bilby32 stage", "potoroo40 stage", "wombat24 stage"])
def test_the_unit_test_to_copy(name: str, tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    made = generate(source_of(name, tmp_path), Options(prefix="gd"))
    (tmp_path / "gd.h").write_text(made.header, "ascii")
    flags = ["-std=c99", *STRICT, "-fsanitize=undefined,address", "-I", str(tmp_path)]
    program = tmp_path / "test_tables"
    subprocess.run(
        [need_tool("gcc"), *flags, HERE / "header" / "test_tables.c", "-o", program], check=True
    )
    done = subprocess.run([program], capture_output=True, text=True)
    assert done.stdout == "0 checks failed\n"
    assert done.returncode == 0


def test_the_unit_test_finds_a_wrong_row(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    header = generate(
        load_stage("coolant_pump"), Options(prefix="gd", sections=select(without=["values"]))
    ).header
    broken = re.sub(r"\{0xB801U, 0U, 0x0F0U, 0x0", "{0xB801U, 0U, 0x000U, 0x0", header)
    assert broken != header
    (tmp_path / "gd.h").write_text(broken, "ascii")
    program = tmp_path / "test_tables"
    subprocess.run(
        [need_tool("gcc"), "-I", tmp_path, HERE / "header" / "test_tables.c", "-o", program],
        check=True,
    )
    assert subprocess.run([program], capture_output=True).returncode > 0
