"""`gateword survey A --against B`: what is new since another survey."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.cautions import CAUTION
from regmap.quantity import many

from .capture import quantity
from .context import Context, Status, columns, wrap
from .files import write_text

if TYPE_CHECKING:
    from regmap.fleet.comparison import SurveyComparison


def add_comparison(parser: argparse.ArgumentParser) -> None:
    """The options of a comparison."""
    group = parser.add_argument_group(
        "comparison", "1 where a fault is new, a rate certainly higher, or a wiring finding new"
    )
    group.add_argument(
        "--against",
        metavar="FOLDER",
        help="hold the survey (or one folder of tables, without -o) against the tables of this one",
    )
    group.add_argument(
        "--certain",
        action="store_true",
        help="1 only for what is certain at the level: a new fault that was seen once is then none",
    )
    group.add_argument("--html", metavar="FILE", help="also write the comparison as one page")
    group.add_argument(
        "--level",
        metavar="PERCENT",
        default="95 %",
        help="of intervals, and of all verdicts together (default: 95 %%)",
    )
    group.add_argument(
        "--by",
        metavar="GROUP",
        action="append",
        default=[],
        help="count faults by all, unit, firmware, test, variant (default: each of them)",
    )


def compare(
    args: argparse.Namespace,
    context: Context,
    now: str,
    survey: Mapping[str, object] | None = None,
) -> int:
    """Hold the tables of the folder `now` against another survey; `survey` is told beside, in JSON."""
    from regmap.fleet.comparison import GROUPS, compare_surveys

    level = float(quantity(args.level, "ratio", "--level"))
    found = compare_surveys(now, args.against, level=level, groups=args.by or GROUPS)
    if args.html:
        from regmap.fleet.page import page

        write_text(Path(args.html), page(found))
        context.err(f"wrote {args.html}")
    if args.json:
        beside = {} if survey is None else {"survey": survey}
        context.json("survey_comparison", **_object(found), **beside)
    else:
        for line in _lines(found, context, unread=survey is None):
            context.out(line)
    bad = found.worse or found.wiring or (found.new and not args.certain)
    return Status.FINDINGS if bad else Status.OK


def _object(found: SurveyComparison) -> dict[str, object]:
    changes = []
    for change in found.faults:
        told = asdict(change)
        if change.ratio is not None:  # JSON has no infinity
            told["ratio"] = [None if math.isinf(v) else v for v in change.ratio]
        changes.append(told)
    return {
        "now": found.now,
        "before": found.before,
        "level": found.level,
        "changes": changes,
        "settings": [asdict(s) for s in found.settings],
        "wiring": [{"unit": u, "finding": f} for u, f in found.wiring],
        "unread": [{"file": f, "state": s, "message": m} for f, s, m in found.unread],
        "invented": found.invented,
        "notes": list(found.notes),
    }


def _table(found: SurveyComparison, width: int) -> list[str]:
    """Faults in columns; rates without their intervals where those make lines longer than `width`."""
    for short in (False, True):
        rows = [["group", "fault", "now", "before", "rate now", "rate before", "p", "verdict"]]
        for f in found.faults:
            who = "all" if f.group == "all" else f"{f.group} {f.value}"
            told = f"{f.verdict}{', certain' if f.certain else ''}"
            rates = [_rate(f.rate, short=short), _rate(f.rate_before, short=short)]
            rows.append([who, f.fault, str(f.now), str(f.before), *rates, f"{f.chance:.2g}", told])
        lines = list(columns(rows, right=(2, 3, 6)))
        if max(map(len, lines)) <= width:
            break
    return lines


def _lines(found: SurveyComparison, context: Context, *, unread: bool) -> Iterator[str]:
    yield f"{found.now} against {found.before}, level {found.level * 100:g} % over all rows together"
    for note in found.notes:
        yield context.style(f"note: {note}", "warn")
    if found.faults:
        yield from _table(found, context.width)
    else:
        yield "no fault in either"
    for change in found.settings:
        units = [u for u in change.units if u]
        where = f" in {many(len(units), 'unit')}: {', '.join(units[:8])}" if units else ""
        told = f"setting {change.register}: {change.before} before, {change.now} now{where}"
        yield wrap(told, context.width, hang="  ")
    for unit, name in found.wiring:
        yield context.style(f"new wiring finding: {name}{' in ' + unit if unit else ''}", "bad")
    for file, state, text in found.unread if unread else ():
        yield context.style(wrap(f"{state}: {file}: {text}", context.width, hang="  "), "warn")
    yield wrap(CAUTION, context.width)


def _rate(rate: tuple[float, float, float] | None, *, short: bool) -> str:
    if rate is None:
        return "-"
    return f"{rate[0]:.3g}/h" + ("" if short else f" ({rate[1]:.3g} to {rate[2]:.3g})")
