"""`gateword help`: the ideas behind the commands, one topic at a time."""

from __future__ import annotations

import argparse

from regmap.cautions import CAUTION
from regmap.errors import CallError, closest
from regmap.record import dataclass

from .context import Context, Status, columns, wrap

NAME = "help"
HELP = "the ideas, a topic at a time: map, stage, verdict, margin, corner, bring-up, ..."


@dataclass(frozen=True, slots=True)
class Topic:
    """What one idea is, shell lines that show it, and what to read next."""

    title: str
    text: tuple[str, ...]
    lines: tuple[str, ...]
    also: tuple[str, ...] = ()


TOPICS: dict[str, Topic] = {
    "map": Topic(
        "A map says what a chip is",
        (
            "One YAML file for one chip, written from its data sheet: how frames look and what check bits they carry, the registers and their fields, what each code means (a name, a value with min, typ and max), the faults with their causes, the sequences that bring the chip up, and the limits of its SPI.",
            "Everything else is computed from it, so it is proven first: the frames that the data sheet itself prints are copied into the map as known frames, and `vet` says whether the map makes exactly those.",
        ),
        (
            "gateword new map -o driver.yaml",
            "gateword vet driver.yaml",
            "gateword show quoll16 GATE_HS",
        ),
        ("frame", "stage", "fault"),
    ),
    "stage": Topic(
        "A stage says what the chip must drive, and which settings are wanted",
        (
            "Also YAML: the map, the supply, the MOSFET, the shunt, PWM, temperatures, the controller's converter and clock, and a value for each setting that is not left at reset, written as people write it: 60 mA, 0.2 V, an option's name, max, >= 100 mA.",
            "What was not stated is never guessed: a verdict that needs it says so by name. A common-practice default says that it is one.",
        ),
        (
            "gateword new stage -o pump.yaml --map quoll16",
            "gateword check coolant_pump",
            "gateword compose coolant_pump",
        ),
        ("wish", "verdict", "requirement"),
    ),
    "wish": Topic(
        "A wish is kept as it was written",
        (
            "A chip has steps. What was asked for, what the chip has and the error stand side by side wherever a value is shown, and the file keeps the wish. Between two steps the role decides: a dead time goes up, a threshold toward protection, never toward shoot-through.",
        ),
        ('gateword encode quoll16 "TIMING.DEAD_TIME=800 ns"',),
        ("stage",),
    ),
    "verdict": Topic(
        "A verdict is one calculation held against its limit",
        (
            "It holds, has a low margin, fails, or is not computed because an input is missing. Each shows value, limit, margin, formula, the published source of the formula, and where each input stands.",
            "A protection that protects nothing fails. What is meant so on purpose is waived in the stage, with the reason, which the record repeats.",
        ),
        (
            "gateword check coolant_pump",
            "gateword check coolant_pump --explain deadtime.enough.high",
            "gateword sweep coolant_pump TIMING.DEAD_TIME",
        ),
        ("margin", "corner"),
    ),
    "margin": Topic(
        "A margin is the room between the worst value and its limit",
        (
            "As a share of the limit: +20 % has room, -5 % fails. A check asks for some room because its model may err; below that the margin is low. Verdicts are listed with the worst margin first.",
        ),
        ("gateword check coolant_pump --only low-margin", "gateword check coolant_pump --strict"),
        ("verdict", "corner"),
    ),
    "corner": Topic(
        "A corner is the combination of tolerances at which a value is worst",
        (
            "Each input has min, typ and max. The corner has one value for each input through the whole derivation, so that it can exist: the gate charge of one MOSFET is not at its maximum in one line and at its minimum in the next. It is named, as in `Qg max, Isource min`.",
        ),
        ("gateword check coolant_pump --explain gate.rise-time.high",),
        ("margin", "verdict"),
    ),
    "frame": Topic(
        "A frame is what travels between two edges of chip select",
        (
            "Command and reply, with address, data and check bits (parity or CRC). What a register holds is its word. `encode` makes frames and says what else travels in them and what they change; `decode` takes any frame apart.",
        ),
        ('gateword encode quoll16 "GATE_HS.SOURCE=120 mA"', "gateword decode quoll16 0x2291"),
        ("map", "bring-up"),
    ),
    "bring-up": Topic(
        "Bring-up is the sequence of frames from power-up to a chip that holds the stage's settings",
        (
            "The map says the order: what to expect, how to unlock, what to write and read back, how to lock. The same sequence goes into the C header, over a link, onto the simulated chip, and is looked for in a capture.",
            CAUTION,
        ),
        (
            "gateword encode coolant_pump bring_up",
            "gateword header coolant_pump -o pump.h",
            "gateword link PORT apply coolant_pump",
        ),
        ("frame", "record"),
    ),
    "fault": Topic(
        "A fault is explained by its first cause",
        (
            "Status words raise several faults at once; the map says which follow from which. Before any bit is believed, a dead line, a wrong mode or a stuck reply is looked for: a dead line before a dead chip.",
        ),
        (
            "gateword explain coolant_pump STATUS1=0x109 STATUS2=0x40 STATUS3=0 --brief",
            "gateword capture bench.vcd --stage pump.yaml",
        ),
        ("map",),
    ),
    "requirement": Topic(
        "A requirement identifier ties settings, checks and waivers to a specification",
        (
            "`requirement: {SYS-12: [TIMING.DEAD_TIME, deadtime.enough]}` in a stage. The record has a table from each requirement to its settings, their verdicts and the evidence; `report --trace FILE` writes it as CSV or ReqIF (OMG).",
        ),
        ("gateword report pump.yaml -o pump.html --trace pump.reqif",),
        ("record", "verdict"),
    ),
    "record": Topic(
        "A record is the evidence for a review, as one HTML page",
        (
            "Settings with wish, choice and error, register words, frames, all verdicts with derivations and sources, faults with the time to react, and a capture held against the stage. No date and no clock unless given, so that the same files give the same bytes and two records can be compared.",
        ),
        ("gateword report coolant_pump -o pump.html", "gateword report before.html after.html"),
        ("requirement",),
    ),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "topic", nargs="?", metavar="TOPIC", help="a topic, or a command; all topics without it"
    )
    parser.epilog = "topics: " + ", ".join(TOPICS)


def run(args: argparse.Namespace, context: Context) -> int:
    from .main import COMMANDS, main

    if args.topic is None:
        for line in columns([["", n, t.title] for n, t in TOPICS.items()], fold=context.width):
            context.out(line)
        context.out("`gateword help TOPIC` tells more; `gateword COMMAND --help` has each command.")
        return Status.OK
    if args.topic in COMMANDS:
        return main([args.topic, "--help"], context)
    topic = TOPICS.get(args.topic)
    if topic is None:
        raise CallError(
            f"no topic {args.topic[:40]!r}",
            "one of " + ", ".join(TOPICS),
            closest(args.topic, [*TOPICS, *COMMANDS]),
        )
    context.out(context.style(wrap(topic.title, context.width), "head"))
    for text in topic.text:
        context.out(wrap(text, context.width, "  "))
    context.out("")
    for line in topic.lines:
        context.out(f"  {line}")
    if topic.also:
        context.out(f"\nSee also: {', '.join(topic.also)}")
    return Status.OK
