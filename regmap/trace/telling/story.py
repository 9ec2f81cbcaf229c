"""The whole capture in a few words: counts, explained faults, and the sentences that matter most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from regmap.behaviour.faults import Explanation, explain
from regmap.chip.bank import Bank
from regmap.chip.bits import deposit
from regmap.chip.model import Chip, Field
from regmap.errors import CallError
from regmap.stages.load import Stage

from ..belief.against import Held, against
from ..belief.walker import Walker
from ..events import Interval, Note
from ..findings.wiring import Diagnosis, diagnose
from ..tracer import Trace


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
    """`sentences` are all, most important last; `faulty` says that a fault was seen, of chip or wiring.

    `counts` is by kind of frame, `registers` reads and writes by register; `held` is the comparison
    with a stage where one was given.
    """

    counts: dict[str, int]
    registers: dict[str, tuple[int, int]]
    episodes: tuple[Episode, ...]
    sentences: tuple[Sentence, ...]
    diagnosis: Diagnosis
    faulty: bool
    held: Held | None = None

    @property
    def telling(self) -> tuple[str, ...]:
        """The three most important sentences, the most important last."""
        return tuple(s.text for s in self.sentences[-3:])


#: Remarks on wiring that leave the words believable: how much each matters.
_REMARKS = {
    "cut": 12,
    "empty": 48,
    "runt": 74,
    "stray": 48,
    "odd_edges": 48,
    "at_edge": 56,
    "clock_unknown": 57,
    "dead": 95,
    "silent": 66,
    "mode": 58,
    "clocks": 72,
    "select_still": 34,
    "select_missing": 33,
}


def tell(trace: Trace, stage: Stage | None = None, at: int | None = None) -> Story:
    """The story of a trace, also held against a stage (at tick `at`, else at the end).

    Where wiring or set-up make the words unbelievable, that is told instead of any fault.
    """
    counts: Counter[str] = Counter()
    registers: dict[str, tuple[int, int]] = {}
    for walker in trace.walkers:
        _count(walker, counts, registers)
    diagnosis = diagnose(trace, trace.framer.chain)
    sentences = [
        Sentence(rank=200 - i, kind="wiring", text=_sentence(t))
        for i, t in enumerate(diagnosis.grave)
    ]
    if sentences and trace.frames:
        sentences.append(
            Sentence(
                rank=150,
                kind="wiring",
                text="Nothing decoded here can be believed until that is put right.",
            )
        )
    episodes: tuple[Episode, ...] = ()
    held = against(trace, stage, at) if stage is not None else None
    for mistake in diagnosis.mistakes:
        if not mistake.grave:
            rank = _REMARKS.get(mistake.name, 50)
            sentences.append(
                Sentence(rank=rank, kind="wiring", bad=rank > 50, text=_sentence(mistake.text))
            )
    if not diagnosis.grave:
        episodes = tuple(e for w in trace.walkers for e in episodes_of(trace, w))
        sentences += _sentences(trace, episodes, counts)
        if held is not None:
            sentences.append(_held_sentence(held))
        if not any(s.bad for s in sentences):
            sentences += _good(trace)
    sentences.sort(key=lambda s: s.rank)
    faulty = (
        bool(diagnosis.grave)
        or any(m.name == "dead" for m in diagnosis.mistakes)
        or any(not i.normal for e in episodes for i in e.intervals)
        or any(s.kind in ("watchdog", "reset") and s.bad for s in sentences)
    )
    return Story(
        counts=dict(counts.most_common()), registers=registers, episodes=episodes,
        sentences=tuple(sentences), diagnosis=diagnosis, faulty=faulty, held=held,
    )  # fmt: skip


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _count(walker: Walker, counts: Counter[str], registers: dict[str, tuple[int, int]]) -> None:
    for title, count in walker.titles(walker.idents()).items():
        kind, _, name = title.partition(" ")
        counts[kind] += count
        if kind in ("read", "write") and name:
            reads, writes = registers.get(name, (0, 0))
            registers[name] = (reads + count, writes) if kind == "read" else (reads, writes + count)


def episodes_of(trace: Trace, walker: Walker) -> Iterator[Episode]:
    """The fault episodes of one chip, explained."""
    faults = sorted(
        (i for i in walker.faults.intervals if not i.normal),
        key=lambda i: (i.raised_time, i.raised),
    )
    group: list[Interval] = []
    until = -1
    for interval in faults:
        if group and interval.raised_time > until >= 0:
            yield _episode(trace, walker, group)
            group, until = [], -1
        group.append(interval)
        end = (
            interval.gone_time
            if interval.gone >= 0 and interval.fault not in walker.faults.active
            else trace.end + 1
        )
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
    # a status register that was read and showed nothing is known to be quiet, until something was cleared
    tried = [i.attempts[0] for i in group if i.attempts]
    last = min(tried, default=max(i.gone if i.gone >= 0 else walker.count for i in group))
    for name in walker.read_between(group[0].raised, last):
        words.setdefault(name, 0)
    seen = {i.fault: (i.clear_before_time, i.raised_time) for i in reversed(group)}
    explanation = explained(chip, words, walker.known_at(group[0].raised), seen)
    telling = [i for i in group if not _aside(chip, i.fault)] or group
    over = all(walker.faults.active.get(i.fault) is not i for i in telling)
    end = max((i.gone_time for i in group), default=-1) if over else trace.end
    return Episode(
        chip=walker.position, start=group[0].raised_time, end=end, intervals=tuple(group),
        explanation=explanation, over=over,
    )  # fmt: skip


def _aside(chip: Chip, name: str) -> bool:
    """Whether a fault only sums up others, or is a flag that stands after every power-up."""
    fault = chip.faults[name]
    return bool(fault.summary_of) or fault.normal_at_power_up


def explained(
    chip: Chip, words: dict[str, int], bank: Bank, seen: dict[str, tuple[int, int]]
) -> Explanation:
    """Explain what was seen; a wiring suspicion cannot arise from words put together of single bits."""
    try:
        found = explain(chip, words, bank, seen)
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
        out += _note_sentences(trace, walker, who)
        for number, time in walker.belief.resets:
            names = walker.belief.lost
            if names:
                lost = f"; {', '.join(names)} lost {'their' if len(names) > 1 else 'its'} settings"
                out.append(
                    Sentence(
                        rank=93,
                        kind="reset",
                        text=f"{who}The chip was reset before frame {number} at {clock.text(time)}{lost}.",
                    )
                )
    rejected = counts.get("rejected", 0)
    first = _first_rejected(trace) if rejected else ""
    if first:
        out.append(
            Sentence(
                rank=70,
                kind="rejected",
                text=f"{rejected} of {trace.frames} frame{'s' * (trace.frames > 1)} {'are' if rejected > 1 else 'is'} not taken by the chip{first}.",
            )
        )
    for breach in trace.breaches:
        out.append(Sentence(rank=60, kind="timing", text=f"Limit not kept: {breach.text}."))
    return out


def _first_rejected(trace: Trace) -> str:
    for walker in trace.walkers:
        idents = walker.idents()
        for place in np.flatnonzero(walker.sorter.kind[idents] == 0).tolist():
            decoded = walker.decoded(int(idents[place]))
            if decoded.trouble and not decoded.cut and not decoded.elsewhere:
                return f", the first is frame {place}: {decoded.trouble}"
    return ""


def _note_sentences(trace: Trace, walker: Walker, who: str) -> list[Sentence]:
    """Remarks of a kind, told once with their number: the watchdog, lost evidence, broken keys, contradictions."""
    ranks = {"watchdog": 78, "erased": 55, "key": 68, "impossible": 52, "still": 76}
    found: dict[str, list[tuple[int, Note]]] = {}
    for number, notes in walker.notes():
        for note in notes:
            if note.kind in ranks and note.weight in ("warn", "bad"):
                found.setdefault(note.kind, []).append((number, note))
    out = []
    for kind, hits in found.items():
        number, note = max(hits, key=lambda h: (h[1].weight == "bad", -h[0]))
        where = f" in frame {number}" if number >= 0 else ""
        more = f" ({len(hits)} such remarks)" if len(hits) > 1 else ""
        subject = f"{note.register}: " if note.register and note.register not in note.text else ""
        told = subject + note.text
        # the frame beside what happened in it, not behind what follows from it
        told = (
            told.replace("this read", f"the read{where}", 1)
            if "this read" in told
            else told + where
        )
        out.append(
            Sentence(rank=ranks[kind], kind=kind, text=f"{who}{_sentence(told)[:-1]}{more}.")
        )
    del trace
    return out


_WRONG = {
    "not written": "was not written",
    "other word": "was written with another word",
    "refused": "did not take",
    "lost": "was lost",
    "not known": "is not known",
}


def _held_sentence(held: Held) -> Sentence:
    wrong = [r for r in held.rows if not r.fine]
    count = len(held.rows)
    if not wrong and not held.order and held.locked is not False:
        lock = f"; the chip is {held.lock}" if held.lock else ""
        unread = [r.register for r in held.rows if r.verdict == "held, not read back"]
        tail = f"; never read back: {', '.join(unread)}" if unread else ""
        return Sentence(
            rank=36,
            kind="good",
            bad=False,
            text=f"All {count} registers hold what {held.stage} says{lock}{tail}.",
        )
    texts = [f"{r.register} {_WRONG[r.verdict]}" for r in wrong[:4]]
    texts += [held.order] if held.order else []
    texts += [held.lock] if held.locked is False and held.lock else []
    if len(wrong) > 4:
        texts.append(f"{len(wrong) - 4} more")
    fine = f"{count - len(wrong)} of {count} registers hold what {held.stage} says"
    return Sentence(rank=82, kind="not_taken", text=f"{fine}; {'; '.join(texts)}.")


def _fault_sentence(trace: Trace, episode: Episode, who: str) -> Sentence:
    clock = trace.clock
    findings = episode.explanation.findings
    names = {i.fault: i for i in episode.intervals}
    if not findings:
        first = episode.intervals[0]
        return Sentence(
            rank=75,
            kind="raised",
            text=f"{who}{first.fault} was raised at {clock.text(first.raised_time)}.",
        )
    fault = findings[0].fault
    interval = names.get(fault.name, episode.intervals[0])
    when = f"seen at {clock.text(interval.raised_time)} in frame {interval.raised}"
    if interval.pin >= 0:
        when = f"at {clock.text(interval.pin)} by the fault pin, {when}"
    elif interval.clear_before_time >= 0:
        when += f", not yet at {clock.text(interval.clear_before_time)}"
    more = (
        len(episode.explanation.raised)
        - 1
        - sum(bool(f.summary_of) for f in episode.explanation.raised)
    )
    tail = f", with {more} more" if more > 0 else ""
    end = (
        f"; cleared by frame {interval.cleared_by}"
        if episode.over and interval.cleared_by >= 0
        else ("" if episode.over else "; not cleared in the capture")
    )
    check = f" Look first at: {fault.check_first[0]}." if fault.check_first else ""
    rank = {"stop": 90, "warn": 65, "note": 40}[fault.severity]
    return Sentence(
        rank=rank,
        kind="raised",
        text=f"{who}{fault.name} ({fault.title}) {when}{tail}{end}.{check}",
    )


def _write_sentences(walker: Walker, who: str) -> list[Sentence]:
    out = []
    belief = walker.belief
    failed = [w for w in belief.writes if w.failed]
    if failed:
        first = failed[0]
        why = first.why.strip("()")
        names = ", ".join(dict.fromkeys(w.register for w in failed))
        again = next(
            (
                w
                for w in belief.writes
                if w.number > first.number
                and w.verified >= 0
                and (w.register, w.word) == (first.register, first.word)
            ),
            None,
        )
        later = f"; frame {again.number} wrote the same later and did" if again is not None else ""
        text = f"{who}{len(failed)} write{'s' * (len(failed) > 1)} did not take ({names}): frame {first.number}, {why}{later}."
        out.append(Sentence(rank=80, kind="not_taken", text=text))
    good = [w for w in belief.writes if not w.why and w.verified >= 0]
    lockers = {i.register for i in walker.chip.with_role("lock") if isinstance(i, Field)}
    unread = sorted(
        {
            w.register
            for w in belief.latest.values()
            if w.register not in lockers
            and w.verified < 0
            and not w.why
            and w.denied < 0
            and walker.chip.registers[w.register].readable
        }
    )
    if good and not failed:
        count = len({w.register for w in good})
        out.append(
            Sentence(
                rank=20,
                kind="verified",
                bad=False,
                text=f"{who}{count} register{'s' * (count > 1)} written and read back as written.",
            )
        )
    if unread:
        out.append(
            Sentence(
                rank=30,
                kind="verified",
                bad=False,
                text=f"{who}Written and never read back: {', '.join(unread)}.",
            )
        )
    states = [s for s, on in belief.bank.states.items() if on]
    if states:
        out.append(
            Sentence(
                rank=15,
                kind="state",
                bad=False,
                text=f"{who}At the end the chip is in state {', '.join(states)}.",
            )
        )
    return out


def _good(trace: Trace) -> list[Sentence]:
    if not trace.frames:
        return [Sentence(rank=99, kind="wiring", text="No frame was found in this capture.")]
    span = trace.clock.text(trace.end - trace.start, 4) if trace.clock.tick is not None else ""
    over = f" over {span}" if span else ""
    return [
        Sentence(
            rank=35,
            kind="good",
            bad=False,
            text=f"No fault was seen in {trace.frames} frames{over}.",
        )
    ]
