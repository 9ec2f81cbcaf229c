"""`gateword check A B C`: variants beside each other, as text, JSON, CSV and one HTML page."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.calc import WORDS, Verdict
from regmap.quantity import many
from regmap.stages.identity import identity

from .check import STYLES, percent
from .context import Context, Status, columns, wrap
from .files import write_text

if TYPE_CHECKING:
    from regmap.assessment.matrix import Matrix, MatrixRow
    from regmap.stages.load import Stage


def run_matrix(args: argparse.Namespace, stages: list[Stage], context: Context) -> int:
    """Each stage and each mode of it is a variant."""
    from regmap.assessment.matrix import matrix

    found = matrix(stages, args.names or None)
    if args.html:
        from regmap.report.matrix import matrix_page

        write_text(Path(args.html), matrix_page(found))
        context.err(f"wrote {args.html}")
    if args.csv:
        context.stdout.write(_csv(found))
    elif args.json:
        identities = [identity(s).json() for s in found.stages]
        context.json("check_matrix", **found.json(), identities=identities)
    else:
        for line in _text(found, context, {o.replace("-", "_") for o in args.only}):
            context.out(line)
    counts = [r.counts for r in found.results]
    bad = any(c["fails"] for c in counts)
    if len(stages) == 1 and stages[0].modes and not args.names:
        bad = _between(stages[0], args, context) or bad
    thin = any(c["low_margin"] or c["not_computed"] for c in counts)
    return Status.FINDINGS if bad or (args.strict and thin) else Status.OK


def _between(stage: Stage, args: argparse.Namespace, context: Context) -> bool:
    """Whether something is wrong between the modes of the stage; said in a line where there is text."""
    from regmap.assessment.fallback import fallback
    from regmap.assessment.transition import transitions

    ways = transitions(stage)
    bad = sum(not w.ok for w in ways)
    gaps = sum(bool(r.gaps) for r in fallback(stage, ways))
    if not (args.csv or args.json):
        context.out("")
        line = (
            f"{many(len(ways), 'transition')} between modes, {bad or 'none'} with findings; "
            f"{many(gaps, 'fault')} in a mode with nothing settled that follows: gateword modes {args.stage}"
        )
        context.out(wrap(line, context.width, hang="  "))
    return bool(bad or gaps)


def _text(found: Matrix, context: Context, only: set[str]) -> Iterator[str]:
    """Rows that do not hold everywhere (or those of the kinds in `only`), then a line a variant."""
    rows = [r for r in found.rows if (r.status in only if only else r.status != "holds")]
    names = found.names
    cells = [["check", *names]]
    cells += [[r.check, *(_cell(v) for v in r.verdicts)] for r in rows]
    drawn = columns(cells)
    if rows and max(map(len, drawn)) <= context.width:
        yield drawn[0]
        for row, line in zip(rows, drawn[1:], strict=True):
            yield context.style(line, STYLES[row.status])
    else:
        for row in rows:
            yield from _by_status(row, names, context)
    held = len(found.rows) - sum(r.status != "holds" for r in found.rows)
    yield wrap(f"{many(held, 'check')} hold in every variant", context.width)
    yield ""
    for name, result, stage in zip(names, found.results, found.stages, strict=True):
        told = ", ".join(f"{n} {WORDS[w]}" for w, n in result.counts.items() if n)
        yield wrap(f"{name}: {told}; {identity(stage)}", context.width, hang="  ")


def _by_status(row: MatrixRow, names: tuple[str, ...], context: Context) -> Iterator[str]:
    """One check where the variants have no room beside each other: which of them it is what in."""
    parts = []
    for status, word in WORDS.items():
        there = [
            f"{n} {percent(v.relative)}".rstrip()
            for n, v in zip(names, row.verdicts, strict=True)
            if v is not None and v.status == status
        ]
        if there and status != "holds":
            parts.append(f"{word} in {', '.join(there)}")
        elif there:
            parts.append(f"{word} in {len(there)}")
    line = wrap(f"{row.check}: {'; '.join(parts)}", context.width, hang="    ")
    yield context.style(row.check, STYLES[row.status]) + line[len(row.check) :]


def _cell(verdict: Verdict | None) -> str:
    if verdict is None:
        return "-"
    return f"{WORDS[verdict.status]} {percent(verdict.relative)}".rstrip()


def _csv(found: Matrix) -> str:
    """A row for each check and variant; margins as shares, empty where there is none."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["check", "title", "variant", "status", "margin", "value", "limit", "worst", "invented"]
    )
    for row in found.rows:
        for index, verdict in enumerate(row.verdicts):
            if verdict is None:
                continue
            share = verdict.relative
            number = share is not None and abs(share) != float("inf")
            writer.writerow([
                row.check, row.title, found.names[index], verdict.status, f"{share:.6g}" if number else "",
                verdict.worst_value, verdict.worst_limit, "yes" if index == row.worst else "no",
                "yes" if identity(found.stages[index]).invented else "no",
            ])  # fmt: skip
    return out.getvalue()
