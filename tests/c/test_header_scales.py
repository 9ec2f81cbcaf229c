"""Scales in whole numbers, compiled: every code to its value, values back to codes, against the library's fractions."""

from __future__ import annotations

import ctypes
import random
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.cheader.chosen import UNITS
from regmap.cheader.languages.language import local
from regmap.cheader.names import word
from regmap.cheader.scales import line_of
from regmap.cheader.text import utype
from regmap.chip.model import Chip, Field, Scale
from regmap.chip.values import choose, scale_band
from regmap.errors import CallError
from regmap.maps.load import load_map, read_map
from regmap.quantity import show

from .written import ENDS, NAMES, TOOLS, put

#: what bundled chips do not have: a falling scale, ends that are taken, picoseconds, 64 bits
ODD = """
gateword_map: 1
chip: {name: odd, invented: yes, source: "Odd-16 data sheet (invented)"}
spi: {mode: 0}
frames:
  main:
    length: 24
    command: {rw: {bits: 23, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 22..16, holds: address}, data: {bits: 15..0, holds: data}}
    reply: {parts: {data: {bits: 15..0, holds: data}, rest: {bits: 23..16, holds: fixed, value: 0x5A}}}
registers:
  A:
    address: 1
    fields:
      FALLING: {bits: 5..0, scale: {step: -3 mV, offset: 500 mV}}
      OFF: {bits: 11..6, role: deadtime, scale: {step: 12.5 ns}, options: {0: "off"}}
    reserved: {15..12: 0}
  B:
    address: 2
    fields:
      COLD: {bits: 9..0, scale: {step: -0.25 degC, offset: 20 degC, signed: yes}}
      PART: {bits: 13..10, role: overcurrent.threshold, scale: {step: 7 mV, offset: 1 mV, first: 2, last: 13}}
    reserved: {15..14: 0}
  C: {address: 3, fields: {LONG: {bits: 15..0, scale: {step: 1.0001 s}}}}
  D: {address: 4, fields: {WIDE: {bits: 15..0, scale: {step: 1 ns, signed: yes}}}}
"""


def fields_of(chip: Chip) -> list[tuple[Field, Scale]]:
    return [
        (f, m.scale)
        for r in chip.registers.values()
        for f in r.fields
        for m in f.meanings
        if m.scale is not None and m.when is None and len(f.meanings) == 1
    ]


def odd() -> Chip:
    chip, problems = read_map("odd.yaml", text=ODD)
    assert chip is not None, problems
    return chip


CHIPS: dict[str, Callable[[], Chip]] = {
    "odd": odd,
    "numbat24": lambda: load_map("numbat24"),
    "wombat24": lambda: load_map("wombat24"),
    "bilby32": lambda: load_map("bilby32"),
}


def built(chip: Chip, folder: Path, language: str, tool: str) -> ctypes.CDLL:
    """One exported function for each conversion."""
    put(chip, language, folder)
    name = NAMES[language]
    text = [f'#[path = "{name}"]\nmod gd;' if language == "rust" else f'#include "{name}"']
    for index, (field, scale) in enumerate(fields_of(chip)):
        stem, unit = name_of(field, scale)
        low = utype(field.width)
        register, name = (local(n, set()) for n in (field.register, field.name))
        path = f"gd::reg::{register}::{name}"
        if language == "rust":
            small, line = low.removesuffix("_t").replace("uint", "u"), line_of(scale)
            assert line is not None
            kind = f"{'i' if line.signed else 'u'}{line.bits}"
            text.append(
                f'#[no_mangle] pub extern "C" fn to{index}(code: u32) -> i64 {{ {path}::to_{unit}(code as {small}) as i64 }}'
            )
            if field.writable:
                text.append(
                    f'#[no_mangle] pub extern "C" fn from{index}(v: i64, code: &mut u32) -> i32 {{\n'
                    f"    match {path}::from_{unit}(v as {kind}) {{ Ok(c) => {{ *code = c as u32; 1 }}, Err(c) => {{ *code = c as u32; 0 }} }}\n}}"
                )
            continue
        c = language == "c"
        start = "" if c else 'extern "C" '
        to = f"gd_{stem}_to_{unit}" if c else f"{path}::to_{unit}"
        text.append(
            f"{start}int64_t to{index}(uint32_t code); {start}int64_t to{index}(uint32_t code) "
            f"{{ return (int64_t){to}(({low})code); }}"
        )
        if field.writable:
            work = (
                f"{low} c = 0U; const bool ok = gd_{stem}_from_{unit}(v, &c); *code = c; return ok;"
            )
            if not c:
                work = f"const auto made = {path}::from_{unit}(static_cast<decltype({path}::to_{unit}(0))>(v)); *code = made.code; return made.inside;"
            text.append(
                f"{start}int from{index}(int64_t v, uint32_t *code); {start}int from{index}(int64_t v, uint32_t *code)\n"
                f"{{ {work} }}"
            )
    source = folder / f"scales.{ENDS[language]}"
    source.write_text("\n".join(text) + "\n")
    library = folder / "scales.so"
    sane = ["-Wall", "-Wextra", "-Werror", "-O1", "-shared", "-fPIC", "-fsanitize=undefined", "-fno-sanitize-recover"]  # fmt: skip
    flags = {
        "c": ["-std=c99", *sane],
        "cpp": ["-std=c++17", "-Wconversion", "-Wsign-conversion", *sane],
        "rust": ["--edition", "2021", "-D", "warnings", "--crate-type", "cdylib", "-C", "overflow-checks=on"],
    }[language]  # fmt: skip
    subprocess.run([tool, *flags, source, "-o", library], check=True)
    return ctypes.CDLL(str(library))


