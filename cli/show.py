"""`gateword show`: a chip, a register, a field or a frame, for people."""

from __future__ import annotations

import argparse

from regmap.chip import values
from regmap.chip.bank import Bank, full_name, unknown
from regmap.chip.bits import extract, spans
from regmap.chip.model import ACCESS, Chip, External, Field, Frame, Joined, Layout, Register
from regmap.errors import CallError

from .context import Context, Status, columns, hexword, wrap
from .documents import load_chip
from .picture import needs_number, picture

NAME = "show"
HELP = "what a chip, a register or a field holds, with a picture of its bits"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "map", metavar="MAP", help="a map: a path, a bundled name, or - for standard input"
    )
    parser.add_argument(
        "what",
        nargs="?",
        metavar="REG[.FIELD]",
        help="a register, field, value, frame, command or fault; the whole chip where not given",
    )
    parser.add_argument(
        "--word",
        metavar="WORD",
        help="show what the register holds with this word instead of its reset word",
    )
    parser.add_argument(
        "--as",
        dest="form",
        choices=["ieee1685", "systemrdl", "csv", "markdown"],
        help="the whole register map in an open standard or as a table, on standard output",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    chip = load_chip(args.map, context)
    what = args.what
    if args.form:
        if what is not None or args.json:
            raise CallError("--as is of the whole map", "show MAP --as FORM alone")
        from regmap.exchange import FORMS

        context.stdout.write(FORMS[args.form](chip))
        return Status.OK
    if what is None:
        _chip(chip, args.map, args.json, context)
        return Status.OK
    what = full_name(chip, what)
    if what in chip.registers:
        register = chip.registers[what]
        word = _word(args.word, register)
        _register(chip, register, word, args.json, context)
        return Status.OK
    item = chip.field(what) or chip.joined.get(what) or chip.externals.get(what)
    if item is not None:
        _field(chip, item, args.json, context)
    elif what in chip.frames:
        _frame(chip.frames[what], args.json, context)
    elif what in chip.faults:
        fault = chip.faults[what]
        if args.json:
            context.json(
                "fault",
                chip=chip.name,
                name=fault.name,
                at=fault.ref,
                code=fault.code,
                title=fault.title,
                severity=fault.severity,
                meaning=fault.meaning,
                causes=list(fault.causes),
                check_first=list(fault.check_first),
                effect=fault.effect,
                clears=fault.clears,
                cleared_by=list(fault.cleared_by),
                follows_from=list(fault.follows_from),
                blocked_by=list(fault.blocked_by),
                pulls_pin=str(fault.pulls_pin_when or ("yes" if fault.pulls_pin else "no")),
                uses=list(fault.uses),
            )
            return Status.OK
        from .explain import fault_card

        context.out("\n".join(fault_card(fault, context)))
    elif what in chip.commands:
        command = chip.commands[what]
        if args.json:
            context.json(
                "command",
                chip=chip.name,
                name=command.name,
                frame=command.frame,
                parts=dict(command.parts),
                summary=command.summary,
            )
            return Status.OK
        parts = ", ".join(f"{n} = 0x{v:X}" for n, v in command.parts.items())
        context.out(
            wrap(
                f"{command.name}: command in frame {command.frame}, {parts}",
                context.width,
                hang="  ",
            )
        )
        if command.summary:
            context.out(wrap(command.summary, context.width, "  "))
    else:
        raise unknown(chip, what)
    return Status.OK


def _word(text: str | None, register: Register) -> int:
    from regmap.document.schema import read_word

    if text is None:
        return register.reset
    word = read_word(text)
    if word is None or word < 0:
        raise CallError(f"{text[:30]!r} is not a word", "a number such as 0x1A5")
    if word >> register.width:
        raise CallError(f"{text} does not fit the {register.width} bits of {register.name}")
    return word


def _chip(chip: Chip, called: str, as_json: bool, context: Context) -> None:
    if as_json:
        context.json(
            "chip",
            name=chip.name,
            title=chip.title,
            invented=chip.invented,
            source=chip.source,
            registers=[_register_json(chip, r, r.reset) for r in chip.registers.values()],
            faults=[
                {"name": f.name, "at": f.ref, "title": f.title, "severity": f.severity}
                for f in chip.faults.values()
            ],
        )
        return
    context.out(context.style(f"{chip.name}  {chip.title}", "head"))
    if chip.summary:
        context.out(wrap(chip.summary, context.width, "  "))
    context.out(f"  source: {chip.source}" if chip.source else "  source: not stated")
    limit = chip.spi.clock_max
    context.out(
        f"  SPI mode {chip.spi.mode}, {'most' if chip.spi.msb_first else 'least'} significant bit first, "
        f"select active {'low' if chip.spi.select_active_low else 'high'}"
        + (f", clock up to {limit}" if limit else "")
    )
    for frame in chip.frames.values():
        _frame(frame, False, context)
    context.out("")
    context.out(context.style("registers", "head"))
    rows = [["address", "name", "reset", "bits", "holds"]]
    for register in chip.registers.values():
        page = f"{register.page}:" if register.page is not None else ""
        rows.append(
            [
                f"{page}0x{register.address:02X}" if chip.addressed(register) else "",
                register.name,
                hexword(register.reset, register.width),
                str(register.width),
                register.summary or ", ".join(f.name for f in register.fields),
            ]
        )
    for line in columns(rows, fold=context.width - 2):
        context.out("  " + line)
    for title, table in (
        ("joined", chip.joined),
        ("external", chip.externals),
        ("commands", chip.commands),
    ):
        if table:
            context.out(context.style(title, "head"))
            for item in table.values():
                context.out(f"  {item.name}  {item.summary}")
    context.out(context.style("faults", "head"))
    titles = [[f.name, f.ref, f.severity, f.title] for f in chip.faults.values()]
    for line in columns(titles, fold=context.width - 2):
        context.out("  " + line)
    context.out(
        f"{len(chip.registers)} registers, {len(chip.faults)} faults; `gateword show {called} REG` tells more"
    )


def _parts(layout: Layout) -> list[tuple[str, tuple[int, ...]]]:
    return [(p.name, p.bits) for p in layout.parts]


def _frame(frame: Frame, as_json: bool, context: Context) -> None:
    if as_json:
        layouts = {
            "command": frame.command,
            **{f"reply to {k}": v for k, v in frame.replies.items()},
        }
        context.json(
            "frame",
            name=frame.name,
            length=frame.length,
            after=frame.after,
            bursts=list(frame.bursts),
            layouts={
                n: [{"part": p.name, "holds": p.kind, "bits": list(p.bits)} for p in la.parts]
                for n, la in layouts.items()
            },
        )
        return
    when = f", while {frame.when}" if frame.when else ""
    burst = (
        f", in bursts of {' and '.join(map(str, frame.bursts))} bits"
        if len(frame.bursts) > 1
        else ""
    )
    context.out("")
    context.out(
        context.style(f"frame {frame.name}", "head") + f": {frame.length} bits{burst}{when}"
    )
    _layout("command", frame.command, context)
    answers = {0: "in the same frame", 1: "in the next frame"}.get(
        frame.after, f"{frame.after} frames later"
    )
    for kind, layout in frame.replies.items():
        _layout(f"reply{'' if kind == 'any' else ' to ' + kind}, {answers}", layout, context)


def _layout(title: str, layout: Layout, context: Context) -> None:
    context.out(f"  {title}")
    for line in picture(_parts(layout), layout.length):
        context.out("  " + line)
    rows = []
    for number, part in enumerate(layout.parts, 1):
        mark = str(number) if needs_number(part.name, part.bits) else ""
        rows.append([mark, part.name, spans(part.bits), _part_text(part)])
    for line in columns(rows, right=[0], fold=context.width - 4):
        context.out("    " + line)


def _part_text(part: object) -> str:
    from regmap.chip.model import Part

    assert isinstance(part, Part)
    if part.kind == "operation":
        return "operation: " + ", ".join(f"{n} {c:0{part.width}b}" for n, c in part.codes.items())
    if part.kind in ("fixed", "chip"):
        return f"{part.kind}: {part.value:0{part.width}b}"
    if part.kind == "parity":
        return f"{'even' if part.even else 'odd'} parity over bits {spans(part.over)}"
    if part.kind == "crc" and part.crc is not None:
        crc = part.crc
        return (
            f"CRC of {crc.width} bits, polynomial 0x{crc.poly:X}, start 0x{crc.init:X}, final xor 0x{crc.xor_out:X}, "
            f"over bits {spans(part.over)}"
        )
    if part.kind == "status":
        return f"status, set when {part.active}: {part.summary or part.fault}"
    if part.kind == "echo":
        return f"repeats the command's {part.of}"
    return part.kind + (f": {part.summary}" if part.summary else "")


def _register_json(chip: Chip, register: Register, word: int) -> dict[str, object]:
    bank = Bank.at_reset(chip)
    bank.learn(register.name, word)
    return {
        "name": register.name,
        "address": register.address if chip.addressed(register) else None,
        "operations": dict(register.operations),
        "page": register.page,
        "width": register.width,
        "reset": register.reset,
        "word": word,
        "summary": register.summary,
        "origin": register.origin,
        "fields": [
            {
                "name": f.name,
                "bits": list(f.bits),
                "access": f.access,
                "role": f.role or None,
                "summary": f.summary,
                "code": extract(word, f.bits),
                "meaning": values.read(f, extract(word, f.bits), bank).label,
                "reset": f.reset,
            }
            for f in register.fields
        ],
    }


def _register(chip: Chip, register: Register, word: int, as_json: bool, context: Context) -> None:
    if as_json:
        context.json("register", chip=chip.name, **_register_json(chip, register, word))
        return
    context.out(
        context.style(register.name, "head")
        + f"  {chip.place_of(register)}, {register.width} bits, "
        f"{'reset' if word == register.reset else 'shown with'} {hexword(word, register.width)}"
    )
    if register.summary:
        context.out(f"  {register.summary}")
    if register.writable is not None:
        context.out(f"  writable while {register.writable}")
    for line in picture([(f.name, f.bits) for f in register.fields], register.width, word):
        context.out(line)
    bank = Bank.at_reset(chip)
    bank.learn(register.name, word)
    rows = [["", "field", "bits", "access", "code", "means", "summary"]]
    for number, field in enumerate(register.fields, 1):
        code = extract(word, field.bits)
        reading = values.read(field, code, bank)
        mark = str(number) if needs_number(field.name, field.bits) else ""
        rows.append(
            [
                mark,
                field.name,
                spans(field.bits),
                field.access,
                str(code),
                reading.label if field.meanings else "",
                field.summary,
            ]
        )
    for line in columns(rows, right=[0, 4], fold=context.width - 2):
        context.out("  " + line)


def _field(chip: Chip, item: Field | Joined | External, as_json: bool, context: Context) -> None:
    bank = Bank.at_reset(chip)
    limit = 1 << min(item.width, 12)
    by_case = values.options_by_case(item, bank, limit)
    readings = by_case[0][1] if by_case else list(values.options(item, bank, limit))
    name = getattr(item, "ref", item.name)
    if as_json:
        context.json(
            "field",
            chip=chip.name,
            name=name,
            role=item.role or None,
            summary=item.summary,
            options=_options_json(readings),
            cases=[
                {"when": str(when) if when is not None else None, "options": _options_json(rows)}
                for when, rows in by_case
            ]
            if len(by_case) > 1
            else [],
        )
        return
    context.out(f"{context.style(name, 'head')}  {item.summary}".rstrip())
    if isinstance(item, Field):
        context.out(
            f"  bits {spans(item.bits)} of {item.register}, {ACCESS[item.access]}, "
            f"reset {item.reset} ({values.read(item, item.reset, bank).label})"
        )
    elif isinstance(item, Joined):
        context.out(
            "  held by "
            + ", ".join(f"{r}.{f}" for r, f in item.fields)
            + ", most significant first"
        )
    else:
        context.out("  set outside the frame, by a pin or a resistor")
    if item.role:
        context.out(f"  role {item.role}")
    for meaning in item.meanings if len(by_case) < 2 else ():
        if meaning.when is not None:
            context.out(f"  depends on {meaning.when}; shown as at reset")
            break
    if not item.meanings:
        context.out(f"  a plain number 0..{(1 << item.width) - 1}")
        return
    for when, found in by_case if len(by_case) > 1 else [(None, readings)]:
        if len(by_case) > 1:
            context.out(f"  while {when}:" if when is not None else "  otherwise:")
        _option_table(item, found, context)


def _options_json(readings: list[values.Reading]) -> list[dict[str, object]]:
    return [{"code": r.code, "name": r.name, "value": r.band, "text": r.text} for r in readings]


def _option_table(
    item: Field | Joined | External, readings: list[values.Reading], context: Context
) -> None:
    rows = [["code", "bits", "name", "min", "typ", "max", ""]]
    shown = readings if len(readings) <= 64 else [*readings[:4], *readings[-4:]]
    for reading in shown:
        if len(readings) > 64 and reading is readings[-4]:
            rows.append(["...", "", "", "", "", "", f"{len(readings) - 8} more in equal steps"])
        sides = [""] * 3
        if reading.band is not None:
            from regmap.quantity import show as q

            band = reading.band
            sides = [q(v, band.dim) for v in (band.low, band.typ, band.high)]
        rows.append(
            [
                str(reading.code),
                f"{reading.code:0{item.width}b}",
                reading.name,
                *sides,
                reading.text,
            ]
        )
    for line in columns(rows, right=[0, 3, 4, 5], fold=context.width - 2):
        context.out("  " + line)
