"""A verdict opened: what it says, how it comes about, and all that it depends on, each to be changed from there."""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.calc.verdict import WORDS as VERDICTS
from regmap.calc.verdict import Verdict
from regmap.draft import Draft, InputPreview, label_of
from regmap.errors import CallError, closest
from regmap.parameters import STAGE

from ..check import derivation
from ..context import columns, wrap
from .sheets import MARKS, plain_context, share
from .vocabulary import Row, Sheet

if TYPE_CHECKING:
    from collections.abc import Iterable

    from regmap.draft.steps import Effect


def verdict_named(draft: Draft, text: str) -> Verdict:
    """The verdict of this name, or the only one that begins so. Raises CallError with the nearest."""
    found = draft.assess()
    verdicts = [*found.verdicts, *(v for v, _ in found.waived)]
    exact = [v for v in verdicts if v.check == text]
    begun = exact or [v for v in verdicts if v.check.startswith(text)]
    if len(begun) == 1:
        return begun[0]
    if begun:
        names = ", ".join(v.check for v in begun[:6])
        raise CallError(f"{text!r} could be {names}{', ...' if len(begun) > 6 else ''}")
    raise CallError(f"no verdict {text[:40]!r}", nearest=closest(text, [v.check for v in verdicts]))


def verdict_sheet(draft: Draft, verdict: Verdict, width: int) -> Sheet:
    """Value, limit, margin and corner first, then what can be changed, then the derivation."""
    inner = width - 2
    rows = [Row(t, mark=MARKS[verdict.status]) for t in wrap(verdict.title, inner).splitlines()]
    told = [["verdict", VERDICTS[verdict.status]], ["margin", share(verdict)]]
    if verdict.value is not None:
        told.append(["value", verdict.worst_value])
    if verdict.limit is not None:
        relation = "at most" if verdict.worst_max else "at least"
        told.append(["limit", f"{relation} {verdict.worst_limit}"])
    if verdict.corner:
        told.append(["worst corner", verdict.corner])
    rows += [Row("  " + t) for t in columns(told, fold=inner - 2)]
    rows += _why_waived(draft, verdict, inner)
    settings, values = draft.decides(verdict.check)
    rows.append(
        Row(f"depends on {len(settings)} settings and {len(values)} stage values", mark="head")
    )
    rows += _changeable(
        [
            (
                name,
                label_of(r) if (r := draft.reading(name)) is not None else "?",
                f"try {name}",
                "Enter tries its options",
            )
            for name in settings
        ],
        inner,
    )
    rows += _changeable(
        [(n, draft.value_text(n), f"type set {n} ", f"set {n} VALUE") for n in values], inner
    )
    rows.append(Row("how it comes about", mark="head"))
    rows += [
        Row("  " + line)
        for text in derivation(verdict, plain_context(inner - 2))[1:]
        for line in text.splitlines()
    ]
    return Sheet(
        f"{verdict.check}: {VERDICTS[verdict.status]} {share(verdict)}",
        tuple(rows),
        "changes it, with the effect shown first",
        0,
    )


def _why_waived(draft: Draft, verdict: Verdict, width: int) -> list[Row]:
    why = next((w for v, w in draft.assess().waived if v.check == verdict.check), "")
    return (
        [Row(t, mark="warn") for t in wrap(f"waived: {why}", width, "  ").splitlines()]
        if why
        else []
    )


def _changeable(found: list[tuple[str, str, str, str]], width: int) -> list[Row]:
    lines = columns([[name, value, hint] for name, value, _, hint in found])
    return [
        Row(f"  {line}" if len(line) + 2 <= width else f"  {name}  {value}", action)
        for line, (name, value, action, _) in zip(lines, found, strict=True)
    ]


def inputs_sheet(draft: Draft, text: str, width: int) -> Sheet:
    """The values of the power stage, those that hold `text` in their name or meaning; Enter begins a change."""
    wanted = text.casefold()
    changed = draft.inputs
    found = []
    for name in draft.stage.params:
        doc = STAGE[name].doc if name in STAGE else ""
        if wanted in name.casefold() or wanted in doc.casefold():
            found.append((name, draft.value_text(name), doc))
    table = columns([["*" if n in changed else "", n, v, d] for n, v, d in found], fold=width - 2)
    rows: list[Row] = []
    names = iter(found)
    for line in table:
        fresh = bool(line[:3].strip(" *")) or (len(line) > 3 and line[3] != " ")
        name = next(names)[0] if fresh else ""
        rows.append(Row(line, f"type set {name} " if name else ""))
    missing = sorted({m for v in draft.assess().verdicts for m in v.missing if m in STAGE})
    if missing and not text:
        rows.append(Row("not stated, and asked for by a verdict", mark="head"))
        rows += [Row(f"   {m}  {STAGE[m].doc}", f"type set {m} ") for m in missing]
    return Sheet(
        f"{len(found)} values of the power stage; `set pwm.frequency 30 kHz` changes one",
        tuple(rows) or (Row(f"no value of this stage is called {text!r} or speaks of it"),),
        "begins a change",
    )


def describe_input(seen: InputPreview, opened: str = "") -> str:
    """A considered stage value in a sentence: what was, what turns, and the margin of the verdict that is open."""
    text = f"enter sets {seen.name} to {seen.text} (now {seen.before})"
    text += turning(seen.effects, opened)
    return "; ".join((text, *seen.notes))


def turning(effects: Iterable[Effect], opened: str = "") -> str:
    """`; check holds -> fails, ...`: the open verdict with its margins first, then what turns."""
    found = list(effects)
    parts = [
        f"{e.verdict.check} {share(e.before)} -> {share(e.after)}"
        for e in found
        if e.verdict.check == opened
    ]
    turns = [e for e in found if e.turns and e.before is not None and e.after is not None]
    parts += [
        f"{e.verdict.check} {e.before.status.replace('_', ' ')} -> {e.after.status.replace('_', ' ')}"
        for e in turns[:2]
        if e.before and e.after
    ]
    text = "; " + ", ".join(parts) if parts else ""
    return text + (f" and {len(turns) - 2} more turn" if len(turns) > 2 else "")
