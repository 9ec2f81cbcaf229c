"""What is known of registers: whole words only where every bit is."""

from __future__ import annotations

from regmap.chip.bank import Bank
from regmap.maps.load import load_map

CHIP = load_map("quoll16")


def test_a_word_with_one_unknown_bit_is_no_word() -> None:
    register = CHIP.registers["MODE"]
    bank = Bank(CHIP)
    assert bank.word("MODE") is None
    lowest = register.mask & -register.mask
    bank.learn("MODE", register.mask, register.mask & ~lowest)
    assert bank.word("MODE") is None
    bank.learn("MODE", register.mask, lowest)
    assert bank.word("MODE") == register.mask
    bank.forget("MODE")
    assert bank.word("MODE") is None


def test_a_copy_learns_alone() -> None:
    bank = Bank(CHIP)
    other = bank.copy()
    other.learn("MODE", 0)
    assert (bank.word("MODE"), other.word("MODE")) == (None, 0)
    assert (bank.known.get("MODE", 0), other.known["MODE"]) == (0, CHIP.registers["MODE"].mask)
