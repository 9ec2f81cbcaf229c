"""Variants in one header: tables equal to those of a header for each, compiled, run and chosen in both ways."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.cheader import Options, generate
from regmap.errors import CallError
from regmap.stages.load import Stage, load_stage, read_stage

DEVICES = Path(__file__).parents[2] / "devices"
STRICT = [
    "-std=c99",
    "-Wall",
    "-Wextra",
    "-Wpedantic",
    "-Wconversion",
    "-Wshadow",
    "-Werror",
    "-Wno-unused-const-variable",
]
CHANGES: dict[str, tuple[str, str]] = {
    "pump_a": ("", ""),
    "pump_b": ("SOURCE: 120 mA", "SOURCE: 150 mA"),
    "pump_c": ("WINDOW: 60 ms", "WINDOW: 100 ms"),
    # the very settings of the first under another name
    "pump_d": ("title: Coolant pump", "title: The same pump"),
}
MEMBERS = ("frame", "wait_us", "mask", "expect", "kind")
SECTIONS = ("frames", "init", "verify", "run", "values", "asserts")


def variant(name: str) -> Stage:
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    stage, problems = read_stage(
        DEVICES / f"{name}.yaml",
        text=text.replace("name: coolant_pump", f"name: {name}").replace(*CHANGES[name], 1),
    )
    assert stage is not None, [str(p) for p in problems]
    return stage


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """gd.h for all four, and a header for each."""
    place = tmp_path_factory.mktemp("variants")
    stages = [variant(n) for n in CHANGES]
    (place / "gd.h").write_text(
        generate(stages[0], Options(prefix="gd", sections=SECTIONS), (), stages[1:]).header
    )
    for stage in stages:
        made = generate(stage, Options(prefix=stage.name, sections=SECTIONS))
        (place / f"{stage.name}.h").write_text(made.header)
    return place


def program(tables: list[str]) -> str:
    """Every table of every variant, element by element, against that of the variant's own header; the chosen ones too."""
    lines = ['#include "gd.h"', *(f'#include "{n}.h"' for n in CHANGES), "#include <stdio.h>", "#include <string.h>",
             "int main(void)", "{", "    gd_variant_t v;", "    unsigned int bad = 0U;"]  # fmt: skip
    for index, name in enumerate(CHANGES):
        lines.append(f"    GD_FETCH(&v, &gd_variants[GD_VARIANT_{name.upper()}]);")
        lines.append(
            f"    bad += (GD_VARIANT_{name.upper()} != {index}U) || (v.id != GD_VARIANT_{name.upper()}_ID);"
        )
        for table in tables:
            # with several boards a readback has the lock in the same table: each has its own by its name
            parts = [table, "locked_steps"] if table == "readback_steps" else [table]
            counts = [f"{name}_{p}_COUNT".upper() for p in parts]
            lines.append(f"    bad += v.{table}_count != {' + '.join(counts)};")
            for part, before in zip(parts, ("0U", counts[0]), strict=False):
                here, own = f"v.{table}[i + {before}]", f"{name}_{part}[i]"
                same = " || ".join(f"({here}.{m} != {own}.{m})" for m in MEMBERS)
                count = f"{name}_{part}_COUNT".upper()
                lines.append(f"    for (uint16_t i = 0U; i < {count}; i++) {{ bad += {same}; }}")
    chosen = [
        f"(GD_CHOSEN_{t.upper()} == gd_variants[GD_VARIANT].{t}) && (GD_CHOSEN_{t.upper()}_COUNT == gd_variants[GD_VARIANT].{t}_count)"
        for t in tables
    ]
    lines += ["#if defined(GD_VARIANT)", *(f"    bad += !({c});" for c in chosen), "#endif"]
    return "\n".join([*lines, '    (void)printf("%u\\n", bad);', "    return 0;", "}"]) + "\n"


def tables_of(text: str) -> list[str]:
    return re.findall(r"const gd_step_t \*(\w+_steps);", text)


