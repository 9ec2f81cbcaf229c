"""From each requirement to settings, verdicts and evidence: the rows of the record's trace table, and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable

from regmap.record import dataclass, fields

from ..assessment.stage import Assessment, waiver
from ..calc import WORDS, Verdict
from ..stages.load import Stage
from .page import Html, code, table, tag
from .verdicts import percent, sign

#: what a row is evidence of
CALCULATED, STATED, READ_BACK = "calculated", "stated in the stage", "seen in the capture"


@dataclass(frozen=True, slots=True)
class TraceRow:
    """One answer to a requirement: a setting, or a verdict of one of its checks."""

    requirement: str
    text: str
    item: str
    kind: str
    wanted: str
    chosen: str
    verdict: str
    margin: str
    evidence: str
    waived: str


def trace_rows(
    stage: Stage, result: Assessment, seen: Iterable[tuple[str, str]] = ()
) -> list[TraceRow]:
    """The rows of all requirements in the order of the stage.

    `seen` are (register, what a capture shows of it); a setting's evidence names it. A requirement whose checks
    do not apply to this stage has a row that says so: nothing answers it there.
    """
    shown = dict(seen)
    rows: list[TraceRow] = []
    verdicts = [*result.verdicts, *(v for v, _ in result.waived)]
    settings = {s.name: s for s in stage.settings}
    for one in stage.requirements:
        for name in one.settings:
            setting = settings.get(name)
            reading = stage.bank.reading(name)
            evidence = STATED if setting is not None else "left at reset"
            register = name.partition(".")[0]
            if register in shown:
                evidence += f"; {READ_BACK}: {shown[register]}"
            rows.append(
                TraceRow(
                    one.ident, one.text, name, "setting",
                    setting.asked if setting is not None else "",
                    reading.label if reading is not None else "not known",
                    "", "", f"{evidence} ({setting.origin})" if setting is not None else evidence, "",
                )
            )  # fmt: skip
        for name in one.checks:
            found = [v for v in verdicts if f"{v.check}.".startswith(f"{name}.")]
            found.sort(key=lambda v: v.check)
            rows += [_of_verdict(stage, one.ident, one.text, v) for v in found]
            if not found:
                rows.append(
                    TraceRow(
                        one.ident,
                        one.text,
                        name,
                        "check",
                        "",
                        "",
                        "does not apply",
                        "",
                        "nothing",
                        "",
                    )
                )
    return rows


def _of_verdict(stage: Stage, ident: str, text: str, verdict: Verdict) -> TraceRow:
    relation = "at most" if verdict.worst_max else "at least"
    wanted = f"{relation} {verdict.worst_limit}" if verdict.limit is not None else ""
    return TraceRow(
        ident, text, verdict.check, "check", wanted, verdict.worst_value, WORDS[verdict.status],
        percent(verdict.relative),
        f"{CALCULATED}: {verdict.formula}" if verdict.formula else CALCULATED,
        waiver(stage, verdict.check),
    )  # fmt: skip


def status_of(rows: list[TraceRow]) -> str:
    """What the rows of one requirement say together: the worst of its verdicts."""
    verdicts = [r.verdict for r in rows if r.kind == "check" and not r.waived]
    order = [
        WORDS["fails"],
        "does not apply",
        WORDS["not_computed"],
        WORDS["low_margin"],
        WORDS["holds"],
    ]
    return next(
        (word for word in order if word in verdicts),
        "waived" if rows and any(r.waived for r in rows) else "stated",
    )


def trace_table(stage: Stage, result: Assessment, seen: Iterable[tuple[str, str]] = ()) -> Html:
    """The table of the record; a sentence where the stage names no requirement."""
    rows = trace_rows(stage, result, seen)
    if not rows:
        return tag("p", "The stage names no requirement (key `requirement`).")
    signs = {WORDS[s]: sign(s) for s in WORDS}
    shown = []
    last = ""
    for row in rows:
        words = row.text if row.requirement != last else ""
        last = row.requirement
        why = f" (waived: {row.waived})" if row.waived else ""
        found = tag("span", signs.get(row.verdict, row.verdict), why) if row.verdict else ""
        shown.append(
            [
                code(row.requirement),
                words,
                code(row.item),
                row.wanted,
                row.chosen,
                found,
                row.margin,
                row.evidence,
            ]
        )
    return table(
        [
            "requirement",
            "in words",
            "setting or check",
            "wanted",
            "found",
            "verdict",
            "margin",
            "evidence",
        ],
        shown,
        caption="Requirements, and what answers each",
        cls="dense trace",
        right=[6],
    )


def trace_csv(rows: Iterable[TraceRow]) -> str:
    """The rows as CSV (RFC 4180), one head line; a cell that a spreadsheet would take for a formula is text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    names = [f.name for f in fields(TraceRow)]
    writer.writerow(names)
    for row in rows:
        writer.writerow([_as_text(getattr(row, name)) for name in names])
    return out.getvalue()


def _as_text(cell: str) -> str:
    """`=...` and `@...` are no formulas here; a sign before a number is one."""
    plain = cell[:1] in "+-" and cell[1:2].isdigit()
    return "'" + cell if cell[:1] in ("=", "@", "+", "-", "\t", "\r") and not plain else cell
