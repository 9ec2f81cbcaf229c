"""A capture and a map to a `Trace`: every frame, every change of belief, every fault over time.

    with open_capture("pump_short.vcd") as capture:
        trace = trace_capture(capture, [load_map("quoll16")])
    for item in trace.timeline():
        ...                                  # Event and Quiet, in order of time

The capture is read once, block by block; what is kept are a few numbers for each frame and an
object for each frame that changed anything.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from typing import Any

import numpy as np

from regmap.capture.lines.channels import ChannelFinding, find_roles
from regmap.capture.lines.measure import LineHealth, Timing
from regmap.capture.lines.signals import Capture, Signals
from regmap.capture.spi import BitOrder, Flag, SpiSetup, Transfers, join
from regmap.capture.transfers.ahead import blocks_ahead
from regmap.capture.transfers.stream import TOGETHER, WARM_UP, TransferBuilder
from regmap.chip.model import Chain, Chip
from regmap.errors import CallError, Problem
from regmap.record import dataclass, field, replace

from .belief.walker import Walker
from .events import TraceClock
from .faults.pins import PinTrace
from .findings.limits import Breach, LimitCheck
from .findings.watchdog import Late, check_watchdog
from .frames.decoded import Judge
from .frames.framer import Framer

Progress = Callable[[int, int], None]

#: Transfers that are looked at in every way where words do not fit.
SAMPLE = 160
#: Edges from which the lines are told where a capture is read as it grows.
LIVE_SAMPLE = 400
#: Transfers and sampled bits that are looked at together: enough that the fixed cost of each step does
#: not count, few enough that they stay in the processor's cache.
_TOGETHER = 1 << 19


@dataclass(frozen=True, slots=True, kw_only=True)
class How:
    """How to read the SPI; None is "as the map says" or "find it".

    `roles` gives channels by name, "-" for one that was not captured. `spi` are keys of SpiSetup
    that overrule the map's: mode, bit_order, select_active_low, gap, runt, segment.
    """

    roles: Mapping[str, str] = field(default_factory=dict)
    spi: Mapping[str, Any] = field(default_factory=dict)


@dataclass(slots=True, kw_only=True)
class Trace:
    """Everything that a capture tells of one chip, or of a chain of them (`walkers`, chip 0 first)."""

    name: str
    format: str
    chips: tuple[Chip, ...]
    clock: TraceClock
    walkers: tuple[Walker, ...]
    framer: Framer
    pins: PinTrace
    start: int = 0
    end: int = 0
    transfers: int = 0
    setup: SpiSetup | None = None
    finding: ChannelFinding | None = None
    sample: Signals | None = None
    #: the first transfers of a list of words
    first: Transfers | None = None
    timing: Timing | None = None
    command_health: LineHealth | None = None
    reply_health: LineHealth | None = None
    #: what is unusual about transfers: Flag -> (how many, first transfer, its tick)
    oddities: dict[Flag, tuple[int, int, int]] = field(default_factory=dict)
    breaches: tuple[Breach, ...] = ()
    #: remarks that only the whole capture allows, by position in the chain; their frames carry them too
    late: list[tuple[int, Late]] = field(default_factory=list)
    notes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()
    #: ticks from and to which recording was switched off; an end of -1: until the file ends
    gaps: tuple[tuple[int, int], ...] = ()

    @property
    def frames(self) -> int:
        """Frames of all chips."""
        return sum(w.log.count for w in self.walkers)


def spi_setup(
    chips: Sequence[Chip], how: How, finding: ChannelFinding | None, clocks: int | None
) -> SpiSetup:
    """The SPI set-up that the map of chip 0 asks for, as `how` overrules it."""
    spi = chips[0].spi
    low = spi.select_active_low
    if finding is not None and finding.how.get("select") == "behaviour":
        low = finding.select_active_low
    base = SpiSetup(
        mode=spi.mode,
        select_active_low=low,
        bit_order="msb" if spi.msb_first else "lsb",
        frame_clocks=clocks,
    )
    return replace(base, **how.spi)


def trace_capture(
    capture: Capture,
    chips: Sequence[Chip],
    how: How | None = None,
    *,
    chain: Chain | None = None,
    progress: Progress | None = None,
    part_done: Callable[[Trace], None] | None = None,
    live: bool = False,
) -> Trace:
    """Read the whole capture and understand it as the SPI of these chips (more than one: a daisy chain).

    `live`: parts are taken as they come, the lines are told from the first edges, and the times that a chip needs
    to wake are not looked at.
    `part_done` is called with the growing trace whenever some more frames are in it. Raises CaptureError for what
    cannot be read, CallError for channels that cannot be.
    """
    how = how or How()
    if len(chips) > 1 and len({c.spi.mode for c in chips}) > 1:
        raise CallError("chips of different SPI modes cannot share a chain")
    if len(chips) > 1 and chain is None:
        chain = chips[0].chain
    framer = Framer(chips, chain if len(chips) > 1 else None)
    usual = chips[0].default_frame()
    clocks = framer.total or (usual.length if len(usual.bursts) < 2 else None)
    if capture.kind == "frames":
        return _trace_words(capture, chips, framer, how, progress, part_done)
    capture.assume_start = True
    sample = capture.peek(LIVE_SAMPLE) if live else capture.peek()
    finding = find_roles(sample, how.roles)
    setup = spi_setup(chips, how, finding, clocks)
    roles = finding.roles
    channels = capture.channels
    pins = PinTrace(
        channels[roles.fault] if roles.fault is not None else None,
        channels[roles.enable] if roles.enable is not None else None,
        sample,
    )
    trace = Trace(
        name=capture.name, format=capture.format, chips=tuple(chips), clock=TraceClock(capture.tick),
        walkers=_walkers(chips, pins, framer), framer=framer, pins=pins, setup=setup,
        finding=finding, sample=sample,
    )  # fmt: skip
    builder = TransferBuilder(
        setup,
        roles,
        capture.tick,
        resolution=capture.resolution,
        warm_up=LIVE_SAMPLE // 2 if live else WARM_UP,
        # whoever is told of each part gets it as soon as it is read
        together=0 if live or part_done is not None else TOGETHER,
    )
    limits = LimitCheck(chips[0], capture.tick, wake=not live)
    with closing(_parts(capture, builder, pins, progress)) as parts:
        for part in parts if live else _together(parts):
            trace.start = trace.start or capture.start or 0
            _feed(trace, part, limits)
            trace.end = max(trace.end, int(part.end[-1])) if len(part) else trace.end
            if part_done is not None:
                part_done(trace)
    _finish(trace)
    if not live:
        trace.start = capture.start or 0
    trace.end = capture.end or 0
    trace.gaps = tuple(capture.gaps)
    _watchdogs(trace)
    trace.timing = builder.timing
    trace.command_health, trace.reply_health = builder.command_health, builder.reply_health
    trace.breaches = limits.result(pins)
    trace.notes = (*capture.notes, *builder.notes)
    trace.problems = capture.problems
    return trace


def _parts(
    capture: Capture, builder: TransferBuilder, pins: PinTrace, progress: Progress | None
) -> Generator[Transfers, None, None]:
    """The transfers as blocks complete them; close it to stop the reading of further blocks."""
    with closing(blocks_ahead(capture)) as blocks:
        for block in blocks:
            pins.feed(block)
            part = builder.feed(block)
            if part is not None:
                yield _with_gaps(part, capture.gaps)
            if progress is not None:
                progress(*capture.position)
    part = builder.finish()
    if part is not None:
        yield _with_gaps(part, capture.gaps)


def _with_gaps(part: Transfers, gaps: Sequence[tuple[int, int]]) -> Transfers:
    """Transfers in which recording was switched off are seen only in part."""
    if not gaps:
        return part
    cut = np.zeros(len(part), np.bool_)
    for start, end in gaps:
        cut |= (part.end >= start) & ((part.start <= end) | (end < 0))
    # nothing else that looks odd there, and no time measured there, is the drive's doing
    around = cut | np.concatenate(([False], cut[:-1]))

    def measured(times: np.ndarray) -> np.ndarray:
        return np.where(around, -1, times)

    return replace(
        part,
        flags=np.where(cut, np.uint32(Flag.ENDS_MID), part.flags),
        lead=measured(part.lead),
        lag=measured(part.lag),
        idle=measured(part.idle),
        period=measured(part.period),
        high=measured(part.high),
        low=measured(part.low),
    )


def _together(parts: Iterable[Transfers]) -> Iterator[Transfers]:
    """The same transfers in larger parts."""
    kept: list[Transfers] = []
    size = 0
    for part in parts:
        kept.append(part)
        size += len(part) + max(len(part.command_values), len(part.reply_values))
        if size >= _TOGETHER and (whole := join(kept)) is not None:
            yield whole
            kept, size = [], 0
    if (whole := join(kept)) is not None:
        yield whole


def _watchdogs(trace: Trace) -> None:
    """Remarks on watchdog services go to the frames that they belong to."""
    assert trace.clock.tick is not None
    for walker in trace.walkers:
        for late in check_watchdog(walker, trace.clock.tick, trace.end):
            trace.late.append((walker.position, late))
            walker.carried.setdefault(late.number, []).append(late.note)


def _walkers(chips: Sequence[Chip], pins: PinTrace, framer: Framer) -> tuple[Walker, ...]:
    return tuple(
        Walker(
            chip,
            Judge(chip, len(chips), framer.total, framer.chain),
            pins,
            framer.tables[position],
            position,
        )
        for position, chip in enumerate(chips)
    )


def _trace_words(
    capture: Capture, chips: Sequence[Chip], framer: Framer, how: How, progress: Progress | None,
    part_done: Callable[[Trace], None] | None = None,
) -> Trace:  # fmt: skip
    pins = PinTrace(None, None)
    trace = Trace(
        name=capture.name, format=capture.format, chips=tuple(chips), clock=TraceClock(None),
        walkers=_walkers(chips, pins, framer), framer=framer, pins=pins,
    )  # fmt: skip
    # a word in a list is the value of the frame, whichever bit of it travels first
    usual = "msb" if chips[0].spi.msb_first else "lsb"
    order: BitOrder = "msb" if how.spi.get("bit_order", usual) == usual else "lsb"
    first = True
    for part in capture.frame_transfers():
        part = replace(part, setup=replace(part.setup, bit_order=order))
        if trace.first is None:
            trace.first = part.take(np.arange(min(len(part), SAMPLE)))
        _feed(trace, part, None)
        if first:
            trace.start, first = int(part.start[0]), False
            trace.clock = _clock_of(capture)
        trace.end = int(part.end[-1])
        if part_done is not None:
            part_done(trace)
        if progress is not None:
            progress(*capture.position)
    _finish(trace)
    trace.clock = _clock_of(capture)
    if trace.clock.tick is not None:
        _watchdogs(trace)
    trace.notes = capture.notes
    trace.problems = capture.problems
    return trace


def _clock_of(capture: Capture) -> TraceClock:
    """The clock of a list of words: none where it has no times."""
    timed = not any(n.startswith("no times") for n in capture.notes)
    return TraceClock(capture.tick if timed else None)


def _feed(trace: Trace, part: Transfers, limits: LimitCheck | None) -> None:
    if not len(part):
        return
    trace.transfers += len(part)
    if part.flags.any():
        for flag in Flag:
            hits = np.flatnonzero(part.flags & np.uint32(flag))
            if len(hits):
                count, number, time = trace.oddities.get(
                    flag, (0, int(part.number[hits[0]]), int(part.start[hits[0]]))
                )
                trace.oddities[flag] = count + len(hits), number, time
    if limits is not None:
        limits.add(part)
    for walker, batch in zip(trace.walkers, trace.framer.feed(part), strict=True):
        walker.walk(batch)


def _finish(trace: Trace) -> None:
    for walker, batch in zip(trace.walkers, trace.framer.finish(), strict=True):
        walker.walk(batch)
