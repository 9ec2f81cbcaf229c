"""Exact Poisson rates against scipy (a general-purpose library) and published figures; no false alarm at the level."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from regmap.errors import CallError
from regmap.fleet.rates import (
    binomial_at_most,
    compare_rates,
    holm,
    poisson_at_most,
    rate_interval,
    ratio_interval,
)


@given(st.integers(0, 3000), st.floats(1e-3, 4000))
def test_poisson_as_scipy(count: int, mean: float) -> None:
    assert poisson_at_most(count, mean) == pytest.approx(
        stats.poisson.cdf(count, mean), rel=1e-9, abs=1e-12
    )


@given(st.integers(0, 400), st.integers(1, 2000), st.floats(0.001, 0.999))
def test_binomial_as_scipy(count: int, of: int, chance: float) -> None:
    assert binomial_at_most(count, of, chance) == pytest.approx(
        stats.binom.cdf(count, of, chance), rel=1e-8, abs=1e-11
    )


@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("count", [0, 1, 2, 5, 10, 50, 1000, 20000])
def test_intervals_of_one_rate_as_by_chi_square(count: int, level: float) -> None:
    """Garwood's interval is half a quantile of chi-square with 2n and 2n + 2 degrees of freedom."""
    low, high = rate_interval(count, 8.0, level)
    tail = (1 - level) / 2
    assert low == pytest.approx(stats.chi2.ppf(tail, 2 * count) / 16 if count else 0, rel=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(1 - tail, 2 * count + 2) / 16, rel=1e-9)


def test_intervals_of_one_rate_as_printed() -> None:
    """The usual printed table of 95 % limits of a Poisson count (after Garwood 1936), from memory."""
    for count, low, high in (
        (0, 0.0, 3.689),
        (1, 0.0253, 5.572),
        (5, 1.623, 11.668),
        (10, 4.795, 18.390),
    ):
        assert rate_interval(count, 1.0) == pytest.approx((low, high), abs=6e-4)


def _exactly(count: int, total: int, share: float) -> float:
    """Twice the smaller tail of a binomial, summed in fractions."""
    p = Fraction(share)
    terms = [math.comb(total, k) * p**k * (1 - p) ** (total - k) for k in range(total + 1)]
    return float(min(Fraction(1), 2 * sum(terms[: count + 1]), 2 * sum(terms[count:])))


@given(st.integers(0, 200), st.floats(0.1, 100), st.integers(0, 200), st.floats(0.1, 100))
@example(164, 1.0, 16, 83.0)
@example(124, 0.1, 17, 36.0)
def test_two_rates_as_scipy(now: int, span: float, before: int, span_before: float) -> None:
    """The smaller tail of the conditional binomial, twice; the ratio by Clopper and Pearson."""
    if now + before == 0:
        assert compare_rates(now, span, before, span_before) == 1
        return
    share = span / (span + span_before)
    tails = [
        stats.binomtest(now, now + before, share, alternative=a).pvalue for a in ("less", "greater")
    ]
    told = compare_rates(now, span, before, span_before)
    # far out in a tail SciPy itself is off by some 1e-7, and near the least number there is by some 1e-4; the exact sum
    # below is not
    least = 1e-5 if min(tails) > 1e-200 else 1e-3
    assert told == pytest.approx(min(1, 2 * min(tails)), rel=least, abs=1e-300)
    assert told == pytest.approx(_exactly(now, now + before, share), rel=1e-9, abs=1e-300)
    low, high = stats.binomtest(now, now + before).proportion_ci(0.95, "exact")
    scale = span_before / span
    ratio = ratio_interval(now, span, before, span_before)
    assert ratio[0] == pytest.approx(low / (1 - low) * scale, rel=1e-6, abs=1e-12)
    assert ratio[1] == (
        math.inf if high == 1 else pytest.approx(high / (1 - high) * scale, rel=1e-6)
    )


def test_many_tests_raise_no_more_false_alarms_than_stated() -> None:
    """1000 comparisons of fleets without any difference, 12 rates each: an alarm in at most 5 % of them."""
    rng = np.random.default_rng(7)
    alarms = 0
    for _ in range(1000):
        rates = rng.uniform(0.5, 6, 12)
        chances = [compare_rates(int(rng.poisson(r * 3)), 3, int(rng.poisson(r)), 1) for r in rates]
        alarms += any(holm(chances, 0.05))
    # three standard deviations of a binomial with that chance above it
    assert alarms <= 50 + 3 * math.sqrt(1000 * 0.05 * 0.95)


def test_holm_as_published() -> None:
    """p of 0.01, 0.02, 0.03, 0.04: against 0.05 / 4, / 3, ... the first holds alone."""
    assert holm([0.03, 0.01, 0.04, 0.02], 0.05) == [False, True, False, False]
    assert holm([0.001, 0.01, 0.04, 0.02], 0.05) == [True, True, True, True]
    assert holm([], 0.05) == []


def test_what_is_no_level_or_exposure() -> None:
    for level in (0.0, 1.0, 2.0):
        with pytest.raises(CallError, match="level"):
            rate_interval(1, 1.0, level)
    with pytest.raises(CallError, match="exposure"):
        rate_interval(1, 0.0)
