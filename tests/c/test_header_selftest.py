"""The self-test for the target, run: on the host, and for sdcc's targets on its simulators (ucsim)."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from threading import Timer

import pytest

from regmap.cheader import Options, generate, select
from regmap.cheader.languages import generate_in, self_test_in
from regmap.cheader.selftest import self_test
from regmap.chip.model import Chip
from regmap.maps.load import load_map, read_map

from .test_header_chain import LATER

MAIN = """
#include "gd.h"
uint16_t gd_self_test(void);
"""
#: a coarser choice of registers: a fifth of the time, the same code before it
QUICK = [] if os.environ.get("GATEWORD_ALL_TARGETS") == "1" else ["--max-allocs-per-node", "200"]
#: target -> compiler's flags, simulator, how a character is written
TARGETS = {
    "mcs51": (
        ["-mmcs51", "--model-large", "--stack-auto"],
        ["s51", "-t", "8052", "-I", "if=xram[0xffff]"],
        "*(volatile __xdata unsigned char *)0xffff",
    ),
    "stm8": (
        ["-mstm8"],
        ["sstm8", "-I", "if=rom[0x7fff]"],
        "*(volatile unsigned char *)0x7fff",
    ),
    "z80": (["-mz80"], ["sz80", "-I", "if=rom[0x7ffe]"], "*(volatile unsigned char *)0x7ffe"),
}
MAPS = ["quoll16", "numbat24", "wombat24", "bilby32", "potoroo40", "odd"]
#: a map of which one bit moves up by 23, as no chip has it: at that distance alone sdcc 4.2 stops for stm8
ODD = """
gateword_map: 1
chip: {name: odd, title: a bit that moves by 23 (invented), invented: yes}
spi: {mode: 1}
frames:
  word:
    length: 32
    command:
      rw:      {bits: 31, holds: operation, codes: {write: 0, read: 1}}
      address: {bits: 29..24, holds: address}
      crc:     {bits: 23..16, holds: crc, polynomial: 0x2F, init: 0xFF}
      data:    {bits: [15..8, 30, 6..0], holds: data}
      spare:   {bits: 7, holds: fixed, value: 0}
    reply:
      parts:
        spare: {bits: 31..24, holds: ignored}
        crc:   {bits: 23..16, holds: crc, polynomial: 0x2F, init: 0xFF}
        data:  {bits: 15..0, holds: data}
registers:
  R: {address: 1, reset: 0, summary: two values, fields: {A: {bits: 15..9}, B: {bits: [8, 6..0]}}, reserved: {7: 0}}
