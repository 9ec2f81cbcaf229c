"""Every single flipped bit of every frame of every bundled chip is rejected; every word survives."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

import pytest

from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.chip import values
from regmap.chip.bank import Bank
from regmap.chip.bits import extract
from regmap.chip.model import Chip, Command, Frame
from regmap.frames.codec import Codec, Sent
from regmap.maps.load import load_map

CHIPS = ["quoll16", "quokka16", "kowari16", "numbat24", "bilby32", "potoroo40", "wombat24"]

#: what leads a chip into each of its layouts
BEFORE: dict[str, list[list[str]]] = {
    "wombat24": [[], ["SAFETY.CRC = on"], ["DIAG_ON"]],
}


def banks(chip: Chip) -> Iterator[Bank]:
    for texts in BEFORE.get(chip.name, [[]]):
        machine = Machine(chip)
        for planned in plan(chip, texts):
            machine.apply(planned.sent)
        yield machine.bank


def patterns(width: int) -> list[int]:
    full = (1 << width) - 1
    return sorted({0, full, 0x5555555555555555 & full, 0xAAAAAAAAAAAAAAAA & full, 1, full >> 1})


def requests(chip: Chip) -> Iterator[Sent]:
    """Every read, writes with several patterns, and every command, in every layout of the chip."""
    codec = Codec(chip)
    for bank in banks(chip):
        for register in chip.registers.values():
            if codec.recogniser.frame_for(register, bank) is None:
                continue  # the layout that carries it is not in force
            yield codec.read(register, bank)
            room = codec.frame_in_force(bank, register).command.of_kind("data")
            assert room is not None
            for word in patterns(min(register.width, room.width)):
                yield codec.write(register, word, bank)
        for command in chip.commands.values():
            frame = codec.recogniser.frame_for(command, bank)
            if frame is not None and _fits(frame, command):
                yield codec.command(command, 0x155 if command.takes_data else None, bank)


def _fits(frame: Frame, command: Command) -> bool:
    """Whether the command's parts exist and fit in this layout."""
    parts = {p.name: p.width for p in frame.command.parts}
    return all(n in parts and v >> parts[n] == 0 for n, v in command.parts.items())


@pytest.mark.parametrize("name", CHIPS)
def test_every_flip_of_every_frame_is_rejected(name: str) -> None:
    chip = load_map(name)
    codec = Codec(chip)
    frames = replies = 0
    for sent in requests(chip):
        assert codec.decode_command(sent.word, frame=sent.frame).flaws == ()
        for bit in range(sent.frame.length):
            broken = codec.decode_command(sent.word ^ 1 << bit, frame=sent.frame)
            assert broken.flaws, f"{name} {sent.kind} 0x{sent.word:X} bit {bit}"
        frames += 1
        layout = codec.reply_layout(sent)
        if layout is None:
            continue
        width = sent.register.width if sent.register is not None else 8
        for data in patterns(width)[:3]:
            word = codec.build_reply(sent, data)
            assert codec.decode_reply(word, sent).flaws == ()
            for bit in range(sent.frame.length):
                assert codec.decode_reply(word ^ 1 << bit, sent).flaws, (
                    f"reply 0x{word:X} bit {bit}"
                )
            replies += 1
    assert frames > len(chip.registers)
    assert replies > len(chip.registers)


@pytest.mark.parametrize("name", CHIPS)
def test_a_dead_line_is_no_frame(name: str) -> None:
    """All zeros and all ones never pass as a command or as a reply."""
    chip = load_map(name)
    codec = Codec(chip)
    for bank in banks(chip):
        frame = codec.frame_in_force(bank)
        sent = codec.read(next(iter(chip.registers.values())), bank)
        for word in (0, (1 << frame.length) - 1):
            assert codec.decode_command(word, frame=frame).flaws
            assert codec.decode_reply(word, sent).flaws


@pytest.mark.parametrize("name", ["quoll16", "numbat24"])
def test_every_word_survives_encode_then_decode(name: str) -> None:
    chip = load_map(name)
    codec = Codec(chip)
    for register in chip.registers.values():
        asked = codec.read(register)
        again = codec.decode_command(asked.word)
        assert (again.kind, again.register, again.flaws) == ("read", register, ())
        for word in range(1 << register.width):
            sent = codec.write(register, word)
            seen = codec.decode_command(sent.word)
            assert (seen.kind, seen.register, seen.data) == ("write", register, word)
            assert not seen.flaws
            answer = codec.decode_reply(codec.build_reply(asked, word), asked)
            assert answer.data == word
            assert not answer.flaws


@pytest.mark.parametrize("name", CHIPS)
def test_every_setting_survives_encode_then_decode(name: str) -> None:
    """Each code of each field by what people call it: planned, sent, decoded, read again."""
    chip = load_map(name)
    codec = Codec(chip)
    checked = 0
    for register in chip.registers.values():
        for field in register.fields:
            if not field.writable or (register.complement_of or "_N" in register.name):
                continue
            env = Bank.at_reset(chip, supply=Fraction(12))
            readings = list(values.options(field, env, limit=256))
            for reading in readings:
                asked = reading.name if reading.name else str(reading.code)
                frames = [p for p in plan(chip, [f"{field.ref} = {asked}"], env) if p.requests]
                sent = frames[0].sent
                seen = codec.decode_command(sent.word, env, frame=sent.frame)
                assert seen.data is not None
                code = extract(seen.data, field.bits)
                got = values.read(field, code, env)
                # codes that mean the same are one choice
                assert (got.name, got.band) == (reading.name, reading.band), field.ref
                checked += 1
    assert checked > 50
