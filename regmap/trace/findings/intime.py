"""What firmware does in time: readbacks, polls, services, reactions, frames that came too early.

Every figure is measured between replies that can be believed (their end is when they are known), in ticks.
Times in which recording was switched off measure nothing. `figures` holds them against those of a stage.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from regmap.chip.model import Chip, Field, Frame
from regmap.frames.bulk import COMMAND, READ, WRITE
from regmap.record import dataclass

from ..belief.walker import Walker
from ..tracer import Trace
from .watchdog import Window, services_of, windows_of

if TYPE_CHECKING:
    from regmap.stages.load import Stage

Ticks = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Pause:
    """A time between two instants, in ticks; `open` where the capture begins or ends it."""

    start: int
    end: int
    open: bool = False

    @property
    def length(self) -> int:
        return self.end - self.start


@dataclass(frozen=True, slots=True, kw_only=True)
class Readback:
    """How often a register was read with a reply that can be believed; `longest` between two such reads.

    `rest` is from the last of them to the end of the capture; None where there was none.
    """

    register: str
    reads: int
    longest: Pause | None = None
    rest: Pause | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Poll:
    """How often a status register was looked at. `told` counts sums and status bits of any reply too.

    `gap` is the longest time without a reply that tells of its faults, from the end of the bring-up to the end of
    the capture (or until the enable pin fell), `reads` and `between` are of the register itself.
    """

    register: str
    reads: int
    between: Pause | None
    told: int
    gap: Pause | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """The watchdog's service: `shortest` and `longest` between two while the watchdog was on; `window` as last set."""

    field: str
    services: int
    wrong_keys: int
    shortest: Pause | None = None
    longest: Pause | None = None
    window: Window | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reaction:
    """One fault from raised to cleared; -1: not seen. Times are ticks, frames their numbers.

    It was raised after `after` and by `told` (the first reply that tells of it, also in a sum), at `pin` if the
    fault pin tells; `read` is the first read of its register that shows it, `clearing` the first frame that clears
    it, `gone` the first reply that shows it clear.
    """

    fault: str
    after: int
    pin: int
    told: int
    told_frame: int
    read: int
    read_frame: int
    clearing: int
    clearing_frame: int
    gone: int

    @property
    def to_told(self) -> Pause | None:
        """From raised to told: from the pin's edge, else at most from when it was last seen clear."""
        start = self.pin if self.pin >= 0 else self.after
        return Pause(start, self.told, open=self.pin < 0) if start >= 0 else None

    @property
    def to_read(self) -> Pause | None:
        """From told to the first read of its own register."""
        return Pause(self.told, self.read) if self.read >= 0 else None

    @property
    def to_clearing(self) -> Pause | None:
        """From told to the first frame that clears it."""
        return Pause(self.told, self.clearing) if self.clearing >= 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Early:
    """Frames that came before the chip could take them. `before` is "enable", "wake-up" or "unlock"."""

    before: str
    frames: int
    writes: int
    first: int
    time: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InTime:
    """All of one chip. `ready` is the end of its bring-up in the capture, in ticks."""

    position: int
    ready: int
    readbacks: tuple[Readback, ...]
    polls: tuple[Poll, ...]
    service: Service | None
    reactions: tuple[Reaction, ...]
    early: tuple[Early, ...]


def in_time(trace: Trace, stage: Stage | None = None) -> tuple[InTime, ...]:
    """The times of every chip of a finished trace; a stage says which writes are its bring-up.

    Empty for a list of words without times.
    """
    if trace.clock.tick is None:
        return ()
    return tuple(_chip(trace, w, stage_of(trace, w, stage)) for w in trace.walkers)


def stage_of(trace: Trace, walker: Walker, stage: Stage | None) -> Stage | None:
    """The stage where it is about this chip of the chain."""
    if stage is None or stage.chip.name != walker.chip.name:
        return None
    position = stage.position if stage.position < len(trace.walkers) else 0
    return stage if position == walker.position else None


def _chip(trace: Trace, walker: Walker, stage: Stage | None) -> InTime:
    looked = _Looked(trace, walker)
    ready = _ready(walker, stage, trace.start)
    return InTime(
        position=walker.position,
        ready=ready,
        readbacks=tuple(
            _readback(looked, r.name, trace.end)
            for r in walker.chip.registers.values()
            if r.readable
        ),
        polls=tuple(_polls(trace, looked, ready)),
        service=_service(trace, walker),
        reactions=tuple(_reactions(looked)),
        early=tuple(_early(trace, walker, looked)),
    )


