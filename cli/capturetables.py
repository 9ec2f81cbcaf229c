"""Tables of a traced capture: one row a frame, the intervals of faults, what firmware did in time."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from fractions import Fraction

from regmap.chip.bits import hexword
from regmap.quantity import show
from regmap.record import replace
from regmap.trace.events import Interval, Quiet, TraceClock
from regmap.trace.findings.figures import missed_of
from regmap.trace.findings.intime import Pause, measured
from regmap.trace.telling.story import Story
from regmap.trace.telling.timeline import Filter, timeline
from regmap.trace.tracer import Trace

from .context import Context, columns, wrap

_SECOND = (0, 0, 1, 0, 0)
Row = list[str]

_COLUMNS = (
    "time_s",
    "number",
    "transfer",
    "position",
    "what",
    "register",
    "frame",
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


# --- faults -----------------------------------------------------------------------------------------
_FAULTS = (
    "position", "fault", "title", "severity", "normal_at_power_up", "clear_s", "clear_frame", "pin_s", "raised_s",
    "raised_frame", "read_s", "read_frame", "clearings", "first_clearing_frame", "gone_s", "gone_frame", "seen_for_s",
    "at_most_for_s", "how", "map",
)  # fmt: skip


def fault_rows(trace: Trace, story: Story) -> Iterator[Row]:
    """A title row, then one row for each interval of each fault, in order of time; empty cells are "not seen"."""
    yield list(_FAULTS)
    reactions = {(t.position, r.fault, r.gone): r for t in story.times for r in t.reactions}
    found = [i for w in trace.walkers for i in w.faults.intervals]
    for interval in sorted(found, key=lambda i: (i.raised_time, i.chip)):
        chip = trace.chips[interval.chip]
        fault = chip.faults[interval.fault]
        reaction = reactions.get((interval.chip, interval.fault, interval.gone_time))
        yield [
            str(interval.chip), fault.name, fault.title, fault.severity, "yes" if interval.normal else "no",
            _moment(trace, interval.clear_before_time), _number(interval.clear_before), _moment(trace, interval.pin),
            _moment(trace, interval.raised_time), str(interval.raised),
            _moment(trace, reaction.read) if reaction else "", _number(reaction.read_frame) if reaction else "",
            str(len(interval.attempts)), _number(interval.attempts[0] if interval.attempts else -1),
            _moment(trace, interval.gone_time), _number(interval.gone if interval.gone_time >= 0 else -1),
            _span(trace, interval.raised_time, interval), _span(trace, interval.clear_before_time, interval),
            interval.how if interval.gone_time >= 0 else "", f"{chip.name}{' (invented)' if chip.invented else ''}",
        ]  # fmt: skip


def _span(trace: Trace, start: int, interval: Interval) -> str:
    if start < 0 or interval.gone_time < 0:
        return ""
    return _decimal(trace, interval.gone_time - start)


def _moment(trace: Trace, ticks: int) -> str:
    return _decimal(trace, ticks) if ticks >= 0 else ""


def _number(frame: int) -> str:
    return str(frame) if frame >= 0 else ""


def fault_lines(trace: Trace) -> Iterator[str]:
    """The same for people: when each fault was raised, told, cleared and gone."""
    rows: list[Row] = [
        ["fault", "clear until", "raised by", "frame", "cleared by", "gone by", "at most"]
    ]
    clock = trace.clock
    many = len(trace.walkers) > 1
    found = [i for w in trace.walkers for i in w.faults.intervals]
    for interval in sorted(found, key=lambda i: (i.raised_time, i.chip)):
        start = interval.clear_before_time
        over = interval.gone_time >= 0
        rows.append([
            f"{interval.chip}:{interval.fault}" if many else interval.fault,
            clock.text(start) if start >= 0 else "?", clock.text(interval.raised_time), str(interval.raised),
            f"frame {interval.attempts[0]}" if interval.attempts else "-",
            clock.text(interval.gone_time) if over else "not over",
            clock.text(interval.gone_time - start) if over and start >= 0 else "?",
        ])  # fmt: skip
    if len(rows) == 1:
        yield "no fault was seen in this capture"
        return
    yield from columns(rows, right=(3,))


# --- times ------------------------------------------------------------------------------------------
_TIMES = (
    "position", "what", "name", "count", "longest_s", "longest_from_s", "shortest_s", "rest_s", "first_frame", "wanted", "missed",
)  # fmt: skip


def time_rows(trace: Trace, story: Story) -> Iterator[Row]:
    """A title row, then readbacks, polls, services, reactions and early frames, in seconds."""
    yield list(_TIMES)
    for found in story.times:
        for what, name, count, longest, shortest, rest, first in measured(found):
            figure, texts = missed_of(story.missed, found.position, what, name)
            yield [
                str(found.position), what, name, str(count), *_pause(trace, longest), _pause(trace, shortest)[0],
                _pause(trace, rest)[0], _number(first), figure, "; ".join(texts),
            ]  # fmt: skip


def _pause(trace: Trace, span: Pause | None) -> tuple[str, str]:
    return ("", "") if span is None else (_decimal(trace, span.length), _decimal(trace, span.start))


_HEADS = {
    "readback": ["read back", "times", "longest pause", "from", "until the end"],
    "poll": ["polled (status)", "replies", "longest gap", "from", ""],
    "service": ["watchdog", "services", "longest", "from", "shortest"],
    "reaction": ["fault", "frame", "until told", "from", "then cleared after"],
    "early": ["sent before", "frames", "first frame", "", ""],
}


def time_lines(trace: Trace, story: Story, context: Context) -> Iterator[str]:
    """The same for people, then what a stage wants otherwise."""
    clock = trace.clock
    if not story.times:
        why = (
            "no times in this list of frames" if clock.tick is None else "no frame can be believed"
        )
        yield f"nothing is measured: {why}"
        return
    for found in story.times:
        if len(story.times) > 1:
            yield context.style(f"chip {found.position} {trace.chips[found.position].name}", "head")
        rows_measured = list(measured(found))
        for what, head in _HEADS.items():
            rows = [head]
            for kind, name, count, longest, shortest, rest, first in rows_measured:
                if kind != what:
                    continue
                last = shortest if what == "service" else rest
                if what == "early":
                    rows.append([name, str(count), str(first), "", ""])
                    continue
                rows.append([
                    name, str(first if what == "reaction" else count), _long(clock, longest, "at most " if what == "reaction" else ""),
                    clock.text(longest.start) if longest is not None else "", _long(clock, last) if last is not None else "",
                ])  # fmt: skip
            if len(rows) > 1:
                yield from columns(rows, right=(1,))
                yield ""
        window = found.service.window if found.service is not None else None
        if window is not None and window.band is not None:
            yield f"watchdog window as last set: {_band(window.band.low, window.band.high)}" + (
                f", closed for {_band(window.band.low * window.closed, window.band.high * window.closed_high)}"
                if window.closed_high
                else ""
            )
    for missed in story.missed:
        text = wrap(f"not kept ({missed.figure}): {missed.text}", context.width, hang="  ")
        yield context.style(text, "bad")


def _long(clock: TraceClock, span: Pause | None, bound: str = "") -> str:
    if span is None:
        return "-"
    return (bound if span.open else "") + clock.text(span.length)


def _band(low: Fraction, high: Fraction) -> str:
    texts = [show(v, _SECOND) for v in (low, high)]
    return texts[0] if texts[0] == texts[1] else " to ".join(texts)


def write_csv(rows: Iterator[Sequence[str]], context: Context) -> None:
    """Rows as CSV to standard output."""
    csv.writer(context.stdout, lineterminator="\n").writerows(rows)


def show_tables(
    trace: Trace, story: Story, faults: str | None, times: str | None, context: Context
) -> None:
    """The table that was asked for, each "text" or "csv"."""
    if faults == "csv":
        write_csv(fault_rows(trace, story), context)
    elif times == "csv":
        write_csv(time_rows(trace, story), context)
    else:
        for line in fault_lines(trace) if faults else time_lines(trace, story, context):
            context.out(line)
