"""Two-way sweeps: each cell against a whole assessment of that combination, the table, the picture."""

from __future__ import annotations

import random
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from regmap.assessment.grid import (
    MOST_CELLS,
    Axis,
    GridCell,
    SweepGrid,
    axis,
    drawable,
    fitting,
    grid,
    grid_picture,
    shown,
)
from regmap.assessment.stage import assess, with_settings
from regmap.errors import CallError
from regmap.stages.load import Stage, load_stage
from regmap.stages.whatif import with_inputs


@pytest.fixture(scope="module")
def pump() -> Stage:
    return load_stage("coolant_pump")


def alone(stage: Stage, first: tuple[Axis, int], second: tuple[Axis, int]) -> dict[str, Any]:
    """All verdicts of one combination, by a whole assessment of the changed stage."""
    made = stage
    for one, place in (first, second):
        if one.of_input:
            made = with_inputs(made, {one.name: one.labels[place]})
    for one, place in (first, second):
        if not one.of_input:
            made = with_settings(made, {one.name: f"0x{one.codes[place]:X}"})
    return {v.check: v for v in assess(made).verdicts}


@pytest.mark.parametrize(
    "names",
    [
        (("TIMING.DEAD_TIME", None), ("pwm.frequency", "10..60kHz")),
        (("supply.max", "14..20V"), ("motor.current.rms", "5..30A")),
        (("VDS.THRESHOLD", None), ("GATE_HS.SOURCE", None)),
        (("WATCHDOG.ENABLE", None), ("temperature.max", "60..110degC")),
    ],
)
@pytest.mark.one_in(2)
def test_every_cell_is_what_the_combination_gives_alone(
    pump: Stage, names: tuple[tuple[str, str | None], ...]
) -> None:
    first, second = (axis(pump, name, span, 3) for name, span in names)
    found = grid(pump, first, second)
    assert found.moved
    compared = 0
    # corners and a walk across: each a whole assessment
    rows, columns = len(first.labels), len(second.labels)
    places = {(0, 0), (rows - 1, 0), (0, columns - 1), (rows - 1, columns - 1)}
    places |= {(rows // 2, columns // 2)}
    for row, column in places:
        cell = found.cells[row][column]
        if cell.left_out:
            continue
        whole = alone(pump, (first, row), (second, column))
        here = [whole[n] for n in found.moved if n in whole]
        margins = [v.relative for v in here if v.relative is not None]
        assert cell.worst == pytest.approx(min(margins))
        assert whole[cell.check].relative == pytest.approx(cell.worst)
        assert cell.fails == sum(v.status == "fails" for v in here)
        assert cell.low == sum(v.status == "low_margin" for v in here)
        compared += 1
    assert compared >= 4
    # what is told not to change does not: between opposite corners
    one = alone(pump, (first, 0), (second, 0))
    other = alone(pump, (first, rows - 1), (second, columns - 1))
    for name in one.keys() - set(found.moved):
        assert one[name].status == other[name].status, name
        assert one[name].relative == pytest.approx(other[name].relative), name


def test_what_cannot_be_is_left_out_with_the_reason(pump: Stage) -> None:
    found = grid(pump, axis(pump, "pwm.duty.max", "90..110%", 3), axis(pump, "TIMING.DEAD_TIME"))
    last = found.cells[-1][0]
    assert last.status == "impossible"
    assert "at most 100 %" in last.left_out
    assert shown(last) == "x"
    assert found.cells[0][0].worst is not None


def test_wrong_axes_are_refused(pump: Stage) -> None:
    one = axis(pump, "TIMING.DEAD_TIME")
    with pytest.raises(CallError, match="against itself"):
        grid(pump, one, one)
    with pytest.raises(CallError, match="1024 at most"):
        grid(
            pump,
            axis(pump, "supply.max", "14..20V", 40),
            axis(pump, "pwm.frequency", "1..9kHz", 40),
        )
    with pytest.raises(CallError, match="holds no setting"):
        axis(pump, "STATUS1.OT")
    with pytest.raises(CallError, match="at most"):
        grid(pump, axis(pump, "pwm.duty.max", "110..120%", 2), one)


def test_marks_and_figures_of_cells() -> None:
    assert shown(GridCell(0.123, "a", 0, 0)) == "+12 %"
    assert shown(GridCell(0.02, "a", 0, 1)) == "+2 %~"
    assert shown(GridCell(-0.5, "a", 2, 1)) == "-50 %!"
    assert shown(GridCell(float("-inf"), "a", 1, 0)) == "no!"
    assert shown(GridCell()) == "-"


def many(count: int, current: int | None = None, *, of_input: bool = False) -> Axis:
    codes = () if of_input else tuple(range(count))
    return Axis(f"F{count}", tuple(f"v{n}" for n in range(count)), of_input, codes, current)


@pytest.mark.parametrize(("rows", "columns"), [(256, 7), (7, 256), (256, 256), (2000, 3), (40, 30)])
def test_a_field_of_many_options_is_thinned_to_a_grid(rows: int, columns: int) -> None:
    first, second = fitting(many(rows, 100 % rows), many(columns, columns - 2))
    assert 3 <= len(first.labels) * len(second.labels) <= MOST_CELLS
    for one, kept in ((many(rows), first), (many(columns), second)):
        assert kept.labels[0] == one.labels[0]
        assert kept.labels[-1] == one.labels[-1]
        assert [one.labels[c] for c in kept.codes] == list(kept.labels)
        steps = {b - a for a, b in zip(kept.codes, kept.codes[1:], strict=False)}
        even = (len(one.labels) - 1) / (len(kept.labels) - 1)
        assert max(steps) <= 2 * even
    assert first.current is not None
    assert first.labels[first.current] == f"v{100 % rows}"
    assert second.current is not None
    assert second.labels[second.current] == f"v{columns - 2}"
    # what the user asked for, values of an input, stays as asked
    asked = many(40, of_input=True)
    assert fitting(asked, asked) == (asked, asked)


def test_neighbours_of_many_share_a_field_of_the_picture_with_the_worst_of_them() -> None:
    rows, columns = 256, 40
    draws = random.Random(20)
    cells = tuple(
        tuple(GridCell(draws.uniform(-0.2, 2), "a.b", 0, 0) for _ in range(columns))
        for _ in range(rows)
    )
    cells = tuple(
        tuple(GridCell(c.worst, c.check, int((c.worst or 0) < 0), 0) for c in row) for row in cells
    )
    whole = SweepGrid(many(rows, 130), many(columns, 39), cells, ("a.b",), 0)
    drawn = drawable(whole)
    assert (len(drawn.first.labels), len(drawn.second.labels)) == (64, 20)
    assert drawn.first.labels[0] == "v0..v3"
    assert drawn.first.current == 32
    assert drawn.second.current == 19
    for r, row in enumerate(drawn.cells):
        for c, cell in enumerate(row):
            mine = [cells[4 * r + i][2 * c + k] for i in range(4) for k in range(2)]
            assert cell.worst == min(m.worst for m in mine if m.worst is not None)
            assert (cell.status == "fails") == any(m.status == "fails" for m in mine)
    root = ET.fromstring(grid_picture(whole))
    told = " ".join(t.text or "" for t in root.iter("{http://www.w3.org/2000/svg}text"))
    assert "up to 4 of its 256 values share a field, which shows the worst of them" in told
    assert "v252..v255" in told


def test_a_small_grid_is_drawn_as_it_is() -> None:
    whole = SweepGrid(many(64), many(32), ((GridCell(),) * 32,) * 64, (), 0)
    assert drawable(whole).cells == whole.cells
    assert drawable(whole).first.labels == whole.first.labels


@pytest.mark.parametrize("chosen", [("deadtime.enough.high",), ("deadtime", "gate.didt")])
def test_the_cells_of_chosen_checks_are_their_margins(pump: Stage, chosen: tuple[str, ...]) -> None:
    first, second = axis(pump, "TIMING.DEAD_TIME"), axis(pump, "pwm.frequency", "10..60kHz", 3)
    found = grid(pump, first, second, chosen)
    for row, column in ((0, 0), (3, 1), (7, 2)):
        whole = alone(pump, (first, row), (second, column))
        mine = [v for n, v in whole.items() if any(f"{n}.".startswith(f"{c}.") for c in chosen)]
        cell = found.cells[row][column]
        assert cell.worst == pytest.approx(min(v.relative for v in mine if v.relative is not None))
        assert cell.fails == sum(v.status == "fails" for v in mine)
    with pytest.raises(CallError, match="unknown check"):
        grid(pump, first, second, ["deadtimes"])
