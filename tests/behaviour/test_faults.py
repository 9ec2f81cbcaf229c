"""Explained faults: cause before consequence, a dead SPI before a dead chip."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.behaviour.faults import dead_words, explain, raised_in, suspicious
from regmap.chip.bank import Bank
from regmap.errors import CallError
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

CHIP = load_map("quoll16")
# bits of quoll16's status registers, from its map's text
ANY, VDS_UH, VDS_UL, UV_SUPPLY = 1 << 0, 1 << 3, 1 << 6, 1 << 8
UV_PUMP, POR, WD, SPI_ERR = 1 << 6, 1 << 9, 1 << 7, 1 << 8


def tree(findings: object) -> object:
    return [(f.fault.name, tree(f.consequences)) for f in findings]  # type: ignore[attr-defined]


def test_consequences_are_folded_under_their_cause() -> None:
    result = explain(
        CHIP, {"STATUS1": ANY | VDS_UH | UV_SUPPLY, "STATUS2": UV_PUMP | POR, "STATUS3": 0}
    )
    assert tree(result.findings) == [("UV_SUPPLY", [("UV_PUMP", [("VDS_UH", [])]), ("POR", [])])]
    assert not result.unread


def test_a_summary_bit_is_not_a_finding_of_its_own() -> None:
    result = explain(CHIP, {"STATUS1": ANY | VDS_UL})
    assert tree(result.findings) == [("VDS_UL", [])]
    assert result.findings[0].summed == ("ANY",)
    assert result.unread == ("STATUS2", "STATUS3")


def test_time_decides_between_causes() -> None:
    words = {"STATUS1": 0, "STATUS2": WD | SPI_ERR, "STATUS3": 0}
    assert tree(explain(CHIP, words, seen={"SPI_ERR": (0, 1), "WD": (1, 2)}).findings) == [
        ("SPI_ERR", [("WD", [])])
    ]
    # seen later, the frame error cannot have caused the watchdog fault
    assert tree(explain(CHIP, words, seen={"WD": (0, 1), "SPI_ERR": (1, 2)}).findings) == [
        ("WD", []),
        ("SPI_ERR", []),
    ]


def test_intervals_that_overlap_do_not_order() -> None:
    """Both may have come first: then the map says what follows from what."""
    words = {"STATUS1": ANY | VDS_UH | UV_SUPPLY}
    alone = tree(explain(CHIP, words).findings)
    assert alone[0][0] == "UV_SUPPLY"
    for seen in ({"VDS_UH": (0, 9), "UV_SUPPLY": (8, 10)}, {"UV_SUPPLY": (0, 9), "VDS_UH": (0, 9)}):
        assert tree(explain(CHIP, words, seen=seen).findings) == alone
    apart = {"VDS_UH": (0, 3), "UV_SUPPLY": (3, 9)}
    assert tree(explain(CHIP, words, seen=apart).findings)[0][0] == "VDS_UH"


def test_settings_and_masks_come_from_the_stage() -> None:
    stage = load_stage("coolant_pump")
    result = explain(stage.chip, {"STATUS1": ANY | VDS_UH}, stage.bank)
    assert "VDS.THRESHOLD = 250 mV" in result.findings[0].settings
    bank = stage.bank
    bank.learn("MODE", 1 << 2)  # VDS_ACT off
    blind = {f.name for f in explain(stage.chip, {"STATUS1": 0}, bank).blind}
    assert {"VDS_UH", "VDS_WL"} <= blind


def test_power_up_flags_are_normal() -> None:
    result = explain(CHIP, {"STATUS1": 0, "STATUS2": POR, "STATUS3": 0})
    assert [f.name for f in result.normal] == ["POR"]


def test_all_ones_is_wiring_not_twenty_faults() -> None:
    result = explain(CHIP, {"STATUS1": 0x3FF, "STATUS2": 0x3FF})
    assert not result.findings
    assert "every bit of every word is 1" in result.wiring[0]


@pytest.mark.parametrize(
    ("replies", "commands", "says"),
    [
        ([0xFFFF] * 3, [0x8000, 0x8801, 0x9001], "all ones"),
        ([0] * 3, [0x8000, 0x8801, 0x9001], "all zeros"),
        ([0x8000, 0x8801], [0x8000, 0x8801], "repeats its own command"),
        ([0x4000, 0x4400], [0x8000, 0x8801], "shifted by one bit"),
        ([0x2801, 0x2801], [0x8000, 0x9001], ""),
    ],
)
def test_dead_bus(replies: list[int], commands: list[int], says: str) -> None:
    layout = next(iter(CHIP.frames.values())).reply_to("read")
    found = suspicious(layout, 16, replies, commands)
    assert says in found
    assert bool(says) == bool(found)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"STATUS9": 1}, "nearest: STATUS"),
        ({"STATUS1": 0x400}, "does not fit the 10 bits"),
        ({"STATUS1": -1}, "does not fit"),
    ],
)
def test_impossible_words(words: dict[str, int], says: str) -> None:
    with pytest.raises(CallError) as caught:
        explain(CHIP, words)
    assert says in str(caught.value)


@settings(deadline=None)  # a busy machine is no finding
@given(st.sampled_from(["quoll16", "numbat24"]), st.data())
def test_every_raised_fault_stands_exactly_once(name: str, data: st.DataObject) -> None:
    chip = load_map(name)
    status = sorted({f.register for f in chip.faults.values()})
    words = {r: data.draw(st.integers(0, chip.registers[r].mask), label=r) for r in status}
    result = explain(chip, words, Bank.at_reset(chip))
    if result.wiring:
        return
    names = [f.name for f in result.raised]
    assert len(names) == len(set(names))
    raised = {f.name for f in raised_in(chip, words)}
    told = set(names) | {s for f in _walk(result.findings) for s in f.summed}
    # a summary bit without any of its members is told as a finding; with them it is summed
    assert raised == told


def _walk(findings: object) -> list[object]:
    return [g for f in findings for g in [f, *_walk(f.consequences)]]  # type: ignore[attr-defined]


def test_two_words_of_all_ones_are_a_dead_line_though_each_alone_could_be() -> None:
    """A line pulled high reads all ones from every register, also from those without faults."""
    chip = load_map("quoll16")
    plain = [
        n
        for n, r in chip.registers.items()
        if not any(f.register == n for f in chip.faults.values())
    ]
    one, other = plain[:2]
    ones = {n: chip.registers[n].mask for n in (one, other)}
    assert dead_words(chip, {one: ones[one]}) == []
    assert "stuck high" in dead_words(chip, ones)[0]
    for name in ones:
        for bit in range(chip.registers[name].width):
            assert dead_words(chip, {**ones, name: ones[name] ^ 1 << bit}) == []
