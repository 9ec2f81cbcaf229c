"""`gateword twin`: a simulated chip on a pseudo-terminal, over TCP on this machine, or on standard input and output."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.maps.load import find_document, load_map
from regmap.stages.load import load_stage

from .context import Context, Status, wrap
from .files import tell_left_behind, wait_for_reader
from .signals import told_to_stop
from .vet import kind_of

if TYPE_CHECKING:
    from regmap.twin import Clock, Core, Disturbance, Twin
    from regmap.twin.adapter import Adapter
    from regmap.twin.chain import TwinChain
    from regmap.twin.control import Control
    from regmap.wire.ports import Line

NAME = "twin"
HELP = "a simulated chip (simulator) on a pseudo-terminal, or over TCP on this machine"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "map",
        nargs="+",
        metavar="MAP|STAGE",
        help="the chip's map, or a stage; several maps make a daisy chain, nearest to the controller's output first",
    )
    parser.add_argument(
        "--stdio",
        action="store_true",
        help="speak the adapter protocol over standard input and output, until the input ends (POSIX only)",
    )
    parser.add_argument(
        "--tcp",
        type=int,
        metavar="PORT",
        help="speak it on this TCP port of this machine only (0: any that is free); what Windows does by itself, "
        "as pseudo-terminals are POSIX only",
    )
    parser.add_argument(
        "--control",
        type=int,
        metavar="PORT",
        help="carry out lines sent to this TCP port of this machine only (0: any), such as "
        '"disturb vds_uh after write GATE", "clear all", "power off for 2 ms", "pin enable low"',
    )
    parser.add_argument(
        "--vcd",
        metavar="FILE.vcd",
        help="write chip select, clock, SDI, SDO and fault pin as a waveform; `gateword capture` reads it",
    )
    parser.add_argument(
        "--disturbance",
        action="append",
        default=[],
        metavar="WHAT",
        help='a fault or a disturbed line, with its time: "vds_uh at 12 ms for 30 us", "bit_flips 1 %%", "dead_reply high at 3 ms"; may be given several times',
    )
    parser.add_argument("--list", action="store_true", help="list all disturbances, and leave")
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help="same seed, same disturbances (0)"
    )
    parser.add_argument(
        "--clock",
        choices=("real", "virtual"),
        help="real time, or virtual time that only the SPI moves (real on a pseudo-terminal, virtual with --stdio)",
    )
    parser.add_argument(
        "--rejected",
        choices=("zero", "previous"),
        default="zero",
        help="what the chip answers to a frame that it rejected (zero)",
    )
    parser.add_argument(
        "--events", action="store_true", help="tell on standard error what happens in the chip"
    )


def _chips(names: list[str]) -> list[Chip]:
    if len(names) == 1:
        path = find_document(names[0])
        if kind_of(path) == "stage":
            stage = load_stage(path)
            return list(stage.chain) or [stage.chip]
        return [load_map(path)]
    return [load_map(name) for name in names]


def run(args: argparse.Namespace, context: Context) -> int:
    chips = _chips(args.map)
    for chip in chips:
        context.reads(chip)
    if args.list:
        for line in _list(chips[0]):
            context.out(line)
        return Status.OK
    from regmap.twin import Clock, RealClock
    from regmap.twin.adapter import Adapter

    for option, number in (("--tcp", args.tcp), ("--control", args.control)):
        if number is not None and not 0 <= number <= 65535:
            raise CallError(f"{option} {number}", "a port number, 0 to 65535")
    if args.stdio and args.tcp is not None:
        raise CallError("--stdio and --tcp are two ways to speak", "one of them")
    real = args.clock == "real" or (args.clock is None and not args.stdio)
    clock = RealClock() if real else Clock()
    on_bus, on_line = _sorted(args.disturbance, chips)
    twin = _twin(args, context, chips, clock)
    if twin.bus.recorder is not None:
        tell_left_behind(twin.bus.recorder.left_behind, context)
    for item in on_bus:
        twin.disturb(item)
    cores = getattr(twin, "cores", None) or [twin]
    adapter = Adapter(twin.bus, cores)
    name = "+".join(c.name for c in chips)
    try:
        with told_to_stop():
            _serve(twin, adapter, name, on_line, args, context)
    except KeyboardInterrupt:
        context.err("gateword: the simulated chip has been switched off")
        return Status.INTERRUPTED
    finally:
        twin.close()
        if args.vcd:
            context.err(f"waveform: {args.vcd}")
    return Status.OK


def _twin(
    args: argparse.Namespace, context: Context, chips: list[Chip], clock: Clock
) -> Twin | TwinChain:
    from regmap.twin import Twin
    from regmap.twin.chain import TwinChain

    wait_for_reader(args.vcd, context)
    if len(chips) > 1:
        return TwinChain(chips, seed=args.seed, clock=clock, vcd=args.vcd)
    return Twin(chips[0], seed=args.seed, clock=clock, vcd=args.vcd, rejected=args.rejected)


def _sorted(
    texts: list[str], chips: list[Chip]
) -> tuple[list[str | Disturbance], list[Disturbance]]:
    """What goes to the chip's side and what to the serial line; every text is checked."""
    from regmap.twin import LINE_DISTURBANCES, parse_disturbance
    from regmap.twin.disturbance import at_position

    on_bus: list[str | Disturbance] = []
    on_line: list[Disturbance] = []
    for text in texts:
        placed, rest = at_position(text)
        if placed is not None and len(chips) > 1:
            if not 0 <= placed < len(chips):
                raise CallError(f"position {placed} in a chain of {len(chips)} chips")
            parse_disturbance(rest, chips[placed])
            on_bus.append(text)
            continue
        item = parse_disturbance(text, chips[0])
        if item.name in LINE_DISTURBANCES:
            on_line.append(item)
        else:
            on_bus.append(item)
    return on_bus, on_line


