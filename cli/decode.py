"""`gateword decode`: raw words taken apart, flaws named, wiring suspected before chips."""

from __future__ import annotations

import argparse

from regmap.behaviour.faults import raised_in, suspicious
from regmap.behaviour.settings import compare_words, oddities
from regmap.chip import values
from regmap.chip.bank import Bank, need_register
from regmap.chip.bits import extract
from regmap.chip.model import Chip, Layout, Register
from regmap.document.schema import read_int
from regmap.errors import CallError, FrameError
from regmap.frames.codec import Answer, Codec, Sent
from regmap.maps.load import load_map

from .context import Context, Status, hexword, wrap
from .encode import bank_from, odd_lines

NAME = "decode"
HELP = "any raw word taken apart and explained"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("map", metavar="MAP", help="a map: a path or a shipped name")
    parser.add_argument(
        "words",
        nargs="+",
        metavar="WORD",
        help="frames as hex (0x21DF) or binary; COMMAND:REPLY decodes a pair",
    )
    parser.add_argument("--reply", action="store_true", help="the words are replies")
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


def parse_word(text: str, chip: Chip) -> int:
    """A frame word as people paste it: 0x21DF, 21DF, 0b..., with blanks or underscores inside."""
    cleaned = text.strip().replace(" ", "").replace("_", "")
    value = read_int(cleaned) if cleaned[:2].lower() in ("0x", "0b") else None
    if (
        value is None
        and cleaned
        and all(c in "0123456789abcdefABCDEF" for c in cleaned)
        and len(cleaned) <= 32
    ):
        value = int(cleaned, 16)
    if value is None or value < 0:
        if len(cleaned.lower().split("0x")) > 2:
            raise CallError(
                f"{text[:40]!r} is more than one word; expected each as an argument of its own"
            )
        bad = next((c for c in cleaned if c not in "0123456789abcdefABCDEFxX"), "")
        detail = f" ({bad!r} is no hex digit)" if bad else ""
        raise CallError(f"{text[:40]!r} is not a word{detail}; expected hex such as 0x21DF")
    longest = max(f.length for f in chip.frames.values())
    if value >> longest:
        raise CallError(
            f"{text[:40]} has {value.bit_length()} bits; frames of {chip.name} have at most {longest}"
        )
    return value


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
    bank = bank_from(chip, args.base)
    codec = Codec(chip)
    to = need_register(chip, args.to) if args.to else None
    rows: list[dict[str, object]] = []
    flawed = False
    replies: list[int] = []
    commands: list[int] = []
    for text in args.words:
        first, colon, second = text.partition(":")
        if colon:
            sent = codec.decode_command(parse_word(first, chip), bank)
            rows.append(_command(chip, sent, bank, context, args.json))
            answer = codec.decode_reply(parse_word(second, chip), sent)
            rows.append(_answer(chip, answer, sent.register, context, args.json))
            commands.append(sent.word)
            replies.append(answer.word)
            flawed = flawed or bool(sent.flaws or answer.flaws)
            if (
                sent.kind == "write"
                and sent.register is not None
                and sent.data is not None
                and not sent.flaws
            ):
                bank.learn(sent.register.name, sent.data)
        elif args.reply:
            word = parse_word(first, chip)
            answer = _bare_reply(codec, word, to, bank)
            rows.append(_answer(chip, answer, to, context, args.json))
            replies.append(word)
            flawed = flawed or bool(answer.flaws)
        else:
            sent = codec.decode_command(parse_word(first, chip), bank)
            rows.append(_command(chip, sent, bank, context, args.json))
            flawed = flawed or bool(sent.flaws)
            if (
                sent.kind == "write"
                and sent.register is not None
                and sent.data is not None
                and not sent.flaws
            ):
                bank.learn(sent.register.name, sent.data)
    for note in short_words(args.words, chip):
        context.say(note)
    frame = codec.frame_in_force(bank)
    wiring = suspicious(frame.reply_to("read"), frame.length, replies, commands)
    if args.json:
        context.json("decode", chip=chip.name, words=rows, wiring=wiring or None)
    elif wiring:
        text = wrap("wiring: " + wiring, context.width, hang="  ")
        context.out(text.replace("wiring:", context.style("wiring:", "bad"), 1))
    return Status.FINDINGS if flawed or wiring else Status.OK


def _bare_reply(codec: Codec, word: int, to: Register | None, bank: Bank) -> Answer:
    register = to or next(iter(codec.chip.registers.values()))
    sent = codec.read(register, bank)
    if codec.reply_layout(sent) is None:
        raise FrameError(f"{codec.chip.name} answers nothing to a read")
    answer = codec.decode_reply(word, sent)
    if to is not None:
        return answer
    # without the command an echo can be compared with nothing
    return Answer(
        word=answer.word,
        layout=answer.layout,
        parts=answer.parts,
        data=answer.parts.get(_data_name(answer.layout)),
        status=answer.status,
        flaws=tuple(f for f in answer.flaws if f.kind != "echo" and f.part != "data"),
    )


