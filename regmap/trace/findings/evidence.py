"""What a capture proves, counted: how many frames and replies can be believed, what was never shown.

Every verdict on a capture reads from here: the sentences, the machine output, the exit status, comparisons with
a stage and the record. A reply that cannot be believed proves nothing; what no reply showed is unknown.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from regmap.chip.model import Chip
from regmap.frames.bulk import COMMAND, READ, WRITE
from regmap.record import dataclass, field

from ..belief.walker import Walker
from ..frames.pairs import CUT
from ..tracer import Trace

#: Different pairs of words of which the reason is looked up one by one.
_REASONS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why `count` frames (or replies) cannot be believed; `text` is that of frame `first`."""

    name: str
    count: int
    first: int
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """How many of `of` can be believed; `reasons` for the others, most frequent first."""

    good: int
    of: int
    reasons: tuple[Reason, ...] = ()

    @property
    def bad(self) -> int:
        return self.of - self.good


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A time in which the fault pin was active; `read` says whether a believed status was read meanwhile."""

    start: int
    end: int
    read: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Counts over the whole capture, exact.

    commands     frames that the chip takes, of all that the capture shows whole
    replies      replies that can be believed, of all captured ones that answer something
    unseen       faults that no believed reply shows, neither themselves nor in a sum (by chip)
    unread       registers written and never shown by a believed reply (by chip)
    pulled       times of an active fault pin that no fault seen in the status explains
    pin_dead     faults that pull the fault pin, raised while the fault pin rested all along
    """

    commands: Share
    replies: Share
    unseen: dict[int, tuple[str, ...]] = field(default_factory=dict)
    pulled: tuple[Span, ...] = ()
    pin_dead: tuple[str, ...] = ()


def weigh(trace: Trace) -> Evidence:
    """Count what of a finished trace can be believed."""
    commands, replies = [], []
    unseen: dict[int, tuple[str, ...]] = {}
    for walker in trace.walkers:
        taken, answered = _shares(walker)
        commands.append(taken)
        replies.append(answered)
        missing = _unseen(walker)
        if missing:
            unseen[walker.position] = missing
    pulled = _pulled(trace)
    return Evidence(
        commands=_sum(commands),
        replies=_sum(replies),
        unseen=unseen,
        pulled=pulled,
        pin_dead=_pin_dead(trace),
    )


def _sum(parts: list[Share]) -> Share:
    reasons: dict[str, Reason] = {}
    for reason in (r for p in parts for r in p.reasons):
        old = reasons.get(reason.name)
        reasons[reason.name] = (
            reason
            if old is None
            else Reason(
                name=reason.name, count=old.count + reason.count, first=old.first, text=old.text
            )
        )
    return Share(
        good=sum(p.good for p in parts),
        of=sum(p.of for p in parts),
        reasons=tuple(sorted(reasons.values(), key=lambda r: -r.count)),
    )


def _shares(walker: Walker) -> tuple[Share, Share]:
    """(commands, replies) of one chip."""
    found, first, many = walker.log.tally()
    if not len(found):
        return Share(good=0, of=0), Share(good=0, of=0)
    sorter, table = walker.log.sorter, walker.log.table
    kind = sorter.kind[found]
    answers = _answered_kinds(walker.chip)
    have = np.zeros(len(found), np.bool_)
    for place in range(len(table.after)):
        have |= (table.column(6 + 3 * place)[found] > 0) & (
            table.column(5 + 3 * place)[found] >> np.uint64(63) == 0
        )
    believed = sorter.believed[found] > 0
    replying = have & (np.isin(kind, answers) | believed)
    taken, reply_reasons, command_reasons = kind > 0, Counter[str](), Counter[str]()
    where: dict[tuple[str, str], tuple[int, str]] = {}
    counts = table.column(3)[found] & np.uint64(CUT) == 0
    odd = np.flatnonzero((~taken | (replying & ~believed)) & counts)
    # the first and the most frequent give their reasons; on a shared select all must be looked at
    shared = any(f.command.of_kind("chip") for f in walker.chip.frames.values())
    limit = len(odd) if shared else _REASONS // 2
    order = odd[np.argsort(first[odd])][:limit]
    often = odd[np.argsort(-many[odd])][:limit]
    for place in dict.fromkeys([*order.tolist(), *often.tolist()]):
        ident, count = int(found[place]), int(many[place])
        decoded = walker.log.decoded(ident)
        if decoded.elsewhere:
            counts[place] = False
            continue
        if not taken[place]:
            name = _reason(
                decoded.trouble, [f.kind for f in decoded.sent.flaws] if decoded.sent else []
            )
            command_reasons[name] += count
            _first(where, ("command", name), int(first[place]), decoded.trouble)
        elif replying[place] and not believed[place]:
            flaws = [f.kind for f in decoded.answer.flaws] if decoded.answer else []
            name = _reason(decoded.reply_trouble, flaws)
            reply_reasons[name] += count
            _first(where, ("reply", name), int(first[place]), decoded.reply_trouble)
    return (
        Share(
            good=int(many[taken & counts].sum()),
            of=int(many[counts].sum()),
            reasons=_reasons("command", command_reasons, where),
        ),
        Share(
            good=int(many[replying & believed & counts].sum()),
            of=int(many[replying & counts & (taken | believed)].sum()),
            reasons=_reasons("reply", reply_reasons, where),
        ),
    )


