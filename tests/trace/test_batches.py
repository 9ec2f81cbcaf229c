"""Batches that are kept small come back as they were; frames are counted as one would by hand."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from regmap.maps.load import load_map
from regmap.quantity import DIMENSIONS, show
from regmap.trace.events import TraceClock
from regmap.trace.frames.batches import Batches
from regmap.trace.frames.decoded import Judge
from regmap.trace.frames.framer import Batch
from regmap.trace.frames.log import FrameLog
from regmap.trace.frames.pairs import PairTable

NAMES = ("transfer", "start", "end", "answered", "idents")
#: how far apart: neighbours, some ticks, more than 16 and more than 32 bits hold
STEPS = st.sampled_from([0, 1, 2, 300, 70_000, 1 << 33])


def batch_of(first: int, steps: list[tuple[int, int, int, int]], ident: int) -> Batch:
    """A batch whose columns move by these steps: transfer, start, end from start, answer from end."""
    moved = np.cumsum(np.array(steps, np.int64), axis=0)
    start = moved[:, 1]
    end = start + np.array(steps)[:, 2]
    return Batch(
        chip=0, first=first, transfer=moved[:, 0], start=start, end=end,
        answered=end + np.array(steps)[:, 3],
        idents=(np.arange(len(steps)) % (ident + 1)).astype(np.int32),
    )  # fmt: skip


@given(
    st.lists(
        st.tuples(
            st.lists(st.tuples(STEPS, STEPS, STEPS, STEPS), min_size=1, max_size=8),
            st.integers(0, 9),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_batch_comes_back_as_it_was(
    parts: list[tuple[list[tuple[int, int, int, int]], int]],
) -> None:
    given_, first = [], 0
    batches, joined = Batches(), Batches()
    for steps, ident in parts:
        given_.append(batch_of(first, steps, ident))
        first += len(steps)
        batches.append(given_[-1])
        joined.append(given_[-1])
    assert len(batches) == len(given_)
    joined.join()
    for place, (kept, was) in enumerate(zip(batches, given_, strict=True)):
        assert (kept.chip, kept.first, len(kept)) == (was.chip, was.first, len(was))
        assert batches.idents(place).tolist() == was.idents.tolist()
        for name in NAMES:
            assert getattr(kept, name).tolist() == getattr(was, name).tolist(), name
    for name in NAMES:
        whole = np.concatenate([getattr(b, name) for b in given_])
        assert getattr(joined[0], name).tolist() == whole.tolist(), name
    assert batches[-1] is given_[-1]


@given(st.lists(st.lists(st.integers(0, 7), min_size=1, max_size=9), max_size=4))
def test_frames_are_counted_by_their_words(parts: list[list[int]]) -> None:
    chip = load_map("quoll16")
    table = PairTable((1,))
    log = FrameLog(chip, Judge(chip, 1, 0, None), table)
    first = 0
    for idents in parts:
        none = np.zeros(len(idents), np.int64)
        log.batches.append(
            Batch(
                chip=0,
                first=first,
                transfer=none,
                start=none,
                end=none,
                answered=none,
                idents=np.array(idents, np.int32),
            )
        )
        first += len(idents)
    every = [i for p in parts for i in p]
    met, places, many = log.tally()
    assert dict(zip(met.tolist(), many.tolist(), strict=True)) == Counter(every)
    assert places.tolist() == [every.index(i) for i in met.tolist()]
    assert log.count == len(every)


@given(
    st.integers(0, 1 << 62),
    st.fractions(min_value=Fraction(1, 10**15), max_value=1),
    st.integers(3, 12),
)
def test_an_instant_reads_as_its_exact_seconds_do(ticks: int, tick: Fraction, digits: int) -> None:
    assert TraceClock(tick).text(ticks, digits) == show(ticks * tick, DIMENSIONS["time"][0], digits)
