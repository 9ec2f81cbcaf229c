"""The part of a record about a capture: what the SPI of the real or simulated drive showed.

Imported only where a capture is given: it loads numpy.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from regmap.record import dataclass, field

from ..behaviour.faults import Finding
from ..chip.bits import hexword
from ..maps.load import maps_around
from ..stages.load import Stage
from ..trace.belief.against import Held
from ..trace.filed import trace_file
from ..trace.findings.intime import InTime
from ..trace.telling.lanes import lanes
from ..trace.telling.story import Episode, Story, tell
from ..trace.tracer import Trace
from .page import Html, code, facts, fold, items, join, table, tag
from .timeline import draw


@dataclass(frozen=True, slots=True)
class BusFindings:
    """The section, whether the capture speaks against the stage or shows a fault, and the sentences that do."""

    html: Html
    bad: bool
    sentences: tuple[str, ...]
    #: what each register of the stage was shown to hold: its word, and the verdict on it in words
    read_back: Mapping[str, tuple[int | None, str]] = field(default_factory=dict)


def bus_findings(stage: Stage, capture: str | Path) -> BusFindings:
    """A capture read with the stage's map and held against its settings.

    Raises CaptureError for what cannot be read as a capture, CallError for a wrong request.
    """
    trace = trace_file(capture, list(stage.chain or (stage.chip,)))
    around = stage.chip.files[-1:]
    story = tell(trace, stage, others=lambda: maps_around(around))
    sentences = tuple(s.text for s in reversed(story.sentences) if s.bad)
    parts: list[object] = [
        _about(trace, story, capture),
        tag("h3", "What it says, most important first"),
        items(tag("span", s.text, cls="" if s.bad else "note") for s in reversed(story.sentences)),
    ]
    if story.held is not None:
        parts += [
            tag("h3", f"Registers at the end, against {stage.name}"),
            _held(stage, story.held),
        ]
    if trace.frames:
        picture = draw(lanes(trace, story), trace.clock)
        parts += [tag("h3", "What happened when"), tag("figure", Html(picture))]
    for episode in story.episodes:
        parts.append(_episode(trace, episode))
    for found in story.times:
        parts.append(_times(trace, found))
    if trace.breaches:
        parts += [
            tag("h3", "Times outside the chip's limits"),
            items(str(getattr(b, "text", b)) for b in trace.breaches),
        ]
    if trace.problems:
        parts += [tag("h3", "Flaws of the file"), items(str(p) for p in trace.problems)]
    bad = bool(story.stops)
    rows = story.held.rows if story.held is not None and not story.held.void else ()
    shown = {row.register: (row.holds, row.verdict) for row in rows}
    return BusFindings(join(parts, "\n"), bad, sentences, shown)


def _about(trace: Trace, story: Story, capture: str | Path) -> Html:
    counts = ", ".join(f"{n} {kind}" for kind, n in story.counts.items())
    return facts(
        [
            ("capture", code(Path(capture).name)),
            ("digest (SHA-256)", code(_digest(capture))),
            ("format", trace.format),
            ("transfers", str(trace.transfers)),
            ("frames", f"{trace.frames} ({counts})" if counts else str(trace.frames)),
            ("from, to", f"{trace.clock.text(trace.start)}, {trace.clock.text(trace.end)}"),
        ]
    )


def _digest(capture: str | Path) -> str:
    """Of the file as it lies there, so that the record names this capture and no other."""
    with Path(capture).open("rb") as file:
        digest = hashlib.sha256()
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def _held(stage: Stage, held: Held) -> Html:
    if held.void:
        return tag("p", held.void[:1].upper() + held.void[1:] + ".")
    rows = []
    for row in held.rows:
        width = stage.chip.registers[row.register].width
        sign = {True: "holds", False: "fails", None: "low"}[row.holds_it]
        mark = tag("span", row.verdict, cls=f"sign {sign}")
        there = code(hexword(row.holds, width)) if row.holds is not None else "not known"
        differs = "; ".join(str(c) for c in row.changes) if not row.fine else ""
        frame = f"frame {row.written.number}" if row.written is not None else "never"
        rows.append(
            [code(row.register), code(hexword(row.wanted, width)), there, mark, frame, differs]
        )
    notes = [
        tag("p", text[:1].upper() + text[1:] + ".") for text in (held.order, held.lock) if text
    ]
    return join(
        [
            table(
                ["register", "wanted", "holds", "verdict", "written in", "there -> wanted"],
                rows,
                caption="Registers at the end of the capture against the stage",
            ),
            *notes,
        ]
    )


def _episode(trace: Trace, episode: Episode) -> Html:
    clock = trace.clock
    end = "" if episode.over else ", not over at the end of the capture"
    head = tag("h3", f"Faults from {clock.text(episode.start)} to {clock.text(episode.end)}{end}")
    if episode.explanation.wiring:
        return join([head, items(episode.explanation.wiring)])
    return join([head, _findings(episode.explanation.findings)])


def _times(trace: Trace, found: InTime) -> Html:
    """What firmware did in time, of one chip."""
    text = trace.clock.text
    rows: list[list[object]] = []
    for poll in found.polls:
        gap = (text(poll.gap.length), text(poll.gap.start)) if poll.gap is not None else ("", "")
        rows.append(["status polled", code(poll.register), str(poll.told), *gap])
    for row in found.readbacks:
        if row.reads:
            most = row.longest
            gap = (text(most.length), text(most.start)) if most is not None else ("read once", "")
            rows.append(["read back", code(row.register), str(row.reads), *gap])
    service = found.service
    if service is not None and service.longest is not None:
        gap = text(service.longest.length), text(service.longest.start)
        rows.append(["watchdog served", code(service.field), str(service.services), *gap])
    for fault in found.reactions:
        span = fault.to_told
        gap = (
            (f"{'at most ' if span.open else ''}{text(span.length)} until told", text(span.start))
            if span is not None
            else ("", "")
        )
        rows.append(["fault", code(fault.fault), f"frame {fault.told_frame}", *gap])
    for early in found.early:
        rows.append([f"sent before {early.before}", "", str(early.frames), "", text(early.time)])
    who = f" of chip {found.position}" if len(trace.walkers) > 1 else ""
    return fold(
        f"What firmware did in time{who}",
        table(
            ["what", "of", "times", "longest pause", "from"],
            rows,
            caption=f"Longest pauses{who}, between replies that can be believed",
        ),
    )


def _findings(findings: Iterable[Finding]) -> Html:
    parts = []
    for finding in findings:
        fault = finding.fault
        lines: list[object] = [tag("strong", f"{fault.name}: {fault.title}. "), fault.meaning]
        if fault.check_first:
            lines.append(tag("div", f"Look first at: {'; '.join(fault.check_first)}.", cls="note"))
        if finding.consequences:
            lines.append(_findings(finding.consequences))
        parts.append(join(lines))
    return items(parts)
