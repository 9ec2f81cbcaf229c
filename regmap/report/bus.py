"""The part of a record about a capture: what the SPI of the real or simulated drive showed.

Imported only where a capture is given: it loads numpy.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from ..behaviour.faults import Finding
from ..capture.formats.opening import open_capture
from ..chip.bits import hexword
from ..maps.load import maps_around
from ..stages.load import Stage
from ..trace.belief.against import Held
from ..trace.telling.story import Episode, Story, tell
from ..trace.tracer import Trace, trace_capture
from .page import Html, code, facts, items, join, table, tag


@dataclass(frozen=True, slots=True)
class BusFindings:
    """The section, whether the capture speaks against the stage or shows a fault, and the sentences that do."""

    html: Html
    bad: bool
    sentences: tuple[str, ...]


def bus_findings(stage: Stage, capture: str | Path) -> BusFindings:
    """A capture read with the stage's map and held against its settings.

    Raises CaptureError for what cannot be read as a capture, CallError for a wrong request.
    """
    with open_capture(capture) as opened:
        trace = trace_capture(opened, list(stage.chain or (stage.chip,)))
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
    for episode in story.episodes:
        parts.append(_episode(trace, episode))
    if trace.breaches:
        parts += [
            tag("h3", "Times outside the chip's limits"),
            items(str(getattr(b, "text", b)) for b in trace.breaches),
        ]
    if trace.problems:
        parts += [tag("h3", "Flaws of the file"), items(str(p) for p in trace.problems)]
    bad = bool(story.stops)
    return BusFindings(join(parts, "\n"), bad, sentences)


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