def _first(
    where: dict[tuple[str, str], tuple[int, str]], key: tuple[str, str], number: int, text: str
) -> None:
    if key not in where or number < where[key][0]:
        where[key] = number, text


def _reasons(
    line: str, counts: Counter[str], where: dict[tuple[str, str], tuple[int, str]]
) -> tuple[Reason, ...]:
    return tuple(
        Reason(name=n, count=c, first=where[line, n][0], text=where[line, n][1])
        for n, c in counts.most_common()
    )


_NAMES = {"check_bits": "check bits", "fixed": "fixed bits"}


def _reason(text: str, kinds: list[str]) -> str:
    """The group that a reason belongs to."""
    if "clocks" in text:
        return "clocks"
    if "unknown" in text or "floating" in text:
        return "unknown bits"
    if "every bit" in text:
        return "all bits equal"
    for kind in kinds:
        return _NAMES.get(kind, kind)
    return "address" if "address" in text else "other"


def _answered_kinds(chip: Chip) -> np.ndarray:
    """The kinds of frames that a reply layout answers."""
    numbers = {
        "read": READ,
        "write": WRITE,
        **{n: COMMAND + i for i, n in enumerate(chip.commands)},
    }
    named = {n for f in chip.frames.values() for n in f.replies}
    return np.array([k for n, k in numbers.items() if n in named or "any" in named], np.int64)


def _unseen(walker: Walker) -> tuple[str, ...]:
    """Faults of one chip of which no believed reply says anything."""
    log = walker.faults
    seen = {*log.clear, *(i.fault for i in log.intervals)}
    told: set[str] = set(seen)
    for name in seen:
        told.update(walker.chip.faults[name].summary_of)
    return tuple(n for n, f in walker.chip.faults.items() if n not in told and f.severity == "stop")


def _pulled(trace: Trace) -> tuple[Span, ...]:
    """When the fault pin was active and the status explains it with nothing."""
    if trace.pins.fault is None or not trace.frames:
        return ()
    first = min((int(w.log.batches[0].start[0]) for w in trace.walkers if w.log.batches), default=0)
    known: list[tuple[int, int]] = []
    for walker in trace.walkers:
        for interval in walker.faults.intervals:
            end = interval.gone_time if interval.gone_time >= 0 else trace.end
            start = interval.clear_before_time if interval.clear_before_time >= 0 else trace.start
            known.append((start, end))
    spans = []
    for start, end in trace.pins.fault_spans(trace.start, trace.end):
        if end <= first or any(a <= end and b >= start for a, b in known):
            continue
        read = any(w.log.status_between(start, end) for w in trace.walkers)
        spans.append(Span(start=start, end=end, read=read))
    return tuple(spans)


def _pin_dead(trace: Trace) -> tuple[str, ...]:
    """Faults that pull the fault pin and were seen raised, although it never moved from rest.

    Those that pull it only in some configurations are left out: which one held then is not always known.
    """
    pins = trace.pins
    if pins.fault is None or pins.fault_spans(trace.start, trace.end):
        return ()
    names = [
        i.fault
        for w in trace.walkers
        for i in w.faults.intervals
        if not i.normal and w.chip.faults[i.fault].pulls_pin
    ]
    return tuple(dict.fromkeys(names))
