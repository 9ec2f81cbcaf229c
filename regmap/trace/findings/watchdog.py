"""The watchdog's service over a capture: gaps too long, services too early, none after the last.

All services are looked at as arrays; only what is out of the window becomes a note. The window is
the one that the believed settings give at that time, with the map's tolerance: a gap longer than its
longest value is surely too long, one longer than its shortest may be.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from regmap.behaviour.watchdog import service_of
from regmap.chip.bank import Bank
from regmap.chip.model import Chip, Field
from regmap.frames.bulk import WRITE
from regmap.quantity import Band, show
from regmap.record import dataclass

from ..belief.walker import Walker
from ..events import Note

_SECOND = (0, 0, 1, 0, 0)
_LIMIT = 200


@dataclass(frozen=True, slots=True)
class Window:
    """From tick `time` on: the window in seconds while enabled, None while not or not known."""

    time: int
    band: Band | None
    closed: Fraction
    closed_high: Fraction


@dataclass(frozen=True, slots=True)
class Late:
    """One remark: `number` of the frame it belongs to, or -1 for the end of the capture."""

    number: int
    time: int
    note: Note


def check_watchdog(walker: Walker, tick: Fraction, end: int) -> list[Late]:
    """Every service of the watchdog that came too early or too late, and a missing last one."""
    chip = walker.chip
    field = chip.field(chip.watchdog) if chip.watchdog else None
    windows = windows_of(walker)
    if field is None or not any(w.band is not None for w in windows):
        return []
    numbers, times, wrong = services_of(walker, field)
    ends = walker.log.times("end")
    found = [
        Late(
            number,
            int(ends[number]),
            Note(
                kind="watchdog",
                weight="bad",
                text=f"a wrong key in {field.ref}: this is no service",
            ),
        )
        for number in wrong[:_LIMIT].tolist()
    ]
    for place, window in enumerate(windows):
        if window.band is None:
            continue
        until = windows[place + 1].time if place + 1 < len(windows) else end
        low, high = np.searchsorted(times, (window.time, until), side="right")
        inside = times[low:high]
        # enabling (or changing) the watchdog starts its first window
        starts = np.concatenate(([window.time], inside))
        gaps = np.diff(starts)
        last = place + 1 == len(windows)
        found += _gaps(
            window, window.band, gaps, starts, numbers[low:high], tick, first_counts=True
        )
        if last:
            rest = (end - int(starts[-1])) * tick
            if rest > window.band.high:
                text = f"watchdog not served for {show(rest, _SECOND)} until the capture ends; its window is {_range(window.band)}"
                found.append(Late(-1, end, Note(kind="watchdog", weight="bad", text=text)))
    return found


def _gaps(
    window: Window, band: Band, gaps: np.ndarray, starts: np.ndarray, numbers: np.ndarray,
    tick: Fraction, *, first_counts: bool,
) -> list[Late]:  # fmt: skip
    found = []
    late = np.flatnonzero(gaps * float(tick) > float(band.low))
    for place in late[:_LIMIT].tolist():
        gap = int(gaps[place]) * tick
        sure = gap > band.high
        text = f"watchdog served {'too late' if sure else 'late'}: {show(gap, _SECOND)} after the one before; its window is {_range(band)}"
        found.append(
            Late(
                int(numbers[place]),
                int(starts[place + 1]),
                Note(kind="watchdog", weight="bad" if sure else "warn", text=text),
            )
        )
    if window.closed_high:
        early = np.flatnonzero(gaps * float(tick) < float(band.high * window.closed_high))
        for place in early[:_LIMIT].tolist():
            if place == 0 and not first_counts:
                continue
            gap = int(gaps[place]) * tick
            sure = gap < band.low * window.closed
            closed = f"{show(band.low * window.closed, _SECOND)} to {show(band.high * window.closed_high, _SECOND)}"
            text = f"watchdog served {'too early' if sure else 'early'}: {show(gap, _SECOND)} after the one before; the window is closed for {closed}"
            found.append(
                Late(
                    int(numbers[place]),
                    int(starts[place + 1]),
                    Note(kind="watchdog", weight="bad" if sure else "warn", text=text),
                )
            )
    return found


def _range(band: Band) -> str:
    if band.low == band.high:
        return show(band.typ, _SECOND)
    return f"{show(band.low, _SECOND)} to {show(band.high, _SECOND)}"


def services_of(walker: Walker, field: Field) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Numbers and end ticks of the frames that serve the watchdog, and numbers of those with a wrong key."""
    idents = walker.log.idents()
    sorter = walker.log.sorter
    writes = (sorter.kind == WRITE) & (sorter.register == sorter.names.index(field.register))
    found: dict[str, list[int]] = {"served": [], "wrong": [], "": []}
    for ident in np.flatnonzero(writes).tolist():
        decoded = walker.log.decoded(ident)
        sent = decoded.sent
        if sent is None or not decoded.taken or sent.kind != "write" or sent.register is None:
            continue
        if sent.register.name == field.register:
            found[service_of(field, sent.data or 0)].append(ident)
    numbers = np.flatnonzero(np.isin(idents, found["served"]))
    wrong = np.flatnonzero(np.isin(idents, found["wrong"]))
    return numbers, walker.log.times("end")[numbers], wrong


def windows_of(walker: Walker) -> list[Window]:
    """How the watchdog was set over time, as believed."""
    chip = walker.chip
    roles = ("watchdog.enable", "watchdog.window", "watchdog.closed_share")
    registers = {f.register for r in roles for f in chip.with_role(r) if isinstance(f, Field)}
    bank = Bank(chip)
    windows: list[Window] = []
    moved = [(t, None) for _, t in walker.belief.resets]
    steps = [(k.time, k) for k in walker.belief.history if k.register in registers]
    # the window hangs on the words of these registers alone: each set of words is asked once
    seen: dict[tuple[object, ...], tuple[Band | None, Fraction, Fraction]] = {}
    for time, known in sorted([*steps, *moved], key=lambda s: s[0]):
        if known is not None:
            bank.words[known.register], bank.known[known.register] = known.word, known.known
        key = tuple((bank.words.get(r), bank.known.get(r)) for r in registers)
        if key not in seen:
            seen[key] = _window(chip, bank)
        band, closed, closed_high = seen[key]
        if windows and windows[-1].time == time:
            windows.pop()
        if not windows or (windows[-1].band, windows[-1].closed) != (band, closed):
            windows.append(Window(time, band, closed, closed_high))
    return windows


def _window(chip: Chip, bank: Bank) -> tuple[Band | None, Fraction, Fraction]:
    nothing = Fraction(0)
    for item in chip.with_role("watchdog.enable"):
        reading = bank.reading(item.ref if isinstance(item, Field) else item.name)
        if reading is None or not reading.is_on("watchdog.enable"):
            return None, nothing, nothing
    band = _band(chip, bank, "watchdog.window")
    if band is None or not band.low:
        return None, nothing, nothing
    share = _band(chip, bank, "watchdog.closed_share")
    return band, share.low if share else nothing, share.high if share else nothing


def _band(chip: Chip, bank: Bank, role: str) -> Band | None:
    for item in chip.with_role(role):
        reading = bank.reading(item.ref if isinstance(item, Field) else item.name)
        return reading.band if reading is not None else None
    param = chip.electrical.get(role)
    return param.value if param is not None and isinstance(param.value, Band) else None
