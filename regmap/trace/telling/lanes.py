"""A trace as lanes over time, for a picture: frames, lost evidence, pins, faults, registers.

What lies closer together than one column of the picture is counted instead of drawn, so the lanes of a hundred
thousand frames are no longer than those of a thousand. Nothing here draws.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import PurePath

import numpy as np
import numpy.typing as npt

from regmap.behaviour.settings import setting_registers
from regmap.chip.bits import hexword
from regmap.frames.bulk import READ
from regmap.quantity import many
from regmap.record import dataclass

from ..belief.walker import Walker
from ..tracer import Trace
from .story import Story

#: what a piece of a lane says -> in words, for the key of a picture
MEANINGS: dict[str, str] = {
    "read": "frames that read",
    "change": "frames that write or command",
    "refused": "frames that the chip rejects, writes that it refuses",
    "doubt": "replies beyond belief",
    "lost": "evidence lost",
    "gap": "recording off",
    "active": "pin active",
    "perhaps": "raised at some time in here",
    "raised": "fault seen raised",
    "sent": "written, not read back",
    "shown": "shown by a read",
    "reset": "as after a reset",
}

#: Lanes of registers at most; the rest is told by number.
_REGISTERS = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """From `start` to `end` (ticks) this lane says `meaning` (of MEANINGS); `weight` is 0 to 1 for densities."""

    start: int
    end: int
    meaning: str
    text: str
    weight: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One row of the picture. `kind` is "density", "bars" or "marks"."""

    name: str
    kind: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """All rows from tick `start` to tick `end`; `columns` is how many columns can be told apart."""

    title: str
    start: int
    end: int
    columns: int
    lanes: tuple[Lane, ...]
    notes: tuple[str, ...] = ()


def lanes(
    trace: Trace, story: Story, *, since: int | None = None, until: int | None = None, columns: int = 560
) -> Lanes:  # fmt: skip
    """The lanes of a finished trace, or of the part from `since` to `until` (ticks, both included)."""
    start = max(trace.start, since) if since is not None else trace.start
    end = min(trace.end, until) if until is not None else trace.end
    end = max(end, start + 1)
    view = _View(trace, start, end, columns)
    rows: list[Lane] = []
    notes: list[str] = []
    chained = len(trace.walkers) > 1
    for walker in trace.walkers:
        who = f"chip {walker.position} " if chained else ""
        rows += _frames(view, walker, who)
    rows += _lost(view, story)
    rows += _pins(view)
    for walker in trace.walkers:
        who = f"chip {walker.position} " if chained else ""
        rows += _faults(view, walker, who)
    for walker in trace.walkers:
        who = f"chip {walker.position} " if chained else ""
        some, left = _registers(view, walker, who)
        rows += some
        if left:
            notes.append(f"{who}{left} more registers changed and are not drawn")
    frames = many(trace.frames, "frame")
    # a record must not tell where on which machine the capture lay
    name = PurePath(trace.name).name
    title = f"{name}: {frames} of {', '.join(dict.fromkeys(c.name for c in trace.chips))}"
    return Lanes(
        title=title, start=start, end=end, columns=columns, lanes=tuple(rows), notes=tuple(notes)
    )