class _Looked:
    """The believed replies of one chip as arrays: when each was known, what was asked, of which register."""

    def __init__(self, trace: Trace, walker: Walker) -> None:
        idents = walker.log.idents()
        sorter = walker.log.sorter
        self.walker = walker
        self.cuts = trace.gaps
        self.numbers = np.flatnonzero(sorter.believed[idents] > 0)
        mine = idents[self.numbers]
        self.times: Ticks = walker.log.times("answered")[self.numbers]
        self.kinds = sorter.kind[mine]
        reads = np.where(self.kinds == READ, sorter.register[mine], -1)
        order = np.argsort(reads, kind="stable")
        bounds = np.searchsorted(reads[order], np.arange(len(sorter.names) + 1))
        self._reads = {
            name: order[bounds[place] : bounds[place + 1]]
            for place, name in enumerate(sorter.names)
        }

        self._telling: dict[tuple[frozenset[str], frozenset[int]], npt.NDArray[np.intp]] = {}

    def reads(self, register: str) -> npt.NDArray[np.intp]:
        """Places of the believed reads of a register."""
        return self._reads.get(register, np.empty(0, np.intp))

    def telling(self, fault: str) -> npt.NDArray[np.intp]:
        """Places of the believed replies that tell of a fault, themselves or in a sum."""
        chip = self.walker.chip
        names = {fault, *(n for n, f in chip.faults.items() if fault in f.summary_of)}
        registers = {chip.faults[n].register for n in names if _read_shows(chip, n)}
        kinds = _kinds_that_show(chip, names)
        key = frozenset(registers), frozenset(kinds)
        found = self._telling.get(key)
        if found is None:
            telling = np.isin(self.kinds, sorted(kinds))
            for register in registers:
                telling[self.reads(register)] = True
            found = self._telling[key] = np.flatnonzero(telling)
        return found


def _read_shows(chip: Chip, fault: str) -> bool:
    register = chip.registers[chip.faults[fault].register]
    field = register.field(chip.faults[fault].field)
    return register.readable and field is not None and bool(field.mask & register.read_mask)


def _kinds_that_show(chip: Chip, names: set[str]) -> set[int]:
    """Kinds of frames that are answered with a status bit of one of these faults, in every layout."""
    kinds = {"read": READ, "write": WRITE}
    kinds |= {name: COMMAND + place for place, name in enumerate(chip.commands)}
    return {
        number
        for name, number in kinds.items()
        if all(_shows(f, name, names) for f in chip.frames.values())
    }


def _shows(frame: Frame, kind: str, names: set[str]) -> bool:
    layout = frame.replies.get(kind) or frame.replies.get("any")
    return layout is not None and any(p.kind == "status" and p.fault in names for p in layout.parts)


def longest(times: Ticks, cuts: Sequence[tuple[int, int]] = ()) -> Pause | None:
    """The longest pause between neighbours; those in which recording was off do not count."""
    if len(times) < 2:
        return None
    gaps = np.diff(times)
    for start, end in cuts:
        gaps = np.where((times[1:] >= start) & ((times[:-1] <= end) | (end < 0)), -1, gaps)
    place = int(gaps.argmax())
    return Pause(int(times[place]), int(times[place + 1])) if gaps[place] >= 0 else None


def _readback(looked: _Looked, register: str, end: int) -> Readback:
    times = looked.times[looked.reads(register)]
    rest = Pause(int(times[-1]), max(end, int(times[-1])), open=True) if len(times) else None
    return Readback(
        register=register, reads=len(times), longest=longest(times, looked.cuts), rest=rest
    )


def _ready(walker: Walker, stage: Stage | None, start: int) -> int:
    """The end of the bring-up: every register that the stage sets and firmware writes was written once."""
    if stage is None:
        return start
    wanted = {s.name.partition(".")[0] for s in stage.settings}
    first: dict[str, int] = {}
    for write in walker.belief.writes:
        if write.register in wanted:
            first.setdefault(write.register, write.time)
    return max(first.values(), default=start)


def _polls(trace: Trace, looked: _Looked, ready: int) -> Iterator[Poll]:
    chip = looked.walker.chip
    end = next((t for t, on in trace.pins.enable_edges if not on and t > ready), trace.end)
    by_register: dict[str, list[str]] = {}
    for fault in chip.faults.values():
        if fault.severity == "stop" and not fault.summary_of and not fault.normal_at_power_up:
            by_register.setdefault(fault.register, []).append(fault.name)
    for register, names in by_register.items():
        if not chip.registers[register].readable:
            continue
        reads = looked.times[looked.reads(register)]
        rarest = min((looked.telling(n) for n in names), key=len)
        told = looked.times[rarest]
        inside = told[(told >= ready) & (told <= end)]
        limits = np.concatenate(([ready], inside, [max(end, ready)])).astype(np.int64)
        gap = longest(limits, looked.cuts)
        if gap is not None:
            gap = Pause(
                gap.start, gap.end, open=bool(gap.end == limits[-1] and gap.end not in inside[-1:])
            )
        yield Poll(
            register=register,
            reads=len(reads),
            between=longest(reads, looked.cuts),
            told=len(told),
            gap=gap,
        )


