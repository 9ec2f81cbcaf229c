"""The chip without an SPI: counters by their step."""

from __future__ import annotations

from pathlib import Path

from regmap.maps.load import load_map
from regmap.twin import Twin

CHIP = load_map(Path(__file__).parents[1] / "behaviour" / "access.yaml")


def test_a_counter_out_of_its_step_is_rejected() -> None:
    """Start 1, step 3, in bits 10..9: 1, 0, 3, 2, 1; two in a row of another step are not."""
    twin = Twin(CHIP)
    for count in (1, 0, 3, 2, 1, 0):
        twin.exchange(0x8000 | count << 9 | 0x40 | count)
        assert twin.word("PLAIN") == 0x40 | count
    twin.exchange(0x8000 | 1 << 9 | 0x77)  # a step of one
    assert twin.word("PLAIN") == 0x40
    assert [f.name for f in twin.raised()] == ["UV"]  # raised_by: counter
