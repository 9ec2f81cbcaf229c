"""What puts a header right: the number in its author's style, and nothing else."""

from __future__ import annotations

import pytest

from regmap.lint.fixes import as_patch, patched, restated
from regmap.lint.header import lint, put_right
from regmap.maps.load import load_map

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
    texts, after = put_right(chip, HEADER, "ql.h")
    assert texts == {"ql.h": RIGHT}
    assert after.problems == ()
    assert patched(HEADER, []) == HEADER


def test_what_nothing_is_known_of_is_left() -> None:
    chip = load_map("quoll16")
    text = "#define QL_MODE_ADDR 0x3 /* 0x4 */\n#define QL_GATE_HS_HOLD_SET(x) ((x) << 3)\n"
    assert len(lint(chip, text, "a.h").problems) == 2
    assert put_right(chip, text, "a.h")[0] == {"a.h": text}
    assert as_patch("a.h", text, text) == ""
