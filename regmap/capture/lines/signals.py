"""What every capture reader yields: blocks of edges, one capture's worth of them, and its troubles.

A value is one byte: 0, 1, X (2, unknown) or Z (3, high impedance). Times are int64 ticks; a tick
is an exact fraction of a second. Inside a block, and across blocks, the edges of one channel are
strictly increasing in time and each one changes the value: repeated values and pulses of no width
are taken out here, so that nobody downstream has to think of them.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from regmap.closing import Closing
from regmap.errors import CallError, CaptureError, Place, Problem, closest
from regmap.quantity import show
from regmap.record import dataclass, field

from ..arrays import NO_TIMES, NO_VALUES, Times, Values, X

if TYPE_CHECKING:
    from ..spi import Transfers


#: At most this many problems of one capture are kept; the rest are counted.
PROBLEM_LIMIT = 50

_SECOND = (0, 0, 1, 0, 0)


@dataclass(frozen=True, slots=True)
class Edges:
    """Changes of one channel: times int64[n] in ticks, values uint8[n]."""

    times: Times
    values: Values

    def __len__(self) -> int:
        return len(self.times)


NO_EDGES = Edges(NO_TIMES, NO_VALUES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One line of a capture. `name` is the full name; `aliases` are further names of the same line.

    A bus of w bits is w channels with the same `bus` name; `bit` is the index of each (the one in
    the file's own numbering) and `weight` its position from the right.
    """

    index: int
    name: str
    aliases: tuple[str, ...] = ()
    bus: str = ""
    bit: int = 0
    weight: int = 0
    kind: str = "wire"

    @property
    def short(self) -> str:
        """The last part of a hierarchical name."""
        return self.name.rsplit(".", 1)[-1]

    @property
    def scope(self) -> str:
        """A hierarchical name without its last part."""
        return self.name.rpartition(".")[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Everything that changed at ticks `start <= t < until`.

    `before` uint8[channels] is the value of every channel just before the block's first edge; in a
    capture's first block that is the value at its first instant. Channels without an edge are
    missing from `edges`.
    """

    start: int
    until: int
    before: Values
    edges: Mapping[int, Edges]

    def of(self, index: int) -> Edges:
        """The edges of one channel, none included."""
        return self.edges.get(index, NO_EDGES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signals:
    """A capture, or the first part of one, in memory.

    `initial` uint8[channels] holds from `start` on, `edges[i]` are the changes after that, and
    nothing is known after `end` (ticks; the last instant the file mentions).
    """

    name: str
    format: str
    tick: Fraction
    start: int
    end: int
    channels: tuple[Channel, ...]
    initial: Values
    edges: tuple[Edges, ...]
    notes: tuple[str, ...] = ()
    problems: tuple[Problem, ...] = ()

    def find(self, name: str) -> Channel:
        """A channel by full name, alias or (when it is the only one) short name; else CallError."""
        return find_channel(self.channels, name)

    def __getitem__(self, name: str) -> Edges:
        return self.edges[self.find(name).index]

    def seconds(self, ticks: int) -> Fraction:
        """Exact seconds of a tick count."""
        return ticks * self.tick

    def value_at(self, name: str, tick: int) -> int:
        """0, 1, X or Z of one channel at an instant, a change at that instant included."""
        channel = self.find(name).index
        edges = self.edges[channel]
        place = int(np.searchsorted(edges.times, tick, side="right"))
        return int(edges.values[place - 1]) if place else int(self.initial[channel])

    def bus_at(self, bus: str, tick: int) -> str:
        """The bits of a bus at an instant as text, most significant first, of `01xz`."""
        whole = {c.bus for c in self.channels if c.bus}
        short = [b for b in whole if b.rsplit(".", 1)[-1] == bus]
        if bus not in whole and len(short) == 1:
            bus = short[0]
        bits = sorted((c for c in self.channels if c.bus == bus), key=lambda c: -c.weight)
        if not bits:
            names = sorted({c.bus for c in self.channels if c.bus})
            raise _unknown("bus", bus, names)
        return "".join("01xz"[self.value_at(c.name, tick)] for c in bits)

    def blocks(self, changes: int = 0) -> Iterator[Block]:
        """The same capture again as blocks; `changes` > 0 cuts it so that each has about so many."""
        total = sum(map(len, self.edges))
        parts = max(1, -(-total // changes)) if changes else 1
        cuts = [self.start + (self.end + 1 - self.start) * k // parts for k in range(parts + 1)]
        before = self.initial.copy()
        for start, until in itertools.pairwise(cuts):
            if start == until:
                continue
            now = before.copy()
            held: dict[int, Edges] = {}
            for index, edges in enumerate(self.edges):
                a, b = np.searchsorted(edges.times, (start, until))
                if b > a:
                    held[index] = Edges(edges.times[a:b], edges.values[a:b])
                    now[index] = edges.values[b - 1]
            yield Block(start=start, until=until, before=before, edges=held)
            before = now


def _unknown(what: str, name: str, names: Iterable[str]) -> CallError:
    known = list(names)
    near = closest(name, known)
    shown = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "")
    return CallError(f"no {what} {name[:60]!r}", f"one of {shown or 'none'}", near)


def find_channel(channels: Iterable[Channel], name: str) -> Channel:
    """A channel by full name, alias, or short name if only one has it, in that order.

    Case is ignored where nothing matches exactly. Raises CallError with the nearest name.
    """
    known = list(channels)
    for exact in (True, False):
        want = name if exact else name.casefold()
        ways: list[list[Channel]] = [[], [], []]
        for channel in known:
            names = [channel.name, *channel.aliases]
            if not exact:
                names = [n.casefold() for n in names]
            if names[0] == want:
                ways[0].append(channel)
            if want in names[1:]:
                ways[1].append(channel)
            if any(n.rsplit(".", 1)[-1] == want for n in names):
                ways[2].append(channel)
        for hits in ways:
            if len(hits) == 1:
                return hits[0]
            if hits:
                raise CallError(
                    f"{name!r} is the name of {len(hits)} channels: {', '.join(c.name for c in hits[:8])}"
                )
    raise _unknown("channel", name, [c.name for c in known])


def clean(times: Times, values: Values, before: int) -> tuple[Times, Values, int]:
    """Edges with one value an instant and a real change at each; also how many pulses of no width.

    `times` must not decrease; `before` is the value that held until then.
    """
    dropped = 0
    if len(times) > 1:
        again = times[1:] == times[:-1]
        if again.any():
            dropped = int(np.count_nonzero(again & (values[1:] != values[:-1])))
            keep = np.append(~again, True)
            times, values = times[keep], values[keep]
    if len(values):
        moved = np.empty(len(values), np.bool_)
        moved[0] = values[0] != before
        np.not_equal(values[1:], values[:-1], out=moved[1:])
        if not moved.all():
            times, values = times[moved], values[moved]
    return times, values, dropped


@dataclass(slots=True)
class Findings:
    """Problems and notes of one capture, capped so that a hostile file cannot fill the memory."""

    name: str
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    uncounted: int = 0

    def add(
        self,
        found: str,
        expected: str = "",
        *,
        line: int = 0,
        column: int = 1,
        text: str = "",
        span: int = 1,
        severity: str = "error",
        nearest: str = "",
    ) -> None:
        """Keep one problem; line 0 is the capture as a whole."""
        if len(self.problems) >= PROBLEM_LIMIT:
            self.uncounted += 1
            return
        place = Place(self.name, line, column if line else 0, span, text[:400])
        self.problems.append(Problem(place, found, expected, nearest, "", severity))

    def note(self, text: str) -> None:
        """Keep one remark, once."""
        if text not in self.notes and len(self.notes) < PROBLEM_LIMIT:
            self.notes.append(text)

    def error(self) -> CaptureError:
        """All problems as one error."""
        return CaptureError(self.all())

    def all(self) -> tuple[Problem, ...]:
        """The problems kept, and a last one that counts the others."""
        kept = tuple(self.problems)
        if self.uncounted:
            more = f"{self.uncounted} more problems are not listed"
            kept += (Problem(Place(self.name), more, severity="warning"),)
        return kept


class Capture(Closing):
    """An open capture: what it holds is known, its blocks are read once, in order.

    Iterate `blocks()`, or take everything at once with `read()`. `peek()` reads the first part and
    keeps it, so that `blocks()` still starts at the beginning. `problems` and `notes` are complete
    once the last block has been taken. Use it as a context manager, or call `close()`.
    """

    format = ""
    #: "edges", or "frames" for a list of frames that has no lines (see `frame_transfers`).
    kind = "edges"

    def __init__(self, findings: Findings, tick: Fraction, channels: tuple[Channel, ...]) -> None:
        self.findings = findings
        self.tick = tick
        self.channels = channels
        #: whether a line without a first value is taken as the opposite of what it changes to first
        self.assume_start = False
        self.start: int | None = None
        self.end: int | None = None
        self.initial: Values = np.full(len(channels), X, np.uint8)
        self._now = self.initial.copy()
        self._queue: list[Block] = []
        self._source: Iterator[Block] | None = None
        self._collapsed = 0
        self._resolution = 0
        #: columns of a table: (name, how it is read)
        self.columns: tuple[tuple[str, str], ...] = ()

    @property
    def gaps(self) -> Sequence[tuple[int, int]]:
        """Ticks from when to when recording was switched off, as far as read; -1: not on again."""
        return ()

    # -- what subclasses give ------------------------------------------------------------------

    def _raw(self) -> Iterator[tuple[dict[int, tuple[Times, Values]], int, int]]:
        """(changes per channel, first instant, until) of whole instants; times not decreasing."""
        raise NotImplementedError

    def frame_transfers(self) -> Iterator[Transfers]:
        """Transfers of a capture whose `kind` is "frames"; CallError for all others."""
        raise CallError(f"{self.name} holds lines, not frames: give an SPI set-up and channels")

    def close(self) -> None:
        """Release the file."""

    @property
    def position(self) -> tuple[int, int]:
        """(bytes read, bytes in all) of the file; all is 0 when it cannot be known."""
        return 0, 0

    # -- what callers use ----------------------------------------------------------------------

    @property
    def name(self) -> str:
        """File name, or what stands for it."""
        return self.findings.name

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Problems found so far."""
        return self.findings.all()

    @property
    def notes(self) -> tuple[str, ...]:
        """Remarks so far: what was assumed, found or skipped."""
        return tuple(self.findings.notes)

    @property
    def resolution(self) -> int:
        """Ticks between instants that can differ at all, as far as the first edges show; 0 unknown."""
        return self._resolution

    def find(self, name: str) -> Channel:
        """A channel by name; CallError with the nearest name."""
        return find_channel(self.channels, name)

    def when(self, tick: int) -> str:
        """An instant for people."""
        return show(tick * self.tick, _SECOND, digits=9)

    def blocks(self) -> Iterator[Block]:
        """All blocks, those that `peek` took first; each one is given once."""
        while True:
            block = self._queue.pop(0) if self._queue else self._next()
            if block is None:
                return
            yield block

    def peek(self, changes: int = 200_000) -> Signals:
        """The first blocks, until they hold about `changes` edges, as Signals; nothing is lost."""
        count = sum(sum(map(len, b.edges.values())) for b in self._queue)
        while count < changes:
            block = self._next()
            if block is None:
                break
            self._queue.append(block)
            count += sum(map(len, block.edges.values()))
        return self._signals(self._queue)

    def read(self) -> Signals:
        """Everything that is still to come, in memory (about 9 bytes for each edge)."""
        return self._signals(list(self.blocks()))

    # -- inside --------------------------------------------------------------------------------

    def _next(self) -> Block | None:
        if self._source is None:
            self._source = self._clean()
        return next(self._source, None)

    def _clean(self) -> Iterator[Block]:
        for raw, start, until in self._raw():
            if self.start is None:
                self.start = start
                raw = self._take_initial(raw, start)
            before = self._now.copy()
            edges: dict[int, Edges] = {}
            for index, (times, values) in raw.items():
                times, values, dropped = clean(times, values, int(before[index]))
                self._collapsed += dropped
                if len(times):
                    edges[index] = Edges(times, values)
                    self._now[index] = values[-1]
            self.end = until - 1
            if not self._resolution:
                self._resolution = _resolution(edges)
            yield Block(start=start, until=until, before=before, edges=edges)
        if self._collapsed:
            self.findings.note(
                f"{self._collapsed} pulses of no width (several values at one instant) are left out"
            )

    def _take_initial(
        self, raw: dict[int, tuple[Times, Values]], start: int
    ) -> dict[int, tuple[Times, Values]]:
        rest = {}
        for index, (times, values) in raw.items():
            count = int(np.searchsorted(times, start, side="right"))
            if count:
                self.initial[index] = self._now[index] = values[count - 1]
            if count < len(times):
                rest[index] = (times[count:], values[count:])
        return rest

    def _signals(self, blocks: list[Block]) -> Signals:
        start = blocks[0].start if blocks else (self.start or 0)
        end = blocks[-1].until - 1 if blocks else start
        initial = blocks[0].before if blocks else self._now
        edges = []
        for index in range(len(self.channels)):
            parts = [b.edges[index] for b in blocks if index in b.edges]
            if len(parts) > 1:
                edges.append(
                    Edges(
                        np.concatenate([p.times for p in parts]),
                        np.concatenate([p.values for p in parts]),
                    )
                )
            else:
                edges.append(parts[0] if parts else NO_EDGES)
        return Signals(
            name=self.name,
            format=self.format,
            tick=self.tick,
            start=start,
            end=end,
            channels=self.channels,
            initial=initial,
            edges=tuple(edges),
            notes=self.notes,
            problems=self.problems,
        )


def _resolution(edges: Mapping[int, Edges]) -> int:
    found = [e.times[:4096] for e in edges.values()]
    if not found:
        return 0
    times = np.concatenate(found)
    return int(np.gcd.reduce(times - times[0]))
