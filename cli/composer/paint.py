"""The view as lines of styled text. Pure: the same view and size give the same lines.

    +--------------------------------------------------------------+
    | what is open, how many verdicts fail, what is not saved      |
    | registers and fields    | the chosen field: bits, options,   |
    | or what typing finds    | frame, verdicts that depend on it  |
    |--------------------------------------------------------------|
    | what Enter would do (two lines)                              |
    | > typing line                                                |
    | keys                                                         |
    +--------------------------------------------------------------+

Everything is told by words and signs; colour only repeats them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from regmap.behaviour.faults import status_registers
from regmap.calc.verdict import WORDS as VERDICTS
from regmap.chip.bank import find
from regmap.chip.bits import spans
from regmap.chip.model import ACCESS, Field, Register
from regmap.chip.values import Reading
from regmap.draft import Effect, label_of, registers_of, write_of

from ..context import columns, hexword, wrap
from ..explain import fault_text
from ..picture import needs_number, picture
from ..plaintext import visible
from .sheets import MARKS, band_text, note_text, share
from .view import Line, View, summary_of

Styled = tuple[str, str]
Painted = list[Styled]
SMALLEST = (40, 12)


def cut(text: str, width: int) -> str:
    """`text`, harmless, in exactly `width` columns; what does not fit is marked by ~."""
    text = visible(text)
    if len(text) > width:
        return text[: max(0, width - 1)] + "~" if width > 0 else ""
    return text.ljust(width)


def compose(view: View, width: int, height: int) -> list[Painted]:
    """The screen above the typing line: `height` lines of `width` columns each."""
    view.targets = []
    if width < SMALLEST[0] or height < SMALLEST[1] - 2:
        text = wrap(
            f"{width} x {height + 2} is too small for the view; make the window larger, or leave (Ctrl-Q) and use `compose --lines`",
            max(width, 10),
        )
        return [[("", cut(t, width))] for t in text.splitlines()][:height]
    hint = _question(view, width)[: height - 3] if view.question is not None else _hint(view, width)
    body = height - 2 - len(hint)
    view.page = max(1, body - 1)
    painted = [_title(view, width)]
    painted += _sheet(view, width, body) if view.mode == "sheet" else _sides(view, width, body)
    painted.append([("class:dim", "-" * width)])
    return painted + hint


def _question(view: View, width: int) -> list[Painted]:
    """A question takes the lines it needs: nothing of it may be cut."""
    assert view.question is not None
    lines = wrap(view.question.text, width - 1, " ").splitlines()
    painted = [_text(line, width, "warn") for line in lines]
    return painted + [_text(f"   {key}  {text}", width) for key, _, text in view.question.answers]


def _title(view: View, width: int) -> Painted:
    draft = view.session.draft
    counts = draft.assess().counts
    drafts = view.session.drafts
    changed = sum(map(len, drafts.changes().values())) if drafts.dirty else 0
    document = view.session.keeper.document
    left = (
        f" {document if len(document) <= width // 3 else Path(document).name} on {draft.chip.name}"
    )
    if view.session.drafts.names:
        mode = view.session.drafts.mode
        left += f", mode {mode}" if mode else ", as stated"
    fail = "FAIL" if counts["fails"] else "fail"
    unsaved = f"{changed} not saved" if changed else "saved"
    lacking = f", {counts['not_computed']} not computed" if counts["not_computed"] else ""
    broken = draft.broken_rules()
    rule = f", RULE {broken[0].name} BROKEN" if broken else ""
    short = ", RULE BROKEN" if broken else ""
    rights = (
        f"{counts['fails']} {fail}, {counts['low_margin']} low margin, {counts['holds']} hold{lacking}{rule} | {unsaved} ",
        f"{counts['fails']} {fail}, {counts['low_margin']} low margin, {counts['holds']} hold{short} | {unsaved} ",
        f"{counts['fails']} {fail}{short} | {unsaved} ",
    )
    right = next((r for r in rights if width - len(r) >= min(len(left) + 1, 28)), rights[-1])
    return [("class:title", cut(cut(left, max(0, width - len(right))) + right, width))]


def _hint(view: View, width: int) -> list[Painted]:
    text, mark = view.hint()
    lines = wrap(text, width - 2, " ", "   ").splitlines() or [""]
    if mark == "good" and view.second_hint():
        # what was done is to be seen in the list as well: the words below matter more than its tail
        lines = [cut(f" {text}", width)]
    # why something could not be done is told whole; what is only being typed keeps its two lines
    most = 4 if view.message and mark == "bad" else 2
    if len(lines) > most:
        rest = " ".join(t.strip() for t in lines[most:])
        lines = [*lines[: most - 1], cut(lines[most - 1].rstrip() + " " + rest, width)]
    style = f"class:{mark}" if mark else ""
    painted: list[Painted] = [[(style, cut(line, width))] for line in lines]
    if len(painted) < 2:
        painted.append([("class:dim", cut(f" {view.second_hint()}", width))])
    return painted


def _sheet(view: View, width: int, height: int) -> list[Painted]:
    sheet = view.sheet
    assert sheet is not None
    painted: list[Painted] = [[("class:head", cut(f" {sheet.title}", width))]]
    room = height - 1
    first = _window(view.row, len(sheet.rows), room)
    for index in range(first, min(first + room, len(sheet.rows))):
        row = sheet.rows[index]
        here = index == view.row
        view.targets.append((len(painted) + 1, 0, width, "row", index))
        sign = ">" if here else " "
        painted.append([(_style(row.mark, here), cut(f"{sign}{row.text}", width))])
    return _filled(painted, height, width)


def _sides(view: View, width: int, height: int) -> list[Painted]:
    narrow = width < 64
    left_width = min(44, max(24, width * 3 // 8)) if not narrow else width
    left = (
        _offers(view, left_width, height)
        if view.mode == "typing"
        else _list(view, left_width, height)
    )
    if narrow:
        # one side at a time: the list, or what it leads to
        if view.mode == "options":
            view.targets = []
            return _right(view, width, height, 0)
        return left
    right = _right(view, width - left_width - 2, height, left_width + 2)
    return [[*a, ("class:dim", "| "), *b] for a, b in zip(left, right, strict=True)]


def _window(cursor: int, count: int, room: int) -> int:
    """The first line shown, so that the cursor is in sight with some lines around it."""
    if count <= room:
        return 0
    return max(0, min(cursor - room // 2, count - room))


def _style(mark: str, here: bool = False) -> str:
    return " ".join(f"class:{m}" for m in (mark, "cursor" if here else "") if m)


def _filled(painted: list[Painted], height: int, width: int) -> list[Painted]:
    return (painted + [[("", " " * width)]] * (height - len(painted)))[:height]


def _list(view: View, width: int, height: int) -> list[Painted]:
    lines = view.lines()
    names = [line.name for line in lines]
    at = view.session.at
    cursor = names.index(at) if at in names else 0
    first = _window(cursor, len(lines), height)
    painted: list[Painted] = []
    for index in range(first, min(first + height, len(lines))):
        line = lines[index]
        view.targets.append((len(painted) + 1, 0, width, "list", index))
        painted.append(
            [
                (
                    _style(
                        "head"
                        if line.kind == "register"
                        else "dim"
                        if line.kind == "status"
                        else "",
                        index == cursor and view.place == "list",
                    ),
                    _list_text(line, width, index == cursor),
                )
            ]
        )
    return _filled(painted, height, width)


def _list_text(line: Line, width: int, here: bool) -> str:
    sign = ">" if here else " "
    indent = "" if line.kind in ("register", "value") else "  "
    changed = "*" if line.changed else "~" if line.differs else " "
    room = width - 4 - len(indent)
    value = line.value[: room - 8]
    return cut(f"{sign}{changed}{indent}{cut(line.label, room - len(value) - 1)} {value}", width)


def _offers(view: View, width: int, height: int) -> list[Painted]:
    painted: list[Painted] = [
        [
            (
                "class:head",
                cut(" what fits what you type" if view.offers else " nothing else fits", width),
            )
        ]
    ]
    room = height - 1
    first = _window(max(view.offer, 0), len(view.offers), room)
    for index in range(first, min(first + room, len(view.offers))):
        offer = view.offers[index]
        here = index == view.offer
        view.targets.append((len(painted) + 1, 0, width, "offer", index))
        name = (
            offer.label if len(offer.label) < width - 12 else cut(offer.label, width - 2).rstrip()
        )
        painted.append(
            [
                (_style("", here), cut(f"{'>' if here else ' '}{name}", len(name) + 2)),
                (_style("dim", here), cut(offer.meaning, width - len(name) - 2)),
            ]
        )
    return _filled(painted, height, width)


# --- the right side -----------------------------------------------------------------------------
def _right(view: View, width: int, height: int, left: int) -> list[Painted]:
    name = view.shown()
    session = view.session
    if session.meaning.settable(name):
        painted = _setting(view, name, width, height, left)
    elif name in session.chip.registers:
        painted = _register(view, session.chip.registers[name], width)
    else:
        painted = _status(view, name, width)
    return _filled(painted, height, width)


def _text(text: str, width: int, mark: str = "") -> Painted:
    return [(_style(mark), cut(text, width))]


def _setting(view: View, name: str, width: int, height: int, left: int) -> list[Painted]:
    session, draft = view.session, view.session.draft
    item = find(session.chip, name)
    assert item is not None
    seen = view.preview()
    if seen is not None and seen.name != name:
        seen = None
    bank = seen.bank if seen is not None else draft.bank
    painted = [_text(f"{name}  {summary_of(session, name)}", width, "head")]
    painted += [_text(t, width, "dim") for t in wrap(_facts(view, name), width).splitlines()[:2]]
    registers = registers_of(session.chip, name)
    for register in registers:
        word = bank.word(register) or 0
        if width >= 70 and height >= 26 and len(registers) == 1:
            painted += [
                _text(t, width)
                for t in picture(
                    [(f.name, f.bits) for f in session.chip.registers[register].fields],
                    session.chip.registers[register].width,
                    word,
                )
            ]
        else:
            painted += _strip(view, register, name, word, width)
    tail = _frames(view, registers, bank, seen is not None, width)
    verdicts = _verdicts(view, name, width, seen.effects if seen is not None else None)
    broken = [
        _text(f"BROKEN rule {r.name}: {r.because}", width, "bad")
        for r in (seen.broken if seen is not None else draft.broken_rules())
    ]
    options = draft.options(name)
    room = height - len(painted) - len(tail)
    wanted = min(len(broken) + len(verdicts), max(5, room - len(options) - 1))
    painted += _options(view, name, options, width, max(3, room - wanted), left, len(painted))
    return painted + tail + (broken + verdicts)[: max(0, height - len(painted) - len(tail))]


def _facts(view: View, name: str) -> str:
    chip, draft = view.session.chip, view.session.draft
    item = find(chip, name)
    parts = []
    if isinstance(item, Field):
        parts.append(f"bits {spans(item.bits)}, {ACCESS[item.access].split(':')[0]}")
        reset = item.reset
        parts.append(
            f"reset {next((label_of(r) for r in draft.options(name) if r.code == reset), reset)}"
        )
    elif name in chip.joined:
        parts.append("held by " + ", ".join(f"{r}.{f}" for r, f in chip.joined[name].fields))
    else:
        parts.append("set outside the frame, by a pin or a resistor")
    stated = draft.statements.get(name)
    parts.append("not stated in the stage" if stated is None else f"stated as {stated}")
    if (each := view.session.drafts.differing().get(name)) is not None:
        parts.append("; ".join(f"{mode} {text}" for mode, text in each.texts.items()))
    return ", ".join(parts)


def _strip(view: View, register: str, name: str, word: int, width: int) -> list[Painted]:
    """The word in two lines, bits in groups by field, those of the chosen value in brackets."""
    chip = view.session.chip
    item = chip.registers[register]
    mine = set()
    for part in item.fields:
        if part.ref == name or (
            name in chip.joined and (register, part.name) in chip.joined[name].fields
        ):
            mine |= set(part.bits)
    owner = {b: f.name for f in item.fields for b in f.bits}
    numbers, bits = "", ""
    for bit in range(item.width - 1, -1, -1):
        edge = bit == item.width - 1 or owner.get(bit) != owner.get(bit + 1)
        if edge and bit != item.width - 1:
            close = "]" if bit + 1 in mine else " "
            bits, numbers = bits + close, numbers + " "
        if edge:
            start = "[" if bit in mine else " "
            bits, numbers = bits + start, numbers + " "
        bits += str(word >> bit & 1)
        numbers += str(bit % 10)
    bits += "]" if 0 in mine else ""
    label = f"{register} {hexword(word, item.width)} "
    if len(label) + len(bits) > width:
        return [_text(f"{label}= {word:0{item.width}b}", width)]
    return [_text(" " * len(label) + numbers, width, "dim"), _text(label + bits, width)]


def _options(
    view: View, name: str, options: Sequence[Reading], width: int, room: int, left: int, above: int
) -> list[Painted]:
    draft = view.session.draft
    item = find(view.session.chip, name)
    bits = item.width if item is not None else 1
    now = draft.bank.code(name)
    seen = view.preview()
    target = seen.choice.code if seen is not None and seen.name == name else now
    cursor = (
        view.option
        if view.mode == "options"
        else next((i for i, r in enumerate(options) if r.code == target), 0)
    )
    shown = max(1, room - 1)
    first = _window(cursor, len(options), shown)
    part = options[first : first + shown]
    rows = [
        [
            r.name if r.name and r.band is None else label_of(r),
            band_text(r),
            f"{r.code:0{bits}b}" if bits <= 8 else hexword(r.code, bits),
            note_text(r),
        ]
        for r in part
    ]
    more = (
        f"  {first + 1}..{first + len(part)} of {len(options)}" if len(part) < len(options) else ""
    )
    painted = [_text(f"options{more}", width, "head")]
    for offset, (text, reading) in enumerate(zip(columns(rows), part, strict=True)):
        index = first + offset
        here = view.mode in ("options", "typing") and reading.code == (
            options[cursor].code if view.mode == "options" else target
        )
        sign = ">" if here else " "
        state = "now" if reading.code == now else ""
        view.targets.append((1 + above + len(painted), left, left + width, "option", index))
        painted.append(
            [(_style("mark" if state else "", here), cut(f"{sign}{state:<3} {text}", width))]
        )
    return painted


def _frames(
    view: View, registers: Sequence[str], bank: object, trying: bool, width: int
) -> list[Painted]:
    from regmap.chip.bank import Bank

    assert isinstance(bank, Bank)
    draft = view.session.draft
    painted = []
    for register in registers:
        new, old = write_of(draft, register, bank), write_of(draft, register)
        if new.sent is None:
            painted.append(_text(f"frame: {new.trouble}", width, "bad"))
            continue
        length = new.sent.frame.length
        was = (
            f"{hexword(old.sent.word, length)} -> "
            if trying and old.sent is not None and old.sent.word != new.sent.word
            else ""
        )
        painted.append(
            _text(
                f"frame  {was}{hexword(new.sent.word, length)}  writes {register} = {hexword(new.word, new.register.width)}",
                width,
                "mark",
            )
        )
        if new.trouble:
            painted.append(_text(new.trouble, width, "bad"))
    return painted


def _verdicts(view: View, name: str, width: int, effects: Sequence[Effect] | None) -> list[Painted]:
    if effects is None:
        found = view.depending(name)
        if found is None:
            return [_text("verdicts that depend on it: being found", width, "dim")]
        if not found:
            return [_text("no verdict depends on it", width, "dim")]
        painted = [_text(f"verdicts that depend on it: {len(found)}", width, "head")]
        return painted + [
            _text(f"{VERDICTS[v.status]:<10} {share(v):>8}  {v.title}", width, MARKS[v.status])
            for v in found
        ]
    if not effects:
        return [_text("no verdict depends on it", width, "dim")]
    turned = sum(e.turns for e in effects)
    painted = [
        _text(
            f"verdicts that change: {len(effects)}, {turned} turn" + ("" if turned else ": none"),
            width,
            "head",
        )
    ]
    painted += [_text(_effect_text(e, width), width, MARKS[e.verdict.status]) for e in effects]
    return painted


def _effect_text(effect: Effect, width: int) -> str:
    """What moves, from what to what; where there is little room, only where it goes."""
    after = effect.verdict
    before = (
        VERDICTS[effect.before.status] + " -> "
        if effect.turns and effect.before is not None
        else ""
    )
    margins = f"{share(effect.before).removesuffix(' %')} -> {share(effect.after)}"
    if before and width < 60:
        margins = share(effect.after)
    return f"{before}{VERDICTS[after.status]}  {margins}  {after.title}"


def _register(view: View, register: Register, width: int) -> list[Painted]:
    draft = view.session.draft
    word = draft.bank.word(register.name)
    painted = [
        _text(f"{register.name}  {register.summary}", width, "head"),
        _text(
            f"{draft.chip.place_of(register)}, {register.width} bits, reset {hexword(register.reset, register.width)}",
            width,
            "dim",
        ),
    ]
    # what a status register holds is not known here: its bits are drawn without values
    shown = word if register.holds_settings else None
    fields = [(f.name, f.bits) for f in register.fields]
    drawn = next(
        (
            d
            for cell in (4, 3)
            if max(map(len, d := picture(fields, register.width, shown, cell))) <= width
        ),
        [],
    )
    painted += [_text(t, width) for t in drawn]
    if not drawn and shown is not None:
        painted.append(
            _text(f"{hexword(shown, register.width)} = {shown:0{register.width}b}", width)
        )
    numbers = {
        f.name: str(n) if needs_number(f.name, f.bits) else ""
        for n, f in enumerate(register.fields, 1)
    }
    rows = [
        [numbers[f.name], f.name, spans(f.bits), _means(view, f), f.summary]
        for f in register.fields
    ]
    painted += [_text(t, width) for t in columns(rows)]
    if register.holds_settings:
        painted += _frames(view, [register.name], draft.bank, False, width)
        painted += [
            _text(t, width, "dim")
            for t in wrap(
                "Down to a field to change it; type REG=WORD to see what a word you read would change",
                width,
            ).splitlines()
        ]
    if register.name in status_registers(view.session.chip):
        painted += [
            _text(t, width, "mark")
            for t in wrap(
                "type or paste the word you read, such as 0x109, and Enter explains it", width
            ).splitlines()
        ]
    return painted


def _means(view: View, field: Field) -> str:
    reading = view.session.draft.reading(field.ref)
    return label_of(reading) if reading is not None and field.setting else ""


def _status(view: View, name: str, width: int) -> list[Painted]:
    chip = view.session.chip
    item = chip.field(name)
    painted = [_text(f"{name}  {summary_of(view.session, name)}", width, "head")]
    if item is not None:
        painted += [
            _text(t, width, "dim")
            for t in wrap(
                f"bits {spans(item.bits)}, {ACCESS[item.access]}; it holds no setting", width
            ).splitlines()
        ]
    for fault in (f for f in chip.faults.values() if f.ref == name):
        painted.append(
            _text(f"fault {fault.name}: {fault.title} ({fault.severity})", width, "mark")
        )
        painted += [_text(t, width) for t in fault_text(fault, width)]
        deciding = [getattr(i, "ref", i.name) for r in fault.uses for i in chip.with_role(r)]
        if deciding:
            painted += [
                _text(t, width)
                for t in wrap(
                    "decided by " + ", ".join(f"{n} {_label(view, n)}" for n in deciding),
                    width,
                    hang="  ",
                ).splitlines()
            ]
    if item is not None and item.register in status_registers(chip):
        painted += [
            _text(t, width, "mark")
            for t in wrap(
                f"type or paste the word of {item.register} you read, such as 0x109, and Enter explains it",
                width,
            ).splitlines()
        ]
    return painted


def _label(view: View, name: str) -> str:
    reading = view.session.draft.reading(name)
    return label_of(reading) if reading is not None else "not known"
