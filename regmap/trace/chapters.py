"""A trace that never ends, in chapters: what was told is let go, what is believed goes on.

    trace_capture(capture, chips, live=True, part_done=tell_what_is_new)
    ...
    if long_enough(trace):
        story = tell(trace)                  # of this chapter
        next_chapter(trace)                  # frames are numbered from 0 again

Registers, states, keys, standing faults and pins are carried over; writes that were not yet read back are not waited for.
"""

from __future__ import annotations

from regmap.record import replace

from .belief.registers import Known
from .belief.walker import Walker
from .frames.decoded import Judge
from .tracer import Trace

#: Batches that are put together when there are so many.
BATCHES = 200
#: Frames of a chapter, and frames with news: what a chapter keeps is bounded by these.
FRAMES = 200_000
NEWS = 20_000


class AllChapters:
    """What all chapters so far say together: `chapters`, `frames`, and of each fault how often it was raised."""

    def __init__(self) -> None:
        self.chapters = 0
        self.frames = 0
        self.start: int | None = None
        self.end = 0
        #: (chip, fault) -> (how often it was raised, first, last tick), the earliest first
        self.faults: dict[tuple[int, str], tuple[int, int, int]] = {}

    def add(self, trace: Trace) -> None:
        """Take a chapter that is over, or the last one, into account."""
        self.chapters += 1
        self.frames += trace.frames
        since = trace.start if self.start is not None else -1
        self.start = trace.start if self.start is None else self.start
        self.end = trace.end
        for walker in trace.walkers:
            for interval in walker.faults.intervals:
                # what stood when the chapter began was counted where it was raised
                if interval.normal or interval.raised_time <= since:
                    continue
                key = walker.position, interval.fault
                count, first, _ = self.faults.get(key, (0, interval.raised_time, 0))
                self.faults[key] = count + 1, first, interval.raised_time

    def text(self, trace: Trace) -> str:
        """One sentence for all chapters."""
        clock = trace.clock
        over = ""
        if clock.tick is not None:
            over = f" over {clock.text(self.end - (self.start or 0), 4)}"
        told = f"All {self.chapters} chapters together: {self.frames} frames{over}, "
        if not self.faults:
            return told + "no fault was seen."
        each = []
        for (position, fault), (count, first, last) in self.faults.items():
            who = f"chip {position}: " if len(trace.walkers) > 1 else ""
            when = f"at {clock.text(first)}"
            if count > 1:
                when = f"{count} times, first {when}, last at {clock.text(last)}"
            each.append(f"{who}{fault} {when}")
        return told + f"faults raised: {'; '.join(each)}."


def long_enough(trace: Trace) -> bool:
    """Whether the chapter in hand should end: it holds as much as one may."""
    return any(w.log.count >= FRAMES or len(w.happenings) >= NEWS for w in trace.walkers)


def tidy(trace: Trace) -> None:
    """Put small batches together, so that looking through them stays cheap."""
    for walker in trace.walkers:
        if len(walker.log.batches) >= BATCHES:
            walker.compact()


def next_chapter(trace: Trace) -> None:
    """Let go of the frames so far; the trace goes on from here with what is believed."""
    time = max(
        (int(w.log.batches[-1].end[-1]) for w in trace.walkers if w.log.batches),
        default=trace.start,
    )
    trace.walkers = tuple(_carried(trace, walker, time) for walker in trace.walkers)
    trace.pins.forget_before(time)
    trace.start = time
    trace.transfers = 0
    trace.oddities.clear()
    trace.late.clear()


def _carried(trace: Trace, old: Walker, time: int) -> Walker:
    table = trace.framer.fresh_table(old.position)
    judge = Judge(old.chip, len(trace.walkers), trace.framer.total, trace.framer.chain)
    new = Walker(old.chip, judge, trace.pins, table, old.position)
    belief = old.belief
    bank = belief.bank
    belief.history = [Known(-1, time, n, w, bank.known.get(n, 0)) for n, w in bank.words.items()]
    belief.state_history = [(-1, time, n, v) for n, v in bank.states.items()]
    belief.writes, belief.resets, belief.lost = [], [], []
    belief.pending.clear()
    belief.refused.clear()
    belief.latest.clear()
    new.belief = belief
    new.seen, new.configured = dict(old.seen), old.configured
    new.faults.clear = set(old.faults.clear)
    for name, interval in old.faults.active.items():
        standing = replace(interval, raised=0, clear_before=-1, attempts=[], gone=-1)
        new.faults.active[name] = standing
        new.faults.intervals.append(standing)
    return new
