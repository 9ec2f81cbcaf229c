"""What puts a header right: the number in its author's style, and nothing else."""

from __future__ import annotations

import pytest

from regmap.lint.fixes import as_patch, patched, restated
from regmap.lint.header import lint
from regmap.lint.mending import put_right
from regmap.maps.load import load_map

CHIP = load_map("quoll16")
HEADER = """#pragma once
/* invented */
#define QL_MODE_ADDR 0x3
#define QL_GATE_HS_ADDR (0x05u)
#define QL_GATE_HS_HOLD_SHIFT 7
#define QL_GATE_HS_HOLD_MASK (3ul << QL_GATE_HS_HOLD_SHIFT)
#define QL_WATCHDOG_ENABLE BIT(1)
#define QL_WATCHDOG_WINDOW GENMASK(3, 2)
#define QL_TIMING_RESET 0b1010010110
#define QL_TIMING_FILTER_MASK 0x300 /* bits 9..8 */
"""
#: by hand, from the map: GATE_HS stands at 4, HOLD in 9..8, ENABLE in 0, WINDOW in 2..1, TIMING rests at 0x297
RIGHT = """#pragma once
/* invented */
#define QL_MODE_ADDR 0x3
#define QL_GATE_HS_ADDR (0x04u)
#define QL_GATE_HS_HOLD_SHIFT 8
#define QL_GATE_HS_HOLD_MASK (3ul << QL_GATE_HS_HOLD_SHIFT)
#define QL_WATCHDOG_ENABLE BIT(0)
#define QL_WATCHDOG_WINDOW GENMASK(2, 1)
#define QL_TIMING_RESET 0b1010010111
#define QL_TIMING_FILTER_MASK 0x300 /* bits 9..8 */
"""


@pytest.mark.parametrize(
    ("body", "value", "new"),
    [
        ("0x0F", 0xA, "0x0A"),
        ("0x0f", 0xA, "0x0a"),
        ("0XFFUL", 0x1, "0X01UL"),
        ("( 12u )", 7, "( 7u )"),
        ("0b0011", 5, "0b0101"),
        ("BIT(3)", 4, "BIT(2)"),
        ("BIT(3)", 6, "0x6U"),
        ("DRV_GENMASK( 3 , 2 )", 0x70, "DRV_GENMASK(6, 4)"),
        ("GENMASK(3, 2)", 5, "0x5U"),
        ("(3 << POS)", 0x30, "0x30U"),
        ("BIT(0)", 0, "0x0U"),
    ],
)
def test_a_number_is_written_as_it_was_before(body: str, value: int, new: str) -> None:
    assert restated(body, value) == new


def test_only_the_numbers_that_are_wrong_change() -> None:
    """The mask of HOLD is wrong by its shift alone, and right once that is."""
    chip = load_map("quoll16")
    assert len(lint(chip, HEADER, "ql.h").problems) == 6
    done = put_right(chip, HEADER, "ql.h")
    texts, after = done.texts, done.after
    assert texts == {"ql.h": RIGHT}
    assert after.problems == ()
    assert patched(HEADER, []) == HEADER


def test_what_nothing_is_known_of_is_left() -> None:
    chip = load_map("quoll16")
    text = "#define QL_MODE_ADDR 0x3 /* 0x4 */\n#define QL_GATE_HS_HOLD_SET(x) ((x) << 3)\n"
    assert len(lint(chip, text, "a.h").problems) == 2
    assert put_right(chip, text, "a.h").texts == {"a.h": text}
    assert as_patch("a.h", text, text) == ""


LINES = """namespace q {{ namespace timing {{
namespace dead_time {{ constexpr unsigned mask = {}; }} namespace filter {{ constexpr unsigned mask = {}; }}
}} }}
"""


@pytest.mark.parametrize(
    ("dead_time", "mask", "columns"),
    [("0x7", "0x180", [101]), ("0xF", "0x300", [49]), ("0xF", "0x180", [49, 101]), ("0x300", "0x7", [49, 103])],
)  # fmt: skip
def test_of_two_definitions_in_a_line_each_is_put_right_in_its_place(
    dead_time: str, mask: str, columns: list[int]
) -> None:
    """Two namespaces with a `mask` each: by hand, 0x7 and 0x300; what is right stays as it is written."""
    text = LINES.format(dead_time, mask)
    found = lint(CHIP, text, "t.hpp").problems
    assert sorted(p.place.column for p in found if "shares" not in p.found) == columns
    done = put_right(CHIP, text, "t.hpp")
    texts, after = done.texts, done.after
    width = len(dead_time) - 2
    right = "0x7" if dead_time == "0x7" else f"0x{7:0{width}X}"
    assert texts == {"t.hpp": LINES.format(right, f"0x{0x300:0{len(mask) - 2}X}")}
    assert after.problems == ()


def test_no_fix_makes_anything_worse() -> None:
    """A number that two names share cannot be right for both: it stays, and so does the count of findings."""
    text = "static const int Q_GATE_HS_SINK_SHIFT = 3;\n#define Q_BOTH 3\n#define Q_VDS_FILLER 1 /* Q_BOTH = 3 */\nenum { /* Q_MODE_ADDR = 5 */ Q_MODE_ADDR = 5, Q_LOCK_ADDR = Q_MODE_ADDR };\n"
    before = lint(CHIP, text, "n.h").problems
    done = put_right(CHIP, text, "n.h")
    texts, after = done.texts, done.after
    assert len(after.problems) < len(before)
    assert "Q_GATE_HS_SINK_SHIFT = 4;" in texts["n.h"]
    assert "/* Q_MODE_ADDR = 5 */ Q_MODE_ADDR = 3," in texts["n.h"]
