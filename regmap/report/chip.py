"""The part of a record about the chip: settings, register words, frames, faults, known frames."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

from ..assessment.stage import Assessment, timing_of
from ..behaviour.hazards import hazards_of, warned
from ..behaviour.settings import Action, bring_up_sequence, setting_registers
from ..calc.corner import show_value
from ..calc.inputs import default
from ..chip.bank import Bank, find, registers_of
from ..chip.bits import extract, hexword
from ..chip.model import Access, Chip, Field, Register
from ..chip.values import Choice, Reading, read
from ..errors import CallError
from ..maps.proof import place_of
from ..maps.vet import prove
from ..parameters import ROLES
from ..quantity import show
from ..stages.identity import identity as identity_of
from ..stages.load import Stage
from .page import Html, code, facts, join, table, tag
from .verdicts import percent

_NOBODY = "no reaction needed"
_HOW = {"chip": "the chip", "pin": "controller, by the fault pin", "poll": "controller, by polling"}


def settings(stage: Stage, read_back: Mapping[str, tuple[int | None, str]] | None = None) -> Html:
    """What was asked for, what the chip can do, the difference, and where it is written.

    `read_back` is what a capture shows of each register: then a column tells what it read.
    """
    rows = []
    bank = stage.bank
    for setting in stage.settings:
        item = find(stage.chip, setting.name)
        role = getattr(item, "role", "")
        reading = bank.reading(setting.name) or setting.choice.reading
        rows.append(
            [
                code(setting.name),
                ROLES[role].doc if role else getattr(item, "summary", ""),
                setting.asked,
                *chosen(reading, role),
                str(reading.code),
                _with_why(setting.choice),
                *([_read_back(stage, setting.name, reading, read_back)] if read_back else []),
                setting.origin,
            ]
        )
    head = [
        "setting",
        "meaning",
        "wanted",
        "chosen",
        "min / typ / max",
        "code",
        "error",
        "set at",
    ]
    return table(
        head,
        rows,
        caption="Settings: wanted, chosen, error",
        cls="dense settings",
        right=[5],
    )


def _read_back(
    stage: Stage, name: str, wanted: Reading, shown: Mapping[str, tuple[int | None, str]]
) -> object:
    """What the capture's registers hold of a setting, with a sign where it is another value."""
    registers = registers_of(stage.chip, name)
    bank = stage.bank.copy()
    for register in registers:
        word, verdict = shown.get(register, (None, "not seen"))
        if word is None:
            return verdict
        bank.learn(register, word)
    if not registers:
        return ""
    reading = bank.reading(name)
    if reading is None:
        return "not seen"
    same = reading.code == wanted.code
    return join(
        [
            tag("span", "same" if same else "OTHER", cls=f"sign {'holds' if same else 'fails'}"),
            "" if same else f" {reading.label}",
        ]
    )


def chosen(reading: Reading, role: str) -> tuple[str, str]:
    """The choice by name or typical value, and its whole band with units."""
    band = reading.band
    if band is None:
        return reading.label, ""
    dimension = ROLES[role].dimension if role else None
    unit = {"percent": "%", "gain": "V/V"}.get(dimension or "")
    low, typ, high = (show(v, band.dim, 4, unit) for v in (band.low, band.typ, band.high))
    named = (
        f"{reading.name} ({typ})" if reading.name and reading.name != typ.replace(" ", "") else typ
    )
    return named, f"{low} / {typ} / {high}" if band.low != band.high else ""


def error(share: Fraction | None) -> str:
    """How far the chosen value is from the one asked for."""
    if share is None:
        return ""
    return "0" if not share else f"{float(share) * 100:+.2g} %"


def _with_why(choice: Choice) -> str:
    return error(choice.error) + (f": {choice.why}" if choice.why else "")


def left_at_reset(stage: Stage) -> Html:
    """Fields with a role that the stage does not state: they stand at reset, and count."""
    stated = {s.name for s in stage.settings}
    for name in list(stated):
        joined = stage.chip.joined.get(name)
        if joined is not None:
            stated |= {f"{r}.{f}" for r, f in joined.fields}
    bank = stage.bank
    rows = []
    for register in stage.chip.registers.values():
        for field in register.fields:
            if (
                field.setting
                and field.role
                and field.ref not in stated
                and field.access is not Access.WO
            ):
                reading = bank.reading(field.ref)
                rows.append(
                    [
                        code(field.ref),
                        ROLES[field.role].doc,
                        chosen(reading, field.role)[0] if reading else "unknown",
                    ]
                )
    if not rows:
        return Html("")
    return join(
        [
            tag("h3", "Not set, so at reset"),
            table(["field", "meaning", "value"], rows, caption="Fields at reset"),
        ]
    )


