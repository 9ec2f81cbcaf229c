"""A traced capture as JSON lines: events as it is read, the summary last."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from regmap.cautions import CAUTION
from regmap.record import replace
from regmap.stages.identity import DocumentIdentity
from regmap.trace.belief.against import bank_at
from regmap.trace.chapters import AllChapters
from regmap.trace.events import Event, Quiet
from regmap.trace.findings.evidence import Evidence, Share
from regmap.trace.findings.intime import InTime, Pause
from regmap.trace.telling.story import Story
from regmap.trace.telling.timeline import Filter, timeline
from regmap.trace.tracer import Trace

from .context import Context
from .explain import explanation_json


class JsonLines:
    """One object a line: events and quiet runs as the capture is read, the summary last.

    `live`: each part is told when it comes, not when the next one does.
    """

    def __init__(
        self, wanted: Callable[[Trace], Filter], context: Context, *, live: bool = False
    ) -> None:
        self.wanted = wanted
        self.context = context
        self.live = live
        self._held: Trace | None = None
        self._told: int | None = None

    def emit(self, trace: Trace, item: Event | Quiet) -> None:
        """Tell one item."""
        kind = "quiet" if isinstance(item, Quiet) else "event"
        self.context.json_line(kind, **item_json(trace, item))

    def part(self, trace: Trace) -> None:
        """Some more frames were read: tell of those before, of which nothing is still to come."""
        if self._held is not None or self.live:
            ready = [w.log.settled() for w in trace.walkers]
            if min(ready) >= 0 and (self._told is None or min(ready) > self._told):
                self._events(trace, min(ready))
        if self.live:
            self.context.stdout.flush()
        self._held = trace

    def _events(self, trace: Trace, until: int | None) -> None:
        wanted = self.wanted(trace)
        since = wanted.since if self._told is None else self._told + 1
        if self._told is not None and wanted.since is not None:
            since = max(wanted.since, self._told + 1)
        if until is not None:
            self._told = until
            until = until if wanted.until is None else min(until, wanted.until)
        else:
            until = wanted.until
        for item in timeline(trace, replace(wanted, since=since, until=until)):
            self.emit(trace, item)

    def rest(self, trace: Trace) -> None:
        """What of the trace was not told yet."""
        self._events(trace, None)

    def told_up_to(self, trace: Trace) -> None:
        """All frames so far are told; the next chapter's come after them."""
        self._told = max(
            (int(w.log.batches[-1].start[-1]) for w in trace.walkers if w.log.batches),
            default=self._told,
        )

    def chapter(self, trace: Trace, story: Story, who: DocumentIdentity, number: int) -> None:
        """The end of a chapter of a capture that goes on."""
        self.rest(trace)
        self.told_up_to(trace)
        self.context.json_line(
            "summary",
            identity=who.json(),
            chapter=number,
            **summary_json(trace, story),
            caution=CAUTION,
        )

    def finish(
        self,
        trace: Trace,
        story: Story,
        at: int | None,
        who: DocumentIdentity,
        *,
        events: bool = True,
        course: AllChapters | None = None,
    ) -> None:
        """What is left, remarks on frames that were told already, and the summary."""
        context = self.context
        if events:
            told = self._told
            self._events(trace, None)
            for position, late in trace.late if told is not None else ():
                if late.number >= 0 and late.time <= (told or 0):
                    context.json_line("remark", chip=position, number=late.number, time_s=trace.clock.seconds(late.time),
                                      note={"kind": late.note.kind, "weight": late.note.weight, "text": late.note.text})  # fmt: skip
        if at is not None:
            for walker in trace.walkers:
                bank = bank_at(walker, at)
                context.json_line("at", position=walker.position, time_s=trace.clock.seconds(at), states=dict(bank.states),
                                  registers={n: {"word": w, "known": bank.known.get(n, 0)} for n, w in bank.words.items()})  # fmt: skip
        whole = {"whole": _course_json(trace, course)} if course is not None else {}
        context.json_line(
            "summary", identity=who.json(), **summary_json(trace, story), **whole, caution=CAUTION
        )


