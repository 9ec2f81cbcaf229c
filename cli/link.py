"""`gateword link`: a real or simulated chip over an adapter."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.errors import CallError
from regmap.maps.load import find_document, load_map
from regmap.stages.load import load_stage

from .context import Context, Status, wrap
from .documents import add_mode
from .files import write_text
from .vet import kind_of

if TYPE_CHECKING:
    from .linkrun import Target

NAME = "link"
HELP = "read, write, verify and watch a real or simulated chip"

EPILOG = """\
PORT is a serial port, a pseudo-terminal's path (gateword twin prints one), or socket://HOST:PORT.
Nothing is written without --allow-writes or a confirmation that names the chip and the port, not
even the page select of a chip whose registers stand on pages. What cannot be believed is never shown as a value; after a failure the report says what the chip is known to
hold, what is unknown, and how to reach a safe state.
An adapter of your own: `gateword link kit -o FOLDER` writes the protocol (PROTOCOL.md) and its side in
portable C; `gateword link PORT check-adapter` tells what it does otherwise. Adapters without firmware:
PORT spidev:///dev/spidev0.0 (Linux), or mpsse:///1 (a USB bridge of the MPSSE kind, with pyftdi).
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.epilog = EPILOG
    parser.add_argument(
        "port",
        metavar="PORT",
        help="the adapter's port; `list` lists the ports of this machine, `kit` writes what an adapter of your own needs",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="with `kit`: where the protocol and the C source go",
    )
    parser.add_argument("--json-ports", action="store_true", help="with `list`: one JSON object")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--baud", type=int, default=115200, metavar="N", help="of the serial port (115200)"
    )
    common.add_argument(
        "--spi-clock",
        metavar="F",
        help="SPI clock, such as 500 kHz (1 MHz, or what the chip can do)",
    )
    common.add_argument(
        "--timeout", default="250 ms", metavar="T", help="for one answer of the adapter (250 ms)"
    )
    common.add_argument(
        "--reconnect", default="5 s", metavar="T", help="how long a lost port is looked for (5 s)"
    )
    common.add_argument(
        "--any-chip",
        action="store_true",
        help="go on with a chip whose constant register reads otherwise than the map says",
    )
    common.add_argument(
        "--log",
        metavar="FILE",
        help="log of the session, one JSON object a line; an existing file is never overwritten",
    )
    common.add_argument(
        "--log-size",
        default="50 MB",
        metavar="SIZE",
        help="go on in FILE.2, FILE.3 and so on when a log has grown to this (50 MB)",
    )
    common.add_argument("--json", action="store_true", help="JSON instead of text")
    writing = argparse.ArgumentParser(add_help=False)
    writing.add_argument(
        "--allow-writes", action="store_true", help="yes, write to this chip on this port"
    )
    writing.add_argument("--dry-run", action="store_true", help="print the frames and send nothing")
    looking = argparse.ArgumentParser(add_help=False)
    looking.add_argument(
        "--allow-writes",
        action="store_true",
        help="write the page select to read registers on other pages, and put it back",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", title="actions")

    def document(one: argparse.ArgumentParser, nargs: str | None = None) -> None:
        one.add_argument(
            "document",
            nargs=nargs,
            metavar="MAP|STAGE",
            help="a map or a stage: a path or a bundled name",
        )

    one = actions.add_parser(
        "identify", parents=[common], help="who answers: adapter, chip, frame layout"
    )
    document(one, "?")
    one = actions.add_parser(
        "read",
        parents=[common, looking],
        help="read registers; all that reading does not change where none is named",
    )
    document(one)
    one.add_argument(
        "registers", nargs="*", default=[], metavar="REG"
    )  # without a default argparse calls it required
    one = actions.add_parser(
        "write", parents=[common, writing], help="write fields, words or commands, read back"
    )
    document(one)
    one.add_argument(
        "requests",
        nargs="+",
        metavar="REQUEST",
        help='"REG.FIELD = VALUE", "REG = WORD", a command or a key sequence',
    )
    one = actions.add_parser(
        "apply",
        parents=[common, writing],
        help="bring the chip up to a stage: expect, unlock, configure, verify, lock",
    )
    one.add_argument("document", metavar="STAGE", help="a stage: a path or a bundled name")
    add_mode(one)
    one.add_argument(
        "--any-state", action="store_true", help="go on where the chip is not fresh from power-up"
    )
    one = actions.add_parser(
        "verify",
        parents=[common, looking],
        help="compare every setting with a stage, bit by bit; writes nothing unasked",
    )
    one.add_argument("document", metavar="STAGE", help="a stage: a path or a bundled name")
    add_mode(one)
    one = actions.add_parser(
        "mode",
        parents=[common, writing],
        help="take a chip from the mode that it holds to another mode of its stage, while it drives or not",
    )
    one.add_argument("document", metavar="STAGE", help="a stage: a path or a bundled name")
    one.add_argument("drive_to", metavar="MODE", help="the mode to enter; as_stated: without one")
    one.add_argument(
        "--from",
        dest="drive_from",
        metavar="MODE",
        default="",
        help="the mode that it must hold; else it is read which",
    )
    one.add_argument(
        "--despite-findings",
        action="store_true",
        help="go a way that leaves the drive unprotected between two frames",
    )
    one = actions.add_parser(
        "watch", parents=[common, looking], help="poll the status, explained, until Ctrl-C"
    )
    document(one)
    one.add_argument("--period", default="500 ms", metavar="T", help="time between polls (500 ms)")
    one.add_argument("--count", type=int, metavar="N", help="stop after so many polls")
    one.add_argument(
        "--clearing", action="store_true", help="also read registers that reading clears"
    )
    one.add_argument(
        "--fail-on-fault",
        action="store_true",
        help="exit status 1 when a fault is seen, or the fault pin is active",
    )
    one = actions.add_parser("script", parents=[common, writing], help="run a test stand's script")
    document(one)
    one.add_argument("file", metavar="FILE", help="the script; - for standard input")
    one.add_argument(
        "--control",
        metavar="socket://HOST:PORT",
        help="where the steps disturb, clear, power and brown-out go: the control port that a twin tells",
    )
    one = actions.add_parser(
        "pins", parents=[common, writing], help="read the adapter's pins, or drive the enable pin"
    )
    document(one, "?")
    one.add_argument("--enable", choices=("high", "low"), help="drive the enable pin")
    one = actions.add_parser(
        "check-adapter",
        parents=[common],
        help="whether an adapter keeps the protocol; nothing may be connected to its SPI",
    )
    one.add_argument(
        "--allow-writes", action="store_true", help="yes, clock arbitrary bytes out of this port"
    )


def target_of(name: str | None, *, stage: bool = False, mode: str = "") -> Target:
    """The chip (and stage) of a document. Raises CallError where a stage is wanted and a map given."""
    from .linkrun import Target

    if name is None:
        return Target(None, None)
    path = find_document(name)
    if kind_of(path) == "stage":
        loaded = load_stage(path, mode)
        return Target(loaded.chip, loaded)
    if stage:
        raise CallError(f"{name} is a map", "a stage, which says what the chip is to hold")
    return Target(load_map(path), None)


def run(args: argparse.Namespace, context: Context) -> int:
    if args.port == "list":
        return _ports(args, context)
    if args.port == "kit":
        return _kit(args, context)
    if args.action == "check-adapter":
        from .linkcheck import run_check

        return run_check(args, context)
    if args.action is None:
        raise CallError(
            "no action",
            "identify, read, write, apply, verify, mode, watch, script, pins or check-adapter after the port",
        )
    from . import linkmode, linkrun, linkwrite

    actions = {
        "identify": linkrun.run_identify,
        "read": linkrun.run_read,
        "verify": linkrun.run_verify,
        "watch": linkrun.run_watch,
        "write": linkwrite.run_write,
        "apply": linkwrite.run_apply,
        "mode": linkmode.run_mode,
        "script": linkwrite.run_script_file,
        "pins": linkwrite.run_pins,
    }
    target = target_of(
        getattr(args, "document", None),
        stage=args.action in ("apply", "verify", "mode"),
        mode=getattr(args, "drive_mode", ""),
    )
    if target.chip is not None:
        context.reads(target.stage or target.chip)
    return actions[args.action](args, context, target)


def _ports(args: argparse.Namespace, context: Context) -> int:
    from regmap.wire.ports import list_ports

    ports = list_ports()
    if args.json_ports:
        context.json(
            "ports",
            ports=[
                {"device": p.device, "description": p.description, "hardware": p.hardware_id}
                for p in ports
            ],
        )
        return Status.OK
    for port in ports:
        context.out(
            f"{port.device}  {port.description or 'no description'}  {port.hardware_id}".rstrip()
        )
    if not ports:
        context.out(
            wrap(
                "This machine has no serial port. `gateword twin MAP` offers a simulated chip.",
                context.width,
            )
        )
    return Status.OK


def _kit(args: argparse.Namespace, context: Context) -> int:
    """Copy what the writer of an adapter needs."""
    import regmap.wire

    if args.output is None:
        raise CallError("`kit` needs a folder", "-o FOLDER")
    source = Path(regmap.wire.__file__).parent
    target = Path(args.output)
    files = [source / "PROTOCOL.md", *sorted((source / "bridge").iterdir())]
    for file in files:
        if (target / file.name).exists():
            raise CallError(f"{target / file.name} is there already", "a new folder")
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CallError(f"{target} cannot be made ({error.strerror})") from None
    for file in files:
        write_text(target / file.name, file.read_text(encoding="utf-8"))
        context.out(str(target / file.name))
    return Status.OK
