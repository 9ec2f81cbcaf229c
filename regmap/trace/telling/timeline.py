"""The trace as a sequence of events, built one at a time: frames that told something, pins, quiet runs."""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator
from heapq import merge

import numpy as np

from regmap.record import dataclass, replace

from ..belief.plain import WriteHappening
from ..belief.walker import Walker
from ..events import Event, Note, Quiet
from ..frames.decoded import Decoded, flaw_notes
from ..frames.framer import Batch
from ..frames.pairs import Pair
from ..tracer import Trace

#: Frames that nobody believes are shown one by one up to this number, then counted only.
SHOWN_REJECTED = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """What to show; empty sets show everything. Times are ticks, both ends included.

    `every` also shows frames that told nothing new, one by one.
    """

    registers: frozenset[str] = frozenset()
    faults: frozenset[str] = frozenset()
    kinds: frozenset[str] = frozenset()
    chips: frozenset[int] = frozenset()
    since: int | None = None
    until: int | None = None
    every: bool = False

    @property
    def narrow(self) -> bool:
        """Whether anything but the time is filtered: then quiet runs are left out."""
        return bool(self.registers or self.faults or self.kinds)

    def shows(self, event: Event) -> bool:
        """Whether an event passes."""
        if self.since is not None and event.time < self.since:
            return False
        if self.until is not None and event.time > self.until:
            return False
        if self.chips and event.chip not in self.chips and event.kind != "pin":
            return False
        if self.registers and event.register not in self.registers:
            return False
        if self.faults and not any(n.fault in self.faults for n in event.notes):
            return False
        return not self.kinds or bool(
            event.kind in self.kinds or any(n.kind in self.kinds for n in event.notes)
        )


def timeline(trace: Trace, wanted: Filter | None = None) -> Iterator[Event | Quiet]:
    """Events of all chips and pins in order of time, with `Quiet` runs between."""
    wanted = wanted or Filter()
    streams = [
        _frames(w, wanted) for w in trace.walkers if not wanted.chips or w.position in wanted.chips
    ]
    streams.append(_pins(trace, wanted))
    return merge(*streams, key=_time)


def _time(item: Event | Quiet) -> tuple[int, int]:
    if isinstance(item, Quiet):
        return item.start, item.chip
    # what a pin does comes before the frame that starts in the same tick
    return item.time, -1 if item.kind == "pin" else item.chip


def _frames(walker: Walker, wanted: Filter) -> Iterator[Event | Quiet]:
    pending: list[tuple[int, int, int, int]] = []
    builder = EventBuilder(walker)
    happenings = walker.happenings
    budget = SHOWN_REJECTED
    for batch in walker.log.batches:
        low, high = 0, len(batch)
        if wanted.since is not None:
            low = int(np.searchsorted(batch.start, wanted.since))
        if wanted.until is not None:
            high = int(np.searchsorted(batch.start, wanted.until, side="right"))
        place = low
        told = _told(
            walker,
            batch,
            low,
            high,
            budget if not wanted.every and "rejected" not in wanted.kinds else high,
        )
        budget -= sum(1 for p in told if p + batch.first not in happenings)
        for stop in [*told, high]:
            if stop > place:
                if wanted.every:
                    for quiet in range(place, stop):
                        event = builder.plain(batch.first + quiet, batch, quiet)
                        if wanted.shows(event):
                            yield event
                elif not wanted.narrow:
                    pending.append(
                        (
                            batch.first + place,
                            batch.first + stop - 1,
                            int(batch.start[place]),
                            int(batch.start[stop - 1]),
                        )
                    )
            if stop < high:
                event = builder.told(batch.first + stop, batch, stop)
                if wanted.shows(event):
                    if pending:
                        yield _quiet(walker, pending)
                        pending = []
                    yield event
            place = stop + 1
    if pending:
        yield _quiet(walker, pending)


def _told(walker: Walker, batch: Batch, low: int, high: int, budget: int) -> list[int]:
    """Places in a batch of the frames that tell something; of frames that no one believes only the first."""
    first = batch.first + low
    numbers = walker.told()
    places = [
        n - batch.first
        for n in numbers[bisect_left(numbers, first) : bisect_left(numbers, batch.first + high)]
    ]
    inert = low + np.flatnonzero(walker.log.sorter.inert[batch.idents[low:high]])[: max(0, budget)]
    return sorted({*places, *inert.tolist()})


