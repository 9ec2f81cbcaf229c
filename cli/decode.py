"""`gateword decode`: raw words taken apart, flaws named, wiring suspected before chips."""

from __future__ import annotations

import argparse

from regmap.behaviour.effects import Effects, Said, effects, said, shown_fields
from regmap.behaviour.faults import explain, suspicious
from regmap.behaviour.hazards import cautions_of
from regmap.behaviour.machine import Machine
from regmap.cautions import CAUTION
from regmap.chip import values
from regmap.chip.bank import Bank, need_register, register_word
from regmap.chip.model import Chip, Fault, Field, Layout, Register
from regmap.chip.values import Reading
from regmap.errors import CallError
from regmap.frames.codec import Answer, Codec, Sent
from regmap.maps.load import load_map, maps_around

from .context import Context, Status, hexword, wrap
from .encode import bank_from, caution_lines, effect_lines, effects_json, parse_word

NAME = "decode"
HELP = "any raw frame taken apart and explained"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("map", metavar="MAP", help="a map: a path or a bundled name")
    words = parser.add_argument(
        "words",
        nargs="+",
        default=[],
        metavar="FRAME",
        help="frames as hex (0x21DF) or binary; COMMAND:REPLY decodes a pair",
    )
    # none where --wrote and --read say all; "*" would take none before an option, too
    words.required = False
    parser.add_argument(
        "--wrote",
        metavar="WORD",
        action="append",
        default=[],
        help="a register word that was written; --read gives the one read back (several of both)",
    )
    parser.add_argument(
        "--read",
        metavar="WORD",
        action="append",
        default=[],
        help="what was read back of it: tells what may have happened in between",
    )
    parser.add_argument("--reply", action="store_true", help="the frames are replies")
    parser.add_argument(
        "--to",
        metavar="REG",
        help="with --reply: the register that was read (any reply layout where not given)",
    )
    parser.add_argument(
        "--from",
        dest="base",
        action="append",
        default=[],
        metavar="REG=WORD",
        help="what registers hold, where that matters",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def short_words(texts: list[str], chip: Chip) -> list[str]:
    """Words with fewer digits than the shortest frame has: a byte lost in pasting looks like a small number."""
    need = (min(f.length for f in chip.frames.values()) + 3) // 4
    found = []
    for text in (piece for t in texts for piece in t.split(":")):
        digits = text.strip().replace(" ", "").replace("_", "")
        if digits[:2].lower() == "0b":
            continue
        digits = digits[2:] if digits[:2].lower() == "0x" else digits
        if len(digits) < need and digits.strip("0"):
            found.append(
                f"note: {text[:40]!r} has {len(digits)} hex digits, a frame of {chip.name} at least {need}; read as 0x{digits.rjust(need, '0').upper()}"
            )
    return found


def run(args: argparse.Namespace, context: Context) -> int:
    chip = load_map(args.map)
    context.reads(chip)
    machine = Machine(chip, bank_from(chip, args.base))
    codec = Codec(chip)
    to = need_register(chip, args.to) if args.to else None
    if args.wrote or args.read:
        return _values(args, chip, to, context)
    if not args.words:
        raise CallError("nothing to decode", "FRAME ..., or --wrote WORD --read WORD")
    #: registers whose word was given or seen; the others are taken at reset
    seen = {register_word(chip, text)[0] for text in args.base}
    rows: list[dict[str, object]] = []
    flawed = False
    replies: list[int] = []
    paired: list[tuple[int, int]] = []
    for text in args.words:
        first, colon, second = text.partition(":")
        if args.reply and not colon:
            word = parse_word(first, chip)
            asked = codec.read(to, machine.bank) if to is not None else None
            if asked is not None:
                alone = codec.decode_reply(word, asked, bank=machine.bank, beyond=True)
            else:
                alone = codec.bare_reply(word, machine.bank)
            rows.append(_answer(machine.bank, alone, asked, context, args.json))
            replies.append(word)
            flawed = flawed or bool(alone.flaws)
            continue
        sent = codec.decode_command(parse_word(first, chip), machine.bank)
        answer = None
        if colon:
            reply = parse_word(second, chip)
            answer = codec.decode_reply(reply, sent, bank=machine.bank, beyond=True)
        known = said(chip, sent, answer) if answer is not None else Said()
        if known.register is not None and not known.after:
            # what a reply shows of the time before the command is what the command acts upon
            machine.bank.learn_read(known.register.name, known.data)
            seen.add(known.register.name)
        before = machine.bank.copy()
        told = effects(machine, sent)
        rows.append(_command(sent, told, before, seen, context, args.json))
        flawed = flawed or bool(sent.flaws)
        if sent.register is not None and told.outcome.taken:
            seen.add(sent.register.name)
        if answer is not None:
            env = machine.bank if known.after else before
            rows.append(_answer(env, answer, sent, context, args.json))
            paired.append((sent.word, answer.word))
            replies.append(answer.word)
            flawed = flawed or bool(answer.flaws)
    for note in short_words(args.words, chip):
        context.say(note)
    frame = codec.frame_in_force(machine.bank)
    wiring = suspicious(frame.reply_to("read"), frame.length, replies, [c for c, _ in paired])
    if not wiring and flawed and len(paired) > 2:
        wiring = _paired(chip, paired)
    if not args.json and any(row.get("cautions") for row in rows):
        context.out(wrap(CAUTION, context.width))
    if args.json:
        context.json("decode", chip=chip.name, words=rows, wiring=wiring or None)
    elif wiring:
        text = wrap("wiring: " + wiring, context.width, hang="  ")
        context.out(text.replace("wiring:", context.style("wiring:", "bad"), 1))
    return Status.FINDINGS if flawed or wiring else Status.OK


def _paired(chip: Chip, pairs: list[tuple[int, int]]) -> str:
    """What is wrong with pairs that do not fit, as in a capture."""
    from regmap.trace.findings.pairs import diagnose_pairs

    found = diagnose_pairs(chip, pairs, lambda: maps_around(chip.files[-1:]))
    # that they do not fit is said under each of them
    named = [m.text for m in found.mistakes if m.name not in ("fit", "replies")]
    return named[0] if named else ""


def _values(args: argparse.Namespace, chip: Chip, to: Register | None, context: Context) -> int:
    """Words written and read back: what may have happened in between."""
    from regmap.trace.findings.pairs import value_readings

    if len(args.wrote) != len(args.read) or args.words:
        raise CallError("--wrote and --read go in pairs, and without frames")
    pairs = [
        (parse_word(a, chip), parse_word(b, chip))
        for a, b in zip(args.wrote, args.read, strict=True)
    ]
    width = to.width if to is not None else max(r.width for r in chip.registers.values())
    readings = value_readings(pairs, width)
    same = all(a == b for a, b in pairs)
    if args.json:
        rows = [{"wrote": a, "read": b, "differs": a ^ b} for a, b in pairs]
        context.json("decode", chip=chip.name, values=rows, readings=readings)
        return Status.OK if same else Status.FINDINGS
    for wrote, read in pairs:
        what = "the same" if wrote == read else f"differs in 0x{wrote ^ read:X}"
        context.out(f"wrote {hexword(wrote, width)}, read {hexword(read, width)}: {what}")
    for text in readings:
        context.out(wrap(f"wiring: {text}", context.width, hang="  "))
    if not same and not readings:
        context.out(
            "no usual mistake of wiring or SPI set-up explains it: look at locks, access and the frame"
        )
    if len(readings) > 1:
        context.out("more pairs, of other words, decide between these")
    return Status.OK if same else Status.FINDINGS


def _data_width(layout: Layout) -> int:
    part = layout.of_kind("data")
    return part.width if part else 8


def _command(
    sent: Sent, told: Effects, before: Bank, seen: set[str], context: Context, as_json: bool
) -> dict[str, object]:
    chip = before.chip
    write = sent.kind == "write" and sent.register is not None and sent.data is not None
    odd = cautions_of(sent.register, sent.data) if write and not sent.flaws else []  # type: ignore[arg-type]
    if not as_json:
        target = (
            sent.register.name
            if sent.register
            else (
                f"address 0x{sent.address:X}, which the map does not have"
                if sent.command is None and sent.address is not None
                else ""
            )
        )
        kind = sent.kind if sent.command is None else f"command {sent.kind}"
        value = (
            f" = {hexword(sent.data, sent.register.width)}"
            if sent.data is not None and sent.register
            else ""
        )
        context.out(
            f"{context.style(hexword(sent.word, sent.frame.length), 'mark')}  {kind} {target}{value}".rstrip()
        )
        if sent.shared:
            context.out("    to every chip on the select, and none answers")
        _flaws(sent.flaws, context)
        if sent.register is not None and sent.data is not None and not sent.flaws:
            for line in _field_lines(_written(chip, sent, before)):
                context.out(line)
        if not sent.flaws and (sent.kind == "write" or sent.command is not None or told.changes):
            from_reset = sent.register is None or sent.register.name not in seen
            base = "reset" if from_reset else "the word before"
            for line in effect_lines(told, context, base):
                context.out(line)
        for line in caution_lines(odd, context):
            context.out(line)
    return {
        "frame": sent.word,
        "hex": hexword(sent.word, sent.frame.length),
        "kind": sent.kind,
        "data": sent.data,
        "register": sent.register.name if sent.register else None,
        "address": sent.address,
        "parts": dict(sent.parts),
        "errors": [f.text for f in sent.flaws],
        "cautions": odd,
        "fields": _fields_json(_written(chip, sent, before)),
        **effects_json(told),
    }


def _written(chip: Chip, sent: Sent, before: Bank) -> list[tuple[Field, Reading | None]]:
    """The fields of a written word, each as it is asked for."""
    if sent.register is None or sent.data is None:
        return []
    env = before.copy()
    env.learn(sent.register.name, sent.data & sent.register.mask)
    del chip
    return [(f, env.reading(f.ref)) for f in sent.register.fields]


def _answer(
    bank: Bank, answer: Answer, sent: Sent | None, context: Context, as_json: bool
) -> dict[str, object]:
    """A reply to `sent`; with None nobody knows to what."""
    chip = bank.chip
    told = said(chip, sent, answer)
    register = told.register
    words = {register.name: register.held(told.data)} if register is not None else {}
    fields = shown_fields(chip, register, told.data, bank) if register is not None else []
    explained = explain(chip, words, shown=told.faults)
    faults = explained.raised
    if not as_json:
        _answer_lines(chip, answer, sent, told, fields, faults, context)
        for text in explained.wiring:
            context.out(wrap(f"wiring: {text}", context.width, "    ", "      "))
    return {
        "frame": answer.word,
        "hex": hexword(answer.word, answer.layout.length),
        "kind": "reply",
        "to": sent.kind if sent is not None else None,
        "data": answer.data,
        "register": sent.register.name if sent is not None and sent.register else None,
        "status": dict(answer.status),
        "shown": dict(told.fields),
        "parts": dict(answer.parts),
        "errors": [f.text for f in answer.flaws],
        "fields": _fields_json(fields),
        "faults": [
            {
                "fault": f.name,
                "at": f.ref,
                "title": f.title,
                "severity": f.severity,
                "causes": list(f.causes),
                "check_first": list(f.check_first),
            }
            for f in faults
        ],
    }


def _answer_lines(
    chip: Chip,
    answer: Answer,
    sent: Sent | None,
    told: Said,
    fields: list[tuple[Field, Reading | None]],
    faults: tuple[Fault, ...],
    context: Context,
) -> None:
    what = ""
    asked = sent.register if sent is not None else None
    if sent is not None:
        what = f" to {sent.kind}" + (f" {asked.name}" if asked is not None else "")
    data = ""
    if answer.data is not None:
        width = asked.width if asked is not None else _data_width(answer.layout)
        data = f", data {hexword(answer.data, width)}"
    if told.register is not None and sent is not None and sent.kind == "write":
        data += ", as it holds after the write" if told.after else ", as it held before the write"
    context.out(
        f"{context.style(hexword(answer.word, answer.layout.length), 'mark')}  reply{what}{data}"
    )
    _flaws(answer.flaws, context)
    if answer.flaws:
        context.out("    a frame that is rejected says nothing of the chip")
        return
    for name, raised in answer.status.items():
        part = answer.layout.named(name)
        fault = chip.faults.get(part.fault) if part is not None else None
        text = fault.title if fault is not None else part.summary if part is not None else ""
        context.out(f"    {name} {'SET' if raised else 'clear'}: {text or name}")
    for ref, code in told.fields.items():
        item = chip.field(ref)
        if item is not None:
            context.out(f"    {ref} = {values.read(item, code, Bank.at_reset(chip)).label}")
    for line in _field_lines(fields):
        context.out(line)
    for fault in faults:
        lines = [f"fault {fault.name}: {fault.title}"]
        lines += [f"causes: {'; '.join(fault.causes)}"] if fault.causes else []
        lines += [f"check first: {'; '.join(fault.check_first)}"] if fault.check_first else []
        text = wrap(". ".join(lines), context.width, "    ", "      ")
        context.out(text.replace("fault", context.style("fault", "bad"), 1))
    if faults and told.register is not None:
        word = told.register.held(told.data)
        context.out(
            f"    `gateword explain {name_of(chip)} {told.register.name}=0x{word:X}` tells more"
        )


def name_of(chip: Chip) -> str:
    """What a shell line calls the chip: the name of a bundled map, or its file."""
    from pathlib import Path

    from regmap.document.source import display_name
    from regmap.maps.load import bundled

    return (
        chip.name
        if chip.name in bundled("devices") or not chip.files
        else display_name(Path(chip.files[-1]))
    )


def _flaws(flaws: tuple[object, ...], context: Context) -> None:
    for flaw in flaws:
        text = wrap(f"rejected: {getattr(flaw, 'text', flaw)}", context.width, "    ", "      ")
        context.out(text.replace("rejected", context.style("rejected", "bad"), 1))


def _field_lines(fields: list[tuple[Field, Reading | None]]) -> list[str]:
    return [
        f"    {f.name} = {reading.label if reading is not None else 'not known, a read does not show it'}"
        for f, reading in fields
    ]


def _fields_json(fields: list[tuple[Field, Reading | None]]) -> list[dict[str, object]]:
    return [
        {
            "name": f.name,
            "code": reading.code if reading is not None else None,
            "meaning": reading.label if reading is not None else None,
            "value": reading.band if reading is not None else None,
        }
        for f, reading in fields
    ]
