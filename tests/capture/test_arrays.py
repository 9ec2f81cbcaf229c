"""The few statistics of captures against numpy's own, and the tally of frames against counting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.capture.arrays import distinct, lower_quartile, middle

TICKS = st.lists(st.integers(-5, 5) | st.integers(0, 1 << 50), min_size=1, max_size=40)


@given(TICKS)
def test_statistics_are_those_of_numpy(values: list[int]) -> None:
    ticks = np.array(values, np.int64)
    assert middle(ticks) == pytest.approx(np.median(ticks))
    assert lower_quartile(ticks) == sorted(values)[(len(values) - 1) // 4]
    assert distinct(ticks).tolist() == sorted(set(values))


def test_of_nothing_they_are_zero() -> None:
    none = np.empty(0, np.int64)
    assert middle(none) == lower_quartile(none) == 0
