"""`gateword explain`: what tripped, why, what to look at first."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from regmap.behaviour.effects import said
from regmap.behaviour.faults import Explanation, Finding, explain
from regmap.cautions import TOUCHING
from regmap.chip.bank import full_name, register_word
from regmap.chip.model import Chip, Fault
from regmap.frames.codec import Codec
from regmap.maps.load import find_document, load_map

from .context import Context, Status, hexword, wrap
from .documents import add_mode, load_stage_of

NAME = "explain"
HELP = "what tripped, why, and what to look at first"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "map",
        metavar="MAP|STAGE",
        help="a map, or a stage whose settings are then taken as configured",
    )
    add_mode(parser)
    parser.add_argument(
        "words",
        nargs="+",
        metavar="REG=WORD|REG:REPLY|COMMAND:REPLY",
        help="status words as they were read, or reply frames with the register or the frame that they answer",
    )
    parser.add_argument("--brief", action="store_true", help="one line a fault")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    # what other commands show of faults comes from here too, and needs none of this
    from .vet import kind_of

    path = find_document(args.map)
    if kind_of(path) == "stage":
        stage = load_stage_of(str(path), context, args.drive_mode)
        chip, bank = stage.chip, stage.bank
        for name in {f.register for f in chip.faults.values()}:
            bank.forget(name)
    else:
        chip, bank = load_map(path), None
    context.reads(chip)
    try:
        words, shown = _status_words(chip, args.words)
    except RejectedError as rejected:
        context.say(str(rejected))
        return Status.FINDINGS
    result = explain(chip, words, bank, shown=shown)
    if args.json:
        context.json("explain", chip=chip.name, **explanation_json(result))
    else:
        for line in explanation_lines(chip, result, context, brief=args.brief):
            context.out(line)
    return Status.FINDINGS if result.wiring or result.raised else Status.OK


class RejectedError(Exception):
    """A reply frame that says nothing of the chip."""


def _status_words(chip: Chip, texts: Sequence[str]) -> tuple[dict[str, int], dict[str, bool]]:
    """Register words, and the faults that status bits of reply frames show. Raises RejectedError."""
    from .encode import parse_word

    codec = Codec(chip)
    words: dict[str, int] = {}
    shown: dict[str, bool] = {}
    for text in texts:
        first, colon, second = text.partition(":")
        if not colon:
            words.update([register_word(chip, text)])
            continue
        sent = (
            codec.read(chip.registers[full_name(chip, first.strip())])
            if full_name(chip, first.strip()) in chip.registers
            else codec.decode_command(parse_word(first, chip))
        )
        answer = codec.decode_reply(parse_word(second, chip), sent)
        for flaw in (*sent.flaws, *answer.flaws):
            raise RejectedError(f"{text} says nothing of the chip: rejected: {flaw.text}")
        told = said(chip, sent, answer)
        # of several replies what one of them shows raised was raised
        shown.update({n: up or shown.get(n, False) for n, up in told.faults.items()})
        if told.register is not None and sent.kind != "write":
            words[told.register.name] = told.register.held(told.data)
    return words, shown


def explanation_lines(
    chip: Chip, result: Explanation, context: Context, *, brief: bool = False
) -> list[str]:
    """The explanation as text, first cause first, the most important line last."""
    lines: list[str] = []
    words = ", ".join(f"{n} {hexword(w, chip.registers[n].width)}" for n, w in result.words.items())
    words = words or "status bits of replies"
    lines.append(wrap(f"{chip.name}: {words}", context.width, hang="  "))
    if result.wiring:
        for text in result.wiring:
            lines.append(wrap(f"wiring: {text}", context.width))
        lines.append("Check supply, enable pin, chip select and SDO before anything else.")
        return lines
    for finding in result.findings:
        lines += _finding(finding, context, brief, 0)
    for text in result.undefined:
        lines.append(wrap(f"note: {text}; the map says no more of it", context.width, hang="  "))
    if result.blind:
        lines.append(
            wrap(
                "not reported in this configuration: " + ", ".join(f.name for f in result.blind),
                context.width,
                hang="  ",
            )
        )
    if result.reported:
        lines.append(
            wrap(
                "reported only in this configuration, the chip does not act: "
                + ", ".join(f.name for f in result.reported),
                context.width,
                hang="  ",
            )
        )
    if result.unread:
        lines.append(
            wrap(
                f"not given: {', '.join(result.unread)}; faults there are not known",
                context.width,
                hang="  ",
            )
        )
    if not result.raised:
        named = "that the map names " if result.undefined else ""
        lines.append(f"No fault {named}is raised in these words.")
        return lines
    first = result.findings[0].fault
    if len(result.raised) == 1 and first.normal_at_power_up:
        lines.append(f"{first.name} alone is normal after power-up.")
    else:
        ahead = f": {first.check_first[0]}" if first.check_first else ""
        lines.append(
            wrap(f"Look first at {first.name} ({first.title}){ahead}.", context.width, hang="  ")
        )
    lines.append(wrap(TOUCHING, context.width, hang="  "))
    return lines


def _finding(finding: Finding, context: Context, brief: bool, depth: int) -> list[str]:
    fault = finding.fault
    pad = "  " * depth
    tag = {"stop": "bad", "warn": "warn", "note": "dim"}[fault.severity]
    follows = "follows: " if depth else ""
    normal = " (normal after power-up)" if fault.normal_at_power_up else ""
    head = (
        f"{pad}{follows}{fault.severity.upper()} {fault.name} at {fault.ref}: {fault.title}{normal}"
    )
    styled = context.style(fault.severity.upper(), tag)
    lines = [wrap(head, context.width, hang=f"{pad}  ").replace(fault.severity.upper(), styled, 1)]
    if not brief:
        lines += [f"{pad}  {line}" for line in fault_text(fault, context.width - 2 * depth - 2)]
        if finding.settings:
            lines.append(wrap(_decided(finding.settings), context.width, f"{pad}  ", f"{pad}    "))
        if finding.possible:
            lines.append(
                wrap(
                    f"can follow from {', '.join(finding.possible)}, not raised here",
                    context.width,
                    f"{pad}  ",
                    f"{pad}    ",
                )
            )
        if finding.masked:
            lines.append(
                f"{pad}  raised although this configuration masks it: was the configuration lost?"
            )
        if finding.reported_only:
            text = f"reported only in this configuration ({fault.reported_only_when}): the chip does not act, the controller has to"
            lines.append(wrap(text, context.width, f"{pad}  ", f"{pad}    "))
    for child in finding.consequences:
        lines += _finding(child, context, brief, depth + 1)
    return lines


def cleared(fault: Fault) -> str:
    """How the fault clears, from what the map lets the tools know of it."""
    words = {
        "read": f"read {fault.register}",
        "write_1": f"write 1 to {fault.ref}",
        "write_0": f"write 0 to {fault.ref}",
        "condition": "by itself, once the cause is gone",
        "reset": "reset",
    }
    return " or ".join(
        words.get(how, f"write {how}" if "=" in how else f"command {how}")
        for how in fault.cleared_by
    )


def fault_text(fault: Fault, width: int) -> list[str]:
    """The map's words on a fault, labelled and folded."""
    rows = [
        ("", fault.meaning),
        ("causes", "; ".join(fault.causes)),
        ("check first", "; ".join(fault.check_first)),
        ("effect", fault.effect),
        ("clears", fault.clears or cleared(fault)),
    ]
    lines: list[str] = []
    for label, text in rows:
        if text:
            lines += wrap(f"{label}: {text}" if label else text, width, hang="  ").splitlines()
    return lines


