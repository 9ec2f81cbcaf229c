"""A traced capture as text at 80 columns."""

from __future__ import annotations

from collections.abc import Iterator

from regmap.chip import values
from regmap.quantity import many
from regmap.stages.identity import DocumentIdentity
from regmap.trace.belief.against import Held, bank_at
from regmap.trace.events import Event, Note, Quiet
from regmap.trace.telling.story import Episode, Recurrence, Story
from regmap.trace.telling.timeline import Filter, timeline
from regmap.trace.tracer import Trace

from .context import Context, columns, hexword, wrap
from .explain import explanation_lines

_NOTE = " " * 22
_HANG = " " * 24


def report(
    trace: Trace, story: Story, wanted: Filter, at: int | None, who: DocumentIdentity, context: Context,
    *, timeline: bool = True, brief: bool = False,
) -> Iterator[str]:  # fmt: skip
    """Lines found, timeline, explained faults, timing, comparison, summary: the most important last."""
    yield from finding_lines(trace, story, context)
    if timeline:
        yield from timeline_lines(trace, wanted, context)
        yield ""
    if at is not None:
        yield from at_lines(trace, at, context)
    shown = telling(story.recurrences)
    for found in shown:
        yield from recurrence_lines(trace, story, found, context, brief)
        yield ""
    if len(shown) < len(story.recurrences):
        rest = len(story.recurrences) - len(shown)
        yield f"{rest} more sets of faults are not explained here; --faults lists every interval"
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
        frames = many(item.frames, "frame")
        text = f"{who}{frames}, nothing new: {what}"
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
    for interval in telling[:_INTERVALS]:
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
    if len(telling) > _INTERVALS:
        more = len(telling) - _INTERVALS
        yield f"  and {more} intervals more until {clock.text(telling[-1].raised_time)} (--faults lists them)"
    yield from explanation_lines(
        trace.chips[episode.chip], episode.explanation, context, brief=brief
    )


#: intervals of one episode that are told
_INTERVALS = 12
#: sets of faults that are explained: the first ones, then those that came most often
_FIRST, _OFTEN = 4, 4


def telling(found: tuple[Recurrence, ...]) -> list[Recurrence]:
    """The recurrences that are explained, in order of time: however many there are, no more than fit a page or two."""
    if len(found) <= _FIRST + _OFTEN:
        return list(found)
    often = sorted(found[_FIRST:], key=lambda r: -len(r.episodes))[:_OFTEN]
    kept = {id(r) for r in (*found[:_FIRST], *often)}
    return [r for r in found if id(r) in kept]


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
        for name in sorted(walker.log.sorter.measured):
            value = walker.log.measured_at(name, at)
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


def summary_lines(
    trace: Trace, story: Story, who: DocumentIdentity, context: Context
) -> Iterator[str]:
    """Counts, why a gate would stop, then everything that there is to say, the most important last."""
    counts = ", ".join(f"{n} {kind}" for kind, n in story.counts.items())
    tail = f" ({counts})" if counts else ""
    yield wrap(
        f"{trace.name}: {many(trace.transfers, 'transfer')}, {many(trace.frames, 'frame')}{tail}",
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
