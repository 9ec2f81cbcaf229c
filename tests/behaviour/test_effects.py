"""What a frame changes, by hand for each way in which a field can behave; what is unknown stays unknown."""

from __future__ import annotations

import pytest

from regmap.behaviour.effects import effects, said, shown_fields
from regmap.behaviour.machine import Machine, as_read
from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.frames.codec import Codec


def told(chip: Chip, bank: Bank, register: str, word: int | None = None) -> list[str]:
    """The changes of a write of `word`, or of a read."""
    codec = Codec(chip)
    item = chip.registers[register]
    sent = codec.read(item, bank) if word is None else codec.write(item, word, bank)
    return [str(c) for c in effects(Machine(chip, bank), sent).changes]


@pytest.mark.parametrize(
    ("held", "register", "word", "changes"),
    [
        # a plain field takes what is written
        (0x12, "PLAIN", 0x15, ["PLAIN.LOW: 2 -> 5"]),
        # write 1 to clear: a 1 clears its bit, a 0 leaves the neighbour alone
        (0b011, "FLAGS", 0b001, ["FLAGS.A: 1 -> 0"]),
        (0b011, "FLAGS", 0b100, []),
        # write 0 to clear
        (0b11, "EVENTS", 0b10, ["EVENTS.A: 1 -> 0"]),
        (0b11, "EVENTS", 0b11, []),
        # clear on read
        (0b11, "SEEN", None, ["SEEN.A: 1 -> 0", "SEEN.UV: 1 -> 0"]),
        # what only reports, or reads 0 again, is not changed by what was written there
        (0x80, "MIXED", 0xB6, ["MIXED.SET: 0 -> 2"]),
        # write-only fields are changed, though no read shows it
        (0x80, "MIXED", 0x44, ["MIXED.SECRET: 2 -> 1"]),
        (0x0F, "MIRROR", 0xF0, ["MIRROR.P: 15 -> 240"]),
    ],
)
def test_a_change_is_what_the_chip_does(
    access: Chip, held: int, register: str, word: int | None, changes: list[str]
) -> None:
    bank = Bank.at_reset(access)
    bank.learn(register, held)
    assert told(access, bank, register, word) == changes


@pytest.mark.parametrize(
    ("register", "word", "changes"),
    [
        ("PLAIN", 0x15, ["PLAIN.LOW: unknown -> 5", "PLAIN.HIGH: unknown -> 1"]),
        ("FLAGS", 0b001, ["FLAGS.A: unknown -> 0"]),
        ("EVENTS", 0b10, ["EVENTS.A: unknown -> 0"]),
        ("MIXED", 0x00, ["MIXED.SECRET: unknown -> 0", "MIXED.GO: unknown -> idle", "MIXED.SET: unknown -> 0"]),
        # may have been written before: then it holds something else
        ("TRIM", 0x35, ["TRIM.FREE: unknown -> 3"]),
        # nobody knows whether the lock lets it through
        ("SHELTERED", 0x5, []),
    ],
)  # fmt: skip
def test_what_is_unknown_stays_unknown(
    access: Chip, register: str, word: int, changes: list[str]
) -> None:
    assert told(access, Bank(access), register, word) == changes


def test_a_write_behind_a_lock_that_is_not_known_leaves_what_it_would_change_unknown(
    access: Chip,
) -> None:
    bank = Bank(access)
    bank.learn("SHELTERED", 0x5)
    machine = Machine(access, bank)
    found = effects(machine, Codec(access).write(access.registers["SHELTERED"], 0x4, bank))
    assert [str(c) for c in found.changes] == ["SHELTERED.V: 5 -> unknown"]
    assert found.outcome.unsure == "it is accepted only while LOCK.SHUT == open, which is not known"
    assert found.outcome.would == (0x4, 0xFF)
    assert bank.known["SHELTERED"] & 0xF == 0xE  # only the bit that may have moved


def test_a_locked_register_changes_nothing_and_says_why(access: Chip) -> None:
    bank = Bank.at_reset(access)
    bank.learn("LOCK", 1)
    found = effects(Machine(access, bank), Codec(access).write(access.registers["SHELTERED"], 5))
    assert (found.changes, found.outcome.taken) == ((), False)
    assert found.outcome.why == "SHELTERED is writable only while LOCK.SHUT == open"


def test_a_rejected_frame_changes_nothing(access: Chip) -> None:
    codec, bank = Codec(access), Bank.at_reset(access)
    sent = codec.decode_command(codec.write(access.registers["PLAIN"], 0).word | 1 << 8, bank)
    found = effects(Machine(access, bank), sent)
    assert (found.changes, found.outcome.taken) == ((), False)
    assert bank.words["PLAIN"] == 0x12


def test_what_a_write_starts_is_told_and_is_no_change(access: Chip) -> None:
    bank = Bank.at_reset(access)
    sent = Codec(access).write(access.registers["MIXED"], 0xA4, bank)
    found = effects(Machine(access, bank), sent)
    assert [str(a) for a in found.acts] == ["starts MIXED.GO = go"]
    assert not found.changes
    assert not found.none


def test_what_the_answer_to_a_write_says(access: Chip) -> None:
    """The map says on_write: old, so it is the content before the write; status bits are faults."""
    codec = Codec(access)
    sent = codec.write(access.registers["PLAIN"], 0x34)
    known = said(access, sent, codec.decode_reply(0xAA12, sent))
    assert (known.register, known.data, known.after) == (access.registers["PLAIN"], 0x12, False)
    assert known.faults == {"UV": True}
    damaged = said(access, sent, codec.decode_reply(0xAB12, sent))
    assert (damaged.register, damaged.faults) == (None, {})


def test_fields_are_shown_as_held(access: Chip) -> None:
    """0x30 of an inverted register whose read shows bits 5..0: it holds 0x0F there."""
    bank = Bank.at_reset(access)
    mixed = shown_fields(access, access.registers["MIXED"], 0x11, bank)
    assert [(f.name, r.code if r else None) for f, r in mixed] == [
        ("SECRET", None), ("GO", None), ("STATE", 1), ("SET", 1)
    ]  # fmt: skip
    assert access.registers["MIRROR"].held(0x30) & 0x3F == 0x0F
    # P is eight bits wide and a read shows six of them
    assert shown_fields(access, access.registers["MIRROR"], 0x30, bank)[0][1] is None
    assert as_read(access, access.registers["MIRROR"], {"MIRROR": 0x0F}) == 0x30


def test_settings_nobody_asked_for_are_told_with_their_origin(access: Chip) -> None:
    bank = Bank.at_reset(access)
    bank.learn("PLAIN", 0x73)
    [one, two] = (
        plan(access, ["PLAIN.LOW = 1", "PLAIN.HIGH = 2"], bank, origins={"PLAIN": "readback"})[:1]
        * 2
    )
    assert one is two  # one register in a row, one write
    assert one.carried == ()
    first, _, third = plan(
        access, ["PLAIN.LOW = 1", "TRIM.FREE = 1", "PLAIN.HIGH = 2"], bank, origins={"PLAIN": "readback"}
    )  # fmt: skip
    assert [(c.field.ref, c.reading.code, c.origin) for c in first.carried] == [
        ("PLAIN.HIGH", 7, "readback")
    ]
    assert [(c.field.ref, c.reading.code, c.origin) for c in third.carried] == [
        ("PLAIN.LOW", 1, "asked before")
    ]
