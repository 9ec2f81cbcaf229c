"""A trace that never ends, in chapters: what was told is let go, what is believed goes on.

    trace_capture(capture, chips, live=True, part_done=tell_what_is_new)
    ...
    if long_enough(trace):
        story = tell(trace)                  # of this chapter
        next_chapter(trace)                  # frames are numbered from 0 again

Registers, states, keys, standing faults and pins are carried over; writes that were not yet read back are not waited for.
"""

from __future__ import annotations

from dataclasses import replace

from .belief.registers import Known
from .belief.walker import Walker
from .frames.decoded import Judge
from .tracer import Trace

#: Batches that are put together when there are so many.
BATCHES = 200
#: Frames of a chapter, and frames with news: what a chapter keeps is bounded by these.
FRAMES = 200_000
NEWS = 20_000


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
