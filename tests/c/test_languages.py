"""The same tables and routines in C++17 and Rust: compiled strictly, equal to the library, and run on simulated chips.

The suite takes the maps with the oddest frames; GATEWORD_ALL_LANGUAGES=1 takes every map and stage in both.
"""

from __future__ import annotations

import importlib.util
import os
import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from regmap.cheader import SECTIONS, Options, select
from regmap.cheader.languages import generate_in, self_test_in
from regmap.cheader.languages.language import local
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.maps.load import bundled, load_map, read_map
from regmap.stages.load import load_stage
from regmap.twin import Twin

from . import test_header_modes as header_modes
from .written import ENDS, NAMES, TOOLS, put, put_program

HERE = Path(__file__).parent
ALL = os.environ.get("GATEWORD_ALL_LANGUAGES") == "1"
MAPS = [n for n, p in bundled("devices").items() if "gateword_map" in p.read_text("utf-8")]
LANGUAGES = ("cpp", "rust")
CPP = ["-std=c++17", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Wshadow",
       "-Wold-style-cast", "-Wcast-qual", "-Wundef", "-Werror"]  # fmt: skip
#: checksums computed bit by bit; the other tests of these languages have tables
LOOP = Options(prefix="gd", crc="loop")
RUST = ["--edition", "2021", "-D", "warnings"]
EQUAL = (
    [(n, x) for n in MAPS for x in LANGUAGES] if ALL else [("bilby32", "cpp"), ("wombat24", "rust")]
)
#: stages with modes
GONE_THROUGH = (
    [(s, x) for s in ("coolant_pump", "conveyor_drum", "wombat24", "bilby32", "potoroo40") for x in LANGUAGES]
    if ALL
    else [("coolant_pump", "cpp"), ("bilby32", "rust"), ("coolant_pump", "rust")]
)  # fmt: skip
BROUGHT_UP = (
    [(s, x) for s in ("coolant_pump", "conveyor_drum", "wombat24", "bilby32", "potoroo40") for x in LANGUAGES]
    if ALL
    else [("wombat24", "cpp"), ("bilby32", "rust")]
)  # fmt: skip


