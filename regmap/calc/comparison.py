"""A value held against its limits: the worst corner, and how much margin there is."""

from __future__ import annotations

from regmap.record import dataclass

from .corner import Formula, Point, Variable, derive

#: How far one quantity lies above another, in the unit of both.
_DISTANCE = Formula(
    "distance",
    "{a} - {b}",
    "ratio",
    lambda a, b: a - b,
    frozenset("a"),
    frozenset("b"),
    frozenset(),
    "distance to a limit",
)


@dataclass(frozen=True, slots=True)
class Worst:
    """The worst corner of a comparison: values of the inputs, and of both sides there.

    `used_up`: nothing is left of an upper limit there.
    """

    margin: float
    relative: float
    is_upper: bool
    at: Point
    value: float
    limit: float
    used_up: bool = False


#: A limit that is exceeded by more counts as this share of what exceeds it.
_LEAST_LIMIT = 1 / 50


def nearest_limit(
    value: Variable, lower: Variable | None, upper: Variable | None, base: Variable | None = None
) -> Worst:
    """The smaller margin of one or two limits, each at its own worst corner.

    The relative margin is a share of the limit, or of its distance to `base`. Where a limit that is worked out from
    others shrinks to nothing and beyond (an allowed power at an ambient above the highest temperature), a share of it
    would grow without end and then come back. A limit that is exceeded more than fiftyfold counts as a fiftieth of the
    value, and one below nothing makes -5,000 to -10,000 % by how far it is below.
    """
    found = []
    for limit, is_upper in ((lower, False), (upper, True)):
        if limit is not None:
            found.append(_against(value, limit, base, is_upper=is_upper))
    return min(found, key=lambda w: (w.relative, w.margin))


def _against(value: Variable, limit: Variable, base: Variable | None, *, is_upper: bool) -> Worst:
    above, below = (limit, value) if is_upper else (value, limit)
    if value.leaves.keys() & limit.leaves.keys():
        gap = derive("margin", _DISTANCE, {"a": above, "b": below})
        at, margin = gap.low_at, gap.low
        here, there = value.value_at(at), limit.value_at(at)
    else:
        at = {**above.low_at, **below.high_at}
        margin = above.low - below.high
        here, there = (value.high, limit.low) if is_upper else (value.low, limit.high)
    zero = base.value_at(at) if base is not None else 0.0
    span = abs(there - zero)
    made = (
        base is not None or limit.formula is not None
    )  # of a limit that is stated nobody asks a share below nothing
    used_up = made and is_upper and there <= zero < here
    if margin < 0 and made:
        span = max(span, _LEAST_LIMIT * abs(here - zero))
    share = margin / span if span else float("inf") if margin >= 0 else float("-inf")
    if used_up:  # from where the limit is nothing steadily on to twice that
        share = -(1 + (zero - there) / (here - there)) / _LEAST_LIMIT
    if abs(share) < 1e-9:  # exactly on the limit, but for the rounding of floats
        margin = share = 0.0
    return Worst(margin, share, is_upper, at, here, there, used_up)
