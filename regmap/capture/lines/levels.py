"""Voltages to logic levels, with hysteresis; thresholds given, or found from the swing.

Thresholds found are 30 % and 70 % of the swing seen first (common practice, no source: CMOS
inputs are usually specified at 0.3 and 0.7 of their supply). Between the two a line keeps its level.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from regmap.errors import CallError
from regmap.quantity import DIMENSIONS, show
from regmap.record import dataclass, field

from ..arrays import NO_TIMES, NO_VALUES, Times, Values, X
from .signals import Findings

Volts = npt.NDArray[np.float64]
#: (low, high) in volts: at or below low is 0, at or above high is 1.
Thresholds = tuple[float, float]

#: A line that moves by less than this carries noise, not data.
LEAST_SWING = 0.3
_VOLTAGE = DIMENSIONS["voltage"][0]


@dataclass(slots=True)
class _Line:
    low: float
    high: float
    state: int = X


@dataclass(slots=True)
class Levels:
    """Thresholds of a capture: one pair for all lines, or by channel name (full or short)."""

    common: Thresholds | None = None
    by_name: Mapping[str, Thresholds] = field(default_factory=dict)
    found: dict[str, Thresholds] = field(default_factory=dict)
    _lines: dict[str, _Line] = field(default_factory=dict)
    _range: dict[str, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, pair in [("", self.common), *self.by_name.items()]:
            if pair is not None and not (np.isfinite(pair).all() and pair[0] <= pair[1]):
                raise CallError(
                    f"thresholds {name} {pair[0]} and {pair[1]} V", "the lower one first"
                )

    def digital(
        self, name: str, times: Times, volts: Volts, findings: Findings
    ) -> tuple[Times, Values]:
        """Instants at which the line takes a level, and the level; between thresholds it stays."""
        line = self._lines.get(name)
        if line is None:
            pair = (
                self.by_name.get(name) or self.by_name.get(name.rsplit(".", 1)[-1]) or self.common
            )
            if pair is None:
                pair = self.found.get(name) or self._seek(name, volts, findings)
                if pair is None:
                    return _flat(times, volts)
            line = self._lines[name] = _Line(*pair)
        level = np.full(len(volts), 255, np.uint8)
        level[volts <= line.low] = 0
        level[volts >= line.high] = 1
        level[~np.isfinite(volts)] = X
        known = np.flatnonzero(level != 255)
        if not len(known):
            return NO_TIMES, NO_VALUES
        values = level[known]
        moved = np.flatnonzero(
            np.concatenate(([values[0] != line.state], values[1:] != values[:-1]))
        )
        line.state = int(values[-1])
        return times[known[moved]], values[moved]

    def prime(self, name: str, volts: Volts, findings: Findings) -> None:
        """Show the first values of a line before its first block, so that blocks do not matter."""
        if self.by_name.get(name) is None and self.common is None:
            self._seek(name, volts, findings)

    def _seek(self, name: str, volts: Volts, findings: Findings) -> Thresholds | None:
        """Thresholds from all values seen so far, if they swing enough."""
        good = volts[np.isfinite(volts)]
        if name in self._range and len(good):
            good = np.append(good, self._range[name])
        pair = _find(good)
        if pair is not None:
            self.found[name] = pair
            low, high = (show(v, _VOLTAGE, digits=3) for v in pair)
            findings.note(f"{name}: thresholds {low} and {high} found from its swing")
        elif len(good):
            self._range[name] = float(good.min()), float(good.max())
        return pair


def _find(volts: Volts) -> Thresholds | None:
    if not len(volts):
        return None
    good = volts
    low, high = float(good.min()), float(good.max())
    # A few spikes must not set the swing, a few real pulses must: percentiles only of large sets.
    if len(good) > 10_000:
        a, b = np.percentile(good, (0.05, 99.95))
        if b - a >= LEAST_SWING:
            low, high = float(a), float(b)
    if high - low < LEAST_SWING or not np.isfinite(high - low):
        return None
    return low + 0.3 * (high - low), low + 0.7 * (high - low)


def _flat(times: Times, volts: Volts) -> tuple[Times, Values]:
    """A line without a swing yet: high above 1 V (any logic family's low is below), else low."""
    good = np.isfinite(volts)
    if not good.any():
        return times[:1], np.full(len(times[:1]), X, np.uint8)
    first = int(np.argmax(good))
    return times[first : first + 1], np.array([1 if volts[first] > 1.0 else 0], np.uint8)