def _course_json(trace: Trace, course: AllChapters) -> dict[str, Any]:
    """All chapters of a capture that was followed, together."""
    clock = trace.clock
    faults = [
        {"position": position, "fault": fault, "raised": count, "first_s": clock.seconds(first), "last_s": clock.seconds(last)}
        for (position, fault), (count, first, last) in course.faults.items()
    ]  # fmt: skip
    return {"chapters": course.chapters, "frames": course.frames, "faults": faults}


def item_json(trace: Trace, item: Event | Quiet) -> dict[str, Any]:
    """One event or quiet run as plain data; times in seconds."""
    clock = trace.clock
    if isinstance(item, Quiet):
        return {"position": item.chip, "first": item.first, "last": item.last, "start_s": clock.seconds(item.start),
                "end_s": clock.seconds(item.end), "counts": dict(item.counts)}  # fmt: skip
    return {
        "time_s": clock.seconds(item.time), "number": item.number, "transfer": item.transfer, "position": item.chip,
        "what": item.kind, "register": item.register or None, "address": item.address, "frame": item.word,
        "bits": item.bits, "reply": item.reply, "data": item.data, "from": item.old, "changes": list(item.changes),
        "status": list(item.status),
        "notes": [{"kind": n.kind, "weight": n.weight, "text": n.text, "fault": n.fault or None, "register": n.register or None} for n in item.notes],
    }  # fmt: skip


def summary_json(trace: Trace, story: Story) -> dict[str, Any]:
    """Everything that the summary says as plain data."""
    clock = trace.clock
    held = story.held
    fields: dict[str, Any] = {}
    for walker in trace.walkers:
        fields[str(walker.position)] = [_interval(trace, i) for i in walker.faults.intervals]
    return {
        "file": trace.name, "format": trace.format, "chips": [c.name for c in trace.chips],
        "transfers": trace.transfers, "frames": trace.frames, "counts": story.counts,
        "start_s": clock.seconds(trace.start), "end_s": clock.seconds(trace.end),
        "registers": {n: {"reads": r, "writes": w} for n, (r, w) in story.registers.items()},
        "wiring": [{"name": m.name, "grave": m.grave, "text": m.text} for m in story.diagnosis.mistakes],
        "faults": fields,
        "episodes": [{"position": e.chip, "start_s": clock.seconds(e.start), "end_s": clock.seconds(e.end), "over": e.over,
                      "faults": list(dict.fromkeys(i.fault for i in e.intervals))} for e in story.episodes],
        "recurrences": [{"position": r.chip, "count": len(r.episodes), "first_s": clock.seconds(r.first), "last_s": clock.seconds(r.last),
                         "total_s": clock.seconds(r.total), "longest_s": clock.seconds(r.longest), "episodes": list(r.episodes),
                         **explanation_json(story.episodes[r.episodes[0]].explanation)} for r in story.recurrences],
        "limits": [{"limit": b.limit, "count": b.count, "of": b.of, "worst": b.worst, "allowed": b.allowed,
                    "transfer": b.transfer, "time_s": clock.seconds(b.time), "text": b.text} for b in trace.breaches],
        "stage": None if held is None else {
            "name": held.stage, "time_s": clock.seconds(held.time), "holds": held.fine, "order": held.order,
            "lock": held.lock, "locked": held.locked,
            "void": held.void or None,
            "rows": [{"register": r.register, "wanted": r.wanted, "mask": r.mask, "holds": r.holds, "verdict": r.verdict,
                      "held": r.holds_it,
                      "written": r.written.number if r.written else None,
                      "read_back": r.written.verified if r.written and r.written.verified >= 0 else None} for r in held.rows],
        },
        "faulty": story.faulty, "notes": list(trace.notes), "problems": [str(p) for p in trace.problems],
        "evidence": _evidence(trace, story.evidence),
        "times": [_times(trace, t) for t in story.times],
        "missed": [{"position": m.position, "figure": m.figure, "text": m.text} for m in story.missed],
        "stops": [{"name": s.name, "text": s.text} for s in story.stops],
        "sentences": [{"kind": s.kind, "bad": s.bad, "text": s.text} for s in story.sentences],
    }  # fmt: skip


