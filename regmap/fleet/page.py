"""A comparison as one HTML page: no network, no script, readable aloud and in print."""

from __future__ import annotations

import math
import shlex
from collections.abc import Iterator, Sequence
from html import escape

from regmap.cautions import CAUTION
from regmap.quantity import many

from .comparison import Fact, FaultChange, SurveyComparison

#: rows of a chart that can still be read
_CHARTED = 40
#: letters of its labels
_LABEL = 24
_STYLE = """
:root { color-scheme: light dark }
body { font: 1rem/1.5 system-ui, sans-serif; margin: 2rem auto; max-width: 72rem; padding: 0 1rem; color: #1a1a1a; background: #fff }
table { border-collapse: collapse; margin: 1rem 0 } caption { text-align: left; font-weight: bold; padding: .3rem 0 }
main { overflow-wrap: anywhere } .wide { overflow-x: auto } .wide table { overflow-wrap: normal } .wide svg { min-width: 36rem }
th, td { border-bottom: 1px solid #888; padding: .2rem .7rem; text-align: left; vertical-align: top }
td.number { text-align: right; font-variant-numeric: tabular-nums }
.worse { font-weight: bold } svg { max-width: 100%; height: auto } code { overflow-wrap: anywhere }
svg text { font: 12px system-ui, sans-serif; fill: currentColor } details { margin: .3rem 0 }
.now { stroke: #0b4f8a; fill: #0b4f8a } .before { stroke: #7a4a00; fill: #7a4a00 }
@media (prefers-color-scheme: dark) { body { color: #eee; background: #161616 } .now { stroke: #7fb9ee; fill: #7fb9ee } .before { stroke: #e0ac5c; fill: #e0ac5c } }
"""


def page(found: SurveyComparison) -> str:
    """The whole page."""
    return "\n".join(_page(found)) + "\n"


def _page(found: SurveyComparison) -> Iterator[str]:
    level = f"{found.level * 100:g} %"
    yield '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>Survey {escape(found.now)} against {escape(found.before)}</title><style>{_STYLE}</style></head><body><main>"
    yield f"<h1>Survey <code>{escape(found.now)}</code> against <code>{escape(found.before)}</code></h1>"
    if found.invented:
        yield "<p>Chips, stages or captures behind this page are invented.</p>"
    for note in found.notes:
        yield f"<p>Note: {escape(note)}.</p>"
    worse = found.worse
    yield f'<p class="worse">{many(len(worse), "rate")} of faults certainly higher at {level}, over all comparisons together; {many(len(found.new), "fault row")} never seen before.</p>'
    yield f"<h2>Faults</h2><p>An event is one fault in one episode. Rates are per hour with exact Poisson intervals ({level}); p is exact and two-sided for each row, certain after Holm over all rows.</p>"
    for group in ("all", "firmware", "test"):
        charted = [f for f in found.faults if f.group == group and f.rate and f.rate_before]
        if 0 < len(charted) <= _CHARTED:
            yield from _chart(charted)
    yield from _faults(found)
    yield from _rest(found)
    yield "<h2>Intervals of faults that are new or more frequent</h2>"
    yield from _stories(found.intervals)
    yield "<h2>Other intervals</h2>"
    yield from _stories(found.other_intervals)
    if found.more_intervals:
        yield f"<p>{many(found.more_intervals, 'more interval')} stand in the table of faults.</p>"
    yield f"<footer><p>{escape(CAUTION)}</p></footer></main></body></html>"


def _stories(rows: Sequence[Fact]) -> Iterator[str]:
    """Intervals to be opened, by fault."""
    by_fault: dict[str, list[Fact]] = {}
    for row in rows:
        by_fault.setdefault(str(row["fault"]), []).append(row)
    if not by_fault:
        yield "<p>None.</p>"
    for fault, some in by_fault.items():
        yield f"<details><summary>{escape(fault)}: {many(len(some), 'interval')}</summary>"
        yield from map(_story, some)
        yield "</details>"


def _chart(rows: list[FaultChange]) -> Iterator[str]:
    """Rates with their intervals, now above before, on one logarithmic axis."""
    spans = [r for f in rows for r in (f.rate, f.rate_before) if r is not None]
    top = max(r[2] for r in spans)
    low = min([r[1] for r in spans if r[1] > 0] + [top / 1000])
    bottom, top = math.floor(math.log10(low)), math.ceil(math.log10(top))
    top = max(top, bottom + 1)
    width, left, step = 640, 170, 34

    def x(rate: float) -> float:
        share = (math.log10(max(rate, 10.0**bottom)) - bottom) / (top - bottom)
        return left + share * width

    height = step * len(rows) + 40
    words = "; ".join(
        f"{_name(f)} {_rate(f.rate)} now, {_rate(f.rate_before)} before" for f in rows
    )
    yield f'<div class="wide" tabindex="0" role="region" aria-label="Rates by {rows[0].group}"><svg viewBox="0 0 {left + width + 30} {height}" role="img" aria-label="Rates per hour by {rows[0].group}: {escape(words)}">'
    for power in range(bottom, top + 1):
        at = x(10.0**power)
        yield f'<line x1="{at:.1f}" x2="{at:.1f}" y1="0" y2="{height - 30}" stroke="currentColor" stroke-opacity="0.25"/><text x="{at:.1f}" y="{height - 12}" text-anchor="middle">1e{power}/h</text>'
    for place, item in enumerate(rows):
        yield f'<text x="{left - 10}" y="{place * step + 20}" text-anchor="end">{escape(_name(item))}</text>'
        for name, rate, y in (
            ("now", item.rate, place * step + 11),
            ("before", item.rate_before, place * step + 22),
        ):
            assert rate is not None
            yield f'<line class="{name}" x1="{x(rate[1]):.1f}" x2="{x(rate[2]):.1f}" y1="{y}" y2="{y}" stroke-width="2"{"" if name == "now" else " stroke-dasharray=" + chr(34) + "5 3" + chr(34)}/>'
            if rate[0] > 0:
                mark = (
                    f'<circle cx="{x(rate[0]):.1f}" cy="{y}" r="4"'
                    if name == "now"
                    else f'<rect x="{x(rate[0]) - 3.5:.1f}" y="{y - 3.5}" width="7" height="7"'
                )
                yield f'{mark} class="{name}"/>'
    yield "</svg></div><p>Circle and solid line: now. Square and dashed line: before.</p>"


