"""What a header costs in flash and RAM, measured with the compilers, as the documentation's table says.

The program calls everything that a stage's header offers; it must link for a part with 2 KB of RAM.
After a wanted change: GATEWORD_WRITE_SIZES=1 python -m pytest tests/c/test_header_memory.py, then read the difference.
"""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

import regmap.cheader
from regmap.cheader import SECTIONS, Options, generate, select
from regmap.cli.header import with_derived
from regmap.stages.load import load_stage

HERE = Path(__file__).parent
TABLE = Path(regmap.cheader.__file__).parent / "README.md"
RAM, FLASH = 2048, 32768  # of the part: ATmega328P data sheet, section "Memories"
PARTS = {
    "everything": Options(prefix="gd", split=True, include="gd.h"),
    "small": Options(
        prefix="gd",
        split=True,
        include="gd.h",
        crc="loop",
        sections=select(["run", "verify", "faults"]),
    ),
}
#: what `--only` each of them costs, with the sections that it needs
SHIPPED = ("coolant_pump", "conveyor_drum")
#: flags of the compiler, flash and RAM as columns of the table of sections
TARGETS = {
    "avr-gcc": (["-mmcu=atmega328p", "-fno-common", "-Os", "-std=c99", "-c"], 0, 1),
    "arm-none-eabi-gcc": (
        ["-mcpu=cortex-m0", "-mthumb", "-fno-common", "-Os", "-std=c99", "-c"],
        2,
        3,
    ),
    "sdcc": (["-mmcs51", "--model-large", "--stack-auto", "--std-c99", "-c"], 4, 5),
}
#: the suite takes one section of each target
MEASURED = [(g, s, t) for g in SHIPPED for s in SECTIONS for t in TARGETS]
if "GATEWORD_WRITE_SIZES" not in os.environ and "GATEWORD_ALL_TARGETS" not in os.environ:
    MEASURED = [
        ("coolant_pump", "run", "avr-gcc"),
        ("conveyor_drum", "modes", "avr-gcc"),
        ("conveyor_drum", "verify", "arm-none-eabi-gcc"),
        ("coolant_pump", "values", "arm-none-eabi-gcc"),
        ("coolant_pump", "frames", "sdcc"),
    ]
ROWS = [(stage, parts) for stage in SHIPPED for parts in PARTS]


def written(stage: str, parts: str) -> list[int]:
    """The table's row: AVR flash and RAM, Cortex-M0 flash, MCS-51 code; bytes."""
    row = re.search(rf"^\| `{stage}` \| {parts} \|(.*)\|$", TABLE.read_text("utf-8"), re.M)
    assert row is not None, (stage, parts)
    return [int(cell) for cell in row[1].split("|")]


def holds(stage: str, parts: str, column: int, measured: int) -> None:
    """The table's figure, within a tenth: compilers of other versions differ a little."""
    told = written(stage, parts)
    if os.environ.get("GATEWORD_WRITE_SIZES") == "1":
        row = " | ".join(str(measured if i == column else old) for i, old in enumerate(told))
        text = TABLE.read_text("utf-8")
        start = f"| `{stage}` | {parts} |"
        lines = [f"{start} {row} |" if x.startswith(start) else x for x in text.splitlines()]
        TABLE.write_text("\n".join(lines) + "\n", "utf-8")
    else:
        assert abs(measured - told[column]) <= told[column] / 10, (measured, told)


def put(stage: str, parts: str, folder: Path) -> Path:
    source = load_stage(stage)
    made = generate(source, with_derived(PARTS[parts], source))
    (folder / "gd.h").write_text(made.header, "utf-8")
    (folder / "gd.c").write_text(str(made.source), "utf-8")
    return folder / "gd.c"


def sections(size: str, path: Path) -> tuple[int, int]:
    """Flash and RAM, by binutils' size in its Berkeley format: text + data, data + bss."""
    out = subprocess.run([size, path], capture_output=True, text=True, check=True).stdout
    text, data, bss = map(int, out.splitlines()[-1].split()[:3])
    return text + data, data + bss


