"""On or off: one reading of a switch for calculations, simulated chip, link and captures."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.chip.values import Reading
from regmap.link.rules import off_request
from regmap.maps.load import find_document, read_map
from regmap.trace.findings.watchdog import _window
from regmap.twin.watchdog import Watchdog


@pytest.mark.parametrize(
    ("name", "code", "on"),
    [
        ("off", 0, False), ("on", 1, True), ("disable", 0, False), ("enable", 1, True),
        ("inactive", 0, False), ("Active", 1, True), ("watch", 1, True), ("enabled", 0, True),
        ("disabled", 1, False), ("no", 1, False), ("yes", 0, True), ("", 0, False), ("", 2, True),
        ("slow", 1, True), ("slow", 0, False),
    ],
)  # fmt: skip
def test_a_name_tells_and_else_the_code(name: str, code: int, on: bool) -> None:
    assert Reading(code, name).is_on() is on


@pytest.mark.parametrize(("name", "on"), [("asleep", True), ("awake", False), ("off", False)])
def test_sleep_has_words_of_its_own(name: str, on: bool) -> None:
    assert Reading(0 if name == "asleep" else 1, name).is_on("sleep") is on


def _with_options(options: str) -> Chip:
    text = Path(find_document("bilby32")).read_text()
    at = text.index("      ENABLE: {bits: 0, role: watchdog.enable")
    line = text[at : text.index("\n", at)]
    new = line[: line.index("options:")] + f"options: {options}, summary: watchdog}}"
    chip, problems = read_map(
        "bilby32.yaml",
        text=text.replace(line, new).replace("WATCHDOG.ENABLE == off", "WATCHDOG.ENABLE == 0"),
    )
    assert chip is not None, problems
    return chip


@pytest.mark.parametrize(
    ("options", "code", "on"),
    [
        ("{0: disable, 1: enable}", 1, True),
        ("{0: inactive, 1: active}", 1, True),
        ('{0: "off", 1: watch}', 1, True),
        ("{0: enabled, 1: disabled}", 0, True),  # a disable bit
        ("{0: enabled, 1: disabled}", 1, False),
        ("{0: inactive, 1: active}", 0, False),
    ],
)
def test_simulated_chip_and_capture_read_the_same_switch(options: str, code: int, on: bool) -> None:
    chip = _with_options(options)
    bank = Bank.at_reset(chip)
    field = chip.field("WATCHDOG.ENABLE")
    assert field is not None
    bank.put(field, code)
    assert Watchdog(chip).enabled(bank) is on
    assert (_window(chip, bank)[0] is not None) is on


def test_what_switches_off_is_asked_by_the_same_words() -> None:
    for name in ("numbat24", "quoll16"):
        chip, _ = read_map(find_document(name))
        assert chip is not None
        for request in off_request(chip):
            field = chip.field(request.partition(" ")[0])
            assert field is not None
            [code] = [e.code for m in field.meanings for e in m.entries.values() if e.name == request.rpartition(" ")[2]]  # fmt: skip
            assert Reading(code, request.rpartition(" ")[2]).is_on(field.role) is (
                field.role == "sleep"
            )
