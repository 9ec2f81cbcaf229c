"""One number of a generated header changed: `vet --against` finds it wherever the map says what it must be.

The numbers are those of named constants in C and C++, of every bundled map and stage, and the commands and masks in tables of
steps. What no map can say is left out by the rules of `NOT_OF_THE_MAP`, each with its reason; all else must be found, at its line.
The suite changes a sample of four headers that never changes. GATEWORD_EVERY_NUMBER=1 changes every number of every header, some
fifty at a time, and with `-s` prints how many that were and how many were found.
"""

from __future__ import annotations

import os
import random
import re
import sys
from collections.abc import Iterator, Mapping
from functools import cache
from itertools import zip_longest
from types import MappingProxyType
from typing import NamedTuple

import pytest

from regmap.cheader import Options, generate
from regmap.cheader.languages import generate_in
from regmap.chip.model import Chip
from regmap.frames.codec import Codec
from regmap.lint.header import lint
from regmap.maps.load import bundled, load_map
from regmap.quantity import show
from regmap.stages.load import load_stage

EVERY = os.environ.get("GATEWORD_EVERY_NUMBER") == "1"
NAMES = sorted(bundled("devices"))
HEADERS = (
    [(n, x) for n in NAMES for x in ("c", "cpp")]
    if EVERY
    else [("coolant_pump", "c"), ("bilby32", "c"), ("conveyor_drum", "cpp"), ("potoroo40", "cpp")]
)
#: changes in one header at a time, far enough apart that none hides another
TOGETHER = 48
#: names of constants of which a map says nothing -> why
NOT_OF_THE_MAP = {
    r"HASH$": "of what the documents say",
    r"_(COUNT|FIRST|STEP|TICKS|MOST|MOST_US)$": "how long a table is, and where in it something stands",
    r"_(SHADOW_\w+|STATUS_INDEX_\w+)$": "where in a structure something stands",
    r"_(FAULT_ID_\w+|FAULT_NONE|SEVERITY_\w+|CLEARED_BY_\w+)$": "the header's own numbers of faults and of what clears them",
    r"_(FRAME_ERROR|ERROR|RUN|STEP|STEP_KIND_T|RESULT_T|SEVERITY_T|FORMAT|MONITOR_TEST|DRIVE_MODE\w*)_\w+$": "the header's own codes",
    r"_(NS|US|MA|MV|UV|PERMILLE|MC|PC|NA|UA|S|MS|V|A)_(MIN|TYP|MAX)$": "what the stage chose, not the chip",
    r"_FTTI_US$": "of the stage",
    r"_WIDE_BITS$": "of the language",
    r"_ADDRESS_2_\w+$": "a field that is called in C++ as something of its register is",
}


class Number(NamedTuple):
    """A number as it stands: what it is called, and where."""

    name: str
    start: int
    end: int


@cache
def written(name: str, language: str) -> tuple[Chip, str]:
    """The chip of a map or stage, and its header."""
    is_map = "\ngateword_map:" in "\n" + bundled("devices")[name].read_text("utf-8")
    source = load_map(name) if is_map else load_stage(name)
    chip = source if isinstance(source, Chip) else source.chip
    options = Options(prefix="gd")
    made = generate(source, options) if language == "c" else generate_in("cpp", source, options)
    return chip, made.header


def bare(text: str) -> str:
    """Without comments and strings, everything else where it stood."""
    return re.sub(r'/\*.*?\*/|//[^\n]*|"[^"\n]*"', lambda m: re.sub(r"[^\n]", " ", m[0]), text, flags=re.S)  # fmt: skip


NUMBER = r"(0x[0-9A-Fa-f]+|\d+)U?L{0,2}"