def name_of(field: Field, scale: Scale) -> tuple[str, str]:
    line = line_of(scale)
    assert line is not None
    return f"{word(field.register).lower()}_{word(field.name).lower()}", line.unit.lower()


@pytest.mark.parametrize("language", TOOLS)
@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.one_in(2)
def test_scales_are_exact_both_ways(
    name: str, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    chip = CHIPS[name]()
    library = built(chip, tmp_path, language, need_tool(TOOLS[language]))
    rng = random.Random(7)
    compared = 0
    for index, (field, scale) in enumerate(fields_of(chip)):
        line = line_of(scale)
        assert line is not None
        size = dict(UNITS[scale.dim])[line.unit]
        to = getattr(library, f"to{index}")
        to.restype = ctypes.c_int64
        taken = set(field.meanings[0].entries)
        numbers = [
            n for n in range(scale.first, scale.last + 1) if n % (1 << field.width) not in taken
        ]
        some = (
            numbers
            if len(numbers) <= 64
            else [*numbers[:20], *rng.sample(numbers, 24), *numbers[-20:]]
        )
        for number in some:
            wanted = scale_band(scale, number).typ
            assert to(ctypes.c_uint32(number % (1 << field.width))) * size == wanted, field.ref
        if not field.writable:
            continue
        back = getattr(library, f"from{index}")
        whole = [int(scale_band(scale, n).typ / size) for n in some]
        step = abs(line.step)
        values = {v + d for v in whole for d in (0, 1, -1, step // 2, (step + 1) // 2)}
        for value in sorted(rng.sample(sorted(values), min(60, len(values)))):
            if value < 0 and not line.signed:
                continue
            code = ctypes.c_uint32()
            inside = back(ctypes.c_int64(value), ctypes.byref(code))
            exact = value * size
            try:
                choice = choose(field, asked(exact, line.unit, size))
            except CallError:
                assert not inside, (field.ref, value)
                ends = min(numbers), max(numbers)
                assert code.value in {n % (1 << field.width) for n in ends}
                continue
            assert choice.reading.band is not None
            near = choice.reading.band.typ
            if near != exact and show(near, scale.dim) == show(exact, scale.dim):
                continue  # the library takes for equal what it shows as equal; C does not
            compared += 1
            assert (bool(inside), code.value) == (True, choice.code), (field.ref, value, choice)
    assert compared > 20


UNIT = {"S": "s", "MS": "ms", "US": "us", "NS": "ns", "PS": "ps", "A": "A", "MA": "mA", "UA": "uA", "V": "V", "MV": "mV", "UV": "uV", "DEGC": "degC"}  # fmt: skip


def asked(exact: Fraction, unit: str, size: Fraction) -> str:
    """The value as a person writes it."""
    if unit not in UNIT:  # one without a name of its own, in the unit above
        return f"{float(exact)} {'degC' if unit == 'MILLIDEGC' else ''}".strip()
    return f"{int(exact / size)} {UNIT[unit]}"
