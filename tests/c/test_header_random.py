"""Random maps through header generation: strictly compiled, and frames and fields equal to the library's.

GATEWORD_RANDOM_HEADERS=200 pytest tests/c/test_header_random.py takes so many maps (the suite a few) through the compilers
and targets of the matrix in rotation: of 200 maps each compiler sees 100 and each of sdcc's targets 66.
GATEWORD_RANDOM_PART=0:50 takes the first 50 of them. With `-s` it prints what each has compiled.
"""

from __future__ import annotations

import importlib.util
import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

from hypothesis import HealthCheck, Phase, given, seed, settings

from regmap.cheader import Options, generate, select
from regmap.cheader.languages import generate_in
from regmap.maps.load import read_map

HERE = Path(__file__).parent
COUNT = int(os.environ.get("GATEWORD_RANDOM_HEADERS", "4"))
BEGIN, END = map(int, os.environ.get("GATEWORD_RANDOM_PART", f"0:{COUNT}").split(":"))
WARNINGS = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Wundef", "-Werror"]
CHECKED = [
    ("gcc", ["-std=c99", "-O2", "-c"]),
    ("clang", ["-std=c11", "-fsyntax-only", "-Wno-unused-function"]),
    ("clang", ["-std=gnu2x", "-fsyntax-only", "-Wno-unused-function"]),
    ("clang", ["--target=msp430", "-std=c99", "-ffreestanding", "-fsyntax-only", "-Wno-unused-function"]),
    ("g++", ["-std=c++11", "-x", "c++", "-fsyntax-only"]),
]  # fmt: skip
#: on demand only
MATRIX = [
    ("gcc", ["-std=gnu17", "-O1", "-c"]),
    ("clang", ["-std=c99", "-fsyntax-only", "-Wno-unused-function"]),
    ("clang++", ["-std=c++20", "-x", "c++", "-fsyntax-only", "-Wno-unused-function"]),
    ("avr-gcc", ["-mmcu=atmega328p", "-std=c99", "-Os", "-c"]),
    ("arm-none-eabi-gcc", ["-mcpu=cortex-m0", "-mthumb", "-std=c99", "-Os", "-c"]),
    ("arm-none-eabi-gcc", ["-mcpu=cortex-m4", "-mthumb", "-std=c11", "-O2", "-c"]),
    ("clang", ["--target=riscv32-unknown-elf", "-std=c99", "-ffreestanding", "-fsyntax-only", "-Wno-unused-function"]),
]  # fmt: skip
#: with a coarse choice of registers, which takes a fifth of the time
SDCC = [
    [*target, "--max-allocs-per-node", "200"]
    for target in (["-mmcs51", "--model-large", "--stack-auto"], ["-mstm8"], ["-mz80"])
]
#: bytes of a header from which on an 8-bit target takes it without helpers
LARGE = 150_000
ON_DEMAND = "GATEWORD_RANDOM_HEADERS" in os.environ


#: what the assembler says of more code than its addresses reach
BEYOND_64_KB = "truncated to 16 bits"


def sdcc(
    folder: Path, flags: list[str], need_tool: Callable[[str], str]
) -> subprocess.CompletedProcess[str]:
    """The pair compiled for an 8-bit part."""
    return subprocess.run(
        [need_tool("sdcc"), *flags, "--std-c99", "-c", "pair.c", "-o", "pair.rel"],
        cwd=folder, capture_output=True, text=True, check=False,
    )  # fmt: skip


def turn(index: int) -> list[tuple[str, list[str]]]:
    """The compilers of a map, without sdcc: half of the matrix, in the suite two."""
    if ON_DEMAND:
        return [c for i, c in enumerate([*CHECKED, *MATRIX]) if (i + index) % 2 == 0]
    return [CHECKED[index % len(CHECKED)], CHECKED[(index + 2) % len(CHECKED)]]


