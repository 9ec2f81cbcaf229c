"""What maps say of several monitors at once and of the fault pin, on a simulated chip; words by hand."""

from __future__ import annotations

import pytest

from regmap.campaign.expected import expected
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.maps.load import read_map
from regmap.twin import Twin
from regmap.twin.chip import gaps

TEXT = """
gateword_map: 1
chip: {name: small}
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..8, holds: address}
      data: {bits: 7..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
registers:
  FLAGS:
    address: 1
    access: rc
    reset: 0
    fields: {UH: {bits: 3}, VH: {bits: 2}, WARM: {bits: 1}, LATE: {bits: 0}}
  SETUP: {address: 2, reset: 0, fields: {TELL: {bits: 0, options: {0: "no", 1: "yes"}}}}
faults:
  UH: {at: FLAGS.UH, title: VDS phase U, cleared_by: [read], blocked_by: [any], detect: 1 us}
  VH: {at: FLAGS.VH, title: VDS phase V, cleared_by: [read], blocked_by: [UH], detect: 1 us}
  WARM: {at: FLAGS.WARM, title: warm, severity: warn, cleared_by: [read], pulls_pin_when: SETUP.TELL == yes, detect: 1 us}
  LATE: {at: FLAGS.LATE, title: late, severity: stop, cleared_by: [read], pulls_pin: no, detect: 1 us}
"""
READ_FLAGS, READ_SETUP, TELL = 0x8100, 0x8200, 0x0201


def small() -> Chip:
    chip, problems = read_map("small.yaml", text=TEXT)
    assert chip is not None, [str(p) for p in problems]
    return chip


def flags(twin: Twin) -> int:
    """What a read of FLAGS answers, in the next frame; the read clears."""
    twin.exchange(READ_FLAGS)
    return twin.exchange(READ_SETUP) & 0xFF


@pytest.mark.parametrize(
    ("first", "second", "shown", "then"),
    [
        ("UH", "VH", 0b1000, 0b0100),  # VH waits while UH shows, and comes once it was read
        ("VH", "UH", 0b0100, 0b1000),  # UH is kept by any other
        ("WARM", "VH", 0b0110, 0b0110),  # nothing keeps WARM, and WARM does not keep VH
        # UH waits; after the read both are there at once, and UH is first in the map
        ("WARM", "UH", 0b0010, 0b1010),
    ],
)
def test_the_first_of_several_monitors_keeps_the_others(
    first: str, second: str, shown: int, then: int
) -> None:
    twin = Twin(small())
    twin.disturb(f"{first} at 10 us")
    twin.disturb(f"{second} at 20 us")
    twin.wait(100e-6)
    if first in ("UH", "VH"):
        twin.remove(first)  # over; its latched bit still shows, and keeps the other
    assert flags(twin) == shown
    twin.wait(10e-6)
    assert flags(twin) == then


def test_which_faults_pull_the_pin() -> None:
    twin = Twin(small())
    for name, low in (("UH", True), ("VH", True), ("LATE", False), ("WARM", False)):
        twin.disturb(f"{name} for 5 us")
        twin.wait(50e-6)
        assert twin.fault_pin() is not low, name
        assert flags(twin)
        assert twin.fault_pin() is True, name


def test_a_setting_decides_whether_a_warning_pulls_the_pin() -> None:
    twin = Twin(small())
    twin.disturb("WARM")
    twin.wait(10e-6)
    assert twin.fault_pin() is True
    twin.exchange(TELL)
    assert twin.fault_pin() is False
    bank = Bank.at_reset(twin.chip)
    assert expected(twin.chip, bank, twin.chip.faults["WARM"], {}).pin_low is None
    bank.learn("SETUP", 1)
    assert expected(twin.chip, bank, twin.chip.faults["WARM"], {}).pin_low is True
    assert expected(twin.chip, bank, twin.chip.faults["LATE"], {}).pin_low is None
    bank.forget("SETUP")
    assert twin.chip.faults["WARM"].on_pin(bank) is None


def test_what_the_map_says_of_the_pin_is_no_gap() -> None:
    assert not any("fault pin" in g for g in gaps(small()))
    said = ", pulls_pin_when: SETUP.TELL == yes", ", pulls_pin: no"
    chip, _ = read_map("small.yaml", text=TEXT.replace(said[0], "").replace(said[1], ""))
    assert chip is not None
    assert any("pulls_pin" in g for g in gaps(chip))


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("[UH]", "[UHH]", "22:75: error: the fault 'UHH'"),
        ("SETUP.TELL == yes", "SETUP.TEL == yes", "23:91: error: 'SETUP.TEL'"),
        ("pulls_pin: no", "pulls_pin: maybe", "24:86: error: 'maybe'"),
        ("pulls_pin: no", "pulls_pin: no, pulls_pin_when: SETUP.TELL == yes", "24:106: error: pulls_pin and pulls_pin_when"),
    ],
)  # fmt: skip
def test_mistakes_are_told_at_their_place(old: str, new: str, found: str) -> None:
    chip, problems = read_map("small.yaml", text=TEXT.replace(old, new))
    assert chip is None
    assert found in str(problems[0]), [str(p) for p in problems]
