"""Clock timing of transfers in bulk: shortest periods and pulses, lead, lag, runts, pauses."""

from __future__ import annotations

import numpy as np

from regmap.record import dataclass

from ..arrays import Indices, Times
from ..lines.measure import ranged
from ..spi import NONE, Flag, SpiSetup


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """Ticks: the usual clock pulse, the width below which one is a runt, the capture's step (0: unknown)."""

    pulse: int = 0
    runt: int = 0
    resolution: int = 0


def clock_times(
    setup: SpiSetup,
    usual: Usual,
    start: Times,
    end: Times,
    flags: Times,
    clock: Times,
    rise: int,
    resting: int,
    samples: Times,
    first: Times,
    clocks: Times,
    bounds: tuple[Indices, Indices],
) -> dict[str, Times]:
    """lead, lag, period, high, low of every transfer in ticks (NONE: not measured); sets `flags`.

    `clock` are alternating edges, those of index parity `rise` rise; `bounds` are the first and the
    behind-last edge of each transfer. `samples`, `first`, `clocks` are its sampling edges. `resting` is
    the clock's level if there is no edge at all.
    """
    low, high = bounds
    edges = high - low
    none = edges == 0
    flags[edges % 2 == 1] |= int(Flag.ODD_EDGES)
    lead, lag = np.full(len(start), NONE), np.full(len(start), NONE)
    if len(clock):
        lead = clock.take(low, mode="clip") - start
        lag = end - clock.take(high - 1, mode="clip")
    lead[none | (flags & int(Flag.STARTS_MID | Flag.BY_GAP) > 0)] = NONE
    lag[none | (flags & int(Flag.ENDS_MID | Flag.BY_GAP | Flag.TOO_LONG) > 0)] = NONE
    # The level before edge `low` follows from the parity; before any edge the track knows it.
    level = (low - rise) % 2 if len(clock) else np.full(len(start), resting)
    flags[(level <= 1) & (level != int(setup.idle_high))] |= int(Flag.CLOCK_NOT_IDLE)
    widths = np.diff(clock)
    last = np.maximum(high - 1, low)
    many = np.maximum(clocks - 1, 0)
    even = _even_pulse(widths, low, last, usual.pulse)
    found = {}
    for name, parity in (("high", rise), ("low", 1 - rise)):
        a, b = (low - parity + 1) // 2, (last - parity + 1) // 2
        found[name] = (
            np.where(b > a, even, NONE) if even else ranged(np.minimum, widths[parity::2], a, b)
        )
    if even:
        found["period"] = np.where(many > 0, 2 * even, NONE)
        longest = np.where(last > low, even, NONE)
    else:
        found["period"] = ranged(np.minimum, np.diff(samples), first, first + many)
        longest = ranged(np.maximum, widths, low, last)
    shortest = np.minimum(
        np.where(found["high"] < 0, longest, found["high"]),
        np.where(found["low"] < 0, longest, found["low"]),
    )
    if setup.runt is not None:
        runt = (shortest >= 0) & (shortest < usual.runt)
    else:
        runt = (shortest >= 0) & (shortest < usual.runt) & (4 * shortest <= longest)
        if usual.resolution > 1:
            # One sampling step more or less is no runt.
            runt &= shortest + 2 * usual.resolution < usual.pulse
    flags[runt] |= int(Flag.RUNT_CLOCK)
    if usual.pulse:
        flags[longest > 20 * usual.pulse] |= int(Flag.LONG_GAP)
    return {**found, "lead": lead, "lag": lag}


def _even_pulse(widths: Times, low: Indices, last: Indices, pulse: int) -> int:
    """The width of all pulses in these transfers where it is one and the same, as most clocks are; else 0.

    Only the few widths that differ are looked at: all of them must lie between transfers.
    """
    if not pulse or not len(low):
        return 0
    odd = np.flatnonzero(widths != pulse)
    if 4 * len(odd) > len(widths):
        return 0
    owner = np.searchsorted(low, odd, side="right") - 1
    inside = (owner >= 0) & (odd < last.take(owner, mode="clip"))
    return 0 if inside.any() else pulse
