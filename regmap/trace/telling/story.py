"""The whole capture in a few words: counts, explained faults, and the sentences that matter most."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.behaviour.faults import Explanation, explain
from regmap.chip.bank import Bank
from regmap.chip.bits import deposit
from regmap.chip.model import Chip, Field
from regmap.errors import CallError
from regmap.quantity import many
from regmap.record import dataclass, replace

from ..belief.against import Held, against
from ..belief.walker import Walker
from ..events import Interval, Note
from ..findings.evidence import Evidence, Share, weigh
from ..findings.figures import Missed, missed_figures
from ..findings.intime import InTime, in_time
from ..findings.wiring import Diagnosis, diagnose
from ..tracer import Trace
from .gate import Stop, stops

if TYPE_CHECKING:
    from regmap.stages.load import Stage


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
class Recurrence:
    """Episodes of one chip with the same faults: `episodes` are places in Story.episodes, in order of time.

    `total` and `longest` are ticks from seen raised to seen clear, the last one to the end of the capture
    where it is not over.
    """

    chip: int
    faults: tuple[str, ...]
    episodes: tuple[int, ...]
    first: int
    last: int
    total: int
    longest: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """`sentences` are all, most important last; `faulty` says that a fault was seen, of chip or wiring.

    `counts` is by kind of frame, `registers` reads and writes by register; `held` is the comparison
    with a stage where one was given. `stops` are all reasons for which a gate should stop. `times` are what
    firmware did in time, by chip, `missed` what of it a stage wants otherwise.
    """

    counts: dict[str, int]
    registers: dict[str, tuple[int, int]]
    episodes: tuple[Episode, ...]
    recurrences: tuple[Recurrence, ...]
    sentences: tuple[Sentence, ...]
    diagnosis: Diagnosis
    evidence: Evidence
    stops: tuple[Stop, ...]
    faulty: bool
    held: Held | None = None
    times: tuple[InTime, ...] = ()
    missed: tuple[Missed, ...] = ()

    @property
    def telling(self) -> tuple[str, ...]:
        """The texts of all sentences, the most important last."""
        return tuple(s.text for s in self.sentences)


#: Remarks on wiring that leave the words believable: how much each matters.
_REMARKS = {
    "cut": 12,
    "empty": 48,
    "runt": 74,
    "stray": 51,
    "odd_edges": 48,
    "at_edge": 56,
    "clock_unknown": 57,
    "dead": 95,
    "silent": 66,
    "mode": 58,
    "clocks": 72,
    "glitch": 73,
    "select_still": 34,
    "select_missing": 33,
}


def tell(
    trace: Trace,
    stage: Stage | None = None,
    at: int | None = None,
    *,
    bad_replies: Fraction = Fraction(0),
    others: Callable[[], Iterable[Chip]] | None = None,
) -> Story:
    """The story of a trace, also held against a stage (at tick `at`, else at the end).

    Where wiring or set-up make the words unbelievable, that is told instead of any fault. `bad_replies`
    is the share of replies that may be beyond belief without being a reason to stop. `others` gives chips
    that are tried where the words do not fit these.
    """
    counts: Counter[str] = Counter()
    registers: dict[str, tuple[int, int]] = {}
    for walker in trace.walkers:
        _count(walker, counts, registers)
    diagnosis = diagnose(trace, trace.framer.chain, others)
    evidence = weigh(trace)
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
    recurrences: tuple[Recurrence, ...] = ()
    times: tuple[InTime, ...] = ()
    missed: tuple[Missed, ...] = ()
    if diagnosis.grave:
        if held is not None:
            held = replace(
                held,
                rows=(),
                order="",
                lock="",
                locked=None,
                void=f"not held against {held.stage}: no frame of this capture can be believed",
            )
    else:
        episodes = tuple(e for w in trace.walkers for e in episodes_of(trace, w))
        recurrences = _recurrences(trace, episodes)
        sentences += _sentences(trace, episodes, recurrences)
        sentences += _proof(trace, evidence)
        times = in_time(trace, stage)
        missed = missed_figures(trace, times, stage)
        sentences += _missed_sentences(trace, missed)
        if held is not None:
            sentences.append(_held_sentence(held))
        if not any(s.bad for s in sentences):
            sentences += _good(trace, evidence)
    sentences.sort(key=lambda s: s.rank)
    found = stops(
        trace,
        diagnosis,
        evidence,
        held,
        kinds=[(s.kind, s.text) for s in sentences if s.bad],
        bad_replies=bad_replies,
    )
    faulty = (
        bool(diagnosis.grave)
        or any(m.name == "dead" for m in diagnosis.mistakes)
        or any(not i.normal for e in episodes for i in e.intervals)
        or any(s.name in ("watchdog", "reset", "pins", "replies") for s in found)
    )
    return Story(
        counts=dict(counts.most_common()), registers=registers, episodes=episodes,
        recurrences=recurrences, sentences=tuple(sentences), diagnosis=diagnosis, evidence=evidence,
        stops=found, faulty=faulty, held=held, times=times, missed=missed,
    )  # fmt: skip


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _count(walker: Walker, counts: Counter[str], registers: dict[str, tuple[int, int]]) -> None:
    for title, count in walker.log.titles(walker.log.idents()).items():
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
    last = min(tried, default=max(i.gone if i.gone >= 0 else walker.log.count for i in group))
    for name in walker.log.read_between(group[0].raised, last):
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


def _recurrences(trace: Trace, episodes: tuple[Episode, ...]) -> tuple[Recurrence, ...]:
    """Episodes with the same faults in the same order of causes, counted."""
    groups: dict[tuple[int, tuple[str, ...]], list[int]] = {}
    for place, episode in enumerate(episodes):
        names = tuple(f.name for f in episode.explanation.raised) or tuple(
            dict.fromkeys(i.fault for i in episode.intervals)
        )
        groups.setdefault((episode.chip, names), []).append(place)
    out = []
    for (chip, names), places in groups.items():
        lasted = [
            (episodes[p].end if episodes[p].over else trace.end) - episodes[p].start for p in places
        ]
        out.append(
            Recurrence(
                chip=chip,
                faults=names,
                episodes=tuple(places),
                first=episodes[places[0]].start,
                last=episodes[places[-1]].start,
                total=sum(lasted),
                longest=max(lasted),
            )
        )
    return tuple(out)


def _sentences(
    trace: Trace, episodes: tuple[Episode, ...], recurrences: tuple[Recurrence, ...]
) -> list[Sentence]:
    out: list[Sentence] = []
    clock = trace.clock
    chained = len(trace.walkers) > 1
    for found in recurrences:
        out.append(
            _fault_sentence(trace, episodes, found, f"chip {found.chip}: " if chained else "")
        )
    for walker in trace.walkers:
        who = f"chip {walker.position}: " if chained else ""
        out += _write_sentences(walker, who)
        out += _note_sentences(trace, walker, who)
        resets, names = walker.belief.resets, walker.belief.lost
        if resets and names:
            number, time = resets[0]
            lost = f"; {', '.join(names)} lost {'their' if len(names) > 1 else 'its'} settings"
            more = (
                f" ({len(resets)} resets, the last before frame {resets[-1][0]})"
                if len(resets) > 1
                else ""
            )
            text = (
                f"{who}The chip was reset before frame {number} at {clock.text(time)}{lost}{more}."
            )
            out.append(Sentence(rank=93, kind="reset", text=text))
    for breach in trace.breaches:
        out.append(Sentence(rank=60, kind="timing", text=f"Limit not kept: {breach.text}."))
    return out


def _proof(trace: Trace, evidence: Evidence) -> list[Sentence]:
    """What of the capture cannot be believed, or was never shown, with its counts."""
    out = []
    clock = trace.clock
    commands, replies = evidence.commands, evidence.replies
    if commands.bad:
        verb = "is" if commands.bad == 1 else "are"
        text = f"{commands.bad} of {many(commands.of, 'frame')} {verb} rejected by the chip{_why(commands)}."
        out.append(Sentence(rank=70, kind="rejected", text=text))
    if replies.bad:
        verb = "proves" if replies.bad == 1 else "prove"
        text = f"{replies.bad} of {replies.of} replies cannot be believed and {verb} nothing{_why(replies)}."
        out.append(Sentence(rank=71, kind="replies", text=text))
    chained = len(trace.walkers) > 1
    for position, names in evidence.unseen.items():
        who = f"chip {position}: " if chained else ""
        if not evidence.replies.of and not any(len(w.log.sorter.believed) for w in trace.walkers):
            continue
        some = ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
        text = f"{who}No believed reply shows whether these faults were raised: {some}."
        out.append(Sentence(rank=32, kind="unseen", bad=False, text=text))
    if evidence.pulled:
        span, count = evidence.pulled[0], len(evidence.pulled)
        total = sum(s.end - s.start for s in evidence.pulled)
        times = (
            f"from {clock.text(span.start)} to {clock.text(span.end)}"
            if count == 1
            else f"{count} times, first at {clock.text(span.start)}, last at "
            f"{clock.text(evidence.pulled[-1].start)}, {clock.text(total)} in all"
        )
        why = (
            "and every status read meanwhile is quiet"
            if any(s.read for s in evidence.pulled)
            else "and no status was read meanwhile"
        )
        text = f"The fault pin was active {times}, {why}."
        out.append(Sentence(rank=84, kind="pin", text=text))
    if evidence.pin_dead:
        text = f"The fault pin never moved although {', '.join(evidence.pin_dead[:4])} was raised: it is not connected, or stuck."
        out.append(Sentence(rank=62, kind="pin", text=text))
    return out


#: rank of what is not kept
_MISSED = {"enable": 81, "safety.ftti": 77}


def _missed_sentences(trace: Trace, missed: tuple[Missed, ...]) -> Iterator[Sentence]:
    """Figures that firmware does not keep: of each kind the first, and how many more."""
    chained = len(trace.walkers) > 1
    groups: dict[tuple[int, str], list[Missed]] = {}
    for found in missed:
        groups.setdefault((found.position, found.figure), []).append(found)
    for (position, name), same in groups.items():
        who = f"chip {position}: " if chained else ""
        more = f" ({len(same) - 1} more like this)" if len(same) > 1 else ""
        kind = "early" if name == "enable" else "figures"
        text = _sentence(f"{who}{same[0].text}")[:-1] + more + "."
        yield Sentence(rank=_MISSED.get(name, 59), kind=kind, text=text)


def _why(share: Share) -> str:
    """The reasons with their counts, and the first frame."""
    if not share.reasons:
        return ""
    first = min(share.reasons, key=lambda r: r.first)
    head = f", the first is frame {first.first}: {first.text}"
    if len(share.reasons) == 1:
        return head
    return f" ({', '.join(f'{r.count} {r.name}' for r in share.reasons)}){head}"


def _note_sentences(trace: Trace, walker: Walker, who: str) -> list[Sentence]:
    """Remarks of a kind, told once with their number: the watchdog, lost evidence, broken keys, contradictions."""
    ranks = {"watchdog": 78, "erased": 55, "key": 68, "impossible": 52, "still": 76}
    found: dict[str, list[tuple[int, Note]]] = {}
    for number, notes in walker.notes(confirmed=False):
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
    "refused": "was refused",
    "partly refused": "was refused in part",
    "lost": "was lost",
}
_UNSEEN = {
    "written, not read back": "written and never read back",
    "not seen": "never seen",
}


def _held_sentence(held: Held) -> Sentence:
    count = len(held.rows)
    wrong, unseen = held.wrong, held.unseen
    fine = count - len(wrong) - len(unseen)
    texts = [f"{r.register} {_WRONG[r.verdict]}" for r in wrong[:6]]
    if len(wrong) > 6:
        texts.append(f"{len(wrong) - 6} more do not")
    texts += [held.order] if held.order else []
    texts += [held.lock] if held.locked is False and held.lock else []
    for verdict in dict.fromkeys(r.verdict for r in unseen):
        names = [r.register for r in unseen if r.verdict == verdict]
        texts.append(f"{_UNSEEN[verdict]}: {', '.join(names)}")
    bad = bool(wrong or held.order or held.locked is False)
    if fine == count:
        lock = f"; the chip is {held.lock}" if held.lock else ""
        tail = f"; {'; '.join(texts)}" if texts else lock
        text = f"All {count} registers hold what {held.stage} says{tail}."
        return Sentence(rank=82 if bad else 36, kind="stage" if bad else "good", bad=bad, text=text)
    shown = "are shown to hold" if unseen else "hold"
    text = f"{fine} of {count} registers {shown} what {held.stage} says; {'; '.join(texts)}."
    return Sentence(rank=82 if bad else 37, kind="stage", bad=bad, text=text)


def _fault_sentence(
    trace: Trace, episodes: tuple[Episode, ...], found: Recurrence, who: str
) -> Sentence:
    clock = trace.clock
    episode = episodes[found.episodes[0]]
    findings = episode.explanation.findings
    names = {i.fault: i for i in episode.intervals}
    fault = findings[0].fault if findings else trace.chips[found.chip].faults[found.faults[0]]
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
    count = len(found.episodes)
    if count > 1:
        over = "" if episodes[found.episodes[-1]].over else ", the last not cleared in the capture"
        end = (
            f"; {count} times, the last at {clock.text(found.last)}, "
            f"{clock.text(found.total)} in all, {clock.text(found.longest)} the longest{over}"
        )
    check = f" Look first at: {fault.check_first[0]}." if fault.check_first else ""
    rank = {"stop": 90, "warn": 65, "note": 40}[fault.severity]
    text = f"{who}{fault.name} ({fault.title}) {when}{tail}{end}.{check}"
    return Sentence(rank=rank, kind="raised", text=text)


def _write_sentences(walker: Walker, who: str) -> list[Sentence]:
    out = []
    belief = walker.belief
    failed = [w for w in belief.writes if w.failed]
    lost = [w for w in failed if not w.partly]
    if lost:
        first = lost[0]
        why = first.why.strip("()")
        names = ", ".join(dict.fromkeys(w.register for w in lost))
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
        later = (
            f"; frame {again.number} wrote the same later and was accepted"
            if again is not None
            else ""
        )
        text = f"{who}{many(len(lost), 'write')} refused ({names}): frame {first.number}, {why}{later}."
        out.append(Sentence(rank=80, kind="refused", text=text))
    partly = [w for w in failed if w.partly]
    if partly:
        texts = [f"{w.register}: {w.partly} (frame {w.number})" for w in partly[:4]]
        more = f", {len(partly) - 4} more" if len(partly) > 4 else ""
        out.append(
            Sentence(
                rank=79,
                kind="refused",
                text=f"{who}Refused in part: {'; '.join(texts)}{more}.",
            )
        )
    odd = [w for w in belief.writes if w.odd]
    if odd:
        more = f" ({len(odd)} such writes)" if len(odd) > 1 else ""
        text = f"{who}Frame {odd[0].number} writes {odd[0].register} as the map forbids: {odd[0].odd}{more}."
        out.append(Sentence(rank=53, kind="reserved", text=text))
    # by register, what became of the last write to it
    last = belief.latest.values()
    good = [w for w in last if w.verified >= 0 and not w.odd]
    lockers = {i.register for i in walker.chip.with_role("lock") if isinstance(i, Field)}
    unread = sorted(
        w.register
        for w in last
        if w.register not in lockers
        and w.verified < 0
        and not w.why
        and w.denied < 0
        and walker.chip.registers[w.register].readable
    )
    if good:
        count = len(good)
        out.append(
            Sentence(
                rank=20,
                kind="verified",
                bad=False,
                text=f"{who}{many(count, 'register')} written and read back as written.",
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


def _good(trace: Trace, evidence: Evidence) -> list[Sentence]:
    if not trace.frames:
        return [Sentence(rank=99, kind="wiring", text="No frame was found in this capture.")]
    span = trace.clock.text(trace.end - trace.start, 4) if trace.clock.tick is not None else ""
    over = f" over {span}" if span else ""
    if not evidence.replies.good and trace.chips[0].faults:
        text = f"No reply was captured{over}: nothing is known of faults in {trace.frames} frames."
        return [Sentence(rank=98, kind="unseen", text=text)]
    but = " among those that were read" if evidence.unseen else ""
    text = f"No fault was seen in {trace.frames} frames{over}{but}."
    return [Sentence(rank=35, kind="good", bad=False, text=text)]
