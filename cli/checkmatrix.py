"""`gateword check A B C`: variants beside each other, as text, JSON, CSV and one HTML page."""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from regmap.calc import WORDS, tally
from regmap.quantity import many
from regmap.stages.identity import identity

from .check import STYLES, between_of, percent, told_between
from .context import Context, Status, columns, wrap
from .files import write_text

if TYPE_CHECKING:
    from regmap.assessment.matrix import Matrix, MatrixRow
    from regmap.stages.load import Stage


def run_matrix(args: argparse.Namespace, stages: list[Stage], context: Context) -> int:
    """Each stage and each mode of it is a variant."""
    from regmap.assessment.matrix import matrix

    found = matrix(stages, args.names or None)
    names = [s.name for s in stages]
    between = {
        f"{s.name} ({s.file})" if names.count(s.name) > 1 else s.name: b
        for s in stages
        if (b := between_of(s, args.names or None, found)) is not None
    }
    if args.html:
        from regmap.report.matrix import matrix_page

        write_text(Path(args.html), matrix_page(found, between))
        context.err(f"wrote {args.html}")
    if args.csv:
        context.stdout.write(_csv(found))
        for name, way in between.items():
            if way.open:  # no row of the table says it
                context.err(wrap(f"{name}: {told_between(way)}", context.width, hang="  "))
    elif args.json:
        identities = [identity(s).json() for s in found.stages]
        context.json(
            "check_matrix",
            **found.json(),
            identities=identities,
            between_modes=[{"stage": name, **b.json()} for name, b in between.items()],
        )
    else:
        for line in _text(found, context, {o.replace("-", "_") for o in args.only}):
            context.out(line)
        context.out("")
        for name, way in between.items():
            context.out(wrap(f"{name}: {told_between(way)}", context.width, hang="  "))
    counts = [r.counts for r in found.results]
    bad = any(c["fails"] for c in counts) or any(b.open for b in between.values())
    thin = any(c["low_margin"] or c["not_computed"] for c in counts)
    return Status.FINDINGS if bad or (args.strict and thin) else Status.OK


def _text(found: Matrix, context: Context, only: set[str]) -> Iterator[str]:
    """Rows that do not hold everywhere (or those of the kinds in `only`), a column a stage with its worst mode; then
    a line a variant."""
    rows = [r for r in found.rows if (r.status in only if only else r.status != "holds")]
    names = [found.names[g[0]] for g in found.groups]
    cells = [["check", *names]]
    table = [[(found, r, r.worst_of(group)) for group in found.groups] for r in rows]
    cells += [[r.check, *map(_cell, line)] for r, line in zip(rows, table, strict=True)]
    drawn = columns(cells)
    if rows and max(map(len, drawn)) <= context.width:
        yield drawn[0]
        for row, line in zip(rows, drawn[1:], strict=True):
            yield context.style(line, STYLES[row.status])
    else:
        for row, there in zip(rows, table, strict=True):
            yield from _by_status(row, names, there, context)
    held = len(found.rows) - sum(r.status != "holds" for r in found.rows)
    yield wrap(f"{many(held, 'check')} hold in every variant", context.width)
    yield ""
    for name, result, stage in zip(found.names, found.results, found.stages, strict=True):
        yield wrap(f"{name}: {tally(result.counts)}; {identity(stage)}", context.width, hang="  ")


def _by_status(
    row: MatrixRow, names: list[str], there: list[_Place], context: Context
) -> Iterator[str]:
    """One check where the variants have no room beside each other: which of them it is what in."""
    parts = []
    for status, word in WORDS.items():
        told = [
            f"{n} {_cell(place).removeprefix(word)}".replace("  ", " ").rstrip()
            for n, place in zip(names, there, strict=True)
            if place[2] is not None and _cell(place).startswith(word)
        ]
        if told and status != "holds":
            parts.append(f"{word} in {', '.join(told)}")
        elif told:
            parts.append(f"{word} in {len(told)}")
    line = wrap(f"{row.check}: {'; '.join(parts)}", context.width, hang="    ")
    yield context.style(row.check, STYLES[row.status]) + line[len(row.check) :]


#: a row of a matrix and the number of one of its variants, None where none has the check
_Place: TypeAlias = "tuple[Matrix, MatrixRow, int | None]"


def _cell(place: _Place) -> str:
    """Status, margin, and the mode where that is the worst of its stage."""
    found, row, number = place
    verdict = row.verdicts[number] if number is not None else None
    if verdict is None or number is None:
        return "-"
    mode = found.stages[number].mode
    return f"{WORDS[verdict.status]} {percent(verdict.relative)}".rstrip() + (
        f" ({mode})" if mode else ""
    )


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
