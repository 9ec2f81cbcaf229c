"""`gateword encode`: words to send for what is asked."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from regmap.behaviour.effects import Effects, effects
from regmap.behaviour.hazards import cautions_of, warned
from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import Planned, fields_of, plan
from regmap.behaviour.settings import BRING_UP, bring_up_sequence
from regmap.cautions import CAUTION
from regmap.chip.bank import Bank, register_word, written_out
from regmap.chip.model import Chip
from regmap.document.schema import read_int, read_word
from regmap.errors import CallError
from regmap.frames.codec import bursts, command_bytes
from regmap.frames.words import spoken_bytes, spoken_order
from regmap.maps.load import find_document, load_map
from regmap.quantity import parse_band

from .context import Context, Status, hexword, wrap
from .documents import add_mode, load_stage_of
from .vet import kind_of

if TYPE_CHECKING:
    from regmap.link.trade import InChain

NAME = "encode"
#: the request for all sequences that bring a chip up
WHOLE = "bring_up"
HELP = "frames to send for what is asked, check bits included"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "map",
        metavar="MAP|STAGE",
        help="a map, or a stage: then other fields have its settings, and its supply holds",
    )
    add_mode(parser)
    parser.add_argument(
        "requests",
        nargs="+",
        metavar="REQUEST",
        help='"REG.FIELD=VALUE", REG=WORD, read:REG, a command, a key, a sequence, or bring_up for all of '
        "them that bring a chip up; settings of one register in a row share one write",
    )
    parser.add_argument(
        "--supply", metavar="VOLTAGE", help="supply of the chip, where values hang on it"
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
    parser.add_argument(
        "--chain",
        type=int,
        metavar="N",
        help="N chips of this map in a daisy chain: the bytes are those of all, the others read something "
        "harmless (a stage says so itself)",
    )
    parser.add_argument(
        "--position",
        type=int,
        metavar="K",
        help="with --chain: the chip meant, 0 nearest to the controller's data output",
    )
    parser.add_argument(
        "--to-all",
        action="append",
        default=[],
        metavar="COMMAND",
        help="a command that the headers of the chain give to every chip",
    )
    parser.add_argument(
        "--allow",
        action="append",
        default=[],
        metavar="REG.FIELD=REASON",
        help="set a field to a code that the map forbids, with the reason",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def bank_from(chip: Chip, texts: list[str]) -> Bank:
    """The reset state with the given words laid over."""
    bank = Bank.at_reset(chip)
    for text in texts:
        bank.learn(*register_word(chip, text))
    return bank


def assignments(texts: list[str]) -> list[tuple[str, int]]:
    """NAME=NUMBER pairs."""
    pairs = []
    for text in texts:
        name, equals, number = text.partition("=")
        value = read_word(number.strip())
        if not equals or value is None or value < 0:
            raise CallError(f"{text[:40]!r} is not NAME=NUMBER", "as in STATUS1=0x109")
        pairs.append((name.strip(), value))
    return pairs


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
                f"{text[:40]!r} is more than one word", "each as an argument of its own"
            )
        bad = next((c for c in cleaned if c not in "0123456789abcdefABCDEFxX"), "")
        detail = f" ({bad!r} is no hex digit)" if bad else ""
        raise CallError(f"{text[:40]!r} is not a word{detail}", "hex such as 0x21DF")
    longest = max(f.length for f in chip.frames.values())
    if value >> longest:
        raise CallError(
            f"{text[:40]} has {value.bit_length()} bits; frames of {chip.name} have at most {longest}"
        )
    return value


def run(args: argparse.Namespace, context: Context) -> int:
    chip, bank, origins, route = _state(args, context)
    frames = _frames(args, chip, bank, origins)
    bursts_of = {id(p): _bursts(p, route, args.to_all) for p in frames}
    if args.json:
        rows = [_as_json(chip, p, bursts_of[id(p)]) for p in frames]
        chain = {"chips": len(route.idle), "position": route.position} if route else None
        context.json("encode", chip=chip.name, chain=chain, frames=rows)
        return Status.OK
    found = [text for p in frames for text in cautions(chip, p)]
    if args.bytes:
        for text in warned(found):
            context.err(wrap(f"caution: {text}", context.width, hang="  "))
        for name, choice in (c for p in frames for c in p.choices if c[1].told):
            context.err(
                wrap(
                    f"note: {name} = {choice.reading.label} ({choice.told})",
                    context.width,
                    hang="  ",
                )
            )
        for said in _spoken(chip, [n for p in bursts_of.values() for _, n in p], route):
            context.err(wrap(f"note: {said}", context.width, hang="  "))
    for planned in frames:
        pieces = bursts_of[id(planned)]
        data = [command_bytes(chip.spi, v, n).hex(" ").upper() for v, n in pieces]
        if args.bytes:
            for line in data:
                context.out(line)
            continue
        for line in frame_lines(chip, planned, context):
            context.out(line)
        context.out(f"    bytes {' | '.join(data)}")
        for said in _spoken(chip, [n for _, n in pieces], route):
            context.out(wrap(said, context.width, "      ", "      "))
    if found and not args.bytes:
        context.out(wrap(CAUTION, context.width))
    return Status.OK


def _bursts(planned: Planned, route: InChain | None, to_all: list[str]) -> list[tuple[int, int]]:
    """What passes in each chip select, (value, bits): the frame's bursts, or the stream of a chain."""
    if route is None:
        if to_all:
            raise CallError("--to-all belongs to a daisy chain", "--chain N or a stage with one")
        return bursts(planned.sent.frame, planned.sent.word)
    return [route.stream(planned.sent, to_all)]