def fault_card(fault: Fault, context: Context) -> list[str]:
    """Everything about one fault."""
    lines = [
        context.style(fault.name, "head")
        + f"  {fault.title} ({fault.severity}) at {fault.ref} = {fault.code}"
    ]
    lines += ["  " + line for line in fault_text(fault, context.width - 2)]
    if fault.follows_from:
        lines.append("  can follow from " + ", ".join(fault.follows_from))
    if fault.masked_when is not None:
        lines.append(f"  not reported while {fault.masked_when}")
    if fault.reported_only_when is not None:
        lines.append(f"  only reported while {fault.reported_only_when}: the chip does not act")
    if fault.blocked_by:
        names = "any other fault" if "any" in fault.blocked_by else " or ".join(fault.blocked_by)
        lines.append(f"  not set while {names} shows")
    if fault.pulls_pin_when is not None:
        lines.append(f"  pulls the fault pin while {fault.pulls_pin_when}")
    if fault.uses:
        lines.append("  decided by roles " + ", ".join(fault.uses))
    return lines


def _decided(settings: Sequence[str]) -> str:
    """The settings that decide a fault; those without a value only by their names."""
    tail = " = not known"
    names = [s.removesuffix(tail) for s in settings if s.endswith(tail)]
    known = [s for s in settings if not s.endswith(tail)]
    if not names:
        return "decided by " + ", ".join(known)
    if not known:
        return f"decided by {', '.join(names)} (their values are not known; a stage tells them)"
    return f"decided by {', '.join(known)}, and by {', '.join(names)} (not known)"


def explanation_json(result: Explanation) -> dict[str, object]:
    def tree(finding: Finding) -> dict[str, object]:
        fault = finding.fault
        return {
            "fault": fault.name,
            "at": fault.ref,
            "title": fault.title,
            "severity": fault.severity,
            "meaning": fault.meaning,
            "causes": list(fault.causes),
            "check_first": list(fault.check_first),
            "effect": fault.effect,
            "clears": fault.clears,
            "normal_at_power_up": fault.normal_at_power_up,
            "masked": finding.masked,
            "reported_only": finding.reported_only,
            "settings": list(finding.settings),
            "possible_causes": list(finding.possible),
            "consequences": [tree(c) for c in finding.consequences],
        }

    return {
        "words": dict(result.words),
        "wiring": list(result.wiring),
        "explained": [tree(f) for f in result.findings],
        "masked_by_configuration": [f.name for f in result.blind],
        "reported_only_by_configuration": [f.name for f in result.reported],
        "unread": list(result.unread),
        "undefined": list(result.undefined),
    }
