"""Constants that are whole commands: one bit wrong in one of them is told at its line, the check bits too.

The frames are those of the codec, whose check bits the maps' known frames prove (computed by hand in tests/devices/).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import cache

import pytest

from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.frames.codec import Codec, Sent
from regmap.frames.words import GUARDS
from regmap.lint.header import lint
from regmap.lint.mending import put_right
from regmap.maps.load import bundled, load_map

MAPS = [n for n in sorted(bundled("devices")) if "\ngateword_map:" in "\n" + bundled("devices")[n].read_text("utf-8")]  # fmt: skip
CHECKED = [n for n in MAPS if any(p.kind in GUARDS for f in load_map(n).frames.values() for p in f.command.parts)]  # fmt: skip
Namer = Callable[[str, str, str], str]


def joined(*words: str) -> str:
    return "_".join(w for w in words if w)


def camel(name: str) -> str:
    return "".join(w.capitalize() for w in name.split("_"))


#: how hands call (read, write or command, what it is about, what it holds)
STYLES: dict[str, Namer] = {
    "READ_MODE": lambda kind, name, held: joined("Q", kind or "CMD", name, held),
    "MODE_READ_FRAME": lambda kind, name, held: joined("Q", name, kind, "" if kind == "READ" else held, "FRAME"),
    "FRAME_RD_MODE": lambda kind, name, held: joined("Q_FRAME", kind.replace("READ", "RD").replace("WRITE", "WR"), name, held),
    "SPI_MODE_RD": lambda kind, name, _: joined("Q_SPI", name, kind.replace("READ", "RD").replace("WRITE", "WR") or "CMD"),
    "kReadMode": lambda kind, name, held: f"k{camel(kind or 'COMMAND')}{camel(name)}{camel(held)}",
}  # fmt: skip


def frames(chip: Chip) -> Iterator[tuple[str, str, str, Sent]]:
    """(READ, WRITE or nothing, register or command, what is written, frame) of what can be sent after a reset."""
    codec = Codec(chip)

    def tried(make: Callable[[], Sent]) -> list[Sent]:
        try:
            return [make()]
        except CallError:
            return []  # it travels in another state only

    for register in chip.registers.values():
        yield from (("READ", register.name, "", s) for s in tried(lambda r=register: codec.read(r)))  # type: ignore[misc]
        held = register.reset & ~register.stated | register.reserved_write & register.stated
        for name, word in (("INIT", register.reserved_write & register.stated), ("", held)):
            if register.settings:
                sent = tried(lambda r=register, w=word: codec.write(r, w))  # type: ignore[misc]
                yield from (("WRITE", register.name, name, s) for s in sent)
    for command in chip.commands.values():
        yield from (("", command.name, "", s) for s in tried(lambda c=command: codec.command(c)))  # type: ignore[misc]


@cache
def constants(chip: str, style: str) -> dict[str, Sent]:
    found: dict[str, Sent] = {}
    for kind, name, held, sent in frames(load_map(chip)):
        found.setdefault(STYLES[style](kind, name, held), sent)
    return found


def header(rows: dict[str, Sent], flip: Callable[[int, Sent], int]) -> str:
    return "".join(f"#define {n} 0x{s.word ^ flip(k, s):0{s.frame.length // 4}X}\n" for k, (n, s) in enumerate(rows.items()))  # fmt: skip


@pytest.mark.one_in(4)
@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("name", CHECKED)
def test_every_wrong_bit_of_every_frame_is_told(name: str, style: str) -> None:
    """Each constant with one bit wrong, another bit of it in each header."""
    chip, rows = load_map(name), constants(name, style)
    assert lint(chip, header(rows, lambda _k, _s: 0), "f.h").problems == ()
    lost = []
    for bit in range(max(s.frame.length for s in rows.values())):
        result = lint(chip, header(rows, lambda k, s, b=bit: 1 << (b + k) % s.frame.length), "f.h")  # type: ignore[misc]
        told = {p.place.line for p in result.problems}
        lost += [(n, bit) for k, n in enumerate(rows, 1) if k not in told]
    assert lost == []


@pytest.mark.parametrize("name", CHECKED)
def test_a_frame_that_is_alone_and_lacks_its_check_bits_is_told(name: str) -> None:
    chip = load_map(name)
    for called, sent in constants(name, "READ_MODE").items():
        guards = [p for p in sent.frame.command.parts if p.kind in GUARDS]
        bare = sent.word & ~sum(1 << b for p in guards for b in p.bits)
        # what is too small to be a frame may be another number
        register = sent.register
        if bare == sent.word or (register is not None and not bare >> register.width):
            continue
        [problem] = lint(chip, f"#define {called} 0x{bare:X}\n", "f.h").problems
        assert "check bits" in problem.found
        assert (problem.severity, f"{sent.word:X}" in problem.expected) == ("warning", True)
        problems = lint(chip, f"#define {called}_FRAME 0x{bare:X}\n", "f.h").problems
        assert {p.severity for p in problems} == {"error"}


def test_a_header_whose_commands_all_lack_check_bits_is_asked_about_them_once() -> None:
    """By hand: with odd parity over all 16 bits 0x8801 and 0x9001 read STATUS2 and STATUS3."""
    chip = load_map("quoll16")
    text = "#define Q_READ_STATUS2 0x8800\n#define Q_READ_STATUS3 0x9000\n#define Q_LOCK_ADDR 0xB\n"
    [problem] = lint(chip, text, "f.h").problems
    assert problem.found == "0x8800 without its check bits, as 1 more command"
    assert problem.expected == "0x8801 with them, unless the firmware adds them"
    # a doubt is not put right
    assert put_right(chip, text, "f.h").texts == {"f.h": text}
    wrong = text.replace("0x9000", "0x9001")
    [problem] = lint(chip, wrong, "f.h").problems
    assert (problem.place.line, problem.severity) == (1, "error")
    assert put_right(chip, wrong, "f.h").texts == {"f.h": wrong.replace("0x8800", "0x8801")}


def test_addresses_beside_commands_are_still_read() -> None:
    """Many names that begin with READ are no reason to take that for the prefix of all."""
    chip = load_map("quoll16")
    text = header(constants("quoll16", "READ_MODE"), lambda _k, _s: 0)
    more = "".join(f"#define Q_{r.name}_ADDR 0x{r.address:X}\n" for r in chip.registers.values())
    result = lint(chip, text + more, "f.h")
    assert (result.problems, result.skipped, result.prefix) == ((), (), "Q")
    assert lint(chip, text + more.replace("LOCK_ADDR 0xB", "LOCK_ADDR 0xA"), "f.h").problems != ()
