"""`encode`: what travels, what it changes of what is known, what to think of."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

Run = Callable[..., Any]


def test_a_write_of_one_to_clear_clears_that_bit_and_keeps_the_others(gateword: Run) -> None:
    """numbat24 VDS_FAULTS is cleared by ones: bit 3 is VDS_UH, bit 0 VDS_UL."""
    asked = ("encode", "numbat24", "--from", "VDS_FAULTS=0x09", "VDS_FAULTS.VDS_UH=1")
    out = gateword(*asked).out
    assert "changes: VDS_FAULTS.VDS_UH: 1 -> 0" in out
    assert "VDS_UL" not in out
    [frame] = json.loads(gateword(*asked, "--json").out)["frames"]
    assert frame["changes"] == [{"field": "VDS_FAULTS.VDS_UH", "from": 1, "to": 0}]
    assert frame["taken"] is True


def test_json_changes_are_against_what_is_given(gateword: Run) -> None:
    """The word given has HOLD 120 mA (code 1), SINK 750 mA (15), SOURCE 270 mA (12)."""
    asked = ("encode", "quoll16", "--from", "GATE_HS=0x1FC", "GATE_HS.SINK=130 mA", "--json")
    [frame] = json.loads(gateword(*asked).out)["frames"]
    assert frame["changes"] == [{"field": "GATE_HS.SINK", "from": 15, "to": 8}]
    assert [(c["field"], c["code"], c["origin"]) for c in frame["carries"]] == [
        ("GATE_HS.HOLD", 1, "--from"),
        ("GATE_HS.SOURCE", 12, "--from"),
    ]


def test_what_travels_beside_is_told_with_its_origin(gateword: Run) -> None:
    out = gateword("encode", "quoll16", "GATE_HS.SOURCE=120 mA").out
    assert "also carries HOLD = 120 mA (reset), SINK = 62 mA (reset)" in out


def test_a_write_that_a_lock_refuses_says_so(gateword: Run) -> None:
    out = gateword("encode", "quoll16", "LOCK.KEY=locked", "GATE_HS.SOURCE=56 mA").out
    assert "entered locked" in out
    assert "does not take: GATE_HS is writable only while not locked" in out
    rows = json.loads(
        gateword("encode", "quoll16", "LOCK.KEY=locked", "GATE_HS.SOURCE=56 mA", "--json").out
    )["frames"]
    assert [r["taken"] for r in rows] == [True, False]
    assert rows[1]["changes"] == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("explain", "quoll16", "STATUS1=302"),
        ("encode", "quoll16", "GATE_HS=302"),
        ("encode", "quoll16", "read:ID", "--from", "GATE_HS=302"),
        ("show", "quoll16", "STATUS1", "--word", "302"),
    ],
)
def test_digits_that_may_be_hex_or_decimal_are_refused_everywhere(
    gateword: Run, arguments: tuple[str, ...]
) -> None:
    result = gateword(*arguments)
    assert result.status == 2
    assert "'302' can be hex or decimal; expected 0x302 or 0x12E (decimal 302)" in result.err


def test_digits_that_mean_one_number_are_taken(gateword: Run) -> None:
    assert gateword("explain", "quoll16", "STATUS1=0").status == 0
    assert "GATE_HS = 0x007" in gateword("encode", "quoll16", "GATE_HS=7").out