@pytest.mark.parametrize("chosen", ["", *CHANGES])
def test_tables_equal_those_of_a_header_for_each(
    chosen: str, folder: Path, need_tool: Callable[[str], str]
) -> None:
    tables = tables_of((folder / "gd.h").read_text())
    assert {"init_steps", "readback_steps", "warm_steps"} <= set(tables)
    (folder / "main.c").write_text(program(tables))
    define = [f"-DGD_VARIANT=GD_VARIANT_{chosen.upper()}"] if chosen else []
    built = folder / f"program_{chosen}"
    subprocess.run(
        [need_tool("gcc"), *STRICT, "-Wno-unused-function", *define, "main.c", "-o", built],
        cwd=folder,
        check=True,
    )
    assert subprocess.run([built], capture_output=True, text=True, check=True).stdout == "0\n"


@pytest.mark.parametrize("compiler", ["avr-gcc", "g++"])
def test_other_compilers(compiler: str, folder: Path, need_tool: Callable[[str], str]) -> None:
    flags = {
        "avr-gcc": [*STRICT, "-mmcu=atmega328p", "-c", "-o", "/dev/null"],
        "g++": ["-std=c++11", "-x", "c++", "-Wall", "-Wextra", "-Werror", "-fsyntax-only"],
    }[compiler]
    use = '#define GD_VARIANT GD_VARIANT_PUMP_C\n#include "gd.h"\nuint16_t n(void);\nuint16_t n(void) { return GD_CHOSEN_INIT_STEPS_COUNT; }\n'
    (folder / "use.c").write_text(use)
    subprocess.run([need_tool(compiler), *flags, "use.c"], cwd=folder, check=True)


def test_a_number_that_is_no_variant_does_not_compile(
    folder: Path, need_tool: Callable[[str], str]
) -> None:
    (folder / "bad.c").write_text('#define GD_VARIANT 9\n#include "gd.h"\n')
    done = subprocess.run(
        [need_tool("gcc"), "-std=c99", "-fsyntax-only", "bad.c"],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode != 0
    assert "GD_VARIANT is none of the variants" in done.stderr


def test_what_is_the_same_stands_once(folder: Path) -> None:
    text = (folder / "gd.h").read_text()
    written = set(re.findall(r"^static const gd_step_t (\w+)\[", text, re.MULTILINE))
    assert not any(t.startswith("gd_pump_d") for t in written), "all tables of d are those of a"
    assert "gd_pump_b_init_steps" in written
    assert re.search(r"#define gd_pump_d_init_steps \(&gd_init_steps\[0U\]\)", text)
    # registers, frames and routines stand once: far from four headers
    assert len(text) < 0.55 * sum(len((folder / f"{n}.h").read_text()) for n in CHANGES)


def test_the_identity_is_that_of_each_stage(folder: Path) -> None:
    text = (folder / "gd.h").read_text()
    for name in CHANGES:
        found = re.search(rf"#define GD_VARIANT_{name.upper()}_ID\s+0x(\w+)UL", text)
        assert found is not None
        assert variant(name).digest.upper().startswith(found[1])


def test_stages_that_cannot_stand_together() -> None:
    first = variant("pump_a")
    with pytest.raises(CallError, match="of the map numbat24"):
        generate(first, Options(), (), [load_stage("conveyor_drum")])
    with pytest.raises(CallError, match="two variants are called pump_a"):
        generate(first, Options(), (), [variant("pump_a")])


def test_the_command(tmp_path: Path) -> None:
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    files = []
    for name in ("pump_a", "pump_b"):
        files.append(tmp_path / f"{name}.yaml")
        files[-1].write_text(
            text.replace("name: coolant_pump", f"name: {name}").replace(*CHANGES[name], 1)
        )
    out = tmp_path / "gd.h"
    words = [
        "header",
        files[0],
        "--variant",
        files[1],
        "--prefix",
        "gd",
        "--only",
        "run",
        "-o",
        out,
    ]
    subprocess.run([sys.executable, "-m", "regmap.cli.main", *map(str, words)], check=True)
    assert "GD_VARIANT_PUMP_B" in out.read_text()
