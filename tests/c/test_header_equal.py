"""Frames, fields and faults in C equal those of the library, for every bundled chip.

The program is compiled once for each chip, with the undefined-behaviour sanitizer, and asked by
way of stdin. The library is the second implementation: integer bit lists there, shifts, masks and
tables in C here.
"""

from __future__ import annotations

import importlib.util
import random
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from regmap.behaviour.faults import explain, status_registers
from regmap.cheader import Options, generate
from regmap.chip.bank import Bank
from regmap.chip.bits import deposit, extract, mask_of
from regmap.chip.model import Chip, Layout
from regmap.frames.codec import Codec, build, bursts, inspect, split, wire_bytes
from regmap.maps.load import bundled, load_map, read_map

HERE = Path(__file__).parent / "header"
MAPS = [n for n, p in bundled("devices").items() if "gateword_map" in p.read_text("utf-8")]
WORDS = 10_000
FLAW = {"check_bits": 1, "fixed": 2, "operation": 4}


def helper() -> ModuleType:
    spec = importlib.util.spec_from_file_location("header_equal", HERE / "equal.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


equal = helper()


class Ask:
    """Collects questions, runs the program once, compares every answer."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.wanted: list[str] = []

    def add(self, op: str, *numbers: int, want: str) -> None:
        self.lines.append(f"{op} {' '.join(f'{n:x}' for n in numbers)}")
        self.wanted.append(want.strip())

    def run(self, program: Path) -> None:
        done = subprocess.run(
            [program],
            input="\n".join(self.lines) + "\n",
            capture_output=True,
            text=True,
            check=True,
        )
        answers = [line.strip() for line in done.stdout.splitlines()]
        assert len(answers) == len(self.wanted)
        wrong = [
            f"{q}: C says {a!r}, the library {w!r}"
            for q, a, w in zip(self.lines, answers, self.wanted, strict=True)
            if a != w
        ]
        assert not wrong, f"{len(wrong)} of {len(answers)} differ:\n" + "\n".join(wrong[:10])


def compile_program(chip: Chip, crc: str, folder: Path, gcc: str) -> Path:
    made = generate(chip, Options(prefix="gd", crc=crc))
    (folder / "gd.h").write_text(made.header, "utf-8")
    (folder / "equal.c").write_text(equal.program(chip, "gd.h"), "utf-8")
    program = folder / "equal"
    flags = ["-std=c99", "-O0", "-fsanitize=undefined", "-fno-sanitize-recover=all"]
    subprocess.run([gcc, *flags, folder / "equal.c", "-o", program], check=True)
    return program


def sample(layout: Layout, rng: random.Random, sent: int = 0) -> int:
    """A random word: half of them sound, a quarter with one bit flipped, a quarter anything."""
    word = rng.getrandbits(layout.length)
    kind = rng.randrange(4)
    if kind == 0:
        return word
    values = {}
    for part in layout.parts:
        if part.kind == "operation":
            values[part.name] = rng.choice(list(part.codes.values()))
        elif part.kind not in ("parity", "crc", "fixed", "chip"):
            values[part.name] = extract(word, part.bits)
    word = build(layout, values, sent)
    return word ^ 1 << rng.randrange(layout.length) if kind == 1 else word


def flaws(layout: Layout, word: int, sent: int | None = None) -> int:
    found = 0
    for flaw in inspect(layout, word, sent=sent):
        found |= FLAW[flaw.kind]
    return found


def ask_frames(ask: Ask, chip: Chip, rng: random.Random, words: int) -> None:
    codec = Codec(chip)
    for number, frame in enumerate(chip.frames.values()):
        for _ in range(words):
            word = sample(frame.command, rng)
            raw = b"".join(
                wire_bytes(v, n, msb_first=chip.spi.msb_first) for v, n in bursts(frame, word)
            )
            ask.add("C", number, word, want=f"{flaws(frame.command, word):x} {raw.hex()} {word:x}")
        for _ in range(words // 10):
            values = {p.name: rng.getrandbits(p.width) for p in equal.free_parts(frame)}
            ask.add("P", number, *values.values(), want=f"{build(frame.command, values):x}")
        counters = [p for p in frame.command.parts if p.kind == "counter"]
        for _ in range(words // 10 if counters else 0):
            word, sent = (
                sample(frame.command, rng),
                rng.choice((rng.randrange(20), rng.getrandbits(32))),
            )
            parts = split(frame.command, word)
            for part in counters:
                parts[part.name] = (part.start + part.step * sent) % (1 << part.width)
            for part in frame.command.parts:
                if part.kind in ("parity", "crc"):
                    del parts[part.name]
            ask.add("L", number, word, sent, want=f"{build(frame.command, parts):x}")
        for reply, layout in enumerate(frame.replies.values()):
            for _ in range(words // len(frame.replies)):
                sent = sample(frame.command, rng)
                word = sample(layout, rng, sent)
                parts = split(layout, word)
                shown, echo = [], 0
                for part in equal.shown_parts(layout):
                    value = parts[part.name]
                    if part.kind == "status" and part.width == 1:
                        value = int(value == part.active)
                    elif part.kind == "echo" and value != split(frame.command, sent)[part.of]:
                        echo = 8
                    shown.append(f"{value:x}")
                ask.add(
                    "R", number, reply, word, sent,
                    want=f"{flaws(layout, word, sent):x} {echo:x} {' '.join(shown)}",
                )  # fmt: skip
    resets = {n: r.reset for n, r in chip.registers.items() if r.reset is not None}
    # a layout may be in force in a state alone: C has a function for it all the same
    entered = Bank(chip, resets, states={n: True for n, s in chip.states.items() if s.entered_by})
    for register in chip.registers.values():
        frame = chip.frames[register.frame] if register.frame else chip.default_frame(register)
        bank = entered if frame.when is not None else None
        number = list(chip.frames).index(frame.name)
        for code, kind in enumerate(("read", "write")):
            if not equal.has_access(frame, kind):
                continue
            data = rng.getrandbits(register.width)
            given = {}
            args = []
            for part in equal.access_parts(frame, kind):
                value = {"address": register.address, "page": register.page or 0, "data": data}.get(
                    part.kind
                )
                if value is None:
                    value = given[part.name] = rng.getrandbits(part.width)
                args.append(value)
            sent = (
                codec.read(register, bank, given=given)
                if kind == "read"
                else codec.write(register, data, bank, given=given)
            )
            if sent.frame is frame:
                ask.add("A", number, code, *args, want=f"{sent.word:x}")


def ask_fields(ask: Ask, chip: Chip, rng: random.Random) -> None:
    for number, field in enumerate(equal.fields(chip)):
        width = chip.registers[field.register].width
        for _ in range(20):
            word, value = rng.getrandbits(width), rng.getrandbits(field.width)
            ask.add("G", number, word, want=f"{extract(word, field.bits):x}")
            if equal.settable(field):
                new = word & ~mask_of(field.bits) | deposit(value, field.bits)
                ask.add("S", number, word, value, want=f"{new:x}")


def ask_faults(ask: Ask, chip: Chip, rng: random.Random) -> None:
    names = status_registers(chip)
    for _ in range(300):
        words = {}
        for name in names:
            bits = chip.registers[name].width
            words[name] = rng.getrandbits(bits) & rng.getrandbits(bits) & rng.getrandbits(bits)
        found = explain(chip, words)
        if found.wiring:
            continue
        parent = {c.fault.name: "" for c in found.findings}

        def walk(items, parent=parent):  # type: ignore[no-untyped-def]
            for item in items:
                for child in item.consequences:
                    parent[child.fault.name] = item.fault.name
                walk(item.consequences)

        walk(found.findings)
        want = " ".join(f"{f.name}<{parent[f.name]}" for f in found.raised)
        ask.add("D", *words.values(), want=want)


ODD = """
gateword_map: 1
chip: {name: odd, title: frames that no bundled map has (invented), invented: yes}
spi: {mode: 0, bit_order: BITORDER}
frames:
  long:
    length: 64
    command:
      op:   {bits: 63..62, holds: operation, codes: {read: 1, write: 2}}
      addr: {bits: [61, 3..0], holds: address}
      data: {bits: [60..40, 14..4], holds: data}
      sums: {bits: 39..24, holds: crc, polynomial: 0x1021, init: 0x1D0F, xor: 0xFFFF, reflect_in: yes, reflect_out: yes, prefix: 0b10110, over: [63..45, 23..0]}
      n:    {bits: 23..20, holds: counter, start: 3, step: 5}
      odd:  {bits: 19, holds: parity, parity: odd, over: [63..40, 18..0]}
      rest: {bits: 18..15, holds: ignored, value: 0b0110}
    reply:
      parts:
        crc:  {bits: 63..32, holds: crc, polynomial: 0x04C11DB7, init: 0xFFFFFFFF, xor: 0xFFFFFFFF, reflect_in: yes, reflect_out: yes, over: 31..0}
        data: {bits: 31..0, holds: data}
  short:
    length: 13
    bursts: [5, 8]
    when: MODE.SHORT == 1
    command:
      rw:   {bits: 12, holds: operation, codes: {read: 0, write: 1}}
      addr: {bits: 11..9, holds: address}
      data: {bits: 8..3, holds: data}
      crc:  {bits: 2..0, holds: crc, polynomial: 0x3, init: 0x5, flush: 3}
    reply:
      parts:
        bad:   {bits: 12, holds: status, active: 0}
        state: {bits: 11..10, holds: status}
        three: {bits: 9, holds: fixed, value: 1}
        data:  {bits: 8..3, holds: data}
        crc:   {bits: 2..0, holds: crc, polynomial: 0x3, init: 0x5, xor: 0x7, reflect_in: yes}
registers:
  MODE: {address: 1, width: 6, reset: 0, fields: {SHORT: {bits: 0}, WILD: {bits: [5, 2, 4, 1]}}}
  WIDE: {address: 2, frame: long, width: 32, reset: 0, fields: {ALL: {bits: 31..0}}}
"""

#: check bits of replies that run over the answered command too, 130 bits and 21 of them, and a shared address
BOTH = """
gateword_map: 1
chip: {name: both, title: checks over command and reply (invented), invented: yes}
spi: {mode: 0, bit_order: BITORDER}
frames:
  long:
    length: 64
    command:
      op:   {bits: 63..62, holds: operation, codes: {read: 1, write: 2}}
      here: {bits: 61..59, holds: chip, value: 2, shared: [7, 5]}
      addr: {bits: 58..54, holds: address}
      data: {bits: 53..8, holds: data}
      crc:  {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 63..8}
    reply:
      parts:
        here: {bits: 63..61, holds: chip, value: 2}
        two:  {bits: 60, holds: parity, parity: odd, over: [63..61, 59..16], over_command: [61..8, 3]}
        fill: {bits: 59..56, holds: ignored}
        data: {bits: 55..16, holds: data}
        crc:  {bits: 15..0, holds: crc, polynomial: 0x1021, init: 0x1D0F, xor: 0xFFFF, reflect_in: yes, reflect_out: yes, prefix: 0b10110, over: 63..16, over_command: 63..0}
  short:
    length: 13
    when: MODE.SHORT == 1
    command:
      rw:   {bits: 12, holds: operation, codes: {read: 0, write: 1}}
      addr: {bits: 11..9, holds: address}
      data: {bits: 8..3, holds: data}
      crc:  {bits: 2..0, holds: crc, polynomial: 0x3, init: 0x5}
    reply:
      parts:
        four: {bits: 12..9, holds: fixed, value: 4}
        data: {bits: 8..3, holds: data}
        crc:  {bits: 2..0, holds: crc, polynomial: 0x3, init: 0x5, over: 12..3, over_command: [12..9, 2..0, 8..5]}
registers:
  MODE: {address: 1, width: 6, reset: 0, fields: {SHORT: {bits: 0}, REST: {bits: 5..1}}}
  WIDE: {address: 2, frame: long, width: 40, reset: 0, fields: {ALL: {bits: 39..0}}}
"""


@pytest.mark.parametrize("crc", ["table", "loop"])
def test_check_bits_over_the_answered_command(
    crc: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    order = {"table": "msb_first", "loop": "lsb_first"}[crc]
    chip, problems = read_map("both.yaml", text=BOTH.replace("BITORDER", order))
    assert chip is not None, problems
    program = compile_program(chip, crc, tmp_path, need_tool("gcc"))
    ask = Ask()
    rng = random.Random(6)
    ask_frames(ask, chip, rng, 1000)
    ask_fields(ask, chip, rng)
    ask.run(program)


@pytest.mark.parametrize("order", ["msb_first", "lsb_first"])
@pytest.mark.parametrize("crc", ["table", "loop"])
def test_odd_frames(order: str, crc: str, tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """Any width, scattered guards, prefixes and rests that are no whole groups of eight."""
    chip, problems = read_map("odd.yaml", text=ODD.replace("BITORDER", order))
    assert chip is not None, problems
    program = compile_program(chip, crc, tmp_path, need_tool("gcc"))
    ask = Ask()
    rng = random.Random(5)
    ask_frames(ask, chip, rng, 1000)
    ask_fields(ask, chip, rng)
    ask.run(program)


@pytest.mark.parametrize("name", MAPS)
def test_c_equals_the_library(name: str, tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    chip = load_map(name)
    rng = random.Random(name)
    # every second chip by the small checksum, so that both are held
    crc = ("table", "loop")[MAPS.index(name) % 2]
    program = compile_program(chip, crc, tmp_path, need_tool("gcc"))
    ask = Ask()
    ask_frames(ask, chip, rng, WORDS // (2 * len(chip.frames)))
    ask_fields(ask, chip, rng)
    ask_faults(ask, chip, rng)
    assert len(ask.lines) >= WORDS
    ask.run(program)
