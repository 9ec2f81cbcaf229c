"""Answers of several lines: help, options, verdicts, sweeps, comparisons, frames taken apart."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from regmap.calc.verdict import WORDS as VERDICTS
from regmap.cautions import CAUTION
from regmap.chip.bank import find
from regmap.chip.model import Chip, Field
from regmap.chip.values import Reading
from regmap.draft import (
    Apart,
    Comparison,
    Draft,
    Hit,
    ModeDrafts,
    explain_words,
    label_of,
    sequence_lines,
)
from regmap.quantity import many, show
from regmap.stages.grammar import AS_STATED

from ..context import Context, columns, hexword, wrap
from .pictures import margin_bar
from .vocabulary import KEYS, MODE_HELP, MODE_WORDS, PLACES, WORDS, Row, Sheet

if TYPE_CHECKING:
    from collections.abc import Mapping

    from regmap.calc import Verdict

MARKS = {"fails": "bad", "low_margin": "warn", "not_computed": "dim", "holds": "good"}


def plain_context(width: int) -> Context:
    """A context whose text has no colour, `width` columns wide."""

    class _Wide(Context):
        @property
        def width(self) -> int:
            return width

    return _Wide(
        stdin=io.StringIO(), stdout=io.StringIO(), stderr=io.StringIO(), environ={}, no_color=True
    )


def share(verdict: Verdict | None) -> str:
    """The margin as a share of the limit, as `+4.2 %`."""
    if verdict is None or verdict.relative is None:
        return "--"
    if abs(verdict.relative) > 99.99:
        return "> 9999 %" if verdict.relative > 0 else "none"
    return f"{100 * verdict.relative:+.3g} %"


def band_text(reading: Reading) -> str:
    """`48 mA..72 mA`, where the value has tolerances."""
    band = reading.band
    if band is None or band.exact:
        return ""
    return f"{show(band.low, band.dim)}..{show(band.high, band.dim)}"


def note_text(reading: Reading) -> str:
    """What stands behind an option's name: its value, or the map's words."""
    if not reading.defined:
        return "not defined in the map"
    value = show(reading.band.typ, reading.band.dim) if reading.band is not None else ""
    return value if value and value != label_of(reading) else reading.text


def help_sheet(place: str, topic: str = "", width: int = 80, *, modes: bool = False) -> Sheet:
    if topic in WORDS:
        word = WORDS[topic]
        return Sheet(f"help {topic}", (Row(word.usage, mark="head"), Row("  " + word.text)))
    here = PLACES.get(place, PLACES["list"])
    rows = [Row(here.title, mark="head")]
    for line in (*here.lines, *(MODE_HELP if modes else ())):
        rows += [Row(text) for text in wrap(line, width - 2, "  ").splitlines()]
    if place != "lines":
        rows.append(Row("Keys that work everywhere", mark="head"))
        rows += [Row("  " + line) for line in KEYS]
    rows.append(Row("Words you can type", mark="head"))
    rows += [
        Row("  " + line)
        for line in columns(
            [[w.usage, w.text] for w in WORDS.values() if modes or w.name not in MODE_WORDS]
        )
    ]
    rows.append(
        Row(
            CAUTION,
            mark="dim",
        )
    )
    return Sheet("where you are", tuple(rows))


def modes_sheet(drafts: ModeDrafts) -> Sheet:
    """What differs between the modes, side by side; Enter begins a change in the mode of its line."""
    found = list(drafts.differing().values())
    now = drafts.mode or AS_STATED
    counts = {n: drafts.of("" if n == AS_STATED else n).assess().counts for n in drafts.names}
    table = [["", *drafts.names]]
    table.append(["verdicts", *(_told(counts[n]) for n in drafts.names)])
    table += [[d.name, *(d.texts[n] for n in drafts.names)] for d in found]
    lines = columns(table)
    rows = [Row(lines[0], mark="head"), Row(lines[1])]
    rows += [
        Row(line, f"type in {now} set {d.name} ") for line, d in zip(lines[2:], found, strict=True)
    ]
    rows.append(Row("each mode by itself", mark="head"))
    rows += [
        Row(f"  {'>' if n == now else ' '} {n}  {_title_of(drafts, n)}".rstrip(), f"in {n}")
        for n in drafts.names
    ]
    rows += [
        Row(f"    {d.name} in {n}: {d.texts[n]}", f"type in {n} set {d.name} ")
        for n in drafts.names
        for d in found
    ]
    return Sheet(
        f"{len(drafts.names)} modes, {many(len(found), 'value')} not the same in all; `in MODE` edits another",
        tuple(rows),
        "edits that mode, or begins a change",
    )


def _told(counts: Mapping[str, int]) -> str:
    return f"{counts['fails']} fail, {counts['low_margin']} low"


def _title_of(drafts: ModeDrafts, name: str) -> str:
    stage = drafts.base.saved
    return stage.modes[name].mode_title if name in stage.modes else ""


def options_sheet(draft: Draft, name: str) -> Sheet:
    now = draft.bank.code(name)
    item = find(draft.chip, name)
    width = item.width if item is not None else 1
    readings = draft.options(name)
    rows = [["", "code", "bits", "option", "from..to", ""]]
    for r in readings:
        rows.append(
            [
                ">" if r.code == now else "",
                str(r.code),
                f"{r.code:0{width}b}",
                label_of(r),
                band_text(r),
                note_text(r),
            ]
        )
    lines = columns(rows, right=[1])
    acts = ["", *(f"set {name} 0x{r.code:X}" for r in readings)]
    summary = getattr(item, "summary", "")
    return Sheet(
        f"{name}: {summary}",
        tuple(Row(t, a, "" if a else "dim") for t, a in zip(lines, acts, strict=True)),
        "accepts this option",
        next((i for i, r in enumerate(readings, 1) if r.code == now), 1),
    )


def hits_sheet(text: str, hits: Sequence[Hit]) -> Sheet:
    lines = columns([[h.kind, h.name, h.text] for h in hits])
    return Sheet(
        f"{len(hits)} found for {text!r}",
        tuple(Row(t, f"go {h.target}") for t, h in zip(lines, hits, strict=True)),
        "goes there",
    )


def verdicts_sheet(draft: Draft, *, everything: bool) -> Sheet:
    found = draft.assess()
    shown = [v for v in found.verdicts if everything or v.status != "holds"]
    rows = [
        Row(line, f"why {v.check}", MARKS[v.status])
        for line, v in zip(verdict_lines(shown), shown, strict=True)
    ]
    rows += [Row(f"waived  {v.check}: {why}", mark="dim") for v, why in found.waived]
    rows += [
        Row(f"rule {r.name} is broken: {r.require} ({r.because})", mark="bad")
        for r in draft.broken_rules()
    ]
    missing = sorted({n for v in shown for n in v.missing})
    if missing:
        rows.append(Row("not computed for want of " + ", ".join(missing), mark="dim"))
    counts = found.counts
    hidden = "" if everything else "; `verdicts all` shows those that hold, too"
    title = f"verdicts: {counts['fails']} fail, {counts['low_margin']} low margin, {counts['not_computed']} not computed, {counts['holds']} hold{hidden}"
    return Sheet(title, tuple(rows) or (Row("Every verdict holds."),), "opens the verdict")


def verdict_lines(verdicts: Iterable[Verdict]) -> list[str]:
    return columns([[VERDICTS[v.status], share(v), v.title, v.check] for v in verdicts], right=[1])


def changes_sheet(draft: Draft) -> Sheet:
    rows = columns(
        [
            [c.name, c.before, "->", c.after, "" if c.new is not None else "(not stated any more)"]
            for c in draft.changes()
        ]
    )
    names = [c.name for c in draft.changes()]
    return Sheet(
        f"{len(rows)} not saved",
        tuple(
            Row(t, f"inputs {n}" if draft.is_input(n) else f"go {n}")
            for t, n in zip(rows, names, strict=True)
        )
        or (Row("Everything is saved."),),
        "goes there",
    )


def comparison_sheet(found: Comparison) -> Sheet:
    def label(reading: Reading | None) -> str:
        return reading.label if reading is not None else "not known"

    table = [["setting", found.what, "", "draft"]]
    table += [[c.field.ref, label(c.old), "->", label(c.new)] for c in found.changes]
    lines = columns(table)
    acts = ["", *(f"go {c.field.ref}" for c in found.changes)]
    rows = (
        [Row(t, a, "" if a else "dim") for t, a in zip(lines, acts, strict=True)]
        if found.changes
        else [Row("No setting differs.")]
    )
    rows += [Row(f"note: {n}", mark="dim") for n in found.notes]
    if found.changes:
        rows.append(
            Row(
                f"`accept` puts {many(len(found.changes), 'value')} of {found.what} into the draft",
                "accept",
                "mark",
            )
        )
    return Sheet(
        f"draft against {found.what}: {len(found.changes)} differ", tuple(rows), "goes there"
    )


def sequence_sheet(draft: Draft) -> Sheet:
    lines = sequence_lines(draft.chip, draft.plan())
    rows = [Row(t, mark="dim" if t.startswith("#") else "") for t in lines]
    return Sheet(
        "every frame to send, in order; `copy sequence` copies it, `copy sequence to FILE` writes it",
        tuple(rows),
    )


def apart_sheet(chip: Chip, apart: Apart) -> Sheet:
    sent = apart.sent
    layout = (
        sent.frame.command
        if sent is not None
        else apart.answer.layout
        if apart.answer is not None
        else None
    )
    parts = (
        sent.parts if sent is not None else apart.answer.parts if apart.answer is not None else {}
    )
    length = layout.length if layout is not None else 16
    what = _what(apart)
    rows: list[Row] = []
    if layout is not None:
        rows.append(
            Row(
                "parts   "
                + "  ".join(f"{p.name} {parts[p.name]:0{p.width}b}" for p in layout.parts)
            )
        )
    rows += [Row(f"REJECTED: {text}", mark="bad") for text in apart.flaws]
    if apart.flaws:
        rows.append(Row("a frame that is rejected says nothing; it cannot be accepted", mark="dim"))
    drafted = {c.field.ref: f"draft has {c.old.label}" for c in apart.changes if c.old}
    table = [[name, r.label, drafted.get(name, "")] for name, r in apart.fields]
    rows += [
        Row("  " + line, f"go {name}")
        for line, (name, _) in zip(columns(table), apart.fields, strict=True)
    ]
    if apart.takeable:
        count = len([c for c in apart.changes if c.field.setting])
        rows.append(
            Row(
                f"`accept` puts it into the draft: {many(count, 'setting')} to change",
                "accept",
                "mark",
            )
        )
    elif apart.fields and not apart.flaws:
        rows.append(Row("nothing to accept: the draft holds these settings already", mark="dim"))
    del chip
    return Sheet(
        f"{hexword(apart.word, length)}  {what}",
        tuple(rows),
        "accepts it" if apart.takeable else "goes there",
    )


def _what(apart: Apart) -> str:
    if apart.answer is not None:
        return f"reply to read {apart.register.name if apart.register else '?'}"
    sent = apart.sent
    if sent is None:
        return ""
    if sent.command is not None:
        return f"command {sent.kind}"
    if apart.register is None:
        where = (
            f"address 0x{sent.address:X}, which the map does not have"
            if sent.address is not None
            else "nothing the map knows"
        )
        return f"{sent.kind} {where}"
    value = f" = {hexword(apart.data, apart.register.width)}" if apart.data is not None else ""
    return f"{sent.kind} {apart.register.name}{value}"


def faults_sheet(draft: Draft, words: Mapping[str, int], width: int) -> Sheet:
    from ..explain import explanation_lines

    result = explain_words(draft, words)
    lines = explanation_lines(draft.chip, result, plain_context(width))
    rows = [
        Row(t, mark="bad" if t.lstrip().startswith(("STOP", "follows: STOP", "wiring")) else "")
        for text in lines
        for t in text.splitlines()
    ]
    return Sheet("what these words say, first cause first", tuple(rows))


def known_faults_sheet(draft: Draft) -> Sheet:
    from regmap.behaviour.faults import status_registers

    faults = list(draft.chip.faults.values())
    lines = columns([[f.name, f.ref, f.severity, f.title] for f in faults])
    words = " ".join(f"{n}=0x..." for n in status_registers(draft.chip))
    rows = [Row(f"type or paste what you read: explain {words}", mark="mark")]
    rows += [Row(t, f"go {f.ref}") for t, f in zip(lines, faults, strict=True)]
    return Sheet(f"{len(faults)} faults this chip can report", tuple(rows), "tells of it")


def sweep_sheet(draft: Draft, name: str, *, drawn: bool = False) -> Sheet:
    result = draft.sweep(name)
    best = result.best
    telling = [
        n
        for n in result.moved
        if len({r.verdicts[n].status for r in result.rows if n in r.verdicts}) > 1
    ]
    titles = {n: next(r.verdicts[n].title for r in result.rows if n in r.verdicts) for n in telling}
    head = ["", "code", "option", "smallest margin", *([""] if drawn else [])]
    table = [[*head, "which verdicts do not hold"]]
    for row in result.rows:
        bad = [
            f"{VERDICTS[v.status]} [{telling.index(n) + 1}]"
            for n, v in row.verdicts.items()
            if n in telling and v.status in ("fails", "low_margin")
        ]
        bad += [f"rule {r}" for r in row.broken_rules]
        worst = f"{100 * row.worst:+.3g} %" if row.verdicts and abs(row.worst) < 1e3 else "--"
        bar = margin_bar(row.worst, 12) if drawn and row.verdicts else ""
        mark = ("best" if row is best else "") + (" now" if row.current else "")
        table.append(
            [
                mark.strip(),
                str(row.reading.code),
                label_of(row.reading),
                worst,
                *([bar] if drawn else []),
                " ".join(bad),
            ]
        )
    lines = columns(table, right=[1, 3])
    rows = [Row(lines[0], mark="dim")]
    for line, row in zip(lines[1:], result.rows, strict=True):
        statuses = {v.status for v in row.verdicts.values()}
        mark = (
            "bad"
            if "fails" in statuses or row.broken_rules
            else "warn"
            if "low_margin" in statuses
            else ""
        )
        rows.append(Row(line, f"set {name} 0x{row.reading.code:X}", mark))
    rows += [Row(f"[{i}] {titles[n]}", mark="dim") for i, n in enumerate(telling, 1)]
    if not result.moved:
        rows.append(Row(f"{name} changes no verdict", mark="dim"))
    return Sheet(
        f"sweep of {name}: {len(result.moved)} verdicts change, {result.unmoved} do not",
        tuple(rows),
        "accepts this option",
        next((i for i, r in enumerate(result.rows, 1) if r.current), 1),
    )


def settable(chip: Chip, name: str) -> bool:
    """Whether a name stands for something that can be set."""
    item = find(chip, name)
    if isinstance(item, Field):
        return item.setting and not chip.registers[item.register].complement_of
    return item is not None
