"""The map's electrical limits of the SPI against what a capture measured, with the worst place."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from regmap.capture.spi import Transfers
from regmap.chip.model import Chip
from regmap.quantity import Band, show
from regmap.record import dataclass

from ..faults.pins import PinTrace

_SECOND = (0, 0, 1, 0, 0)
_HERTZ = (0, 0, -1, 0, 0)

#: measure of a transfer -> (what it is, field of Spi that limits it from below)
_LEAST = {
    "high": ("clock high time", "clock_high"),
    "low": ("clock low time", "clock_low"),
    "lead": ("select to first clock edge", "lead"),
    "lag": ("last clock edge to select end", "lag"),
    "idle": ("select inactive between frames", "idle"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Breach:
    """A limit that is not kept: `count` times, worst in transfer `transfer` at `time` (ticks)."""

    limit: str
    count: int
    of: int
    worst: Fraction
    allowed: Fraction
    transfer: int
    time: int
    text: str


class LimitCheck:
    """Feeds on transfers; `result` gives what is not kept, gravest first."""

    def __init__(self, chip: Chip, tick: Fraction, *, wake: bool = True) -> None:
        self.spi = chip.spi
        self.tick = tick
        self._wakes = wake and chip.spi.wake_up is not None
        self._worst: dict[str, tuple[int, int, int]] = {}
        self._count: dict[str, int] = {}
        self._seen: dict[str, int] = {}
        self._starts: list[tuple[int, int]] = []
        self._firsts: list[np.ndarray] = []
        self._numbers: list[np.ndarray] = []

    def add(self, part: Transfers) -> None:
        """Take some transfers."""
        for name, (_, limit) in _LEAST.items():
            band: Band | None = getattr(self.spi, limit)
            if band is not None:
                self._least(name, getattr(part, name), band.low, part)
        if self.spi.clock_max is not None:
            self._least("period", part.period, 1 / self.spi.clock_max.high, part)
        if self._wakes:
            self._firsts.append(part.start)
            self._numbers.append(part.number)

    def _least(self, name: str, values: np.ndarray, least: Fraction, part: Transfers) -> None:
        known = values >= 0
        total = int(np.count_nonzero(known))
        if not total:
            return
        self._seen[name] = self._seen.get(name, 0) + total
        # a time of n ticks may have been anything up to n + 1: only what is surely short counts
        allowed = int(np.ceil(float(least / self.tick)))
        short = known & (values < allowed - 1) if allowed > 1 else known & (values < allowed)
        count = int(np.count_nonzero(short))
        if not count:
            return
        self._count[name] = self._count.get(name, 0) + count
        place = int(np.where(short, values, np.iinfo(np.int64).max).argmin())
        found = (int(values[place]), int(part.number[place]), int(part.start[place]))
        if name not in self._worst or found < self._worst[name]:
            self._worst[name] = found

    def result(self, pins: PinTrace) -> tuple[Breach, ...]:
        """Every limit that is not kept."""
        breaches = []
        for name, (ticks, transfer, time) in self._worst.items():
            worst = ticks * self.tick
            if name == "period":
                assert self.spi.clock_max is not None
                allowed = self.spi.clock_max.high
                speed = 1 / worst if worst else Fraction(0)
                fast = show(speed, _HERTZ) if worst else "unmeasurably fast"
                said = f"clock of {fast}; at most {show(allowed, _HERTZ)} allowed"
            else:
                what, limit = _LEAST[name]
                allowed = getattr(self.spi, limit).low
                said = f"{what} of {show(worst, _SECOND)}; at least {show(allowed, _SECOND)} needed"
            times = f"{self._count[name]} of {self._seen[name]} times"
            at = show(time * self.tick, _SECOND, 7)
            text = f"{said} ({times}, worst in transfer {transfer} at {at})"
            breaches.append(
                Breach(limit=name, count=self._count[name], of=self._seen[name], worst=worst,
                       allowed=allowed, transfer=transfer, time=time, text=text)
            )  # fmt: skip
        breaches += self._wake(pins)
        return tuple(breaches)

    def _wake(self, pins: PinTrace) -> list[Breach]:
        band = self.spi.wake_up
        rises = [t for t, on in pins.enable_edges if on]
        if band is None or not rises or not self._firsts:
            return []
        starts, numbers = np.concatenate(self._firsts), np.concatenate(self._numbers)
        found: list[tuple[Fraction, int, int]] = []
        for rise in rises:
            place = int(np.searchsorted(starts, rise))
            if place < len(starts):
                wait = (int(starts[place]) - rise) * self.tick
                if wait < band.high:
                    found.append((wait, int(numbers[place]), int(starts[place])))
        if not found:
            return []
        wait, transfer, time = min(found)
        text = (
            f"first frame {show(wait, _SECOND)} after the enable pin rose; the chip needs up to "
            f"{show(band.high, _SECOND)} to wake (transfer {transfer} at {show(time * self.tick, _SECOND, 7)})"
        )
        return [Breach(limit="wake_up", count=len(found), of=len(rises), worst=wait, allowed=band.high,
                       transfer=transfer, time=time, text=text)]  # fmt: skip
