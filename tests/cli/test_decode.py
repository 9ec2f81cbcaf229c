"""`decode` of pairs, and `explain` of reply frames: heads, effects, status bits as faults."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

Run = Callable[..., Any]
MAP = str(Path(__file__).parents[1] / "behaviour" / "access.yaml")

# frames of tests/behaviour/access.yaml by hand: bit 15 write, 14..11 address, 10..9 count, 8 zero
WRITE_PLAIN_34 = "0x8234"
READ_SEEN = "0x1A00"
READ_MIRROR = "0x2A00"


def test_the_answer_to_a_write_is_headed_as_that(gateword: Run) -> None:
    """The map says that the answer to a write carries the content before it."""
    out = gateword("decode", MAP, f"{WRITE_PLAIN_34}:0x2A12").out
    assert "0x2A12  reply to write PLAIN, data 0x12, as it held before the write" in out
    assert "changes from the word before: PLAIN.LOW: 2 -> 4" in out
    rows = json.loads(gateword("decode", MAP, f"{WRITE_PLAIN_34}:0x2A12", "--json").out)["words"]
    assert [(r["kind"], r.get("to")) for r in rows] == [("write", None), ("reply", "write")]
    assert rows[0]["changes"] == [
        {"field": "PLAIN.LOW", "from": 2, "to": 4},
        {"field": "PLAIN.HIGH", "from": 1, "to": 3},
    ]


def test_a_status_bit_is_told_as_its_fault(gateword: Run) -> None:
    out = gateword("decode", MAP, f"{WRITE_PLAIN_34}:0xAA12").out
    assert "uv SET: Supply undervoltage" in out
    flat = " ".join(out.split())
    assert (
        "fault UV: Supply undervoltage. causes: weak supply. check first: supply at the pin" in flat
    )
    row = json.loads(gateword("decode", MAP, f"{WRITE_PLAIN_34}:0xAA12", "--json").out)["words"][1]
    assert [f["fault"] for f in row["faults"]] == ["UV"]


def test_what_a_read_clears_is_an_effect(gateword: Run) -> None:
    out = gateword("decode", MAP, f"{READ_SEEN}:0x2A03").out
    assert "changes from the word before: SEEN.A: 1 -> 0" in out
    assert "UV = 1" in out  # what the reply carried
    again = gateword("decode", MAP, f"{READ_SEEN}:0x2A03", READ_SEEN).out
    assert again.count("SEEN.A: 1 -> 0") == 1  # the second read finds nothing to clear


def test_an_inverted_register_is_shown_as_it_holds(gateword: Run) -> None:
    """0x30 was read of the lower six bits: they hold 0x0F; P has two more that nobody sees."""
    assert (
        "P = not known, a read does not show it"
        in gateword("decode", MAP, f"{READ_MIRROR}:0x2A30").out
    )
    out = gateword("decode", "bilby32", "--reply", "--to", "SENTRY", "0x000000F0").out
    assert "rejected" in out or "PATTERN = 15" in out


def test_a_damaged_frame_changes_nothing_of_the_next(gateword: Run) -> None:
    rows = json.loads(gateword("decode", MAP, "0x8334", "0x8A34", WRITE_PLAIN_34, "--json").out)[
        "words"
    ]
    assert rows[0]["accepted"] is False
    assert rows[0]["changes"] == []
    assert rows[2]["changes"][0] == {"field": "PLAIN.LOW", "from": 2, "to": 4}


def test_explain_takes_reply_frames(gateword: Run) -> None:
    by_frame = gateword("explain", MAP, f"{WRITE_PLAIN_34}:0xAA12")
    assert by_frame.status == 1
    assert "Look first at UV (Supply undervoltage): supply at the pin." in by_frame.out
    by_name = gateword("explain", MAP, "SEEN:0x2A02")
    assert "Look first at UV" in by_name.out
    assert "not given" not in by_frame.out  # the status bit has told of the only fault
    quiet = gateword("explain", MAP, "SEEN:0x2A00")
    assert quiet.status == 0


def test_explain_refuses_a_damaged_reply(gateword: Run) -> None:
    result = gateword("explain", MAP, "SEEN:0x2B02")
    assert result.status == 1
    assert "says nothing of the chip: rejected: 'fill'" in result.err
    assert "UV" not in result.out