def _spoken(chip: Chip, lengths: list[int], route: InChain | None) -> list[str]:
    """What the bytes of bursts of these lengths are, where it is more than so many bytes."""
    said = [spoken_bytes(chip.spi, n) for n in dict.fromkeys(lengths) if n % 8]
    if route is not None:
        others = [n for place, n in enumerate(route.asked) if place != route.position]
        said.append(
            f"for the chip at position {route.position} of {len(route.idle)}; "
            + (f"the others read {', '.join(dict.fromkeys(others))}" if others else "it is alone")
        )
    return [*said, spoken_order(chip.spi)] if not chip.spi.msb_first else said


def _state(
    args: argparse.Namespace, context: Context
) -> tuple[Chip, Bank, dict[str, str], InChain | None]:
    """The chip, what it is taken to hold, from where that comes, and its place in a chain."""
    path = find_document(args.map)
    origins: dict[str, str] = {}
    chips: tuple[Chip, ...] = ()
    position = args.position or 0
    if kind_of(path) == "stage":
        stage = load_stage_of(str(path), context, args.drive_mode)
        chip, bank = stage.chip, stage.bank
        chips = stage.chain
        position = stage.position if args.position is None else args.position
        for setting in stage.settings:
            origins.update({f.ref: f"stage {stage.name}" for f in fields_of(chip, setting.name)})
        for text in args.base:
            bank.learn(*register_word(chip, text))
    else:
        chip = load_map(path)
        context.reads(chip)
        bank = bank_from(chip, args.base)
    origins.update({register_word(chip, text)[0]: "--from" for text in args.base})
    if args.supply:
        band = parse_band(args.supply)
        if band.dim != parse_band("1 V").dim:
            raise CallError(f"{args.supply[:40]!r} is no voltage", "as in --supply 24V")
        bank.supply, bank.supply_range = band.typ, None
    if args.chain is not None:
        if not 1 <= args.chain <= 64:
            raise CallError(f"a chain of {args.chain} chips", "1 to 64")
        chips = (chip,) * args.chain
    elif args.position is not None and not chips:
        raise CallError("--position belongs to a daisy chain", "--chain N or a stage with one")
    route = None
    if len(chips) > 1 or args.chain:
        from regmap.link.trade import InChain

        route = InChain(chips, position)
    return chip, bank, origins, route


