"""Words from parts: what a part holds where nothing is given."""

from __future__ import annotations

from regmap.chip.model import Layout, Part
from regmap.frames.words import build, inspect, split

LAYOUT = Layout(
    length=8,
    parts=(
        Part(name="fault", kind="status", bits=(7,), active=1),
        Part(name="ready", kind="status", bits=(6, 5), active=0),
        Part(name="mark", kind="fixed", bits=(4, 3), value=0b10),
        Part(name="turn", kind="counter", bits=(2,), start=1),
        Part(name="data", kind="data", bits=(1, 0)),
    ),
)


def test_a_part_rests_where_it_says_nothing() -> None:
    """Status bits at what means "no": low where active high, high where active low; by hand 0 11 10 1 00."""
    assert f"{build(LAYOUT, {}):08b}" == "01110100"
    assert f"{build(LAYOUT, {'ready': 0, 'fault': 1, 'data': 3}):08b}" == "10010111"
    assert split(LAYOUT, 0b10010111) == {"fault": 1, "ready": 0, "mark": 2, "turn": 1, "data": 3}
    assert [f.part for f in inspect(LAYOUT, 0b01111100)] == ["mark"]