def _service(trace: Trace, walker: Walker) -> Service | None:
    chip = walker.chip
    field = chip.field(chip.watchdog) if chip.watchdog else None
    if not isinstance(field, Field):
        return None
    _, times, wrong = services_of(walker, field)
    spans = windows_of(walker)
    longest_, shortest_, last = None, None, None
    for place, window in enumerate(spans):
        if window.band is None:
            continue
        last = window
        until = spans[place + 1].time if place + 1 < len(spans) else trace.end
        inside = times[(times > window.time) & (times <= until)]
        found = longest(inside, trace.gaps)
        if found is not None and (longest_ is None or found.length > longest_.length):
            longest_ = found
        gaps = np.diff(inside)
        if len(gaps):
            least = int(gaps.argmin())
            candidate = Pause(int(inside[least]), int(inside[least + 1]))
            if shortest_ is None or candidate.length < shortest_.length:
                shortest_ = candidate
    return Service(
        field=field.ref, services=len(times), wrong_keys=len(wrong), shortest=shortest_,
        longest=longest_, window=last,
    )  # fmt: skip


def _reactions(looked: _Looked) -> Iterator[Reaction]:
    walker = looked.walker
    ends = walker.log.times("end")
    for interval in walker.faults.intervals:
        fault = walker.chip.faults[interval.fault]
        if interval.normal or fault.summary_of:
            continue
        sums = [
            i
            for i in walker.faults.intervals
            if interval.fault in walker.chip.faults[i.fault].summary_of
            and i.raised_time <= interval.raised_time
            and (i.gone_time < 0 or i.gone_time >= interval.raised_time)
        ]
        told = min([interval, *sums], key=lambda i: i.raised_time)
        reads = looked.reads(fault.register)
        later = reads[looked.numbers[reads] >= interval.raised]
        read = int(looked.numbers[later[0]]) if len(later) else -1
        if read >= 0 and interval.gone >= 0 and interval.gone_time >= 0 and read >= interval.gone:
            read = -1
        clearing = interval.attempts[0] if interval.attempts else -1
        yield Reaction(
            fault=interval.fault,
            after=max(interval.clear_before_time, told.clear_before_time),
            pin=max(interval.pin, told.pin),
            told=told.raised_time,
            told_frame=told.raised,
            read=int(looked.times[later[0]]) if read >= 0 else -1,
            read_frame=read,
            clearing=int(ends[clearing]) if 0 <= clearing < len(ends) else -1,
            clearing_frame=clearing,
            gone=interval.gone_time,
        )


def _early(trace: Trace, walker: Walker, looked: _Looked) -> Iterator[Early]:
    starts, idents = walker.log.times("start"), walker.log.idents()
    writes = walker.log.sorter.kind[idents] == WRITE
    answered = np.zeros(len(starts), np.bool_)
    answered[looked.numbers] = True

    def found(before: str, which: npt.NDArray[np.bool_]) -> Iterator[Early]:
        hits = np.flatnonzero(which)
        if len(hits):
            first = int(hits[0])
            yield Early(
                before=before, frames=len(hits), writes=int(np.count_nonzero(writes[hits])),
                first=first, time=int(starts[first]),
            )  # fmt: skip

    edges = trace.pins.enable_edges
    if trace.pins.enable is not None and len(starts):
        times = np.array([t for t, _ in edges], np.int64)
        states = np.array(
            [bool(trace.pins.enable_at(trace.start - 1)), *(on for _, on in edges)], np.bool_
        )
        on = states[np.searchsorted(times, starts, side="right")]
        # a chip that answers is awake, whatever that pin does to its outputs
        yield from found("enable", ~on & ~answered)
        wake = trace.chips[walker.position].spi.wake_up
        if wake is not None:
            assert trace.clock.tick is not None
            need = int(wake.high / trace.clock.tick)
            soon = np.zeros(len(starts), np.bool_)
            for rise in (t for t, up in edges if up):
                soon |= (starts >= rise) & (starts < rise + need)
            yield from found("wake-up", soon)
    refused = [w for w in walker.belief.writes if w.why and not w.why.startswith("(")]
    locked = [w for w in refused if walker.chip.registers[w.register].writable is not None]
    if locked:
        yield Early(
            before="unlock", frames=len(locked), writes=len(locked), first=locked[0].number,
            time=locked[0].time,
        )  # fmt: skip


Measured = tuple[str, str, int, Pause | None, Pause | None, Pause | None, int]


def measured(found: InTime) -> Iterator[Measured]:
    """(what, name, count, longest, shortest, rest, first frame) of everything measured of one chip."""
    for row in found.readbacks:
        if row.reads:
            yield "readback", row.register, row.reads, row.longest, None, row.rest, -1
    for poll in found.polls:
        yield "poll", poll.register, poll.told, poll.gap, None, None, -1
    service = found.service
    if service is not None:
        yield (
            "service",
            service.field,
            service.services,
            service.longest,
            service.shortest,
            None,
            -1,
        )
    for fault in found.reactions:
        yield "reaction", fault.fault, 1, fault.to_told, None, fault.to_clearing, fault.told_frame
    for early in found.early:
        yield "early", early.before, early.frames, None, None, None, early.first