def _evidence(trace: Trace, evidence: Evidence) -> dict[str, Any]:
    """What can be believed, counted."""
    seconds = trace.clock.seconds

    def share(found: Share) -> dict[str, Any]:
        reasons = [
            {"name": r.name, "count": r.count, "first_frame": r.first, "text": r.text}
            for r in found.reasons
        ]
        return {"believed": found.good, "of": found.of, "reasons": reasons}

    return {
        "commands": share(evidence.commands),
        "replies": share(evidence.replies),
        "unseen_faults": {str(n): list(names) for n, names in evidence.unseen.items()},
        "fault_pin_unexplained": [
            {"start_s": seconds(s.start), "end_s": seconds(s.end), "status_read": s.read}
            for s in evidence.pulled
        ],
        "fault_pin_dead": list(evidence.pin_dead),
    }


def _interval(trace: Trace, interval: Any) -> dict[str, Any]:
    seconds = trace.clock.seconds

    def moment(ticks: int) -> Any:
        return seconds(ticks) if ticks >= 0 else None

    def frame(number: int) -> int | None:
        return number if number >= 0 else None

    return {
        "fault": interval.fault, "normal_at_power_up": interval.normal, "raised_frame": interval.raised,
        "raised_s": seconds(interval.raised_time), "clear_before_frame": frame(interval.clear_before),
        "clear_before_s": moment(interval.clear_before_time), "pin_s": moment(interval.pin),
        "cleared_by_frame": frame(interval.cleared_by), "how": interval.how or None,
        "gone_frame": frame(interval.gone) if interval.gone_time >= 0 else None, "gone_s": moment(interval.gone_time),
    }  # fmt: skip


def _times(trace: Trace, found: InTime) -> dict[str, Any]:
    """What firmware did in time; all in seconds, None where nothing was seen."""
    seconds = trace.clock.seconds

    def pause(span: Pause | None) -> dict[str, Any] | None:
        if span is None:
            return None
        return {"start_s": seconds(span.start), "end_s": seconds(span.end), "length_s": seconds(span.length), "open": span.open}  # fmt: skip

    def moment(ticks: int) -> Any:
        return seconds(ticks) if ticks >= 0 else None

    service = found.service
    window = service.window if service is not None else None
    return {
        "position": found.position, "ready_s": seconds(found.ready),
        "readbacks": [{"register": r.register, "reads": r.reads, "longest": pause(r.longest), "rest": pause(r.rest)}
                      for r in found.readbacks],
        "polls": [{"register": p.register, "reads": p.reads, "between_reads": pause(p.between), "told": p.told, "gap": pause(p.gap)}
                  for p in found.polls],
        "watchdog": None if service is None else {
            "field": service.field, "services": service.services, "wrong_keys": service.wrong_keys,
            "shortest": pause(service.shortest), "longest": pause(service.longest),
            "window_s": [window.band.low, window.band.high] if window is not None and window.band is not None else None,
            "closed_s": [window.band.low * window.closed, window.band.high * window.closed_high]
            if window is not None and window.band is not None else None,
        },
        "reactions": [{"fault": r.fault, "after_s": moment(r.after), "pin_s": moment(r.pin), "told_s": moment(r.told), "told_frame": r.told_frame,
                       "read_s": moment(r.read), "read_frame": r.read_frame if r.read_frame >= 0 else None, "clearing_s": moment(r.clearing),
                       "clearing_frame": r.clearing_frame if r.clearing_frame >= 0 else None, "gone_s": moment(r.gone)}
                      for r in found.reactions],
        "early": [{"before": e.before, "frames": e.frames, "writes": e.writes, "first_frame": e.first, "time_s": seconds(e.time)}
                  for e in found.early],
    }  # fmt: skip