def registers(stage: Stage) -> Html:
    """Every register with settings as a strip of its fields; what differs from reset is marked."""
    bank = stage.bank
    found = setting_registers(stage.chip)
    strips = join((_strip(stage.chip, r, bank) for r in found), "\n")
    return tag("div", strips, cls="pair" if all(r.width <= 8 for r in found) else "")


def _strip(chip: Chip, register: Register, bank: Bank) -> Html:
    word = bank.words[register.name]
    frame = chip.default_frame(register).command.of_kind("address")
    address = hexword(register.address, frame.width if frame is not None else 8)
    segments = []
    bit = register.width - 1
    while bit >= 0:
        field = next((f for f in register.fields if bit in f.bits), None)
        low = bit
        while low > 0 and next((f for f in register.fields if low - 1 in f.bits), None) is field:
            low -= 1
        segments.append(_segment(field, register, word, bit, low, bank))
        bit = low - 1
    page = f", page {register.page}" if register.page is not None else ""
    reset = (
        f"reset {hexword(register.reset, register.width)}"
        if word != register.reset
        else "as at reset"
    )
    head = tag(
        "p",
        tag("b", register.name),
        f" at {address}{page}: " if chip.addressed(register) else f" ({chip.place_of(register)}): ",
        code(hexword(word, register.width)),
        f", {reset}",
        tag("span", f". {register.summary}" if register.summary else "", cls="note"),
    )
    return tag("div", head, tag("div", join(segments), cls="strip"), cls="reg")


def _segment(
    field: Field | None, register: Register, word: int, high: int, low: int, bank: Bank
) -> Html:
    bits = str(high) if high == low else f"{high}..{low}"
    # a share of the strip by its bits, with room enough for a name
    style = f"flex:{2 + high - low} 1 0"
    if field is None:
        return tag("div", tag("b", bits), "reserved", cls="seg res", style=style)
    now, reset = extract(word, field.bits), extract(register.reset, field.bits)
    value = chosen(read(field, now, bank), field.role)[0]
    return tag(
        "div",
        tag("b", bits),
        f"{field.name} ",
        tag("strong", value),
        cls="seg moved" if now != reset else "seg",
        style=style,
    )


def frames(stage: Stage) -> Html:
    """Every frame from power-up to locked, in order."""
    try:
        actions = bring_up_sequence(stage.chip, stage.bank)
    except CallError as problem:
        return tag("p", f"No bring-up sequence: {problem}.")
    rows = []
    shown = ""
    for number, action in enumerate(actions, 1):
        name = action.sequence.replace("_", " ") if action.sequence != shown else ""
        shown = action.sequence
        rows.append([str(number), name, action.text, _word(action), _expected(action), action.why])
    shown_first = warned(hazards_of(actions))
    return join(
        [
            tag("p", "; ".join(shown_first), cls="caution") if shown_first else Html(""),
            table(
                ["no.", "step", "what", "word sent", "answer holds", "why"],
                rows,
                caption="Frames in write order",
                right=[0],
            ),
        ]
    )


def _word(action: Action) -> Html:
    return (
        code(hexword(action.sent.word, action.sent.bits)) if action.sent is not None else Html("")
    )


def _expected(action: Action) -> object:
    if action.expect is None or action.sent is None or action.sent.register is None:
        return ""
    width = action.sent.register.width
    full = (1 << width) - 1
    mask = "" if action.mask == full else f" under {hexword(action.mask, width)}"
    return code(f"{hexword(action.expect, width)}{mask}")


