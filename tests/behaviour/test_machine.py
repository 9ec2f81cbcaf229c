"""The machine: what takes, what stays, what is spent; and what a read of it shows."""

from __future__ import annotations

from regmap.behaviour.machine import Machine, after_write, as_read
from regmap.behaviour.plan import plan, word_to_write
from regmap.chip.bank import Bank
from regmap.chip.model import Access, Chip
from regmap.frames.codec import counter_flaws, next_counters
from regmap.maps.load import load_map


def test_every_access_has_its_properties() -> None:
    """The table of DEVELOPERS of any chip: which bits a write reaches, stores, shows, clears."""
    table = {
        # access: (writable, stores, shown, clears, at rest)
        "rw": (True, True, True, False, None),
        "ro": (False, False, True, False, None),
        "wo": (True, True, False, False, None),
        "w1c": (True, False, True, True, 0),
        "w0c": (True, False, True, True, 1),
        "rc": (False, False, True, False, None),
        "once": (True, True, True, False, None),
        "sc": (True, False, False, False, 0),
    }
    assert {a.value for a in Access} == set(table)
    for word, row in table.items():
        access = Access(word)
        assert (
            access.writable, access.stores, access.shown, access.clears, access.at_rest
        ) == row, word  # fmt: skip


def test_which_bits_of_a_register(access: Chip) -> None:
    """MIXED: SECRET (wo) 7..6, GO (sc) 5, STATE (ro) 4, bit 3 kept, bit 2 stated, SET (rw) 1..0."""
    mixed = access.registers["MIXED"]
    assert (mixed.shows, mixed.settings, mixed.read_back) == (0b0001_1111, 0b1100_0011, 0b11)
    assert (mixed.stated, mixed.kept) == (0b100, 0b1000)
    mirror = access.registers["MIRROR"]
    assert (mirror.shows, mirror.settings, mirror.read_back) == (0x3F, 0xFF, 0x3F)
    assert (access.registers["SEEN"].settings, access.registers["FLAGS"].settings) == (0, 0)


def test_reserved_bits_that_are_kept_are_written(access: Chip) -> None:
    mixed = access.registers["MIXED"]
    assert after_write(mixed, 0x00, 0x0C) == 0x08  # bit 3 taken; bit 2 is not the chip's to hold
    assert after_write(mixed, 0x08, 0x04) == 0x00
    bank = Bank.at_reset(access)
    bank.learn("MIXED", 0x88)  # read back: bit 3 is set
    [frame] = plan(access, ["MIXED.SET = 3"], bank)
    assert frame.sent.data == 0x8F
    assert word_to_write(access, "MIXED", Bank.at_reset(access)) == 0x84


def test_an_inverted_readback_minds_the_read_mask(access: Chip) -> None:
    """Holds 0x0F; all bits inverted are 0xF0, of which a read shows 5..0: 0x30."""
    assert as_read(access, access.registers["MIRROR"], {"MIRROR": 0x0F}) == 0x30
    bank = Bank(access)
    bank.learn_read("MIRROR", 0x30)
    assert (bank.words["MIRROR"] & 0x3F, bank.known["MIRROR"]) == (0x0F, 0x3F)


def test_a_read_teaches_nothing_of_write_only_and_self_clearing_bits(access: Chip) -> None:
    bank = Bank(access)
    bank.learn_read("MIXED", 0x03)
    assert bank.known["MIXED"] == 0b0001_1111
    bank.learn("MIXED", 0xC0, 0xC0)
    bank.learn_read("MIXED", 0x00)
    assert bank.words["MIXED"] & 0xC0 == 0xC0


def test_write_once_is_spent_by_the_first_write_and_whole_again_after_power_up(
    access: Chip,
) -> None:
    machine = Machine(access)
    trim = access.registers["TRIM"]
    assert machine.write(trim, 0x05).taken
    second = machine.write(trim, 0x16)
    assert (second.taken, second.refused) == (False, "once")
    assert machine.bank.words["TRIM"] == 0x15  # VALUE stays, FREE is taken
    machine.reset()
    assert machine.write(trim, 0x07).taken
    assert machine.bank.words["TRIM"] == 0x07
    machine.reset()
    copy = machine.copy()
    copy.write(trim, 0x01)
    assert machine.write(trim, 0x02).taken, "what a copy spends is not spent here"


def test_write_once_of_a_chip_met_on_the_way_may_be_spent(access: Chip) -> None:
    machine = Machine(access, Bank(access))
    machine.write(access.registers["TRIM"], 0x05)
    assert machine.bank.code("TRIM.VALUE") is None
    machine.bank.learn_read("TRIM", 0x05)
    again = machine.write(access.registers["TRIM"], 0x03)
    assert machine.bank.code("TRIM.VALUE") == 5
    assert not again.taken


def test_counters_count_by_their_step(access: Chip) -> None:
    """Start 1, step 3, two bits: 1, 0, 3, 2, 1."""
    frames = plan(access, ["read:PLAIN", "read:FLAGS", "read:PLAIN", "read:FLAGS", "read:PLAIN"])
    assert [p.sent.parts["count"] for p in frames] == [1, 0, 3, 2, 1]
    layout = access.frames["word"].command
    assert next_counters(layout, {"count": 2}) == {"count": 1}
    assert not counter_flaws(layout, {"count": 3}, {"count": 2})
    assert counter_flaws(layout, {"count": 3}, {"count": 0})


def test_a_cause_raises_what_is_not_masked() -> None:
    """bilby32's WD is raised by the watchdog, and masked while WATCHDOG.ENABLE is off; SPI by neither."""
    chip = load_map("bilby32")
    machine = Machine(chip)
    machine.bank.learn("WATCHDOG", 0)
    assert machine.raise_by("watchdog") == []
    assert not machine.raised(chip.faults["WD"])
    machine.bank.learn("WATCHDOG", 1)
    assert machine.raise_by("watchdog") == ["WD"]
    assert machine.raised(chip.faults["WD"])
    assert not machine.raised(chip.faults["SPI"])
