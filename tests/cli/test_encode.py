"""`encode`: what travels, what it changes of what is known, what to think of."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.settings import bring_up_sequence
from regmap.stages.load import load_stage

Run = Callable[..., Any]


def test_a_write_of_one_to_clear_clears_that_bit_and_keeps_the_others(gateword: Run) -> None:
    """numbat24 VDS_FAULTS is cleared by ones: bit 3 is VDS_UH, bit 0 VDS_UL."""
    asked = ("encode", "numbat24", "--from", "VDS_FAULTS=0x09", "VDS_FAULTS.VDS_UH=1")
    out = gateword(*asked).out
    assert "changes: VDS_FAULTS.VDS_UH: 1 -> 0" in out
    assert "VDS_UL" not in out
    [frame] = json.loads(gateword(*asked, "--json").out)["frames"]
    assert frame["changes"] == [{"field": "VDS_FAULTS.VDS_UH", "from": 1, "to": 0}]
    assert frame["accepted"] is True


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
    assert "write refused: GATE_HS is writable only while not locked" in out
    rows = json.loads(
        gateword("encode", "quoll16", "LOCK.KEY=locked", "GATE_HS.SOURCE=56 mA", "--json").out
    )["frames"]
    assert [r["accepted"] for r in rows] == [True, False]
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


def test_requests_upon_a_stage_carry_its_settings(gateword: Run) -> None:
    out = " ".join(gateword("encode", "coolant_pump", "GATE_HS.SOURCE=min").out.split())
    assert (
        "also carries HOLD = 240 mA (stage coolant_pump), SINK = 160 mA (stage coolant_pump)" in out
    )


def test_the_bring_up_of_a_stage(gateword: Run) -> None:
    """The same frames as the write sequence of the library."""
    stage = load_stage("coolant_pump")
    wanted = [a.sent.word for a in bring_up_sequence(stage.chip, stage.bank) if a.sent is not None]
    frames = json.loads(gateword("encode", "coolant_pump", "bring_up", "--json").out)["frames"]
    assert [f["frame"] for f in frames] == wanted
    assert all(f["accepted"] for f in frames)


def test_a_key_is_encoded_by_its_name(gateword: Run) -> None:
    """bilby32 open_up: three codes in a row; each is a frame of its own."""
    rows = json.loads(gateword("encode", "bilby32", "open_up", "--json").out)["frames"]
    assert [r["data"] for r in rows if r["kind"] == "write"] == [0x3A, 0xC5, 0x77]
    assert "open_up" in rows[-1]["events"]


SUPPLY = """gateword_map: 1
chip: {name: t, invented: yes}
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      write:   {bits: 15, holds: operation, codes: {read: 0, write: 1}}
      address: {bits: 14..8, holds: address}
      data:    {bits: 7..0, holds: data}
registers:
  A:
    address: 0
    fields:
      T:
        bits: 1..0
        cases:
          - {when: supply >= 8 V, options: {0: 50 ns, 1: 100 ns, 2: 200 ns, 3: 400 ns}}
          - {options: {0: 100 ns, 1: 200 ns, 2: 400 ns, 3: 800 ns}}
"""


def test_a_value_that_hangs_on_the_supply_is_told_in_each_case(
    gateword: Run, tmp_path: Path
) -> None:
    path = tmp_path / "t.yaml"
    path.write_text(SUPPLY)
    out = gateword("encode", str(path), "A.T=0x1").out
    assert "A.T = 100 ns while supply >= 8 V, code 1" in out
    assert "A.T = 200 ns otherwise, code 1" in out
    assert (
        "A.T = 100 ns, code 1"
        in gateword("encode", str(path), "A.T=100 ns", "--supply", "12 V").out
    )
    assert (
        "A.T = 100 ns, code 0" in gateword("encode", str(path), "A.T=100 ns", "--supply", "6 V").out
    )
    unsure = gateword("encode", str(path), "A.T=100 ns")
    assert unsure.status == 2
    assert "depends on supply" in unsure.err
    shown = gateword("show", str(path), "A.T").out
    assert "while supply >= 8 V:" in shown
    assert "otherwise:" in shown
    assert "800 ns" in shown
    cases = json.loads(gateword("show", str(path), "A.T", "--json").out)["cases"]
    assert [c["when"] for c in cases] == ["supply >= 8 V", None]


def test_a_write_once_field_and_a_dangerous_word_are_cautioned(gateword: Run) -> None:
    trim = " ".join(gateword("encode", "bilby32", "TRIM=0x11").out.split())
    assert (
        "caution: TRIM.SHUNT can be written once only after power-up; this write spends it" in trim
    )
    assert "enables the outputs" in gateword("encode", "numbat24", "CONTROL.ENABLE=on").out


def test_bytes_alone_still_tell_what_was_asked_and_what_is_sent(gateword: Run) -> None:
    done = gateword("encode", "quoll16", "TIMING.DEAD_TIME=800 ns", "--bytes")
    assert done.status == 0
    assert done.out.count("\n") == 1
    assert "TIMING.DEAD_TIME = 1 us (asked 800 ns, off by +25 %" in " ".join(done.err.split())
    exact = gateword("encode", "quoll16", "TIMING.DEAD_TIME=1 us", "--bytes")
    assert exact.out == done.out
    assert "asked" not in exact.err
