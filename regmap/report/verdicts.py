"""The part of a record about verdicts: the table, every derivation, the plots."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from ..assessment.stage import Assessment
from ..calc import SUBJECTS, WORDS, Inputs, Verdict
from ..calc.duty import DIRECTIONS, DUTIES, SIDES, Side
from ..calc.period import timeline
from ..calc.plot import plots
from ..calc.timelines import Timeline, Which, sources, timeline_of
from ..errors import CallError
from .page import Html, bar, code, facts, fold, join, safe, table, tag

Depends = Callable[[str], tuple[Mapping[str, str], Mapping[str, str]]]

CLASSES = {"fails": "fails", "low_margin": "low", "not_computed": "none", "holds": "holds"}

TITLES = {
    "gate": "Gate drive",
    "bootstrap": "Bootstrap",
    "charge-pump": "Charge pump",
    "deadtime": "Dead time",
    "vds": "VDS monitor",
    "overcurrent": "Overcurrent protection",
    "undervoltage": "Undervoltage protection",
    "overvoltage": "Overvoltage protection",
    "sense": "Current sense",
    "supply": "Supply",
    "thermal": "Temperatures",
    "watchdog": "Watchdog",
    "reaction": "Detection and reaction",
    "spi": "SPI",
}


def sign(status: str) -> Html:
    return tag("span", WORDS[status], cls=f"sign {CLASSES[status]}")


def percent(share: float | None) -> str:
    """A margin for people; nothing where there is no number."""
    if share is None or math.isnan(share):
        return ""
    if not math.isfinite(share):
        return "" if share > 0 else "no margin"
    if abs(share) >= 9.995:
        return ">+999 %" if share > 0 else "<-999 %"
    return f"{share * 100:+.1f} %" if abs(share) < 0.0995 else f"{share * 100:+.0f} %"


def limit(verdict: Verdict) -> Html | str:
    """The limit that decides, with its relation; else what is missing, else the reason."""
    if verdict.missing:
        return f"needs {verdict.missing[0]}" + (
            f" and {len(verdict.missing) - 1} more" if len(verdict.missing) > 1 else ""
        )
    if verdict.limit is None:
        return verdict.reason
    upper = verdict.worst_max or (verdict.worst_max is None and verdict.relation == "at most")
    return tag("span", f"{'at most' if upper else 'at least'} {verdict.worst_limit}", cls="fig")


def tally(result: Assessment) -> Html:
    """Four counters: never by colour alone."""
    counts = result.counts
    names = {
        "fails": "fail",
        "low_margin": "low margin: hold, with less than asked",
        "not_computed": "not computed",
        "holds": "hold",
    }
    return tag(
        "div",
        join(
            tag("div", tag("b", str(counts[s])), tag("span", names[s]), cls=f"t-{CLASSES[s]}")
            for s in names
        ),
        cls="tally",
    )


def overview(result: Assessment) -> Html:
    """All verdicts, worst first or by subject, as one chooses; without a script, so both are in the page."""
    first = _table(result.verdicts, "All verdicts, worst first", "worst")
    subjects = _table(
        sorted(result.verdicts, key=lambda v: v.check.split(".")), "All verdicts, by check", "named"
    )
    return join([_filter(result), first, subjects])


def _table(verdicts: Sequence[Verdict], caption: str, name: str) -> Html:
    rows = []
    for verdict in verdicts:
        share = verdict.relative
        margin: list[object] = [percent(share)]
        if share is not None and math.isfinite(share):
            margin.append(bar(share))
        link = tag("a", verdict.title, href=f"#v-{verdict.check}")
        rows.append(
            [
                sign(verdict.status),
                link,
                code(verdict.check),
                verdict.worst_value,
                limit(verdict),
                join(margin),
                f"class=s-{CLASSES[verdict.status]}",
            ]
        )
    return table(
        ["verdict", "what must hold", "check", "worst case", "limit", "margin"],
        rows,
        caption=caption,
        cls=f"dense verdicts {name}",
        right=[3, 5],
    )


def _filter(result: Assessment) -> Html:
    """Which verdicts are shown and in what order: by the style sheet alone, so that it works without
    scripts; print shows all, worst first."""
    counts = result.counts
    options = [("all", f"all {len(result.verdicts)}")]
    options += [
        (CLASSES[s], f"{WORDS[s]} {counts[s]}") for s in CLASSES if counts[s] and s in WORDS
    ]
    orders = [("worst", "worst first"), ("named", "by check")]
    return join([_choice("show", "Show", options), _choice("order", "Order", orders)])


def _choice(name: str, legend: str, options: Sequence[tuple[str, str]]) -> Html:
    """Buttons of which one is pressed, the first at the beginning."""
    choices = []
    for index, (ident, text) in enumerate(options):
        state = "" if index else ' checked=""'
        button = Html(f'<input type="radio" name="{name}" id="{name}-{ident}"{state}/>')
        choices.append(tag("label", button, " ", text))
    return tag("fieldset", tag("legend", legend), join(choices, " "), cls="filter")


def derivations(result: Assessment, depends: Depends, *, unfold: bool) -> Html:
    """Every verdict with formula, inputs with origin, steps, sources, corner and what moves it, folded, by subject.

    `depends` tells of a check the settings and the stage's values that move it, each with what it is now.
    """
    parts: list[Html] = []
    found = dict.fromkeys(v.check.partition(".")[0] for v in result.verdicts)
    for subject in dict.fromkeys((*SUBJECTS, *found)):  # those of outside checks come last
        here = [v for v in result.verdicts if v.check.partition(".")[0] == subject]
        here.sort(key=lambda v: v.check.split("."))
        if here:
            parts.append(tag("h3", TITLES.get(subject, subject)))
            parts += [derivation(v, *depends(v.check), unfold=unfold) for v in here]
    return join(parts, "\n")


def derivation(
    verdict: Verdict,
    settings: Mapping[str, str],
    values: Mapping[str, str],
    *,
    unfold: bool = False,
) -> Html:
    """One verdict from its inputs to its margin."""
    head = join(
        [sign(verdict.status), verdict.title, " ", tag("span", percent(verdict.relative), cls="r")]
    )
    pairs: list[tuple[object, object]] = [
        ("check", code(verdict.check)),
        ("formula", code(verdict.formula)),
    ]
    if verdict.corner:
        pairs.append(("worst corner", verdict.corner))
    if verdict.missing:
        pairs.append(("missing", ", ".join(verdict.missing)))
    for what, moving in (
        ("settings that move it", settings),
        ("stage values that move it", values),
    ):
        told = join((Html(f"{code(n)} {safe(v)}") for n, v in moving.items()), ", ")
        pairs.append((what, told or "none"))
    rows = [
        [code(v.symbol), v.text(), (v.origin.origin if v.origin else "") or v.note]
        for v in verdict.inputs
    ]
    inputs = (
        table(
            ["input", "min / typ / max", "where it comes from"],
            rows,
            caption=f"Inputs of {verdict.check}",
        )
        if rows
        else Html("")
    )
    lines = verdict.steps  # worked out at each call
    steps = tag("pre", "\n".join(lines)) if lines else Html("")
    sources = tag(
        "p", "Sources: ", "; ".join(f"{s.symbol}: {s.source}" for s in verdict.sources), cls="note"
    )
    shown = sources if verdict.sources else Html("")
    return fold(head, facts(pairs), inputs, steps, shown, ident=f"v-{verdict.check}", unfold=unfold)


def drawings(inputs: Inputs) -> Html:
    """The plots that the inputs allow; what is left out is said."""
    left_out: list[str] = []
    try:
        drawn = plots(inputs, left_out)
    except CallError as error:
        return tag("p", f"No plot can be drawn: {error}.", cls="note")
    figures = {name: tag("figure", Html(svg.strip())) for name, svg in drawn.items()}
    periods = [name for name in figures if name.startswith("period-")]
    others = [figures[name] for name in figures if name not in periods]
    notes = [tag("p", f"Left out: {reason}.", cls="note") for reason in left_out]
    told = [_phases(timeline_of(inputs, way)) for way in _WAYS if _WAYS[way] in drawn]
    for side in SIDES:
        here = [figures[name] for name in periods if name.startswith(f"period-{side}-")]
        if here:
            told.append(
                tag(
                    "h3",
                    f"PWM period of the {side} side, by duty of the high side and direction of the current",
                )
            )
            told.append(tag("div", join(here, "\n"), cls="pair"))
            told.append(_period(inputs, side))
    return join([tag("div", join(others, "\n"), cls="pair"), *told, *notes])


def _period(inputs: Inputs, side: Side) -> Html:
    """The instants of one side at each duty and for both directions of the current: what the pictures show, in words."""
    shown = [timeline(inputs, side, duty=d, current=c) for d in DUTIES for c in DIRECTIONS]
    names: dict[tuple[str, str], None] = {}
    for found in shown:
        names.update({(i.phase, i.name): None for i in found.instants})
    phases = ("on", "sense", "off")
    rows: list[list[object]] = []
    for phase, name in sorted(names, key=lambda k: phases.index(k[0])):
        times = [
            next((i.time.text() for i in p.instants if (i.phase, i.name) == (phase, name)), "")
            for p in shown
        ]
        rows.append([f"turn-off: {name}" if phase == "off" else name, *times])
    held = dict.fromkeys((limit.of, limit.name) for p in shown for limit in p.limits)
    for of, name in held:
        spare = [
            next((x.spare_text for x in p.limits if (x.of, x.name) == (of, name)), "")
            for p in shown
        ]
        rows.append([f"{of}, limit {name}", *spare])
    if any(p.idle for p in shown):
        rows.append(["no edges", *(p.idle for p in shown)])
    head = ["instant", *(f"{p.told_duty}, current {p.current}" for p in shown)]
    caption = f"PWM period of the {side} side, from the input edge on: min / typ / max"
    return table(head, rows, caption=caption, cls="dense")


#: timelines that are told in words too, by the name of their picture
_WAYS: dict[Which, str] = {"startup": "start-up", "sleep": "sleep"}


def _phases(found: Timeline) -> Html:
    """A start or the way to sleep as a table: what its picture shows, for who cannot see it."""
    entries = [e for g in found.groups for e in g.entries]
    entries += [found.end] if found.end is not None else []
    rows = [
        [
            e.name,
            e.time.text(),
            "" if e.span is None else e.span.text(),
            "; ".join(sources(e.span)) if e.span is not None else "",
        ]
        for e in entries
    ]
    limit = "" if found.limit is None else f"; limit {found.limit.text()}"
    head = ["phase", f"ends, {found.counted}: min / typ / max", "takes", "where it comes from"]
    return table(head, rows, caption=f"{found.title}, {found.counted}{limit}")