def _quiet(walker: Walker, runs: list[tuple[int, int, int, int]]) -> Quiet:
    counts: Counter[str] = Counter()
    for first, last, _, _ in runs:
        for batch in walker.log.batches:
            low, high = max(first - batch.first, 0), min(last - batch.first + 1, len(batch))
            if low < high:
                counts.update(walker.log.titles(batch.idents[low:high]))
    return Quiet(
        first=runs[0][0], last=runs[-1][1], start=runs[0][2], end=runs[-1][3],
        counts=dict(counts.most_common()), chip=walker.position,
    )  # fmt: skip


class EventBuilder:
    """Events of one chip's frames."""

    def __init__(self, walker: Walker) -> None:
        self.walker = walker
        self.chip = walker.chip

    def plain(self, number: int, batch: Batch, place: int) -> Event:
        """A frame that told nothing new."""
        ident = int(batch.idents[place])
        decoded = self.walker.log.decoded(ident)
        return self._event(number, batch, place, decoded, None, tuple(flaw_notes(decoded)))

    def told(self, number: int, batch: Batch, place: int) -> Event:
        """A frame with its notes, those from an earlier frame's reply that it carried included."""
        happening = self.walker.happenings.get(number)
        carried = tuple(self.walker.carried.get(number, ()))
        if happening is None:
            event = self.plain(number, batch, place)
            return replace(event, notes=event.notes + carried)
        if isinstance(happening, WriteHappening):
            return self._written(batch, place, happening, carried)
        return self._event(
            number,
            batch,
            place,
            happening.decoded,
            happening.old,
            happening.notes + carried,
            tuple(map(str, happening.changes)),
        )

    def _written(
        self, batch: Batch, place: int, happening: WriteHappening, carried: tuple[Note, ...]
    ) -> Event:
        """As `_event`, without taking the frame apart once more."""
        register = happening.register
        word, bits, reply = self.walker.log.table.words(int(batch.idents[place]))
        return Event(
            kind="write", number=happening.number, transfer=int(batch.transfer[place]),
            time=int(batch.start[place]), chip=self.walker.position, register=register.name,
            address=register.address, word=word, bits=abs(bits), reply=reply,
            data=happening.data, old=happening.old, changes=happening.texts, status=happening.status,
            notes=happening.notes + carried,
        )  # fmt: skip

    def _event(
        self,
        number: int,
        batch: Batch,
        place: int,
        decoded: Decoded,
        old: int | None,
        notes: tuple[Note, ...],
        changes: tuple[str, ...] = (),
    ) -> Event:
        pair: Pair = self.walker.log.pair(int(batch.idents[place]))
        sent, answer = decoded.sent, decoded.believed
        kind = "rejected" if not decoded.taken else (sent.kind if sent is not None else "rejected")
        data = None
        if sent is not None:
            data = sent.data
            if sent.kind == "read":
                data = answer.data if answer is not None else None
        register = sent.register if sent is not None else None
        return Event(
            kind=kind, number=number, transfer=int(batch.transfer[place]),
            time=int(batch.start[place]), chip=self.walker.position,
            register=register.name if register is not None else "",
            address=sent.address if sent is not None else None, word=pair.word, bits=abs(pair.bits),
            reply=decoded.reply_word, data=data, old=old, changes=changes,
            status=tuple(n for n, on in answer.status.items() if on) if answer is not None else (),
            notes=notes,
        )  # fmt: skip


def _pins(trace: Trace, wanted: Filter) -> Iterator[Event]:
    moves = [(t, "fault", on) for t, on in trace.pins.fault_edges]
    moves += [(t, "enable", on) for t, on in trace.pins.enable_edges]
    for time, pin, on in sorted(moves):
        text = f"{pin} pin becomes {'active' if on else 'inactive'}"
        weight = "warn" if (pin == "fault") == on else "info"
        event = Event(kind="pin", number=-1, transfer=-1, time=time, register="",
                      notes=(Note(kind="pin", text=text, weight=weight),))  # fmt: skip
        if wanted.shows(event):
            yield event