def faults(stage: Stage, result: Assessment) -> Html:
    """Every fault: who reacts, in what time against the interval, and what hides it."""
    verdicts = {v.check: v for v in [*result.verdicts, *(w for w, _ in result.waived)]}
    bank = stage.bank
    rows = []
    for fault in stage.chip.faults.values():
        timing = timing_of(fault, stage.chip, bank)
        verdict = verdicts.get(f"reaction.time.{fault.name}")
        time = margin = ""
        if verdict is not None and verdict.value is not None:
            time, margin = verdict.value.text("max"), percent(verdict.relative)
        elif verdict is not None and verdict.missing:
            time = "not known"
        who = (
            "for information"
            if fault.normal_at_power_up or fault.summary_of
            else _HOW[timing.how]
            if timing.needed
            else _NOBODY
        )
        hidden = (
            Html(tag("span", "MASKED", cls="sign fails") + " by " + code(timing.masked_by))
            if timing.masked_by
            else ""
        )
        if timing.reported_by:
            only = Html(
                tag("span", "REPORTED ONLY", cls="sign low") + " by " + code(timing.reported_by)
            )
            hidden = join([hidden, " ", only]) if hidden else only
        rows.append(
            [
                code(fault.name),
                join([fault.title, " ", tag("span", f"({fault.severity})", cls="note")]),
                who,
                time,
                margin,
                hidden,
                "class=apart" if not timing.needed else "class=",
            ]
        )
    return table(
        [
            "fault",
            "what it is",
            "who reacts",
            "detected and handled",
            "margin",
            "hidden or only reported",
        ],
        rows,
        caption="Faults: who reacts, and in which time",
        right=[4],
    )


def known_frames(chip: Chip) -> tuple[Html, int]:
    """The data sheet's own examples against the map, and how many are not reproduced."""
    if not chip.known_frames:
        return tag(
            "p", "The map holds no examples of its data sheet, so nothing proves its frames."
        ), 0
    broken: dict[tuple[str, int], list[str]] = {}
    for problem in prove(chip):
        broken.setdefault((problem.place.file, problem.place.line), []).append(problem.found)
    rows = []
    wrong = 0
    for known in chip.known_frames:
        place = place_of(known.origin)
        problems = broken.get((place.file, place.line), [])
        wrong += bool(problems)
        length = chip.default_frame().length
        words = [
            f"{name} {hexword(w, length)}"
            for name, w in (("sent", known.command), ("reply", known.reply))
            if w is not None
        ]
        state = (
            tag("span", "differs", cls="sign fails")
            if problems
            else tag("span", "proven", cls="sign holds")
        )
        rows.append([state, known.does, code(", ".join(words)), known.source, "; ".join(problems)])
    return table(
        ["proof", "what it does", "words", "where it stands", "difference"],
        rows,
        caption="Known frames of the map",
    ), wrong


def identity(stage: Stage, others: Iterable[tuple[object, object]] = ()) -> Html:
    """What exactly was reviewed; `others` are further facts."""
    chip = stage.chip
    named = identity_of(stage)
    which = [f"map {m.name}" for m in named.maps if m.invented]
    which += [f"stage {stage.name}"] if stage.invented else []
    verb = "is" if len(which) == 1 else "are"
    invented = f"Invented, describing no real product, {verb}: {', '.join(which)}." if which else ""
    pairs: list[tuple[object, object]] = [
        ("stage", f"{stage.name}{': ' + stage.title if stage.title else ''}"),
        ("stage digest", code(stage.digest)),
        ("settings digest", code(named.settings)),
        ("identity, as in header, check and capture", str(named)),
        ("map", f"{chip.name}{': ' + chip.title if chip.title else ''}"),
        ("map digest", code(chip.digest)),
        ("map written from", chip.source or "not stated"),
        (
            "contents of the map",
            f"{len(chip.registers)} registers, {sum(len(r.fields) for r in chip.registers.values())} fields, "
            f"{len(chip.faults)} faults, {len(chip.known_frames)} known frames, {len(chip.rules)} rules",
        ),
        ("margin asked for", show_value(float(_asked(stage)), "percent", 3)),
        *others,
    ]
    return join([tag("p", invented) if invented else Html(""), facts(pairs)])


def _asked(stage: Stage) -> Fraction:
    stated = stage.params.get("goals.margin")
    value = (
        stated.value
        if stated is not None
        else getattr(default("stage:goals.margin"), "value", None)
    )
    typ = getattr(value, "typ", None)
    return typ if isinstance(typ, Fraction) else Fraction(0)