def constants(text: str, language: str) -> Iterator[Number]:
    """Every named constant that is one number; in C++ with the namespaces and the enumeration around it."""
    code = bare(text)
    if language == "c":
        for match in re.finditer(rf"^#define (\w+) +{NUMBER} *$", code, re.M):
            yield Number(match[1], *match.span(2))
        return
    scopes: list[str] = []
    tokens = rf"namespace (\w+) \{{|enum class (\w+)[^{{;]*\{{|constexpr [\w:]+ (\w+) = {NUMBER};|^ *(\w+) = {NUMBER},|(\{{)|(\}})"
    for match in re.finditer(tokens, code, re.M):
        if match[1] or match[2] or match[7]:
            scopes.append(match[1] or match[2] or "")
        elif match[8]:
            scopes.pop()
        else:
            name, at = (match[3], 4) if match[3] else (match[5], 6)
            yield Number("_".join([*(s for s in scopes if s), name]).upper(), *match.span(at))


class StepRow(NamedTuple):
    """A row of a table of steps."""

    command: Number
    mask: Number
    expect: Number
    kind: str


def rows(text: str) -> Iterator[StepRow]:
    found = re.finditer(rf"\{{{NUMBER}, \d+U, {NUMBER}, {NUMBER}, ([\w:]+)", bare(text))
    for match in found:
        cells = [Number(n, *match.span(k)) for k, n in enumerate(("command", "mask", "expect"), 1)]
        yield StepRow(*cells, match[4].upper())


def changed(text: str, numbers: list[Number], draw: random.Random, bits: Mapping[int, int]) -> str:
    """Each of them another number: one bit, or one more or less; `bits` are those to change, by where the number stands."""
    for number in sorted(numbers, key=lambda n: -n.start):
        old = text[number.start : number.end]
        value = int(old, 0)
        bit = 1 << draw.randrange(max(1, value.bit_length()))
        new = draw.choice([value ^ bit, value + 1, value - 1 if value else value + 1])
        if number.name in ("command", "mask"):
            new = value ^ bits.get(number.start, bit)
        told = f"0x{new:X}" if old.startswith("0x") else str(new)
        text = text[: number.start] + told + text[number.end :]
    return text


def missed(
    chip: Chip,
    text: str,
    numbers: list[Number],
    seed: str,
    bits: Mapping[int, int] = MappingProxyType({}),
) -> list[str]:
    """Which of these changes, some at a time, are not found at their line."""
    draw = random.Random(seed)
    draw.shuffle(numbers)
    found = []
    for some in groups(text, numbers):
        told = {p.place.line for p in lint(chip, changed(text, some, draw, bits), "gd.h").problems}
        found += [n.name for n in some if text.count("\n", 0, n.start) + 1 not in told]
        if not EVERY:
            break
    return found


def groups(text: str, numbers: list[Number]) -> Iterator[list[Number]]:
    """What is changed at a time: of commands one of each table, for one that is no command of the chip in most rows is none of its."""
    if numbers[0].name != "command":
        yield from (numbers[at : at + TOGETHER] for at in range(0, len(numbers), TOGETHER))
        return
    tables: dict[int, list[Number]] = {}
    for number in numbers:
        tables.setdefault(text.rfind("= {", 0, number.start), []).append(number)
    # alone in its table, nothing tells that it should be one of this chip
    more = [rows for rows in tables.values() if len(rows) > 1]
    yield from ([n for n in some if n] for some in zip_longest(*more))


def several_codes(chip: Chip) -> tuple[str, ...]:
    """Options that several codes of a field mean, as names end with them: another of those codes is as right."""
    found = []
    for register in chip.registers.values():
        for field in register.fields:
            labels = [
                e.name or (show(e.band.typ, e.band.dim) if e.band is not None else "")
                for m in field.meanings
                for e in m.entries.values()
            ]
            for label in {x for x in labels if labels.count(x) > 1}:
                text = re.sub(r"[^A-Za-z0-9]", "", f"{field.name}{label}").upper()
                value = re.sub(r"[^A-Za-z0-9]", "", f"{field.name}V{label}").upper()
                found += [text, value]
    return tuple(found)


def told(what: str, name: str, language: str, of: int, lost: list[str]) -> None:
    if EVERY:
        sys.stdout.write(
            f"\n{name} {language}: {of} {what} changed, {of - len(lost)} found {lost[:8]}\n"
        )