def _list(chip: Chip) -> Iterator[str]:
    from regmap.twin import LINE_DISTURBANCES, SPI_DISTURBANCES

    yield f"faults of {chip.name} (NAME [at TIME] [for TIME]):"
    for fault in chip.faults.values():
        if not fault.summary_of:
            yield f"  {fault.name.lower():<14} {fault.title}"
    yield "disturbances of the SPI:"
    yield from (f"  {name:<14} {text}" for name, text in SPI_DISTURBANCES.items())
    yield "disturbances of the serial line:"
    yield from (f"  {name:<14} {text}" for name, text in LINE_DISTURBANCES.items())


@contextmanager
def _line(args: argparse.Namespace, context: Context) -> Iterator[Line]:
    """Where the adapter protocol is spoken; tells how to reach it."""
    from regmap.twin.adapter import StreamLine
    from regmap.wire.ports import PseudoTerminal
    from regmap.wire.tcp import LoopbackPort

    if args.stdio:
        yield StreamLine(context.binary_stdin.fileno(), context.binary_stdout.fileno())
        return
    if args.tcp is not None or os.name != "posix":
        with LoopbackPort(args.tcp or 0) as port:
            context.out(port.url)
            yield port
        return
    with PseudoTerminal() as terminal:
        context.out(terminal.path)
        yield terminal


def _serve(
    twin: Twin | TwinChain,
    adapter: Adapter,
    name: str,
    on_line: list[Disturbance],
    args: argparse.Namespace,
    context: Context,
) -> None:
    from regmap.twin import gaps
    from regmap.twin.adapter import DisturbedLine, StreamLine
    from regmap.twin.control import Control

    with ExitStack() as stack:
        line = stack.enter_context(_line(args, context))
        disturbed = DisturbedLine(
            line,
            on_line,
            seed=args.seed,
            clock=None if args.stdio else adapter.bus.clock,
            silent=True,
        )
        if args.control is not None:
            stack.enter_context(_control(Control(twin, adapter, disturbed), args, context))
        context.stdout.flush()
        where = "there until Ctrl-C" if not args.stdio else "until the input ends"
        text = f"A simulated {name} answers {where}; no real chip, no real signal."
        if args.tcp is not None or args.control is not None:
            text += " This machine only (loopback), and without a password."
        context.err(wrap(text, context.width))
        for text in gaps(adapter.cores[0].chip):
            context.err(wrap(f"the map leaves open: {text}", context.width, hang="  "))

        def ended() -> bool:
            return isinstance(line, StreamLine) and line.ended

        _answer(disturbed, adapter, name, ended, args, context)


@contextmanager
def _control(control: Control, args: argparse.Namespace, context: Context) -> Iterator[None]:
    """A thread that carries out what is sent to the control port, one line each."""
    import threading

    from regmap.twin.control import Lines
    from regmap.wire.ports import serve
    from regmap.wire.tcp import LoopbackPort

    done = threading.Event()
    with LoopbackPort(args.control) as port:
        where = context.err if args.stdio else context.out
        where(f"control {port.url}")
        thread = threading.Thread(
            target=serve, args=(port, Lines(control), done.is_set), daemon=True
        )
        thread.start()
        try:
            yield
        finally:
            done.set()
            thread.join(2.0)


def _answer(
    line: Line,
    adapter: Adapter,
    name: str,
    ended: Callable[[], bool],
    args: argparse.Namespace,
    context: Context,
) -> None:
    """Serve, and tell events where asked."""
    from regmap.twin.adapter import identity
    from regmap.twin.core import windows
    from regmap.wire.ports import serve
    from regmap.wire.server import Server

    told = [0] * len(adapter.cores)

    def stop() -> bool:
        if args.events:
            adapter.pins(None)  # brings the chips up to this moment, also when nobody asks them
            for index, core in enumerate(adapter.cores):
                told[index] = _tell(core, told[index], context, index if len(told) > 1 else None)
        return ended()

    try:
        serve(line, Server(adapter, identity(name)), stop)
    finally:
        stop()
        for index, core in enumerate(adapter.cores if args.events else ()):
            if core.watchdog.missed:
                where = f"chip {index} " if len(told) > 1 else ""
                context.err(
                    f"{core.now / 1e6:12.6f} ms  {where}watchdog: still not served, {windows(core.watchdog.missed)} in a row"
                )


def _tell(core: Core, told: int, context: Context, index: int | None) -> int:
    """Tell what has happened since `told` events; how many there are now."""
    new = min(core.happened - told, len(core.events))
    where = "" if index is None else f"chip {index} "
    for event in list(core.events)[-new:] if new else ():
        context.err(f"{event.ns / 1e6:12.6f} ms  {where}{event.kind}: {event.text}")
    return core.happened