def _name(item: FaultChange) -> str:
    """What a row of a chart is called, short enough for it."""
    text = f"{item.value} {item.fault}".strip()
    return text if len(text) <= _LABEL else f"{text[: _LABEL - 3]}..."


def _rate(rate: tuple[float, float, float] | None) -> str:
    return "no exposure" if rate is None else f"{rate[0]:.3g}/h ({rate[1]:.3g} to {rate[2]:.3g})"


def _faults(found: SurveyComparison) -> Iterator[str]:
    heads = ("group", "fault", "verdict", "now", "before", "rate now", "rate before", "ratio", "p")
    yield '<div class="wide" tabindex="0" role="region" aria-label="Faults now and before">'
    yield "<table><caption>Faults now and before</caption><thead><tr>"
    yield "".join(f'<th scope="col">{h}</th>' for h in heads) + "</tr></thead><tbody>"
    for f in found.faults:
        who = "all" if f.group == "all" else f"{f.group} {f.value}"
        told = f"{f.verdict}{', certain' if f.certain else ''}"
        ratio = "" if f.ratio is None else f"{f.ratio[0]:.3g} to {f.ratio[1]:.3g}"
        style = ' class="worse"' if f in found.worse else ""
        yield (
            f'<tr{style}><td>{escape(who)}</td><th scope="row">{escape(f.fault)}</th><td>{told}</td>'
            f'<td class="number">{f.now} in {f.exposure_s / 3600:.3g} h</td><td class="number">{f.before} in {f.exposure_before_s / 3600:.3g} h</td>'
            f'<td>{_rate(f.rate)}</td><td>{_rate(f.rate_before)}</td><td>{ratio}</td><td class="number">{f.chance:.2g}</td></tr>'
        )
    yield "</tbody></table></div>"


def _rest(found: SurveyComparison) -> Iterator[str]:
    yield "<h2>Settings that changed</h2>"
    yield from _list(
        f"{s.register}: {s.before} before, {s.now} now, in {_units(s.units)}"
        for s in found.settings
    )
    yield "<h2>Wiring findings that are new</h2>"
    yield from _list(f"{name}{' in ' + unit if unit else ''}" for unit, name in found.wiring)
    yield "<h2>Files that were not read whole</h2>"
    yield from _list(f"{file}: {state}: {text}" for file, state, text in found.unread)


def _units(units: tuple[str, ...]) -> str:
    named = [u for u in units if u]
    if not named:
        return "captures without a unit"
    more = f" and {len(named) - 8} more" if len(named) > 8 else ""
    return f"{many(len(named), 'unit')}: {', '.join(named[:8])}{more}"


def _list(items: Iterator[str]) -> Iterator[str]:
    texts = list(items)
    if not texts:
        yield "<p>None.</p>"
        return
    yield "<ul>" + "".join(f"<li>{escape(t)}</li>" for t in texts) + "</ul>"


def _story(row: Fact) -> str:
    """One interval: what is known of it, and how to see its capture."""
    where = " ".join(str(row[k]) for k in ("unit", "firmware", "test", "file") if row[k])
    told = [
        f"{row['fault']} ({row['severity']}), {row['role']}"
        + (f" of {row['cause']}" if row["role"] == "follow-on" else ""),
        _instants(row),
        f"ended: {row['how']}" if row["how"] else "not seen over",
        *(["masked by the configuration"] if row["masked"] else []),
        *(["the chip only reports it"] if row["reported_only"] else []),
        f"registers then: {row['registers']}",
        f"rows that show it: {row['seen']}"
        if row["seen"] is not None
        else f"every frame: gateword capture {shlex.quote(str(row['file']))}, with the map or stage of the survey",
    ]
    lines = "".join(f"<li>{escape(t)}</li>" for t in told)
    return f"<details><summary>{escape(str(row['fault']))}: {escape(where)} at {row['raised_s']} s</summary><ul>{lines}</ul></details>"


def _instants(row: Fact) -> str:
    def at(name: str) -> str:
        return "not known" if row[name] is None else f"{row[name]} s"

    return f"last clear {at('clear_s')}, seen raised {at('raised_s')}, cleared {at('cleared_s')}, seen clear {at('gone_s')}, for {at('duration_s')}"