@pytest.mark.parametrize(("name", "language"), HEADERS)
@pytest.mark.one_in(2)
def test_a_changed_constant_is_found(name: str, language: str) -> None:
    chip, text = written(name, language)
    rules = [re.compile(r) for r in NOT_OF_THE_MAP]
    every = list(constants(text, language))
    same = several_codes(chip)
    numbers = [
        n
        for n in every
        if not any(r.search(f"_{n.name}") for r in rules)
        and not re.sub(r"[^A-Z0-9]", "", n.name.upper().replace("_OPTION", "")).endswith(same)
    ]
    # most of a map's header is about the chip; a stage's own numbers are more
    assert 2 * len(numbers) > len(every)
    lost = missed(chip, text, numbers, name)
    told("constants", name, language, len(numbers), lost)
    assert lost == []


STAGES = [(n, x) for n, x in HEADERS if "\ngateword_stage:" in bundled("devices")[n].read_text("utf-8")]  # fmt: skip


@pytest.mark.parametrize(("name", "language"), STAGES)
@pytest.mark.one_in(2)
def test_a_changed_command_of_a_table_is_found(name: str, language: str) -> None:
    """One bit of it: every bundled chip has check bits. What is merged with bits that are read gets its check bits later."""
    chip, text = written(name, language)
    numbers = [r.command for r in rows(text) if not r.kind.endswith(("WAIT", "MERGE"))]
    numbers = [n for some in groups(text, numbers) for n in some]
    assert len(numbers) > 20
    lost = missed(chip, text, numbers, name)
    told("commands", name, language, len(numbers), lost)
    assert lost == []


@pytest.mark.parametrize(("name", "language"), STAGES)
@pytest.mark.one_in(2)
def test_a_mask_that_lost_a_bit_is_found(name: str, language: str) -> None:
    """Of a field of several bits, or one that the expected word has: the register is that which the row's command reads."""
    chip, text = written(name, language)
    codec = Codec(chip)
    numbers, bits = [], {}
    for row in rows(text):
        if not row.kind.endswith("EXPECT"):
            continue
        command, mask, expect = (int(text[n.start : n.end], 0) for n in row[:3])
        register = codec.decode_command(command, frame=next(iter(chip.frames.values()))).register
        if register is None:
            continue
        seen = expect | sum(f.mask for f in register.fields if f.width > 1)
        for bit in range(register.width):
            if mask & seen & 1 << bit:
                numbers.append(row.mask)
                bits[row.mask.start] = 1 << bit
                break
    assert len(numbers) > 10
    lost = missed(chip, text, numbers, name, bits)
    told("masks", name, language, len(numbers), lost)
    assert lost == []


def test_a_changed_mask_of_reserved_bits_kept_bits_and_readback_is_found_in_other_hands() -> None:
    """As somebody else might call them: by hand from the map of the invented chip numbat24."""
    chip = load_map("numbat24")
    register = next(r for r in chip.registers.values() if r.kept and r.read_back and r.stated == 0)
    lines = {
        f"DRV_{register.name}_RSVD_MASK": register.reserved,
        f"DRV_{register.name}_KEEP_MASK": register.kept,
        f"DRV_{register.name}_READBACK_MASK": register.read_back,
    }
    anchor = "".join(f"#define DRV_{r.name}_ADDR {r.address}\n" for r in chip.registers.values())
    text = anchor + "".join(f"#define {n} 0x{v:02X}\n" for n, v in lines.items())
    assert lint(chip, text, "h.h").problems == ()
    for name, value in lines.items():
        for bit in range(register.width):
            new = text.replace(f"{name} 0x{value:02X}", f"{name} 0x{value ^ 1 << bit:02X}")
            problems = lint(chip, new, "h.h").problems
            # to compare one field less, or what is kept as well, is as sound
            wide = any(f.width > 1 and f.mask >> bit & 1 for f in register.fields)
            fine = "READBACK" in name and not wide and register.shows >> bit & 1
            assert bool(problems) != fine, (name, bit)
