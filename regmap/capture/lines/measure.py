"""Running measurements over transfers: worst timing with its place, and the health of a data line."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from regmap.quantity import show
from regmap.record import dataclass, field

from ..arrays import Indices, Times, Values

_SECOND = (0, 0, 1, 0, 0)

#: What is measured, and how it reads.
MEASURES = {
    "period": "clock period",
    "high": "clock high time",
    "low": "clock low time",
    "lead": "select to first clock edge",
    "lag": "last clock edge to select end",
    "idle": "select inactive between transfers",
    "command_setup": "SDI setup before the sampling edge",
    "command_hold": "SDI hold after the sampling edge",
    "reply_setup": "SDO setup before the sampling edge",
    "reply_hold": "SDO hold after the sampling edge",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstTime:
    """The smallest value of one measure: exact seconds, in which transfer, and when."""

    measure: str
    value: Fraction
    transfer: int
    time: Fraction

    @property
    def text(self) -> str:
        """One phrase with units and the place."""
        value, when = show(self.value, _SECOND), show(self.time, _SECOND, digits=9)
        return (
            f"{MEASURES[self.measure]}: {value} at the least, in transfer {self.transfer} at {when}"
        )


@dataclass(slots=True)
class Timing:
    """The smallest of every measure so far. `count` is how often each one could be measured."""

    tick: Fraction
    count: dict[str, int] = field(default_factory=dict)
    _ticks: dict[str, int] = field(default_factory=dict)
    _place: dict[str, tuple[int, int]] = field(default_factory=dict)

    def add(self, measure: str, values: Times, numbers: Times, times: Times) -> None:
        """Ticks of one measure (below 0: not measured), the transfer and the instant of each."""
        if not len(values):
            return
        least = int(values.argmin())
        if values[least] < 0:
            some = np.flatnonzero(values >= 0)
            if not len(some):
                return
            self.count[measure] = self.count.get(measure, 0) + len(some)
            least = int(some[values[some].argmin()])
        else:
            self.count[measure] = self.count.get(measure, 0) + len(values)
        self.one(measure, int(values[least]), int(numbers[least]), int(times[least]))

    def one(self, measure: str, ticks: int, number: int, time: int) -> None:
        """A single candidate; the earliest of equal ones stays."""
        old = self._ticks.get(measure)
        if old is None or ticks < old:
            self._ticks[measure] = ticks
            self._place[measure] = number, time

    def __contains__(self, measure: str) -> bool:
        return measure in self._ticks

    def __getitem__(self, measure: str) -> WorstTime:
        number, time = self._place[measure]
        return WorstTime(
            measure=measure,
            value=self._ticks[measure] * self.tick,
            transfer=number,
            time=time * self.tick,
        )

    def get(self, measure: str) -> WorstTime | None:
        """The worst of one of MEASURES, or None if it never could be measured."""
        return self[measure] if measure in self._ticks else None

    def all(self) -> tuple[WorstTime, ...]:
        """All that were measured, in the order of MEASURES."""
        return tuple(self[m] for m in MEASURES if m in self._ticks)


#: what messages call the lines that carry data
_CALLED = {"command": "SDI", "reply": "SDO"}


@dataclass(slots=True)
class LineHealth:
    """Counts over all sampled bits of one data line.

    bits, ones, unknown   sampled bits, those that were 1, those that were x or z (z: floating)
    floating              those that were z
    same                  bits equal to the other data line's, where both were known
    compared              bits compared with the other line
    edges                 changes of the line in the whole capture
    at_edge               changes in the very tick of a sampling edge
    """

    name: str
    captured: bool = True
    bits: int = 0
    ones: int = 0
    unknown: int = 0
    floating: int = 0
    same: int = 0
    compared: int = 0
    edges: int = 0
    at_edge: int = 0

    def add(self, values: Values) -> None:
        """Count the sampled bits of some transfers."""
        self.bits += len(values)
        ones = int(np.count_nonzero(values == 1))
        self.ones += ones
        if ones < len(values) and len(values) and int(values.max()) > 1:
            self.unknown += int(np.count_nonzero(values > 1))
            self.floating += int(np.count_nonzero(values == 3))

    @property
    def stuck(self) -> str:
        """ "high", "low", "floating", "unknown" if every sampled bit was that, else ""."""
        if not self.bits:
            return ""
        if self.floating == self.bits:
            return "floating"
        if self.unknown == self.bits:
            return "unknown"
        if self.unknown:
            return ""
        return {0: "low", self.bits: "high"}.get(self.ones, "")

    @property
    def called(self) -> str:
        """SDI or SDO."""
        return _CALLED.get(self.name, self.name)

    @property
    def echo(self) -> bool:
        """Whether the line carries exactly the other line's bits (and these do change)."""
        return self.compared > 0 and self.same == self.compared and not self.stuck

    @property
    def inverted(self) -> bool:
        """Whether every bit is the opposite of the other line's (and these do change)."""
        return self.compared > 8 and self.same == 0 and not self.stuck

    @property
    def text(self) -> str:
        """One sentence; empty if nothing is unusual."""
        if not self.captured:
            return f"{self.called} was not captured"
        if not self.bits:
            return f"no bit of {self.called} was sampled"
        stuck = self.stuck
        if stuck in ("high", "low"):
            moved = (
                "it never moves"
                if not self.edges
                else f"though it moves {self.edges} times between"
            )
            return f"{self.called} is {stuck} at each of {self.bits} sampling edges; {moved}"
        if stuck:
            return f"{self.called} is {stuck} at each of {self.bits} sampling edges"
        found = []
        if self.unknown:
            found.append(
                f"{self.unknown} of {self.bits} bits of {self.called} are unknown ({self.floating} floating)"
            )
        if self.echo:
            other = "reply" if self.name == "command" else "command"
            found.append(
                f"{self.called} carries the very bits of {_CALLED[other]}: are they bridged, or is one probed twice?"
            )
        elif self.inverted:
            found.append(f"{self.called} is the inverse of the other line")
        if self.at_edge:
            found.append(
                f"{self.called} changes {self.at_edge} times in the tick of a sampling edge: "
                "sampled too slowly, or read in the wrong mode"
            )
        return "; ".join(found)


def ranged(op: np.ufunc, values: Times, low: Indices, high: Indices) -> Times:
    """`op` (minimum, maximum) over `values[low[i]:high[i]]`; -1 where that is empty.

    Ranges must not overlap and must ascend.
    """
    out = np.full(len(low), -1, np.int64)
    some = np.flatnonzero(high > low)
    if len(some):
        at = np.empty(2 * len(some), np.intp)
        at[::2], at[1::2] = low[some], high[some]
        if at[-1] >= len(values):
            at = at[:-1]
        out[some] = op.reduceat(values, at)[::2]
    return out