class _View:
    """What part of a trace is drawn, and in how many columns."""

    def __init__(self, trace: Trace, start: int, end: int, columns: int) -> None:
        self.trace = trace
        self.start, self.end, self.columns = start, end, columns
        self.clock = trace.clock

    def column(self, times: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """The column of each time; the times lie in the view."""
        span = self.end - self.start
        return np.minimum((times - self.start) * self.columns // span, self.columns - 1)

    def border(self, column: int) -> int:
        return self.start + column * (self.end - self.start) // self.columns

    def merged(self, spans: Sequence[tuple[int, int, str, str]]) -> tuple[Piece, ...]:
        """(start, end, meaning, text) cut to the view; what begins in one column together is one piece.

        It says what lasts longest in it, and how many there are.
        """
        least = max(1, (self.end - self.start) // self.columns)
        pieces: list[Piece] = []
        group: list[tuple[int, int, str, str]] = []
        place = -1
        for start, end, meaning, text in sorted(spans, key=lambda s: (s[0], s[1])):
            if end < self.start or start > self.end:
                continue
            column = (max(start, self.start) - self.start) // least
            if group and column != place:
                pieces.append(self._one(group))
                group = []
            place = column
            group.append((max(start, self.start), min(end, self.end), meaning, text))
        if group:
            pieces.append(self._one(group))
        return tuple(pieces)

    @staticmethod
    def _one(group: list[tuple[int, int, str, str]]) -> Piece:
        longest = max(group, key=lambda s: s[1] - s[0])
        first, last = group[0], group[-1]
        few = len({s[3] for s in group}) <= 3
        text = (
            "; ".join(dict.fromkeys(s[3] for s in group))
            if few
            else f"{len(group)} in a row: first {first[3]}, last {last[3]}"
        )
        return Piece(
            start=first[0], end=max(s[1] for s in group), meaning=longest[2], text=text
        )  # fmt: skip


def _frames(view: _View, walker: Walker, who: str) -> Iterator[Lane]:
    starts, idents = walker.log.times("start"), walker.log.idents()
    inside = np.flatnonzero((starts >= view.start) & (starts <= view.end))
    if not len(inside):
        return
    sorter = walker.log.sorter
    kinds, believed = sorter.kind[idents[inside]], sorter.believed[idents[inside]] > 0
    columns = view.column(starts[inside])
    classes = {
        "read": kinds == READ,
        "change": kinds > READ,
        "refused": kinds <= 0,
    }
    answered = _answered(walker, idents[inside])
    doubt = (kinds > 0) & answered & ~believed
    counts = {n: np.bincount(columns[m], minlength=view.columns) for n, m in classes.items()}
    most = max(1, *(int(c.max()) for c in counts.values()))
    for name, found in counts.items():
        if found.any():
            yield Lane(
                name=f"{who}{ {'read': 'reads', 'change': 'writes', 'refused': 'rejected'}[name] }",
                kind="density",
                pieces=tuple(
                    _density(view, walker, found, most, name, inside, columns, classes[name])
                ),
            )
    if doubt.any():
        found = np.bincount(columns[doubt], minlength=view.columns)
        pieces = tuple(
            _density(view, walker, found, int(found.max()), "doubt", inside, columns, doubt)
        )
        yield Lane(name=f"{who}beyond belief", kind="density", pieces=pieces)


def _answered(walker: Walker, idents: npt.NDArray[np.int32]) -> npt.NDArray[np.bool_]:
    """Whether a reply to each frame was captured."""
    table = walker.log.table
    have = np.zeros(len(table), np.bool_)
    for place in range(len(table.after)):
        have |= (table.column(6 + 3 * place) > 0) & (
            table.column(5 + 3 * place) >> np.uint64(63) == 0
        )
    return have[idents]


def _density(
    view: _View, walker: Walker, counts: npt.NDArray[np.intp], most: int, meaning: str,
    inside: npt.NDArray[np.intp], columns: npt.NDArray[np.int64], which: npt.NDArray[np.bool_],
) -> Iterator[Piece]:  # fmt: skip
    mine, places = inside[which], columns[which]
    firsts = np.searchsorted(places, np.arange(view.columns))
    starts, idents = walker.log.times("start"), walker.log.idents()
    for column in np.flatnonzero(counts).tolist():
        count, frame = int(counts[column]), int(mine[firsts[column]])
        at = view.clock.text(int(starts[frame]))
        title = walker.log.title(int(idents[frame]))
        text = (
            f"frame {frame} at {at}: {title}"
            if count == 1
            else f"{count} frames from frame {frame} at {at}: first {title}"
        )
        weight = float(np.log1p(count) / np.log1p(most))
        yield Piece(
            start=view.border(column), end=view.border(column + 1), meaning=meaning, text=text, weight=weight
        )  # fmt: skip


def _lost(view: _View, story: Story) -> Iterator[Lane]:
    trace = view.trace
    spans: list[tuple[int, int, str, str]] = []
    for walker in trace.walkers:
        starts = walker.log.times("start")
        for number, notes in walker.notes(confirmed=False):
            for note in notes:
                if note.kind == "erased" and number >= 0:
                    time = int(starts[number])
                    spans.append((time, time, "lost", f"frame {number}: {note.text}"))
    for gap_start, gap_end in trace.gaps:
        end = gap_end if gap_end >= 0 else trace.end
        text = f"recording off from {view.clock.text(gap_start)} to {view.clock.text(end)}"
        spans.append((gap_start, end, "gap", text))
    for span in story.evidence.pulled:
        if not span.read:
            text = f"fault pin active at {view.clock.text(span.start)} and no status read meanwhile"
            spans.append((span.start, span.end, "lost", text))
    pieces = view.merged(spans)
    if pieces:
        yield Lane(name="evidence lost", kind="marks", pieces=pieces)


def _pins(view: _View) -> Iterator[Lane]:
    trace, text = view.trace, view.clock.text
    if trace.pins.fault is not None:
        spans = trace.pins.fault_spans(trace.start, trace.end)
        yield Lane(
            name="fault pin",
            kind="bars",
            pieces=view.merged([(a, b, "active", f"active from {text(a)} to {text(b)}") for a, b in spans]),
        )  # fmt: skip
    if trace.pins.enable is not None:
        spans, since = [], trace.start if trace.pins.enable_at(trace.start) else -1
        for time, on in trace.pins.enable_edges:
            if on and since < 0:
                since = time
            elif not on and since >= 0:
                spans.append((since, time))
                since = -1
        if since >= 0:
            spans.append((since, trace.end))
        yield Lane(
            name="enable pin",
            kind="bars",
            pieces=view.merged([(a, b, "active", f"active from {text(a)} to {text(b)}") for a, b in spans]),
        )  # fmt: skip


def _faults(view: _View, walker: Walker, who: str) -> Iterator[Lane]:
    text = view.clock.text
    by_name: dict[str, list[tuple[int, int, str, str]]] = {}
    for interval in walker.faults.intervals:
        spans = by_name.setdefault(interval.fault, [])
        end = interval.gone_time if interval.gone_time >= 0 else view.trace.end
        over = f"seen clear at {text(end)}" if interval.gone_time >= 0 else "not over"
        said = f"{interval.fault} raised in frame {interval.raised} at {text(interval.raised_time)}, {over}"
        if interval.clear_before_time >= 0:
            before = interval.pin if interval.pin >= 0 else interval.clear_before_time
            how = "the fault pin fell" if interval.pin >= 0 else "last seen clear"
            spans.append(
                (before, interval.raised_time, "perhaps", f"{interval.fault}: {how} at {text(before)}")
            )  # fmt: skip
        spans.append((interval.raised_time, end, "raised", said))
    for name in sorted(by_name, key=lambda n: by_name[n][0][0]):
        pieces = view.merged(by_name[name])
        if pieces:
            yield Lane(name=f"{who}{name}", kind="bars", pieces=pieces)


def _registers(view: _View, walker: Walker, who: str) -> tuple[list[Lane], int]:
    """Lanes of the registers of settings that changed in the capture, the most telling first; how many are left out."""
    chip, belief = walker.chip, walker.belief
    settings = {r.name for r in setting_registers(chip)}
    steps: dict[str, list[tuple[int, int, int]]] = {}
    for known in belief.history:
        if known.register in settings:
            steps.setdefault(known.register, []).append((known.time, known.word, known.known))
    # by register and time of the write: when it was first read back
    wrote: dict[tuple[str, int], int] = {}
    ends = walker.log.times("answered")
    for write in belief.writes:
        read = int(ends[write.verified]) if 0 <= write.verified < len(ends) else -1
        key = write.register, write.time
        wrote[key] = read if wrote.get(key, -1) == -1 else wrote[key]
    found = []
    for name in chip.registers:
        if name not in steps:
            continue
        register = chip.registers[name]
        spans: list[tuple[int, int, str, str]] = []
        moves = steps[name]
        for place, (time, word, mask_known) in enumerate(moves):
            end = moves[place + 1][0] if place + 1 < len(moves) else view.trace.end
            mask = register.read_back or register.settings
            if mask_known & mask != mask:
                continue
            said = f"{name} = {hexword(word, register.width)} from {view.clock.text(time)}"
            if not (word ^ register.reset) & mask:
                spans.append((time, end, "reset", f"{said}, its reset word"))
                continue
            writes, read = (name, time) in wrote, wrote.get((name, time), -1)
            if not writes or 0 <= read < end:
                middle = read if writes else time
                spans.append((time, middle, "sent", f"{said}, written"))
                spans.append((middle, end, "shown", f"{said}, read at {view.clock.text(middle)}"))
            else:
                spans.append((time, end, "sent", f"{said}, written and not read back"))
        pieces = view.merged([s for s in spans if s[1] > s[0] or s[2] != "sent"])
        if pieces:
            found.append((-len(moves), Lane(name=f"{who}{name}", kind="bars", pieces=pieces)))
    kept = sorted(found, key=lambda f: f[0])[:_REGISTERS]
    wanted = {id(lane) for _, lane in kept}
    return [lane for _, lane in found if id(lane) in wanted], len(found) - len(kept)
