"""Where transfers begin and end: at the edges of select, or at pauses of the clock where it is missing."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from regmap.quantity import show
from regmap.record import dataclass

from ..arrays import NO_TIMES, Times, distinct, middle
from ..lines.signals import Edges
from ..spi import Flag

_SECOND = (0, 0, 1, 0, 0)
#: Two neighbouring pulse widths must differ by this factor for a pause to be told from a clock.
LEAST_RATIO = 1.8


@dataclass(frozen=True, slots=True)
class Cut:
    """Complete transfers (start, end, flags), and what is left: edges from `until` on are still needed.

    `open` is the start of a transfer that has no edge of its own (select was active at the capture's
    first instant, or the transfer before it was cut for length), or None.
    """

    start: Times
    end: Times
    flags: Times
    until: int
    open: int | None = None
    open_flags: int = 0


def cut_by_select(
    edges: Edges,
    level: int,
    active: int,
    opened: int | None,
    opened_flags: int,
    clock: Times,
    limit: int,
    *,
    final: bool,
    force: bool,
) -> Cut:
    """Transfers between select's edges before `limit`; x and z count as inactive and are flagged."""
    times, values = edges.times, edges.values
    on = values == active
    before = np.empty(len(values), np.uint8)
    if len(values):
        before[0] = level
        before[1:] = values[:-1]
    was_on = before == active
    begins = np.flatnonzero(on & ~was_on)
    closes = np.flatnonzero(was_on & ~on)
    start, end = times[begins], times[closes]
    begin_flags = np.where(before[begins] > 1, int(Flag.SELECT_UNKNOWN), 0).astype(np.int64)
    end_flags = np.where(values[closes] > 1, int(Flag.SELECT_UNKNOWN), 0).astype(np.int64)
    if opened is not None:
        start = np.append(np.int64(opened), start)
        begin_flags = np.append(np.int64(opened_flags), begin_flags)
    if len(start) == len(end):
        return Cut(start, end, begin_flags | end_flags, limit)
    if final:
        flags = begin_flags | np.append(end_flags, int(Flag.ENDS_MID))
        return Cut(start, np.append(end, limit - 1), flags, limit)
    last = int(start[-1])
    if force and len(clock) and clock[-1] >= last and len(end) == 0:
        # Select has been active for too many edges to wait: close it here, and go on behind.
        here = int(clock[-1])
        flags = begin_flags | int(Flag.TOO_LONG)
        return Cut(start, np.append(end, here), flags, here + 1, here + 1, 0)
    if opened is not None and len(start) == 1:
        return Cut(start[:0], end, end_flags, last, opened, opened_flags)
    # The edge that opened it stays with the lines and is met again.
    return Cut(start[:-1], end, begin_flags[:-1] | end_flags, last)


def cut_by_gap(
    clock: Times,
    gap: int | None,
    frame: int | None,
    begin: int,
    limit: int,
    *,
    final: bool,
    force: bool,
) -> Cut:
    """Transfers between pauses of the clock longer than `gap` ticks, or of `frame` clocks each."""
    if not len(clock):
        return Cut(NO_TIMES, NO_TIMES, NO_TIMES, limit)
    if gap is None and frame is not None:
        first = np.arange(0, len(clock), 2 * frame)
        last = np.minimum(first + 2 * frame, len(clock)) - 1
        whole = len(clock) // (2 * frame)
        flags = np.full(len(first), int(Flag.BY_GAP), np.int64)
        if len(first) > whole and final:
            flags[-1] |= int(Flag.ENDS_MID)
    else:
        breaks = np.flatnonzero(np.diff(clock) > gap) if gap is not None else np.empty(0, np.intp)
        first, last = np.append(0, breaks + 1), np.append(breaks, len(clock) - 1)
        flags = np.full(len(first), int(Flag.BY_GAP), np.int64)
        whole = len(first) - 1
        if gap is not None and limit - 1 - int(clock[-1]) > gap:
            whole += 1
        elif final:
            flags[-1] |= int(Flag.ENDS_MID)
        if gap is not None and int(clock[0]) - begin <= gap:
            flags[0] |= int(Flag.STARTS_MID)
    if force and whole == 0:
        flags[0] |= int(Flag.TOO_LONG)
        whole = 1
    if final:
        whole = len(first)
    until = limit if whole == len(first) else int(clock[first[whole]])
    return Cut(clock[first[:whole]], clock[last[:whole]], flags[:whole], until)


def find_gap(widths: Times, frame: int | None, tick: Fraction) -> tuple[int | None, str]:
    """The pause (ticks) that parts transfers, from the widths between clock edges, and why.

    The widths fall into groups; the widest jump between neighbours parts pulses from pauses. Where
    the number of clocks of a frame is known, the jump that gives most frames of that length is taken.
    """
    if len(widths) < 2:
        return None, "too few clock edges to find a pause: all clocks are one transfer"
    kinds = distinct(widths)
    usual = middle(widths)
    jumps = np.flatnonzero((kinds[1:] >= LEAST_RATIO * kinds[:-1]) & (kinds[1:] > 1.5 * usual))
    if not len(jumps):
        if frame is not None:
            return (
                None,
                f"no pause in the clock: cut into frames of {frame} clocks from the first edge on",
            )
        return None, "no pause in the clock: all clocks are one transfer"
    ratio = kinds[jumps + 1] / kinds[jumps]
    best = int(jumps[int(ratio.argmax())])
    if frame is not None:
        scores = []
        for jump in jumps.tolist():
            at = np.flatnonzero(widths > kinds[jump])
            scores.append(np.count_nonzero(np.diff(at) == 2 * frame) / max(1, len(at) - 1))
        if max(scores) > 0.5:
            best = int(jumps[int(np.argmax(scores))])
    low, high = int(kinds[best]), int(kinds[best + 1])
    gap = max(low, int((low * high) ** 0.5))
    return gap, (
        f"clock edges lie up to {show(low * tick, _SECOND)} apart inside transfers and "
        f"{show(high * tick, _SECOND)} or more between: cut at pauses above {show(gap * tick, _SECOND)}"
    )