"""
#: a part of each that small parts hold; the frames are what compilers have got wrong
SMALL = Options(prefix="gd", crc="loop", sections=select(["frames"]), split=True, include="gd.h")


def chip_of(name: str) -> Chip:
    own = {"odd": ODD, "line": LATER}
    if name not in own:
        return load_map(name)
    chip, problems = read_map(f"{name}.yaml", text=own[name])
    assert chip is not None, problems
    return chip


def put(
    name: str, options: Options, folder: Path, change: Callable[[str], str] = str
) -> list[Path]:
    chip = chip_of(name)
    made = generate(chip, options)
    files = {"gd.h": change(made.header), "test.c": self_test(chip, options, "gd.h")}
    if made.source is not None:
        files["gd.c"] = change(made.source)
    for file, text in files.items():
        (folder / file).write_text(text, "utf-8")
    return [folder / f for f in files if f.endswith(".c")]


def on_host(files: list[Path], folder: Path, gcc: str) -> int:
    main = folder / "main.c"
    main.write_text(
        MAIN
        + '#include <stdio.h>\nint main(void) { (void)printf("%u", gd_self_test()); return 0; }\n'
    )
    flags = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
    subprocess.run([gcc, *flags, *files, main, "-o", folder / "a"], check=True, cwd=folder)
    return int(subprocess.run([folder / "a"], capture_output=True, text=True, check=True).stdout)


@pytest.mark.parametrize("name", MAPS)
def test_on_the_host(name: str, tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    files = put(name, Options(prefix="gd"), tmp_path)
    text = (tmp_path / "test.c").read_text("utf-8")
    # each frame's routines, commands and replies
    for frame in chip_of(name).frames:
        for routine in ("pack", "check", "to_bytes", "from_bytes", "reply_errors", "make_read"):
            assert f"gd_{frame}_{routine}(" in text
        assert re.search(rf"gd_{frame}_(\w+_)?reply_unpack\(", text)
    assert on_host(files, tmp_path, need_tool("gcc")) == 0


def test_a_routine_that_is_wrong_is_noticed(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """As if a compiler had lost one shift, in any of the routines that the checks call."""
    header = generate(load_map("quoll16"), Options(prefix="gd")).header
    shifts = re.findall(r"unsigned int\)value << \d+U|address << \d+U|in\[0\] << \d+U", header)
    for shift in [shifts[0], shifts[len(shifts) // 2], shifts[-1]]:
        wrong = re.sub(r"<< (\d+)U", lambda m: f"<< {int(m[1]) - 1}U", shift)
        files = put("quoll16", Options(prefix="gd"), tmp_path, lambda t: t.replace(shift, wrong, 1))  # noqa: B023
        assert on_host(files, tmp_path, need_tool("gcc")) > 0, shift


#: a chain whose headers come back between the pieces of frames, with a check over the command and two kinds of reply
def in_language(
    language: str, name: str, folder: Path, tool: str, change: Callable[[str], str] = str
) -> int:
    """What the self-test of a map says, on the host."""
    chip, suffix = chip_of(name), {"cpp": "hpp", "rust": "rs"}[language]
    include = f"gd.{suffix}"
    # what is wrong would stop the build
    options = Options(prefix="gd", sections=select(without=["asserts"]))
    made = generate_in(language, chip, options)
    (folder / include).write_text(change(made.header), "utf-8")
    tests = self_test_in(language, chip, options, include)
    if language == "cpp":
        (folder / "gd_test.cpp").write_text(tests, "utf-8")
        (folder / "main.cpp").write_text(
            '#include <cstdio>\n#include "gd.hpp"\nnamespace gd { uint16_t self_test() noexcept; }\nint main() { std::printf("%u", gd::self_test()); }\n'
        )
        flags = [
            "-std=c++17",
            "-Wall",
            "-Wextra",
            "-Wpedantic",
            "-Wconversion",
            "-Wold-style-cast",
            "-Werror",
        ]
        command = [tool, *flags, "main.cpp", "gd_test.cpp", "-o", "a"]
    else:
        (folder / "gd_test.rs").write_text(tests, "utf-8")
        (folder / "main.rs").write_text(
            'mod gd;\nmod gd_test;\nfn main() { print!("{}", gd_test::self_test()); }\n'
        )
        command = [tool, "--edition", "2021", "-D", "warnings", "main.rs", "-o", "a"]
    subprocess.run(command, check=True, cwd=folder)
    return int(subprocess.run([folder / "a"], capture_output=True, text=True, check=True).stdout)


LANGUAGES = {"cpp": "g++", "rust": "rustc"}
IN_BOTH = [(n, x) for n in MAPS for x in LANGUAGES] if os.environ.get("GATEWORD_ALL_LANGUAGES") == "1" else [("potoroo40", "cpp"), ("bilby32", "rust")]  # fmt: skip


@pytest.mark.parametrize(("name", "language"), IN_BOTH)
def test_in_other_languages(
    name: str, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    assert in_language(language, name, tmp_path, need_tool(LANGUAGES[language])) == 0


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_routine_that_is_wrong_is_noticed_in_other_languages(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Another shift in a field's functions, in what packs a frame, and in what makes bytes of it."""
    options = Options(prefix="gd", sections=select(without=["asserts"]))
    header = generate_in(language, load_map("quoll16"), options).header
    places = [m.start() for m in re.finditer(r"<< \d+U?\)", header)]
    assert len(places) > 10
    for at in (places[3], places[len(places) // 2], places[-1]):

        def wrong(text: str, at: int = at) -> str:
            return (
                text[:at]
                + re.sub(r"\d+", lambda m: str(int(m[0]) - 1), text[at : at + 8], count=1)
                + text[at + 8 :]
            )

        assert in_language(language, "quoll16", tmp_path, need_tool(LANGUAGES[language]), wrong) > 0


# every map was run on every target once; these are the shapes that went wrong, half of them on demand
@pytest.mark.parametrize(
    ("name", "target"),
    [
        *((n, t) for n in ("bilby32", "odd") for t in TARGETS),
        ("wombat24", "stm8"),
        ("potoroo40", "mcs51"),
    ]
    if os.environ.get("GATEWORD_ALL_TARGETS") == "1"
    else [("bilby32", "stm8"), ("potoroo40", "mcs51"), ("odd", "stm8")],
)
def test_on_a_simulated_target(
    name: str, target: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    flags, simulator, port = TARGETS[target]
    sdcc = need_tool("sdcc")
    files = put(name, SMALL, tmp_path)
    # ucsim's simulation interface: 'p' prints the next character, 's' stops
    (tmp_path / "main.c").write_text(
        MAIN
        + f"#define PORT {port}\n"
        + "static void put(char c) { PORT = 'p'; PORT = (unsigned char)c; }\n"
        "void main(void)\n{\n    uint16_t n = gd_self_test();\n    uint16_t d;\n    put('=');\n"
        "    for (d = 10000U; d > 0U; d /= 10U) { put((char)('0' + (n / d) % 10U)); }\n"
        "    put(';');\n    PORT = 's';\n    for (;;) { }\n}\n"
    )
    objects = []
    for file in [tmp_path / "main.c", *files]:
        target_file = file.with_suffix(".rel")
        subprocess.run(
            [sdcc, *flags, *QUICK, "--std-c99", "-c", "-I", tmp_path, file, "-o", target_file],
            check=True,
        )
        objects.append(target_file)
    program = tmp_path / "a.ihx"
    subprocess.run([sdcc, *flags, *objects, "-o", program], check=True)
    # its console is held open: a simulator that reads the end of it stops in the middle
    with subprocess.Popen(
        [need_tool(simulator[0]), *simulator[1:], "-G", program],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    ) as running:
        end = Timer(120, running.kill)
        end.start()
        assert running.stdout is not None
        said = running.stdout.read()
        end.cancel()
    assert "=00000;" in said, said[-300:]
