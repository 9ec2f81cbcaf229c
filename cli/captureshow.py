"""A traced capture as text at 80 columns, as JSON lines, as CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

from regmap.cautions import CAUTION
from regmap.chip import values
from regmap.stages.identity import Identity
from regmap.trace.belief.against import Held, bank_at
from regmap.trace.events import Event, Note, Quiet
from regmap.trace.findings.evidence import Evidence, Share
from regmap.trace.telling.story import Episode, Recurrence, Story
from regmap.trace.telling.timeline import Filter, timeline
from regmap.trace.tracer import Trace

from .context import Context, columns, hexword, wrap
from .explain import explanation_json, explanation_lines

_NOTE = " " * 22
_HANG = " " * 24


def report(
    trace: Trace, story: Story, wanted: Filter, at: int | None, who: Identity, context: Context,
    *, timeline: bool = True, brief: bool = False,
) -> Iterator[str]:  # fmt: skip
    """Lines found, timeline, explained faults, timing, comparison, summary: the most important last."""
    yield from finding_lines(trace, story, context)
    if timeline:
        yield from timeline_lines(trace, wanted, context)
        yield ""
    if at is not None:
        yield from at_lines(trace, at, context)
    for found in story.recurrences:
        yield from recurrence_lines(trace, story, found, context, brief)
        yield ""
    yield from limit_lines(trace, context)
    if story.held is not None:
        yield from held_lines(trace, story.held, context)
    yield from summary_lines(trace, story, who, context)


def finding_lines(trace: Trace, story: Story, context: Context) -> Iterator[str]:
    """Which channel is which line, and what was assumed."""
    if trace.finding is not None and (not trace.finding.certain or story.diagnosis.grave):
        for line in trace.finding.text.splitlines():
            yield context.style(wrap(line, context.width, hang="  "), "dim")
    for note in trace.notes:
        yield context.style(wrap(f"note: {note}", context.width, hang="  "), "dim")
    ranked = [f for fits in (story.diagnosis.command, story.diagnosis.reply) for f in fits[:3]]
    if ranked:
        yield "ways of reading, best first:"
        for fit in ranked:
            what = "commands" if fit.role == "command" else "replies"
            yield wrap(
                f"{fit.good:>5} of {fit.of} {what} fit {fit.change}", context.width, hang=" " * 8
            )


# --- timeline ---------------------------------------------------------------------------------------
def timeline_lines(trace: Trace, wanted: Filter, context: Context) -> Iterator[str]:
    """Every event that passes the filter."""
    shown = 0
    for item in timeline(trace, wanted):
        yield from item_lines(trace, item, context)
        shown += 1
    if not shown:
        yield (
            "nothing in this capture passes the filter"
            if trace.frames
            else "no frame in this capture"
        )


def item_lines(trace: Trace, item: Event | Quiet, context: Context) -> Iterator[str]:
    """One event or quiet run."""
    if isinstance(item, Quiet):
        what = ", ".join(f"{count} x {title}" for title, count in item.counts.items())
        who = f"chip {item.chip}: " if len(trace.walkers) > 1 else ""
        frames = f"{item.frames} frame{'s' * (item.frames > 1)}"
        text = f"{who}{frames} without news: {what}"
        yield context.style(wrap(text, context.width, " " * 14 + "... ", " " * 18), "dim")
        return
    time = f"{trace.clock.text(item.time):>13}"
    if item.kind == "pin":
        yield f"{time}        {context.style(item.notes[0].text, 'head')}"
        return
    who = f"{item.chip}:" if len(trace.walkers) > 1 else ""
    yield f"{time} {who + str(item.number):>6} {_what(trace, item)}".rstrip()
    for change in item.changes:
        yield wrap(change, context.width, _NOTE, _HANG)
    for note in item.notes:
        yield note_line(note, context)


def _what(trace: Trace, item: Event) -> str:
    chip = trace.chips[item.chip]
    if item.kind == "rejected" or (not item.register and item.kind in ("read", "write")):
        return f"{item.kind} {hexword(item.word or 0, item.bits)}"
    if not item.register:
        return f"{item.kind} {hexword(item.data, 8)}" if item.data is not None else item.kind
    data = hexword(item.data, chip.registers[item.register].width) if item.data is not None else "?"
    return f"{item.kind:<5} {item.register} {data}"


def note_line(note: Note, context: Context) -> str:
    """One note under its frame."""
    role = {"bad": "bad", "warn": "warn", "good": "good", "info": "dim"}[note.weight]
    return context.style(wrap(note.text, context.width, _NOTE, _HANG), role)


# --- after the timeline -----------------------------------------------------------------------------
def episode_lines(trace: Trace, episode: Episode, context: Context, brief: bool) -> Iterator[str]:
    """Faults that came together, explained, first cause first, with when each was raised and cleared."""
    clock = trace.clock
    who = f"chip {episode.chip}, " if len(trace.walkers) > 1 else ""
    until = f"to {clock.text(episode.end)}" if episode.over else "not cleared in this capture"
    yield context.style(f"{who}faults from {clock.text(episode.start)} {until}", "head")
    faults = trace.chips[episode.chip].faults
    telling = [i for i in episode.intervals if not faults[i.fault].summary_of] or episode.intervals
    for interval in telling:
        text = f"{interval.fault}: "
        if interval.clear_before >= 0:
            text += f"clear in frame {interval.clear_before} at {clock.text(interval.clear_before_time)}, "
        if interval.pin >= 0:
            text += f"fault pin at {clock.text(interval.pin)}, "
        text += f"raised in frame {interval.raised} at {clock.text(interval.raised_time)}"
        if interval.gone >= 0 and interval.gone_time >= 0:
            text += f", seen clear in frame {interval.gone} at {clock.text(interval.gone_time)}"
            if interval.cleared_by >= 0:
                text += f" after frame {interval.cleared_by} ({interval.how})"
            elif interval.how:
                text += f" ({interval.how})"
        yield wrap(text, context.width, "  ", "    ")
    yield from explanation_lines(
        trace.chips[episode.chip], episode.explanation, context, brief=brief
    )


#: later episodes with the same faults, told by their times up to this number
_AGAIN = 6


def recurrence_lines(
    trace: Trace, story: Story, found: Recurrence, context: Context, brief: bool
) -> Iterator[str]:
    """The first episode of some faults explained, then when the same came again."""
    clock, places = trace.clock, found.episodes
    yield from episode_lines(trace, story.episodes[places[0]], context, brief)
    if len(places) == 1:
        return
    for place in places[1 : _AGAIN + 1]:
        episode = story.episodes[place]
        until = f"to {clock.text(episode.end)}" if episode.over else "on, not cleared"
        frame = episode.intervals[0].raised
        yield f"  again from {clock.text(episode.start)} {until} (frame {frame})"
    if len(places) - 1 > _AGAIN:
        yield f"  and {len(places) - 1 - _AGAIN} times more, the last from {clock.text(found.last)}"
    text = f"{len(places)} times, {clock.text(found.total)} in all, {clock.text(found.longest)} the longest"
    yield context.style("  " + text, "head")


def limit_lines(trace: Trace, context: Context) -> Iterator[str]:
    """The SPI limits of the map against what was measured."""
    for breach in trace.breaches:
        yield context.style(wrap(f"limit not kept: {breach.text}", context.width, hang="  "), "bad")
    if trace.timing is None or trace.breaches:
        return
    spi = trace.chips[0].spi
    limited = [
        n for n, limit in _LIMITED.items() if getattr(spi, limit) is not None and n in trace.timing
    ]
    if limited:
        worst = trace.timing.get("period")
        period = f"; {worst.text}" if worst is not None and "period" in limited else ""
        yield wrap(
            f"SPI limits of the map are kept ({', '.join(_LIMITED[n] for n in limited)}){period}",
            context.width,
            hang="  ",
        )


_LIMITED = {
    "period": "clock_max",
    "high": "clock_high",
    "low": "clock_low",
    "lead": "lead",
    "lag": "lag",
    "idle": "idle",
}


def at_lines(trace: Trace, at: int, context: Context) -> Iterator[str]:
    """What is known of every register at an instant, field by field."""
    for walker in trace.walkers:
        chip, bank = walker.chip, bank_at(walker, at)
        who = f"chip {walker.position} " if len(trace.walkers) > 1 else ""
        yield context.style(f"{who}{chip.name} at {trace.clock.text(at)}", "head")
        rows = []
        for register in chip.registers.values():
            known = bank.known.get(register.name, 0)
            if not known:
                continue
            word = (
                hexword(bank.words[register.name], register.width)
                if known == register.mask
                else "partly"
            )
            fields = []
            for field in register.fields:
                code = bank.field_code(field)
                if code is not None:
                    fields.append(f"{field.name} {values.read(field, code, bank).label}")
            rows.append((register.name, word, ", ".join(fields)))
        for name in sorted(walker.sorter.measured):
            value = walker.measured_at(name, at)
            if value is not None:
                register = chip.registers[name]
                bank.learn(name, value)
                fields = [
                    f"{f.name} {values.read(f, bank.field_code(f) or 0, bank).label}"
                    for f in register.fields
                ]
                rows.append((name, hexword(value, register.width), ", ".join(fields)))
        wide = max((len(r[0]) for r in rows), default=0)
        for name, word, text in rows:
            head = f"  {name:<{wide}} {word:>7}  "
            yield wrap(head + text, context.width, hang=" " * len(head))
        states = [f"{n} {'on' if v else 'off'}" for n, v in bank.states.items()]
        if states:
            yield f"  states: {', '.join(states)}"
        if not rows:
            yield "  nothing is known yet"
    yield ""


def held_lines(trace: Trace, held: Held, context: Context) -> Iterator[str]:
    """The comparison with a stage as a table."""
    chip = trace.walkers[0].chip
    if held.void:
        yield context.style(wrap(held.void, context.width, hang="  "), "bad")
        yield ""
        return
    yield context.style(f"against {held.stage} at {trace.clock.text(held.time)}", "head")
    rows = [["register", "wanted", "holds", "written", "read back", "verdict"]]
    for row in held.rows:
        width = chip.registers[row.register].width
        write = row.written
        rows.append([
            row.register, hexword(row.wanted, width), hexword(row.holds, width) if row.holds is not None else "?",
            f"frame {write.number}" if write is not None else "-",
            f"frame {write.verified}" if write is not None and write.verified >= 0 else "-", row.verdict,
        ])  # fmt: skip
    for place, line in enumerate(columns(rows)):
        good = place == 0 or held.rows[place - 1].fine
        yield "  " + (line if good else context.style(line, "bad"))
    for row in held.rows:
        for change in row.changes:
            new = change.new.label if change.new is not None else "?"
            old = change.old.label if change.old is not None else "?"
            yield wrap(
                f"{change.field.ref} is {old}; the stage says {new}",
                context.width,
                "    ",
                "      ",
            )
    for text in (held.order, held.lock):
        if text:
            yield wrap(text, context.width, "  ", "    ")
    yield ""


#: sentences that are shown; the least important are left out first
_SENTENCES = 30


def summary_lines(trace: Trace, story: Story, who: Identity, context: Context) -> Iterator[str]:
    """Counts, why a gate would stop, then everything that there is to say, the most important last."""
    counts = ", ".join(f"{n} {kind}" for kind, n in story.counts.items())
    tail = f" ({counts})" if counts else ""
    yield wrap(
        f"{trace.name}: {_many(trace.transfers, 'transfer')}, {_many(trace.frames, 'frame')}{tail}",
        context.width,
        hang="  ",
    )
    yield wrap(str(who), context.width, hang="  ")
    shown = story.sentences[-_SENTENCES:]
    if len(shown) < len(story.sentences):
        yield f"{len(story.sentences) - len(shown)} lesser remarks left out"
    for sentence in shown:
        last = sentence is shown[-1]
        text = wrap(sentence.text, context.width, hang="  ")
        yield (
            context.style(text, "bad" if sentence.bad and last else "head" if last else "dim")
            if context.color
            else text
        )


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"


# --- machine output ---------------------------------------------------------------------------------
class JsonLines:
    """One object a line: events and quiet runs as the capture is read, the summary last."""

    def __init__(self, wanted: Callable[[Trace], Filter], context: Context) -> None:
        self.wanted = wanted
        self.context = context
        self._held: Trace | None = None
        self._told: int | None = None

    def part(self, trace: Trace) -> None:
        """Some more frames were read: tell of those before, of which nothing is still to come."""
        if self._held is not None:
            ready = [w.settled() for w in trace.walkers]
            if min(ready) >= 0:
                self._events(trace, min(ready))
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
            kind = "quiet" if isinstance(item, Quiet) else "event"
            self.context.json_line(kind, **item_json(trace, item))

    def finish(
        self, trace: Trace, story: Story, at: int | None, who: Identity, *, events: bool = True
    ) -> None:
        """What is left, remarks on frames that were told already, and the summary."""
        context = self.context
        if events:
            told = self._told
            self._events(trace, None)
            for position, late in trace.late if told is not None else ():
                if late.number >= 0 and late.time <= (told or 0):
                    context.json_line("remark", chip=position, frame=late.number, time_s=trace.clock.seconds(late.time),
                                      note={"kind": late.note.kind, "weight": late.note.weight, "text": late.note.text})  # fmt: skip
        if at is not None:
            for walker in trace.walkers:
                bank = bank_at(walker, at)
                context.json_line("at", position=walker.position, time_s=trace.clock.seconds(at), states=dict(bank.states),
                                  registers={n: {"word": w, "known": bank.known.get(n, 0)} for n, w in bank.words.items()})  # fmt: skip
        context.json_line(
            "summary", identity=who.json(), **summary_json(trace, story), caution=CAUTION
        )


def item_json(trace: Trace, item: Event | Quiet) -> dict[str, Any]:
    """One event or quiet run as plain data; times in seconds."""
    clock = trace.clock
    if isinstance(item, Quiet):
        return {"position": item.chip, "first": item.first, "last": item.last, "start_s": clock.seconds(item.start),
                "end_s": clock.seconds(item.end), "counts": dict(item.counts)}  # fmt: skip
    return {
        "time_s": clock.seconds(item.time), "frame": item.number, "transfer": item.transfer, "position": item.chip,
        "what": item.kind, "register": item.register or None, "address": item.address, "word": item.word,
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
            "name": held.stage, "time_s": clock.seconds(held.time), "fine": held.fine, "order": held.order,
            "lock": held.lock, "locked": held.locked,
            "void": held.void or None,
            "rows": [{"register": r.register, "wanted": r.wanted, "mask": r.mask, "holds": r.holds, "verdict": r.verdict,
                      "held": r.holds_it,
                      "written": r.written.number if r.written else None,
                      "read_back": r.written.verified if r.written and r.written.verified >= 0 else None} for r in held.rows],
        },
        "faulty": story.faulty, "notes": list(trace.notes), "problems": [str(p) for p in trace.problems],
        "evidence": _evidence(trace, story.evidence),
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


_COLUMNS = (
    "time_s",
    "frame",
    "transfer",
    "position",
    "what",
    "register",
    "word",
    "reply",
    "data",
    "from",
    "changes",
    "notes",
    "map",
)


def csv_rows(trace: Trace, wanted: Filter, context: Context) -> None:
    """A title row, then one row for each frame that passes the filter, whether or not it tells something new."""
    writer = csv.writer(context.stdout, lineterminator="\n")
    writer.writerow(_COLUMNS)
    maps = [f"{c.name}{' (invented)' if c.invented else ''}" for c in trace.chips]
    for item in timeline(trace, replace(wanted, every=True)):
        if isinstance(item, Quiet) or item.number < 0:
            continue
        writer.writerow([
            _decimal(trace, item.time), item.number, item.transfer, item.chip, item.kind, item.register,
            _hex(item.word, item.bits), _hex(item.reply, item.bits), _hex(item.data, 0), _hex(item.old, 0),
            "; ".join(item.changes), "; ".join(n.text for n in item.notes), maps[item.chip],
        ])  # fmt: skip


def _decimal(trace: Trace, ticks: int) -> str:
    if trace.clock.tick is None:
        return str(ticks)
    return f"{float(trace.clock.seconds(ticks)):.12g}"


def _hex(word: int | None, bits: int) -> str:
    return "" if word is None else hexword(word, bits) if bits else f"0x{word:X}"