def _data_name(layout: Layout) -> str:
    part = layout.of_kind("data")
    return part.name if part else ""


def _data_width(layout: Layout) -> int:
    part = layout.of_kind("data")
    return part.width if part else 8


def _command(
    chip: Chip, sent: Sent, bank: Bank, context: Context, as_json: bool
) -> dict[str, object]:
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
        _flaws(sent.flaws, context)
        if sent.register is not None and sent.data is not None and not sent.flaws:
            data = sent.data & sent.register.mask
            _fields(chip, sent.register, data, bank, context)
            before = bank.words.get(sent.register.name, sent.register.reset)
            label = "the word before" if before != sent.register.reset else "reset"
            changes = compare_words(chip, sent.register, before, data, bank)
            for change in changes:
                context.out(f"    changes against {label}: {change}")
            if not changes:
                context.out(f"    changes nothing against {label}")
            for line in odd_lines(sent.register, data, context) if sent.kind == "write" else ():
                context.out(line)
    return {
        "word": sent.word,
        "hex": hexword(sent.word, sent.frame.length),
        "kind": sent.kind,
        "data": sent.data,
        "register": sent.register.name if sent.register else None,
        "address": sent.address,
        "parts": dict(sent.parts),
        "flaws": [f.text for f in sent.flaws],
        "cautions": oddities(sent.register, sent.data)
        if sent.kind == "write" and sent.register and sent.data is not None and not sent.flaws
        else [],
        "fields": _fields_json(chip, sent.register, sent.data, bank),
    }


def _answer(
    chip: Chip, answer: Answer, register: Register | None, context: Context, as_json: bool
) -> dict[str, object]:
    bank = Bank.at_reset(chip)
    if not as_json:
        what = f" to read {register.name}" if register else ""
        data = (
            f", data {hexword(answer.data, register.width if register else _data_width(answer.layout))}"
            if answer.data is not None
            else ""
        )
        context.out(
            f"{context.style(hexword(answer.word, answer.layout.length), 'mark')}  reply{what}{data}"
        )
        _flaws(answer.flaws, context)
        if answer.flaws:
            context.out("    a word that is rejected says nothing of the chip")
        for name, raised in answer.status.items() if not answer.flaws else ():
            part = answer.layout.named(name)
            text = part.summary if part and part.summary else name
            context.out(f"    {name} {'SET' if raised else 'clear'}: {text}")
        if register is not None and answer.data is not None and not answer.flaws:
            _fields(chip, register, answer.data, bank, context)
            more = ""
            for fault in raised_in(chip, {register.name: answer.data}):
                context.out(f"    {context.style('fault', 'bad')} {fault.name}: {fault.title}")
                more = f"`gateword explain {name_of(chip)} {register.name}=0x{answer.data:X}` tells more"
            if more:
                context.out(f"    {more}")
    return {
        "word": answer.word,
        "hex": hexword(answer.word, answer.layout.length),
        "kind": "reply",
        "data": answer.data,
        "register": register.name if register else None,
        "status": dict(answer.status),
        "parts": dict(answer.parts),
        "flaws": [f.text for f in answer.flaws],
        "fields": _fields_json(chip, register, answer.data, bank),
    }


def name_of(chip: Chip) -> str:
    """What a command line calls the chip: the name of a shipped map, or its file."""
    from pathlib import Path

    from regmap.document.source import display_name
    from regmap.maps.load import shipped

    return (
        chip.name
        if chip.name in shipped("devices") or not chip.files
        else display_name(Path(chip.files[-1]))
    )


def _flaws(flaws: tuple[object, ...], context: Context) -> None:
    for flaw in flaws:
        text = wrap(f"rejected: {getattr(flaw, 'text', flaw)}", context.width, "    ", "      ")
        context.out(text.replace("rejected", context.style("rejected", "bad"), 1))


def _fields(chip: Chip, register: Register, word: int, bank: Bank, context: Context) -> None:
    env = bank.copy()
    env.learn(register.name, word)
    for field in register.fields:
        code = extract(word, field.bits)
        context.out(f"    {field.name} = {values.read(field, code, env).label}")
    del chip


def _fields_json(
    chip: Chip, register: Register | None, word: int | None, bank: Bank
) -> list[dict[str, object]]:
    if register is None or word is None:
        return []
    env = bank.copy()
    env.learn(register.name, word & register.mask)
    del chip
    rows: list[dict[str, object]] = []
    for field in register.fields:
        code = extract(word, field.bits)
        reading = values.read(field, code, env)
        rows.append(
            {"name": field.name, "code": code, "meaning": reading.label, "value": reading.band}
        )
    return rows
