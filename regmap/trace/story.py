"""The whole capture in a few words: counts, explained faults, and the sentences that matter most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from regmap.bank import Bank
from regmap.bits import deposit
from regmap.errors import CallError
from regmap.faults import Explanation, explain
from regmap.model import Chip

from .events import Interval
from .tracer import Trace
from .walker import Walker


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """One statement about the capture; a higher `rank` matters more. `kind` is of events.NOTES or "good"."""

    rank: int
    kind: str
    text: str
    bad: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """Faults that were raised at the same time or one after the other without a pause between."""

    chip: int
    start: int
    end: int
    intervals: tuple[Interval, ...]
    explanation: Explanation
    over: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """`sentences` are all, most important last; `faulty` says that a fault of the chip was seen."""

    counts: dict[str, int]
    registers: dict[str, tuple[int, int]]
    episodes: tuple[Episode, ...]
    sentences: tuple[Sentence, ...]
    faulty: bool
    wiring: tuple[str, ...] = field(default=())

    @property
    def telling(self) -> tuple[str, ...]:
        """The three most important sentences, the most important last."""
        return tuple(s.text for s in self.sentences[-3:])


def tell(trace: Trace, wiring: tuple[str, ...] = ()) -> Story:
    """The story of a trace; `wiring` are findings about lines and set-up, which come before all else."""
    counts: Counter[str] = Counter()
    registers: dict[str, tuple[int, int]] = {}
    for walker in trace.walkers:
        _count(walker, counts, registers)
    episodes = tuple(e for w in trace.walkers for e in episodes_of(trace, w))
    sentences = [Sentence(rank=100 - i, kind="wiring", text=t) for i, t in enumerate(wiring)]
    if not wiring:
        sentences += _sentences(trace, episodes, counts)
    sentences.sort(key=lambda s: s.rank)
    return Story(
        counts=dict(counts.most_common()), registers=registers, episodes=episodes,
        sentences=tuple(sentences), wiring=wiring,
        faulty=bool(wiring) or any(not i.normal for e in episodes for i in e.intervals),
    )  # fmt: skip


def _count(walker: Walker, counts: Counter[str], registers: dict[str, tuple[int, int]]) -> None:
    idents, many = np.unique(walker.idents(), return_counts=True)
    for ident, count in zip(idents.tolist(), many.tolist(), strict=True):
        kind, _, name = walker.title(ident).partition(" ")
        counts[kind] += count
        if kind in ("read", "write") and name:
            reads, writes = registers.get(name, (0, 0))
            registers[name] = (reads + count, writes) if kind == "read" else (reads, writes + count)


def episodes_of(trace: Trace, walker: Walker) -> Iterator[Episode]:
    """The fault episodes of one chip, explained."""
    faults = sorted((i for i in walker.faults.intervals if not i.normal), key=lambda i: (i.raised_time, i.raised))
    group: list[Interval] = []
    until = -1
    for interval in faults:
        if group and interval.raised_time > until >= 0:
            yield _episode(trace, walker, group)
            group, until = [], -1
        group.append(interval)
        end = interval.gone_time if interval.gone >= 0 and interval.fault not in walker.faults.active else trace.end + 1
        until = max(until, end)
    if group:
        yield _episode(trace, walker, group)


def _episode(trace: Trace, walker: Walker, group: list[Interval]) -> Episode:
    chip = walker.chip
    words: dict[str, int] = {}
    for interval in group:
        fault = chip.faults[interval.fault]
        item = chip.field(fault.ref)
        assert item is not None
        words[fault.register] = words.get(fault.register, 0) | deposit(fault.code, item.bits)
    order = [i.fault for i in group]
    explanation = explained(chip, words, walker.known_at(group[0].raised), order)
    over = all(i.fault not in walker.faults.active for i in group)
    end = max((i.gone_time for i in group), default=-1) if over else trace.end
    return Episode(
        chip=walker.position, start=group[0].raised_time, end=end, intervals=tuple(group),
        explanation=explanation, over=over,
    )  # fmt: skip


def explained(chip: Chip, words: dict[str, int], bank: Bank, order: list[str]) -> Explanation:
    """Explain what was seen; a wiring suspicion cannot arise from words put together of single bits."""
    try:
        found = explain(chip, words, bank, order)
    except CallError:
        return Explanation(words=words)
    return found


def _sentences(trace: Trace, episodes: tuple[Episode, ...], counts: Counter[str]) -> list[Sentence]:
    out: list[Sentence] = []
    clock = trace.clock
    many = len(trace.walkers) > 1
    for episode in episodes:
        out.append(_fault_sentence(trace, episode, f"chip {episode.chip}: " if many else ""))
    for walker in trace.walkers:
        who = f"chip {walker.position}: " if many else ""
        out += _write_sentences(walker, who)
        for number, time in walker.belief.resets:
            names = walker.belief.lost
            if names:
                lost = f"; {', '.join(names)} lost their settings"
                out.append(Sentence(rank=88, kind="reset", text=f"{who}The chip was reset before frame {number} at {clock.text(time)}{lost}."))
    rejected = counts.get("rejected", 0)
    if rejected:
        out.append(Sentence(rank=70, kind="rejected", text=f"{rejected} of {trace.frames} frames are none that the chip takes."))
    for breach in trace.breaches:
        out.append(Sentence(rank=60, kind="timing", text=f"Limit not kept: {breach.text}."))
    if not any(s.bad for s in out):
        out += _good(trace, counts)
    return out


def _fault_sentence(trace: Trace, episode: Episode, who: str) -> Sentence:
    clock = trace.clock
    findings = episode.explanation.findings
    names = {i.fault: i for i in episode.intervals}
    if not findings:
        first = episode.intervals[0]
        return Sentence(rank=75, kind="raised", text=f"{who}{first.fault} was raised at {clock.text(first.raised_time)}.")
    fault = findings[0].fault
    interval = names.get(fault.name, episode.intervals[0])
    when = f"seen at {clock.text(interval.raised_time)} in frame {interval.raised}"
    if interval.pin >= 0:
        when = f"at {clock.text(interval.pin)} by the fault pin, {when}"
    elif interval.clear_before_time >= 0:
        when += f", not yet at {clock.text(interval.clear_before_time)}"
    more = len(episode.explanation.raised) - 1 - sum(bool(f.summary_of) for f in episode.explanation.raised)
    tail = f", with {more} more" if more > 0 else ""
    end = f"; cleared by frame {interval.cleared_by}" if episode.over and interval.cleared_by >= 0 else ("" if episode.over else "; not cleared in the capture")
    check = f" Look first at: {fault.check_first[0]}." if fault.check_first else ""
    rank = {"stop": 90, "warn": 65, "note": 40}[fault.severity]
    return Sentence(rank=rank, kind="raised", text=f"{who}{fault.name} ({fault.title}) {when}{tail}{end}.{check}")


def _write_sentences(walker: Walker, who: str) -> list[Sentence]:
    out = []
    belief = walker.belief
    failed = [w for w in belief.writes if (w.denied >= 0 and w.verified < 0) or (w.why and not w.why.startswith("(") and w.denied < 0)]
    if failed:
        first = failed[0]
        why = first.why.strip("()")
        names = ", ".join(dict.fromkeys(w.register for w in failed))
        text = f"{who}{len(failed)} write{'s' * (len(failed) > 1)} did not take ({names}): frame {first.number}, {why}."
        out.append(Sentence(rank=80, kind="not_taken", text=text))
    good = [w for w in belief.writes if not w.why and w.verified >= 0]
    unread = sorted({w.register for w in belief.latest.values() if w.verified < 0 and not w.why and w.denied < 0 and walker.chip.registers[w.register].readable})
    if good and not failed:
        count = len({w.register for w in good})
        out.append(Sentence(rank=20, kind="verified", bad=False, text=f"{who}{count} register{'s' * (count > 1)} written and read back as written."))
    if unread:
        out.append(Sentence(rank=30, kind="verified", bad=False, text=f"{who}Written and never read back: {', '.join(unread)}."))
    states = [s for s, on in belief.bank.states.items() if on]
    if states:
        out.append(Sentence(rank=15, kind="state", bad=False, text=f"{who}At the end the chip is in state {', '.join(states)}."))
    return out


def _good(trace: Trace, counts: Counter[str]) -> list[Sentence]:
    if not trace.frames:
        return [Sentence(rank=99, kind="wiring", text="No frame was found in this capture.")]
    span = trace.clock.text(trace.end - trace.start, 4) if trace.clock.tick is not None else ""
    over = f" over {span}" if span else ""
    return [Sentence(rank=35, kind="good", bad=False, text=f"No fault was seen in {trace.frames} frames{over}.")]