def _frames(
    args: argparse.Namespace, chip: Chip, bank: Bank, origins: dict[str, str]
) -> list[Planned]:
    """The frames of the requests, of one sequence, or of the whole bring-up."""
    named = [text for text in args.requests if text in chip.sequences or text == WHOLE]
    if not named:
        allow = [
            name.strip() for name, _, why in (t.partition("=") for t in args.allow) if why.strip()
        ]
        if len(allow) < len(args.allow):
            raise CallError("--allow without a reason", "as in --allow GATE.MODE=bench")
        requests = [written_out(chip, text) for text in args.requests]
        return plan(chip, requests, bank, dict(assignments(args.part)), origins, allow)
    if len(args.requests) > 1:
        raise CallError(f"{named[0]} is a sequence of its own", "no other request beside it")
    actions = bring_up_sequence(chip, bank, BRING_UP if named == [WHOLE] else named)
    machine = Machine(chip, supply=bank.supply, externals=bank.externals)
    return [
        Planned(sent=a.sent, requests=(a.text,), effects=effects(machine, a.sent))
        for a in actions
        if a.sent is not None
    ]


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
        if choice.told:
            note = f" ({choice.told})"
        elif choice.reading.band is not None and not choice.reading.band.exact:
            note = f" ({choice.reading.band})"
        rows = planned.cases.get(name, ())
        if not rows:
            text = f"{name} = {label}{note}, code {choice.code}"
            lines.append(wrap(text, context.width, "    ", "      "))
        for when, reading in rows:
            case = f"while {when}" if when is not None else "otherwise"
            lines.append(f"    {name} = {reading.label} {case}, code {choice.code}")
    if planned.carried:
        rest = ", ".join(
            f"{c.field.name} = {c.reading.label} ({c.origin})" for c in planned.carried
        )
        lines.append(wrap(f"also carries {rest}", context.width, "    ", "      "))
    if sent.kind != "read" or planned.effects.changes:
        lines += effect_lines(planned.effects, context)
    lines += caution_lines(cautions(chip, planned), context)
    return lines


def effect_lines(told: Effects, context: Context, base: str = "") -> list[str]:
    """What a frame does to what is known of the chip; `base` says from where that is known."""
    what = f"changes from {base}" if base else "changes"
    lines = [f"    {what}: {change}" for change in told.changes]
    lines += [f"    {act}; it reads 0 again by itself" for act in told.acts]
    lines += [f"    {event}" for event in told.outcome.events]
    if told.outcome.why:
        lines.append(
            wrap(f"write refused: {told.outcome.why}", context.width, "    ", "      ").replace(
                "write refused", context.style("write refused", "bad"), 1
            )
        )
    if told.outcome.unsure:
        lines.append(wrap(told.outcome.unsure, context.width, "    ", "      "))
    if told.none and not told.outcome.why and not told.outcome.unsure:
        lines.append(f"    {what.replace('changes', 'changes nothing', 1)}")
    return lines


def cautions(chip: Chip, planned: Planned) -> list[str]:
    """What a person should think of before this frame is sent, as sentences."""
    sent = planned.sent
    if sent.kind != "write" or sent.register is None or sent.data is None:
        return []
    del chip
    return cautions_of(sent.register, sent.data)


def caution_lines(texts: list[str], context: Context) -> list[str]:
    """Cautions; the word is shown all the same, for it may be a test."""
    return [
        wrap(f"caution: {text}", context.width, "    ", "      ").replace(
            "caution", context.style("caution", "warn"), 1
        )
        for text in texts
    ]


def effects_json(told: Effects) -> dict[str, object]:
    """What a frame does, for programs; a code that is not known is null."""
    return {
        "accepted": told.outcome.taken if not told.outcome.unsure else None,
        "why": told.outcome.why or told.outcome.unsure or None,
        "changes": [
            {
                "field": c.field.ref,
                "from": c.old.code if c.old is not None else None,
                "to": c.new.code if c.new is not None else None,
            }
            for c in told.changes
        ],
        "starts": [{"field": a.field.ref, "code": a.reading.code} for a in told.acts],
        "events": list(told.outcome.events),
    }


def _as_json(chip: Chip, planned: Planned, pieces: list[tuple[int, int]]) -> dict[str, object]:
    sent = planned.sent
    return {
        "frame": sent.word,
        "hex": hexword(sent.word, sent.frame.length),
        "bits": sent.frame.length,
        "kind": sent.kind,
        "register": sent.register.name if sent.register else None,
        "data": sent.data,
        "parts": dict(sent.parts),
        "bytes": [command_bytes(chip.spi, v, n).hex() for v, n in pieces],
        "bytes_are": [
            *(spoken_bytes(chip.spi, n) for _, n in pieces),
            *filter(None, [spoken_order(chip.spi)]),
        ],
        "requests": list(planned.requests),
        "cautions": cautions(chip, planned),
        "choices": [
            {
                "name": n,
                "wanted": c.asked,
                "code": c.code,
                "value": c.reading.band,
                "error": c.error,
                "cases": [
                    {"when": str(when) if when is not None else None, "value": r.band or r.label}
                    for when, r in planned.cases.get(n, ())
                ],
                "why": c.why,
            }
            for n, c in planned.choices
        ],
        "carries": [
            {
                "field": c.field.ref,
                "code": c.reading.code,
                "value": c.reading.label,
                "origin": c.origin,
            }
            for c in planned.carried
        ],
        **effects_json(planned.effects),
    }