def beside(path: Path) -> ModuleType:
    found = importlib.util.spec_from_file_location(f"random_{path.parent.name}_{path.stem}", path)
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


header_equal = beside(HERE / "test_header_equal.py")
map_texts = beside(HERE.parent / "maps" / "conftest.py").map_texts


def random_maps(count: int) -> list[str]:
    """Texts of valid maps, the same in every run."""
    texts: list[str] = []

    @seed(20)
    @settings(max_examples=2 * count, database=None, deadline=None, phases=[Phase.generate],
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(text=map_texts())
    def collect(text: str) -> None:
        if text not in texts:
            texts.append(text)

    collect()
    # the first are the simplest; the suite wants the odd ones as well
    return texts[::2][:count] if len(texts) >= 2 * count else texts[-count:]


def test_headers_of_random_maps(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    texts = random_maps(COUNT)
    assert len(texts) == COUNT
    asked = 0
    compiled: Counter[str] = Counter()
    for index, text in list(enumerate(texts))[BEGIN:END]:
        chip, problems = read_map("random.yaml", text=text)
        assert chip is not None, problems
        folder = tmp_path / str(index)
        folder.mkdir()
        crc = ("table", "loop")[index % 2]
        program = header_equal.compile_program(chip, crc, folder, need_tool("gcc"))
        pair = generate(chip, Options(prefix="gd", split=True, include="pair.h", crc=crc))
        (folder / "pair.h").write_text(pair.header, "utf-8")
        (folder / "pair.c").write_text(str(pair.source), "utf-8")
        for tool, flags in turn(index):
            compiled[" ".join([tool, *flags[:2]])] += 1
            done = subprocess.run(
                [need_tool(tool), *flags, *WARNINGS, "pair.c"], cwd=folder, capture_output=True, text=True
            )  # fmt: skip
            assert (done.returncode, done.stderr) == (0, ""), (index, tool, done.stderr[:2000])
        for flags in [SDCC[index % 3]] if ON_DEMAND else []:
            compiled[f"sdcc {flags[0]}"] += 1
            done = None if len(pair.header) > LARGE else sdcc(folder, flags, need_tool)
            # get and set of thousands of fields do not fit into 64 KB of code; nor does, on 8 bits, a frame of 64
            # bits of which each stands somewhere else, as no chip has it
            for left_out in (["helpers"], ["helpers", "frames"]):
                if done is None or BEYOND_64_KB in done.stderr:
                    small = Options(prefix="gd", split=True, include="pair.h", crc=crc, sections=select(without=left_out))  # fmt: skip
                    part = generate(chip, small)
                    (folder / "pair.h").write_text(part.header, "utf-8")
                    (folder / "pair.c").write_text(str(part.source), "utf-8")
                    compiled[f"sdcc without {' and '.join(left_out)}"] += 1
                    done = sdcc(folder, flags, need_tool)
            assert (done.returncode, done.stderr) == (0, ""), (index, flags, done.stderr[:2000])
        (folder / "gd.hpp").write_text(
            generate_in("cpp", chip, Options(prefix="gd")).header, "utf-8"
        )
        (folder / "t.cpp").write_text('#include "gd.hpp"\n', "utf-8")
        more = ["-std=c++17", "-Wold-style-cast", "-Wsign-conversion", "-fsyntax-only"]
        done = subprocess.run([need_tool("g++"), *more, *WARNINGS, "t.cpp"], cwd=folder, capture_output=True, text=True)  # fmt: skip
        assert (done.returncode, done.stderr) == (0, ""), (text, done.stderr[:2000])
        ask = header_equal.Ask()
        rng = random.Random(index)
        header_equal.ask_frames(ask, chip, rng, 200)
        header_equal.ask_fields(ask, chip, rng)
        ask.run(program)
        asked += len(ask.lines)
    if ON_DEMAND:
        sys.stdout.write(f"\n{END - BEGIN} maps: {dict(compiled)}\n")
    assert asked > 250 * (END - BEGIN)