@pytest.mark.parametrize(("stage", "parts"), ROWS)
def test_two_kilobytes_of_ram_are_plenty(
    stage: str, parts: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    source = put(stage, parts, tmp_path)
    flags = ["-mmcu=atmega328p", "-Os", "-std=c99", "-Wall", "-Wextra", "-Werror", "-I", tmp_path]
    dead = ["-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"]
    program = tmp_path / "a.elf"
    tool = need_tool("avr-gcc")
    main = HERE / "header" / "small.c"
    subprocess.run([tool, *flags, *dead, main, source, "-o", program], check=True)
    flash, ram = sections("avr-size", program)
    assert ram < RAM // 8  # the stack needs the rest
    assert flash < FLASH // 4
    holds(stage, parts, 0, flash)
    holds(stage, parts, 1, ram)


@pytest.mark.parametrize(("stage", "parts"), ROWS)
def test_flash_on_a_cortex_m0(
    stage: str, parts: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    source = put(stage, parts, tmp_path)
    target = tmp_path / "gd.o"
    flags = ["-mcpu=cortex-m0", "-mthumb", "-Os", "-std=c99", "-c"]
    subprocess.run([need_tool("arm-none-eabi-gcc"), *flags, source, "-o", target], check=True)
    flash, ram = sections("arm-none-eabi-size", target)
    assert ram == 0  # every table is constant
    holds(stage, parts, 2, flash)


@pytest.mark.parametrize(("stage", "section", "tool"), MEASURED)
def test_what_a_section_costs(
    stage: str, section: str, tool: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Constants and code of the section in flash; in RAM what the program gives to its routines, never a table."""
    options = Options(prefix="gd", split=True, include="gd.h", sections=select([section]))
    chosen = load_stage(stage)
    made = generate(chosen, with_derived(options, chosen))
    (tmp_path / "gd.h").write_text(made.header, "utf-8")
    runs = "run" in (options.sections or ())
    given = "gd_spi_t spi;\ngd_task_t task;\n" if runs else ""
    source, target = tmp_path / "gd.c", tmp_path / "gd.o"
    source.write_text(str(made.source) + given, "utf-8")
    flags, flash, ram = TARGETS[tool]
    subprocess.run([need_tool(tool), *flags, source, "-o", target], check=True)
    if tool == "sdcc":
        sizes = areas(target)
        found = tuple(
            sum(sizes.get(a, 0) for a in names)
            for names in (("CSEG", "CONST", "HOME", "GSINIT", "CABS"), ("XSEG", "XISEG"))
        )
    else:
        found = sections(tool.replace("gcc", "size"), target)
    assert (found[1] > 0) == runs
    holds(stage, section, flash, found[0])
    holds(stage, section, ram, found[1])


def test_the_table_has_every_section_of_both_stages() -> None:
    for stage in SHIPPED:
        for section in SECTIONS:
            assert len(written(stage, section)) == 6, (stage, section)


def areas(path: Path) -> dict[str, int]:
    """Bytes of each area of an object of sdcc's assembler: lines `A NAME size HEX ...`."""
    found = re.findall(r"^A (\S+) size ([0-9A-F]+)", path.read_text("ascii"), re.M)
    return {name: int(size, 16) for name, size in found}


@pytest.mark.parametrize(("stage", "parts"), ROWS)
def test_code_on_an_8051(
    stage: str, parts: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    source = put(stage, parts, tmp_path)
    target = tmp_path / "gd.rel"
    flags = ["-mmcs51", "--model-large", "--stack-auto", "--std-c99", "-c"]
    done = subprocess.run(
        [need_tool("sdcc"), *flags, source, "-o", target], capture_output=True, text=True
    )
    assert (done.returncode, done.stderr) == (0, "")
    sizes = areas(target)
    code = sum(sizes.get(a, 0) for a in ("CSEG", "CONST", "HOME", "GSINIT", "CABS"))
    assert sizes.get("XSEG", 0) + sizes.get("XISEG", 0) == 0  # no table in RAM
    holds(stage, parts, 3, code)
