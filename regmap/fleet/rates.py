"""Counts over exposure as rates: exact intervals of one, exact comparison of two, and of many at once.

Sources: F. Garwood, Biometrika 28 (1936), for the interval of a Poisson mean; J. Przyborowski and H. Wilenski,
Biometrika 31 (1940), for two Poisson means by the binomial that one follows given their sum, its interval after
C. Clopper and E. Pearson, Biometrika 26 (1934); S. Holm, Scandinavian Journal of Statistics 6 (1979), for many
tests at one level. The functions behind them are those of the NIST Digital Library of Mathematical Functions,
8.11.4 and 8.9.2 (incomplete gamma), 8.17.22 (incomplete beta).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from regmap.errors import CallError

_TINY = 1e-300
_CLOSE = 1e-15


def poisson_at_most(count: int, mean: float) -> float:
    """Probability of at most `count` events where `mean` are expected."""
    if count < 0:
        return 0.0
    if mean <= 0:
        return 1.0
    return 1 - _lower_gamma(count + 1, mean)


def _lower_gamma(a: float, x: float) -> float:
    """P(a, x): by its series below a + 1, by its continued fraction above."""
    front = math.exp(-x + a * math.log(x) - math.lgamma(a))
    if x < a + 1:
        term = total = 1 / a
        n = a
        while abs(term) > abs(total) * _CLOSE:
            n += 1
            term *= x / n
            total += term
        return total * front
    b = x + 1 - a
    c, d = 1 / _TINY, 1 / b
    value = d
    for i in range(1, 1_000_000):
        step = -i * (i - a)
        b += 2
        d = 1 / _not_zero(step * d + b)
        c = _not_zero(b + step / c)
        value *= d * c
        if abs(d * c - 1) < _CLOSE:
            break
    return 1 - front * value


def _not_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def binomial_at_most(count: int, of: int, chance: float) -> float:
    """Probability of at most `count` hits of `of` tries."""
    if count < 0:
        return 0.0
    if count >= of:
        return 1.0
    return _beta(of - count, count + 1, 1 - chance)


def _beta(a: float, b: float, x: float) -> float:
    """I_x(a, b), the regularised incomplete beta function."""
    if x <= 0 or x >= 1:
        return 0.0 if x <= 0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _beta(b, a, 1 - x)
    log = (
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    c, d = 1.0, 1 / _not_zero(1 - (a + b) * x / (a + 1))
    value = d
    for m in range(1, 1_000_000):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        last = 1.0
        for step in (even, odd):
            d = 1 / _not_zero(1 + step * d)
            c = _not_zero(1 + step / c)
            last = d * c
            value *= last
        if abs(last - 1) < _CLOSE:
            break
    return math.exp(log) * value / a


def _solved(function: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Where a falling function has the wanted value, by halving."""
    for _ in range(200):
        middle = (low + high) / 2
        if function(middle) > wanted:
            low = middle
        else:
            high = middle
        if high - low <= 1e-13 * high:
            break
    return (low + high) / 2


def rate_interval(count: int, exposure: float, level: float = 0.95) -> tuple[float, float]:
    """Garwood's exact interval of a rate, in events per unit of `exposure`. Raises CallError without exposure."""
    _checked(level)
    if exposure <= 0 or count < 0:
        raise CallError(f"{count} events in an exposure of {exposure:g}", "a count and more than 0")
    tail = (1 - level) / 2
    most = count + 12 * math.sqrt(count + 4) + 60
    upper = _solved(lambda mean: poisson_at_most(count, mean), tail, float(count), most)
    lower = 0.0
    if count:
        lower = _solved(lambda mean: poisson_at_most(count - 1, mean), 1 - tail, 0.0, float(count))
    return lower / exposure, upper / exposure


def compare_rates(now: int, exposure: float, before: int, exposure_before: float) -> float:
    """Two-sided p that both rates are one: twice the smaller tail of the exact conditional binomial, at most 1.

    1 where nothing was counted or one of the exposures is 0.
    """
    total = now + before
    if total == 0 or exposure <= 0 or exposure_before <= 0:
        return 1.0
    together = exposure + exposure_before
    few = binomial_at_most(now, total, exposure / together)
    # the upper tail is the lower one of the other count: a difference from 1 would lose its digits
    many = binomial_at_most(before, total, exposure_before / together)
    return min(1.0, 2 * min(few, many))


def ratio_interval(
    now: int, exposure: float, before: int, exposure_before: float, level: float = 0.95
) -> tuple[float, float]:
    """Exact interval of the ratio of two rates, now over before; infinite where before none was counted."""
    _checked(level)
    total = now + before
    if total == 0 or exposure <= 0 or exposure_before <= 0:
        return 0.0, math.inf
    tail = (1 - level) / 2
    low, high = 0.0, 1.0
    if now:
        low = _solved(lambda p: binomial_at_most(now - 1, total, p), 1 - tail, 0.0, 1.0)
    if before:
        high = _solved(lambda p: binomial_at_most(now, total, p), tail, 0.0, 1.0)
    scale = exposure_before / exposure
    return low / (1 - low) * scale if low < 1 else math.inf, (
        high / (1 - high) * scale if high < 1 else math.inf
    )


def _checked(level: float) -> None:
    if not 0 < level < 1:
        raise CallError(f"a level of {level:g}", "between 0 and 1, as 0.95")


def holm(chances: Sequence[float], error: float) -> list[bool]:
    """Which of these tests hold together, so that all of them raise a false alarm with at most `error`."""
    order = sorted(range(len(chances)), key=lambda i: chances[i])
    held = [False] * len(chances)
    for place, i in enumerate(order):
        if chances[i] > error / (len(chances) - place):
            break
        held[i] = True
    return held
