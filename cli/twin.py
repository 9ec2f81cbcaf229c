"""`gateword twin`: a simulated chip on a pseudo-terminal, or over standard input and output."""

from __future__ import annotations

import argparse
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.maps.load import find_document, load_map
from regmap.stages.load import load_stage

from .context import Context, Status, wrap
from .files import tell_left_behind, wait_for_reader
from .vet import kind_of

if TYPE_CHECKING:
    from regmap.twin import Clock, Core, Disturbance, Twin
    from regmap.twin.adapter import Adapter
    from regmap.twin.chain import TwinChain
    from regmap.wire.ports import Line

NAME = "twin"
HELP = "a simulated chip on a pseudo-terminal"


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
        help="speak the adapter protocol over standard input and output, until the input ends",
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
        help="real time, or virtual time that only the bus moves (real on a pseudo-terminal, virtual with --stdio)",
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
        context.gate.reads(chip.files)
    if args.list:
        for line in _list(chips[0]):
            context.out(line)
        return Status.OK
    from regmap.twin import Clock, RealClock
    from regmap.twin.adapter import Adapter

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
        with _terminated():
            if args.stdio:
                _serve_stdio(adapter, name, on_line, args, context)
            else:
                _serve_terminal(adapter, name, on_line, args, context, clock)
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

    on_bus: list[str | Disturbance] = []
    on_line: list[Disturbance] = []
    for text in texts:
        number, colon, rest = text.partition(":")
        placed = bool(colon) and number.strip().isdigit()
        if placed and len(chips) > 1:
            if not 0 <= int(number) < len(chips):
                raise CallError(f"position {number} in a chain of {len(chips)} chips")
            parse_disturbance(rest, chips[int(number)])
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
def _terminated() -> Iterator[None]:
    """A polite end when the process is told to stop, so that the waveform is complete."""

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _serve_terminal(
    adapter: Adapter,
    name: str,
    on_line: list[Disturbance],
    args: argparse.Namespace,
    context: Context,
    clock: Clock,
) -> None:
    from regmap.twin import gaps
    from regmap.twin.adapter import DisturbedLine
    from regmap.wire.ports import PseudoTerminal

    with PseudoTerminal() as terminal:
        line: Line = terminal
        if on_line:
            line = DisturbedLine(terminal, on_line, seed=args.seed, clock=clock, silent=True)
        context.out(terminal.path)
        context.stdout.flush()
        context.err(
            wrap(
                f"A simulated {name} answers there until Ctrl-C; no real chip, no real signal.",
                context.width,
            )
        )
        for text in gaps(adapter.cores[0].chip):
            context.err(wrap(f"the map leaves open: {text}", context.width, hang="  "))
        _answer(line, adapter, name, lambda: False, args, context)


def _serve_stdio(
    adapter: Adapter,
    name: str,
    on_line: list[Disturbance],
    args: argparse.Namespace,
    context: Context,
) -> None:
    from regmap.twin.adapter import DisturbedLine, StreamLine

    streams = StreamLine(context.binary_stdin.fileno(), context.binary_stdout.fileno())
    line: Line = streams
    if on_line:
        line = DisturbedLine(streams, on_line, seed=args.seed, silent=True)
    _answer(line, adapter, name, lambda: streams.ended, args, context)


def _answer(
    line: Line, adapter: Adapter, name: str, ended: Any, args: argparse.Namespace, context: Context
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
        return bool(ended())

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
