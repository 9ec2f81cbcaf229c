"""Two-way sweeps: each cell against a whole assessment of that combination, the table, the picture."""

from __future__ import annotations

from typing import Any

import pytest

from regmap.assessment.grid import Axis, GridCell, axis, grid, shown
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
