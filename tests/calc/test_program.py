"""Formulas one after the other: at corners and along an edge only what moves is worked again, to the same digit."""

from __future__ import annotations

from itertools import product

from hypothesis import given
from hypothesis import strategies as st

from regmap.calc.program import Program, Step

FUNCTIONS = (
    lambda a, b: a - b,
    lambda a, b: a * b + 0.1,
    lambda a, b: min(a, b) / 3,
    lambda a, b: abs(a) ** 0.5 + b,
)
number = st.floats(-8, 8, allow_nan=False, width=32)


@st.composite
def programs(draw: st.DrawFn) -> tuple[Program, int]:
    """Blocks, constants and formulas of two arguments, each of anything before it."""
    size, count = draw(st.integers(1, 5)), draw(st.integers(1, 7))
    constants = draw(st.lists(number, max_size=2))
    steps: list[Step] = []
    for n in range(count):
        before = [*range(size + n), *range(size + count, size + count + len(constants))]
        two = st.tuples(st.sampled_from(before), st.sampled_from(before))
        steps.append((size + n, draw(st.sampled_from(FUNCTIONS)), draw(two)))
    return Program(size, steps, constants), size


@given(st.data(), programs())
def test_corners_and_edges_are_as_worked_anew(
    data: st.DataObject, made: tuple[Program, int]
) -> None:
    program, size = made
    point = data.draw(st.lists(number, min_size=size, max_size=size))
    box = data.draw(st.lists(st.tuples(number, number), min_size=size, max_size=size))
    free = sorted(data.draw(st.sets(st.integers(0, size - 1))))
    anew = []
    for pattern in product((0, 1), repeat=len(free)):
        corner = list(point)
        for n, end in zip(free, pattern, strict=True):
            corner[n] = box[n][end]
        anew.append(program(corner))
    assert program.corners(point, box, free) == anew
    for n in range(size):
        along = program.line(point, n)
        for there in (*box[n], point[n]):
            assert along(there) == program([*point[:n], there, *point[n + 1 :]])


def test_few_formulas_are_worked_at_every_corner() -> None:
    """Eight blocks, of which each formula adds one: 2 + 4 + ... + 256 sums, not 8 times 256."""
    calls = 0

    def add(a: float, b: float) -> float:
        nonlocal calls
        calls += 1
        return a + b

    # the block that most hang on stands first: 0 is in all sums, 7 in the last alone
    steps: list[Step] = [(8, add, (0, 0))]
    steps += [(8 + n, add, (8 + n - 1, n)) for n in range(1, 8)]
    found = Program(8, steps, []).corners([0.0] * 8, [(0.0, 2.0**n) for n in range(8)], range(8))
    assert sorted(found) == [float(n + n % 2) for n in range(256)]
    assert calls == sum(2**n for n in range(1, 9))