def beside(path: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(Path(path).stem, HERE / path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


header_equal = beside("test_header_equal.py")
header_twin = beside("test_header_twin.py")
equal_in = beside("languages/equal_in.py")


def build(language: str, text: Path, folder: Path, tool: str) -> Path:
    program = folder / "program"
    flags = [*CPP, "-O0"] if language == "cpp" else [*RUST, "-C", "debuginfo=0"]
    more = ["-fsanitize=undefined", "-fno-sanitize-recover=all"] if language == "cpp" else []
    done = subprocess.run(
        [tool, *flags, *more, "-I", folder, text, "-o", program] if language == "cpp" else [tool, *flags, text, "-o", program],
        capture_output=True, text=True,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, ""), done.stderr[:3000]
    return program


#: without anything of its own
EMPTY = {
    "cpp": '#include "gd.hpp"\nint main() { return 0; }\n',
    "rust": '#[path = "gd.rs"]\nmod gd;\nfn main() {}\n',
}


def ask_all(chip: Chip, language: str, folder: Path, tool: str, words: int) -> int:
    put(chip, language, folder, LOOP)
    text = folder / f"equal.{ENDS[language]}"
    text.write_text(equal_in.program(chip, header_equal.equal, rust=language == "rust"), "utf-8")
    program = build(language, text, folder, tool)
    ask = header_equal.Ask()
    rng = random.Random(chip.name)
    header_equal.ask_frames(ask, chip, rng, words)
    header_equal.ask_fields(ask, chip, rng)
    if chip.faults:
        header_equal.ask_faults(ask, chip, rng)
    ask.run(program)
    return len(ask.lines)


@pytest.mark.parametrize(("name", "language"), EQUAL)
def test_frames_fields_and_faults_equal_the_library(
    name: str, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    chip = load_map(name)
    tool = need_tool(TOOLS[language])
    assert ask_all(chip, language, tmp_path, tool, 2000 // len(chip.frames)) > 2500


@pytest.mark.parametrize("language", LANGUAGES)
def test_odd_frames(language: str, tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """64 bits, scattered and reflected checks with prefixes, over the answered command too, no whole bytes."""
    order = {"cpp": "msb_first", "rust": "lsb_first"}[language]
    for text in (header_equal.ODD, header_equal.BOTH):
        chip, problems = read_map("odd.yaml", text=text.replace("BITORDER", order))
        assert chip is not None, problems
        assert ask_all(chip, language, tmp_path, need_tool(TOOLS[language]), 300) > 500


@pytest.mark.parametrize(("name", "language"), BROUGHT_UP)
def test_the_driver_brings_a_chip_up(
    name: str, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    stage = header_twin.stage_of(name, tmp_path)
    put(stage, language, tmp_path, LOOP)
    text = put_program("bring_up", language, tmp_path)
    program = build(language, text, tmp_path, need_tool(TOOLS[language]))
    fault = {"wombat24": "ot", "bilby32": "uv_pump", "potoroo40": "oc"}.get(name, "oc_v")
    twin = Twin(stage.chip)
    status, report = header_twin.converse(program, twin, [fault])
    assert status == 0, report
    lines = report.splitlines()
    assert lines[0].startswith("configured: ")
    assert lines[1].startswith("verified: ")
    named = {n.lower(): n for n in stage.chip.faults}[fault]
    assert lines[2:] == [f"fault {named}: {stage.chip.faults[named].title}"]
    for setting in stage.settings:
        if setting.name.partition(".")[0] in stage.chip.registers:
            assert twin.machine.bank.code(setting.name) == setting.choice.code, setting.name


@pytest.mark.parametrize(("name", "language"), GONE_THROUGH)
def test_the_driver_goes_from_mode_to_mode(
    name: str, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """As in C (test_header_modes.py): there, back and there again, where the watch of the mode finds what is lost.

    The numbers of the modes, the steps of each way and what follows on faults are those of the C header.
    """
    stage = header_modes.stage_of(name, tmp_path)
    options = header_modes.with_derived(Options(prefix="gd"), stage)
    c = header_modes.written(stage, tmp_path)
    made = put(stage, language, tmp_path, options)
    assert not any("modes" in n and "for C alone" in n for n in made.notes)
    numbers = header_modes.numbers(c)
    module = made.header.partition("drive_mode {")[2].partition("}")[0]
    told = re.findall(r"(\w+)(?:: u8)? = (\d+)U?;", module)
    # a name that is a keyword somewhere ends in _
    assert {n.upper().rstrip("_"): int(v) for n, v in told} == numbers
    follows = re.findall(r"\{GD_DRIVE_MODE_(\w+), GD_FAULT_ID_(\w+), GD_DRIVE_MODES?_(\w+)\}", c)
    again = re.findall(r"drive_mode::(\w+), (?:fault: )?fault_id::(\w+), (?:then: )?drive_modes?(?:::|_)(\w+)", made.header, re.I)  # fmt: skip
    assert [tuple(x.upper().rstrip("_") for x in row) for row in again] == follows
    sizes = {k.lower(): int(v) for k, v in re.findall(r"#define GD_(\w+_TO_\w+_STEPS)_COUNT +(\d+)U", c)}  # fmt: skip
    rows = re.findall(r"(?:step_t, (\d+)> (\w+_to_\w+_steps))|(?:static (\w+_TO_\w+_STEPS): \[Step; (\d+)\])", made.header)  # fmt: skip
    ways = {(a or b).lower(): int(n or m) for n, a, b, m in rows}
    assert len(ways) >= 2
    assert ways == {k: v for k, v in sizes.items() if k in ways}
    a, b = numbers["AS_STATED"], numbers[next(iter(stage.modes)).upper()]
    text = put_program("modes", language, tmp_path)
    source = text.read_text("utf-8")
    text.write_text(re.sub(r"\bWAYS\b", f"{a}, {b}, {b}, {a}, {a}, {b}", source), "utf-8")
    header_modes.go_there_and_back(
        stage, build(language, text, tmp_path, need_tool(TOOLS[language]))
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_chip_that_is_not_there(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    stage = load_stage("coolant_pump")
    put(stage, language, tmp_path, LOOP)
    text = put_program("bring_up", language, tmp_path)
    program = build(language, text, tmp_path, need_tool(TOOLS[language]))
    status, report = header_twin.converse(program, Twin(stage.chip, disturbances=["no_power"]), [])
    assert (status, report) == (1, "configured: step 1: result 2\n")


CONSTANT = """
#include "gd.hpp"
// all of it at compile time: what is wrong stops the build
static_assert(gd::frames::FRAME::check(gd::init_steps[1].frame) == 0U, "");
static_assert(gd::reg::gate_hs::source::get(gd::reg::gate_hs::source::set(0U, 5U)) == 5U, "");
static_assert(gd::explain({{0U, 0U}}).count == 0U, "");
static_assert(gd::reg::gate_hs::source::set(0U, gd::reg::gate_hs::source::option::OPTION) != 0U, "");
"""


@pytest.mark.parametrize("tool", ["g++", "clang++"])
def test_constants_are_made_at_compile_time(
    tool: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Frames, fields and explained faults as constants, for two compilers; no cast of the old style."""
    put(load_stage("coolant_pump"), "cpp", tmp_path, LOOP)
    text = (tmp_path / "gd.hpp").read_text("utf-8")
    field = text.partition("namespace gate_hs {")[2].partition("namespace source {")[2]
    option = re.search(r"^ *(v\w+) = 5U", field.partition("enum class option")[2], re.M)
    assert option is not None
    frame = local(next(iter(load_stage("coolant_pump").chip.frames)), set())
    (tmp_path / "t.cpp").write_text(
        CONSTANT.replace("OPTION", option[1]).replace("FRAME", frame), "utf-8"
    )
    subprocess.run([need_tool(tool), *CPP, "-fsyntax-only", "-fno-exceptions", "-fno-rtti", "-ffreestanding", "t.cpp"], cwd=tmp_path, check=True)  # fmt: skip


def test_rust_needs_no_standard_library(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """A stage with all that a chip alone can have, its self-test, and a chain."""
    stage = load_stage("conveyor_drum")
    put(stage, "rust", tmp_path, LOOP)
    frame = local(next(iter(stage.chip.frames)), set())
    tests = self_test_in("rust", stage, Options(prefix="gd", crc="loop"), "gd.rs")
    (tmp_path / "gd_test.rs").write_text(tests, "utf-8")
    (tmp_path / "part.yaml").write_text(
        "gateword_stage: 1\nstage: {name: part, invented: yes}\nmap: quokka16\n"
        "chain: {maps: [quokka16, quokka16], position: 1}\nsettings: {TIMING.DEAD_TIME: 1 us}\n"
    )
    chain = generate_in("rust", load_stage(tmp_path / "part.yaml"), Options(prefix="chain")).header
    assert "pub struct Chain<" in chain
    (tmp_path / "chain.rs").write_text(chain, "utf-8")
    (tmp_path / "lib.rs").write_text(
        '#![no_std]\n#![forbid(unsafe_code)]\n#[path = "gd.rs"]\npub mod gd;\npub mod gd_test;\npub mod chain;\n'
        f"pub const READ: gd::Frame = gd::frames::{frame}::make_read(1);\n"
        f"const _: () = assert!(gd::frames::{frame}::check(READ) == 0);\n", "utf-8",
    )  # fmt: skip
    flags = [*RUST, "--crate-type", "lib", "--emit=metadata"]
    subprocess.run([need_tool("rustc"), *flags, "lib.rs"], cwd=tmp_path, check=True)


def rows_of_c(header: str) -> list[tuple[str, ...]]:
    """Every table's rows, in the order of the file; of one that is part of another, its rows there."""
    row = r"^ +\{(0x\w+|0)U?, (\d+)U?, (0x\w+)U?, (0x\w+)U?, \w+STEP_\w+"
    tables: dict[str, list[tuple[str, ...]]] = {}
    found: list[tuple[str, ...]] = []
    for match in re.finditer(
        r"gd_step_t (gd_\w+_steps)\[\w+\] GD_FLASH = \{\n(.*?)^\};|^#define (gd_\w+_steps) \(&(\w+)\[(\d+)U\]\)",
        header,
        re.S | re.M,
    ):
        if match[1]:
            rows = tables[match[1]] = re.findall(row, match[2], re.M)
        else:
            size = re.search(rf"#define {match[3].upper()}_COUNT +(\d+)U", header)
            assert size is not None
            first = int(match[5])
            rows = tables[match[4]][first : first + int(size[1])]
        found += rows
    return found


def test_tables_are_those_of_the_c_header(tmp_path: Path) -> None:
    """Each frame of each table, in both languages."""
    from regmap.cheader import generate

    for name in ("coolant_pump", "conveyor_drum", "wombat24", "bilby32", "potoroo40"):
        stage = header_twin.stage_of(name, tmp_path)
        c = rows_of_c(generate(stage, Options(prefix="gd")).header)
        cpp = generate_in("cpp", stage, Options(prefix="gd")).header
        rust = generate_in("rust", stage, Options(prefix="gd")).header
        made = re.findall(
            r"^ +step_t\{(0x\w+?)U, (\d+)U, (0x\w+?)U, (0x\w+?)U, step_kind_t", cpp, re.M
        )
        again = re.findall(
            r"^ +Step \{ frame: (\w+), wait_us: (\d+), mask: (\w+), expect: (\w+), kind", rust, re.M
        )
        numbers = [
            [tuple(int(v.rstrip("U"), 0) for v in row) for row in table]
            for table in (c, made, again)
        ]
        assert len(numbers[0]) > 20
        assert numbers[0] == numbers[1] == numbers[2]


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_cannot_be_read_back_has_a_shadow(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Its words are those of the C header; alone with what it needs it compiles."""
    from regmap.cheader import generate

    stage = header_twin.stage_of("conveyor_drum", tmp_path)
    options = Options(prefix="gd", sections=select(["shadow"]))
    found = {}
    for made in (generate(stage, options).header, generate_in(language, stage, options).header):
        for name in ("reset", "configured"):
            text = re.search(
                rf"shadow_{name}(?:_words)?\b.*?= [{{\[]+\n(.*?)\n(?:\}}\}}|\}}|\]);",
                made,
                re.S | re.I,
            )
            assert text is not None, name
            rows = re.sub(r"/\*.*?\*/|//.*", "", text[1])
            found.setdefault(name, []).append([int(w, 0) for w in re.findall(r"0x[0-9A-F]+", rows)])
    assert found["reset"][0]
    assert all(a == b for a, b in found.values())
    put(stage, language, tmp_path, LOOP)
    text_of = {"cpp": '#include "gd.hpp"\nint main() { auto mine = gd::shadow_configured; mine[gd::shadow_id::NAME] = 1U; return mine[gd::shadow_id::NAME] == 1U ? 0 : 1; }\n',
               "rust": '#[path = "gd.rs"]\nmod gd;\nfn main() { let mut mine = gd::SHADOW_CONFIGURED; mine[gd::shadow_id::NAME] = 1; assert!(mine[gd::shadow_id::NAME] == 1); }\n'}[language]  # fmt: skip
    module = generate_in(language, stage, options).header
    name = re.search(
        r"shadow_id \{\n(?:    use super::\*;\n)? *(?:inline constexpr size_t|pub const) (\w+)",
        module,
    )
    assert name is not None
    main = tmp_path / f"shadow.{ENDS[language]}"
    main.write_text(text_of.replace("NAME", name[1]), "utf-8")
    subprocess.run([build(language, main, tmp_path, need_tool(TOOLS[language]))], check=True)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("section", sorted(SECTIONS) if ALL else ["asserts", "scales", "shadow"])
def test_each_section_alone_compiles(
    language: str, section: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    stage = header_twin.stage_of("wombat24", tmp_path)
    put(stage, language, tmp_path, Options(prefix="gd", sections=select([section])))
    main = tmp_path / f"main.{ENDS[language]}"
    main.write_text(EMPTY[language])
    build(language, main, tmp_path, need_tool(TOOLS[language]))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_mask_that_is_wrong_stops_the_build(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    made = put(load_map("quoll16"), language, tmp_path).header
    mask = re.search(r"(uint16_t mask = |MASK: u16 = )0x(\w+?)(U?;)", made)
    assert mask is not None
    wrong = made.replace(mask[0], f"{mask[1]}0x{int(mask[2], 16) << 1:X}{mask[3]}", 1)
    (tmp_path / NAMES[language]).write_text(wrong, "utf-8")
    main = tmp_path / f"main.{ENDS[language]}"
    main.write_text(EMPTY[language])
    with pytest.raises(AssertionError, match=r"mask and functions of|is wider than|overlap"):
        build(language, main, tmp_path, need_tool(TOOLS[language]))


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CallError, match=r"no language 'rst'.*nearest: rust"):
        generate_in("rst", load_map("quoll16"))
    with pytest.raises(CallError, match="a source beside the header is for C"):
        generate_in("cpp", load_map("quoll16"), Options(split=True))
