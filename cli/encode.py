"""`gateword encode`: words to send for what is asked."""

from __future__ import annotations

import argparse

from regmap.behaviour.plan import Planned, plan
from regmap.behaviour.settings import compare_words, oddities
from regmap.chip.bank import Bank
from regmap.chip.bits import extract
from regmap.chip.model import Chip, Register
from regmap.document.schema import read_int
from regmap.errors import CallError
from regmap.frames.codec import bursts, wire_bytes
from regmap.maps.load import load_map
from regmap.quantity import show as quantity

from .context import Context, Status, hexword, wrap

NAME = "encode"
HELP = "words to send for what is asked, guard included"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("map", metavar="MAP", help="a map: a path or a shipped name")
    parser.add_argument(
        "requests",
        nargs="+",
        metavar="REQUEST",
        help='"REG.FIELD=VALUE", REG=WORD, read:REG, a command; settings of one register in a row share one write',
    )
    parser.add_argument(
        "--from",
        dest="base",
        action="append",
        default=[],
        metavar="REG=WORD",
        help="what a register holds before (its reset word where not given)",
    )
    parser.add_argument(
        "--part",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="value of a free part of the frame, as a counter",
    )
    parser.add_argument(
        "--bytes",
        action="store_true",
        help="only the bytes, one burst a line, as a byte-wide controller sends them",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def bank_from(chip: Chip, texts: list[str]) -> Bank:
    """The reset state with the given words laid over."""
    bank = Bank.at_reset(chip)
    for name, word in assignments(texts):
        if name not in chip.registers:
            from regmap.chip.bank import unknown

            raise CallError(unknown(chip, name))
        register = chip.registers[name]
        if word >> register.width:
            raise CallError(f"{name}=0x{word:X} does not fit the {register.width} bits of {name}")
        bank.learn(name, word)
    return bank


def assignments(texts: list[str]) -> list[tuple[str, int]]:
    """NAME=NUMBER pairs."""
    pairs = []
    for text in texts:
        name, equals, number = text.partition("=")
        value = read_int(number.strip())
        if not equals or value is None or value < 0:
            raise CallError(f"{text[:40]!r} is not NAME=NUMBER; expected as in STATUS1=0x302")
        pairs.append((name.strip(), value))
    return pairs


def run(args: argparse.Namespace, context: Context) -> int:
    chip = load_map(args.map)
    bank = bank_from(chip, args.base)
    frames = plan(chip, args.requests, bank, dict(assignments(args.part)))
    if args.json:
        context.json("encode", chip=chip.name, frames=[_as_json(chip, p) for p in frames])
        return Status.OK
    for planned in frames:
        pieces = bursts(planned.sent.frame, planned.sent.word)
        data = [wire_bytes(v, n, msb_first=chip.spi.msb_first).hex(" ").upper() for v, n in pieces]
        if args.bytes:
            for line in data:
                context.out(line)
            continue
        for line in frame_lines(chip, planned, context):
            context.out(line)
        context.out(f"    bytes {' | '.join(data)}")
    return Status.OK


def frame_lines(chip: Chip, planned: Planned, context: Context) -> list[str]:
    """A frame with its parts, what was asked and chosen, and all that its word changes."""
    sent = planned.sent
    head = context.style(hexword(sent.word, sent.frame.length), "mark")
    what = {"read": "read", "write": "write"}.get(sent.kind, "command")
    target = sent.register.name if sent.register else sent.kind
    value = (
        f" = {hexword(sent.data, sent.register.width)}"
        if sent.register and sent.data is not None
        else ""
    )
    lines = [f"{head}  {what} {target}{value}"]
    parts = ", ".join(
        f"{p.name} {sent.parts[p.name]:0{p.width}b}" for p in sent.frame.command.parts
    )
    lines.append(f"    {parts}")
    for name, choice in planned.choices:
        label = choice.reading.label
        note = ""
        if choice.error:
            note = f" (asked {choice.asked}, off by {quantity(choice.error, (0, 0, 0, 0), 3, '%')})"
        elif choice.reading.band is not None and not choice.reading.band.exact:
            note = f" ({choice.reading.band})"
        lines.append(f"    {name} = {label}{note}, code {choice.code}")
    if sent.register is not None and sent.data is not None:
        lines += _changes(chip, planned)
        if sent.kind == "write":
            lines += odd_lines(sent.register, sent.data, context)
    return lines


def odd_lines(register: Register, word: int, context: Context) -> list[str]:
    """What the map forbids in this write; the word is shown all the same, for it may be a test."""
    return [
        wrap(f"caution: {text}", context.width, "    ", "      ").replace(
            "caution", context.style("caution", "warn"), 1
        )
        for text in oddities(register, word)
    ]


def _changes(chip: Chip, planned: Planned) -> list[str]:
    sent = planned.sent
    assert sent.register is not None
    assert sent.data is not None
    lines = []
    asked = {name for name, _ in planned.choices}
    references = [("reset", sent.register.reset)]
    if planned.before is not None and planned.before != sent.register.reset:
        references.insert(0, ("the word before", planned.before))
    for label, word in references:
        changes = compare_words(chip, sent.register, word, sent.data)
        others = [c for c in changes if c.field.ref not in asked] if planned.choices else changes
        if label == "reset" and not changes:
            lines.append(f"    equals its {label} word")
        for change in others:
            lines.append(
                f"    also differs from {label}: {change}"
                if planned.choices
                else f"    against {label}: {change}"
            )
    return lines


def _as_json(chip: Chip, planned: Planned) -> dict[str, object]:
    sent = planned.sent
    return {
        "word": sent.word,
        "hex": hexword(sent.word, sent.frame.length),
        "bits": sent.frame.length,
        "kind": sent.kind,
        "register": sent.register.name if sent.register else None,
        "data": sent.data,
        "parts": dict(sent.parts),
        "bytes": [
            wire_bytes(v, n, msb_first=chip.spi.msb_first).hex()
            for v, n in bursts(sent.frame, sent.word)
        ],
        "requests": list(planned.requests),
        "cautions": oddities(sent.register, sent.data)
        if sent.kind == "write" and sent.register is not None and sent.data is not None
        else [],
        "choices": [
            {"name": n, "asked": c.asked, "code": c.code, "value": c.reading.band, "error": c.error}
            for n, c in planned.choices
        ],
        "changes": [
            {
                "field": c.field.ref,
                "from": extract(sent.register.reset, c.field.bits),
                "to": extract(sent.data, c.field.bits),
            }
            for c in compare_words(chip, sent.register, sent.register.reset, sent.data)
        ]
        if sent.register is not None and sent.data is not None
        else [],
    }
