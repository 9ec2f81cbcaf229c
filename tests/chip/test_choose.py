"""Wishes to codes: which way between two options, what is told of it, and slips that are refused.

That a dead time may not fall short and that a monitor's threshold may not rise are common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import pytest

from regmap.chip.bank import find, need
from regmap.chip.model import Chip
from regmap.chip.values import choose, options
from regmap.errors import CallError
from regmap.maps.load import load_map
from regmap.parameters import ROLES, ROUNDING, rounding_of

#: role -> the side on which the chosen option must lie, written down without the table in the code
SIDE = {
    "deadtime": 1, "vds.threshold": -1, "overcurrent.threshold": -1, "uv.threshold": 1, "ov.threshold": -1,
    "temperature.warning": -1, "temperature.shutdown": -1, "watchdog.window": -1,
}  # fmt: skip
MAPS = ("quoll16", "numbat24", "bilby32", "potoroo40", "wombat24", "quokka16")


def valued(chip: Chip) -> list[tuple[str, str, list[Fraction]]]:
    """(name, role, typical values in order) of everything with a role and physical values."""
    found = []
    items = [
        (f.ref, f) for r in chip.registers.values() for f in r.fields if f.role and f.setting
    ] + [(j.name, j) for j in chip.joined.values() if j.role]
    for name, item in items:
        values = sorted({r.band.typ for r in options(item) if r.band is not None})
        if len(values) > 1 and len(item.meanings) == 1:
            found.append((name, item.role, values))
    return found


@pytest.mark.parametrize("name", MAPS)
def test_between_two_options_protection_decides(name: str) -> None:
    chip = load_map(name)
    for full, role, values in valued(chip):
        item = need(chip, full)
        unit = {"voltage": "V", "current": "A", "time": "s"}.get(ROLES[role].dimension or "")
        if not unit:
            continue
        side = SIDE.get(role.removesuffix(".high").removesuffix(".low"))
        for low, high in pairwise(values):
            for share in (Fraction(1, 10), Fraction(1, 2), Fraction(9, 10)):
                wish = low + (high - low) * share
                choice = choose(item, f"{float(wish):.12g} {unit}")
                assert choice.reading.band is not None
                got = choice.reading.band.typ
                if side:
                    assert got == (high if side > 0 else low), (full, choice)
                    assert choice.why
                elif share != Fraction(1, 2):
                    assert got == (low if share < Fraction(1, 2) else high), (full, choice)
                else:
                    assert got in (low, high)
                assert choice.told.startswith("asked ")
                assert "off by" in choice.told


def test_a_tie_of_gate_currents_goes_away_from_shoot_through_and_is_told() -> None:
    chip = load_map("quoll16")
    for full, higher in (("GATE_HS.SOURCE", False), ("GATE_HS.SINK", True), ("GATE_HS.HOLD", True)):
        item = need(chip, full)
        values = sorted({r.band.typ for r in options(item) if r.band is not None})
        middle = (values[0] + values[1]) / 2
        choice = choose(item, f"{float(middle * 1000):.12g} mA")
        assert choice.reading.band is not None
        assert choice.reading.band.typ == values[1 if higher else 0], full
        assert choice.why


def test_800_ns_of_dead_time_is_never_600_ns() -> None:
    choice = choose(need(load_map("quoll16"), "TIMING.DEAD_TIME"), "800 ns")
    assert choice.reading.label == "1 us (1us)" or choice.reading.label == "1 us"
    assert choice.error == Fraction(1, 4)
    assert choice.told.startswith("asked 800 ns, off by +25 %; up and not to 600 ns: ")


def test_what_an_option_is_shown_as_is_that_option() -> None:
    """Labels lead back, whichever way wishes are rounded."""
    for name in MAPS:
        chip = load_map(name)
        for full, _, _ in valued(chip):
            item = find(chip, full)
            assert item is not None
            for reading in options(item):
                if reading.band is None or reading.name:
                    continue
                got = choose(item, reading.label)
                assert got.reading.label == reading.label, (name, full)


@pytest.mark.parametrize(
    ("name", "text", "near"),
    [
        ("GATE_HS.SOURCE", "60 MA", "nearest: 60 mA"),
        ("GATE_HS.SOURCE", "<= 60 MA", "nearest: <= 60 mA"),
        ("VDS.THRESHOLD", "0,2 V", "nearest: 0.2 V"),
        ("TIMING.DEAD_TIME", "3 us", "nearest: 2 us"),
    ],
)
def test_slips_are_refused_with_what_was_meant(name: str, text: str, near: str) -> None:
    with pytest.raises(CallError) as told:
        choose(need(load_map("quoll16"), name), text)
    assert str(told.value).count("nearest") == 1
    assert near in str(told.value)


def test_limits_keep_their_words() -> None:
    item = need(load_map("quoll16"), "GATE_HS.SOURCE")
    for text in (">= 100 mA", "at least 105 mA", "<= 100 mA", "max", "min"):
        assert choose(item, text).kept
        assert choose(item, text).told.startswith(f"asked {text}")
    assert not choose(item, "120 mA").kept
    assert not choose(item, "0x3").kept


def test_roles_that_are_rounded_are_roles() -> None:
    assert set(ROUNDING) <= set(ROLES)
    assert rounding_of("vds.threshold.low") is ROUNDING["vds.threshold"]
    assert rounding_of("sense.gain") is None
