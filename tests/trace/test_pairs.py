"""Pairs of words: each different one once, whatever the numbers that they are found by."""

from __future__ import annotations

import os
from unittest.mock import patch

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.trace.frames import pairs
from regmap.trace.frames.pairs import PairTable

#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
#: (word, unknown, bits, flags, reply, unknown reply bits, reply bits); few values, so that rows repeat
ROW = st.tuples(
    *[st.integers(0, 3)] * 4, st.sampled_from([0, 1, 2**64 - 1]), st.just(0), st.integers(0, 1)
)
BATCHES = st.lists(st.lists(ROW, max_size=12), max_size=6)


def told(table: PairTable, batches: list[list[tuple[int, ...]]], again: bool = False) -> None:
    """Holds the table to a plain dictionary."""
    seen: dict[tuple[int, ...], int] = {}
    further = 0
    for rows in batches:
        idents = table.identify([np.array([r[c] for r in rows], np.uint64) for c in range(7)])
        for row, ident in zip(rows, idents.tolist(), strict=True):
            assert seen.setdefault(row, ident) == ident
            assert tuple(int(table.column(c)[ident]) for c in range(7)) == row
        if again and len(table):
            # a further number for a row must never be given to other rows
            assert table.again(0) == len(table) - 1
            further += 1
    assert len(table) == len(seen) + further


@settings(
    max_examples=60 if EVERY else 20,
    derandomize=not EVERY,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(BATCHES, st.booleans())
def test_equal_rows_have_one_number_and_different_rows_two(
    batches: list[list[tuple[int, ...]]], again: bool
) -> None:
    told(PairTable((0,)), batches, again)


@settings(
    max_examples=60 if EVERY else 20,
    derandomize=not EVERY,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(BATCHES, st.booleans())
def test_rows_that_share_a_mixed_number_are_told_apart(
    batches: list[list[tuple[int, ...]]], again: bool
) -> None:
    with patch.object(pairs, "mixed", lambda columns: columns[0] & np.uint64(1)):
        told(PairTable((0,)), batches, again)


def test_numbers_follow_the_order_of_coming() -> None:
    table = PairTable((0,))
    words = np.array([9, 4, 9, 7, 4], np.uint64)
    rest = [np.zeros(5, np.uint64)] * 6
    assert table.identify([words, *rest]).tolist() == [0, 1, 0, 2, 1]
    assert table.column(0).tolist() == [9, 4, 7]
    assert table.identify([words[:0], *[r[:0] for r in rest]]).tolist() == []
