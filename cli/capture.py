"""`gateword capture`: what happened on the SPI of a logic capture."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.chip.model import Chip
from regmap.errors import CallError, closest
from regmap.maps.load import load_map, maps_around
from regmap.quantity import count_of
from regmap.record import replace
from regmap.stages.identity import identity

from .context import Context, Status, wrap
from .documents import add_mode
from .files import write_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from regmap.capture.lines.signals import Capture
    from regmap.capture.setupfile import CaptureSetup
    from regmap.stages.identity import DocumentIdentity
    from regmap.stages.load import Stage
    from regmap.trace.events import TraceClock
    from regmap.trace.telling.story import Story
    from regmap.trace.telling.timeline import Filter
    from regmap.trace.tracer import Trace

    from .capturefollow import Follower
    from .capturejson import JsonLines

NAME = "capture"
HELP = "transfers, faults and timing of a logic capture"

ROLES = ("clock", "select", "command", "reply", "fault", "enable")
FORMATS = ("vcd", "csv", "raw", "frames", "bytes", "fst")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file",
        metavar="FILE",
        help="a value change dump, table, raw samples or list of frames, gz too; - for standard input",
    )
    parser.add_argument(
        "--map",
        metavar="MAP",
        action="append",
        default=[],
        help="the chip's map, a path or a bundled name; several for a daisy chain, first the one nearest to the controller's output",
    )
    parser.add_argument(
        "--stage",
        metavar="STAGE",
        help="hold the capture against a stage; its map is taken where --map is not given",
    )
    add_mode(parser)
    parser.add_argument(
        "--chain", type=int, metavar="N", help="N chips of this map in a daisy chain"
    )
    parser.add_argument(
        "--device-address",
        type=int,
        metavar="N",
        help="the device address that the pins select, where frames carry one",
    )
    parser.add_argument(
        "--at",
        metavar="TIME",
        help="what the chip holds at this time (12.5 ms), against the stage if given",
    )
    parser.add_argument(
        "--follow",
        action="store_true",
        help="read on as the file or standard input grows, tell what comes, end with Ctrl-C; memory stays bounded",
    )
    parser.add_argument(
        "--idle", metavar="TIME", help="with --follow: end after this time without growth"
    )
    gate = parser.add_argument_group(
        "exit status",
        "1 where the capture does not prove that all is well (--accept tells the reasons)",
    )
    gate.add_argument(
        "--fail-on-fault", action="store_true", help="1 also when a fault of the chip was seen"
    )
    gate.add_argument(
        "--accept",
        metavar="REASON",
        action="append",
        default=[],
        help="no 1 for this reason: wiring, rejected, replies, writes, registers, unseen, contradiction, pins, reset, watchdog, limits, figures",
    )
    gate.add_argument(
        "--bad-replies",
        metavar="PERCENT",
        default="0 %",
        help="share of replies that may be beyond belief (default: 0 %%)",
    )

    show = parser.add_argument_group("what is shown")
    show.add_argument(
        "--register",
        metavar="REG",
        action="append",
        default=[],
        help="only frames of this register",
    )
    show.add_argument(
        "--fault", metavar="NAME", action="append", default=[], help="only what concerns this fault"
    )
    show.add_argument(
        "--kind",
        metavar="KIND",
        action="append",
        default=[],
        help="only this kind: read, write, rejected, pin, a command, or a kind of note",
    )
    show.add_argument(
        "--position",
        type=int,
        metavar="N",
        action="append",
        default=[],
        help="only this position of a chain, 0 first",
    )
    show.add_argument("--since", metavar="TIME", help="from this time on")
    show.add_argument("--until", metavar="TIME", help="up to this time")
    show.add_argument("--all", action="store_true", help="also every frame that told nothing new")
    show.add_argument("--summary", action="store_true", help="no timeline")
    show.add_argument("--brief", action="store_true", help="faults as one line each")
    show.add_argument(
        "--picture",
        metavar="FILE",
        help="also write the timeline as SVG: frames, lost evidence, pins, faults, registers",
    )
    form = show.add_mutually_exclusive_group()
    form.add_argument(
        "--json",
        action="store_true",
        help="one JSON object a line as the capture is read, the summary last",
    )
    form.add_argument("--csv", action="store_true", help="one row a frame")
    form.add_argument(
        "--faults", choices=("text", "csv"), help="instead: when each fault was raised and gone"
    )
    form.add_argument(
        "--times",
        choices=("text", "csv"),
        help="instead: longest pause between readbacks, poll gaps, watchdog services, reactions, early frames",
    )

    read = parser.add_argument_group(
        "how the file is read (kept beside it with --save-setup, in FILE.setup.yaml; gateword.setup.yaml serves its folder)"
    )
    read.add_argument(
        "--line",
        metavar="ROLE=NAME",
        action="append",
        default=[],
        help=f"which channel is {', '.join(ROLES)}; - for one not captured",
    )
    read.add_argument("--mode", type=int, choices=range(4), help="SPI mode, against the map")
    read.add_argument(
        "--order", choices=("msb_first", "lsb_first"), help="bit sent first, against the map"
    )
    read.add_argument(
        "--select",
        choices=("active_low", "active_high"),
        help="active level of select, against the map",
    )
    read.add_argument("--cut", choices=("auto", "select", "gap"), help="how frames are told apart")
    read.add_argument(
        "--gap", metavar="TIME", help="pause that ends a frame where select is missing"
    )
    read.add_argument("--format", choices=FORMATS, help="format of the file (told by content)")
    read.add_argument(
        "--rate", metavar="FREQUENCY", help="sample rate of raw samples or of a table without times"
    )
    read.add_argument(
        "--bit",
        metavar="NAME=N",
        action="append",
        default=[],
        help="raw samples: which bit is which line",
    )
    read.add_argument(
        "--sample-bytes", type=int, choices=(1, 2, 4, 8), help="raw samples: bytes of one"
    )
    read.add_argument(
        "--thresholds",
        metavar="LOW,HIGH",
        help="voltages below and above which analog lines are 0 and 1",
    )
    read.add_argument(
        "--time-unit",
        choices=("s", "ms", "us", "ns", "ps", "fs"),
        help="unit of a table's or list's times",
    )
    read.add_argument(
        "--frame-bits", type=int, metavar="N", help="bits of a frame in a list of frames"
    )
    read.add_argument(
        "--join",
        choices=("packet", "select", "pause", "none"),
        help="what joins the bytes of a table to frames",
    )
    read.add_argument(
        "--explain-setup",
        action="store_true",
        help="only show how the file would be read: columns, units, lines, SPI, and where each comes from",
    )
    read.add_argument(
        "--save-setup",
        action="store_true",
        help="write FILE.setup.yaml with these choices and the lines found",
    )


def run(args: argparse.Namespace, context: Context) -> int:
    from regmap.capture.formats.opening import open_capture
    from regmap.trace.telling.gate import STOPS
    from regmap.trace.telling.story import tell
    from regmap.trace.tracer import How, trace_capture

    from . import captureshow

    stage = _stage(args)
    chips = chips_of(args, stage)
    known_names(args.accept, set(STOPS), "reason")
    setup = setup_of(args)
    if setup.options.join is None and any(f.length == 8 for c in chips for f in c.frames.values()):
        # bytes may be whole frames of this chip: they are not joined unless asked for
        setup = replace(setup, options=replace(setup.options, join="none"))
    for note in setup.notes:
        context.err(note.render(context.width))
    how = How(roles=setup.channels, spi=setup.spi)
    share = quantity(args.bad_replies, "ratio", "--bad-replies", zero=True)
    who = identity(stage) if stage is not None else identity(*chips)

    def judged(trace: Trace, at: int | None = None) -> Story:
        return tell(trace, stage, at, bad_replies=share, others=lambda: maps_around(args.map))

    with (
        _source(args, context) as source,
        open_capture(
            source,
            format=setup.format,
            options=setup.options,
            lines=bool(setup.channels),
            name="stdin" if args.file == "-" else args.file,
        ) as capture,
        _progress(context) as progress,
    ):
        if args.explain_setup:
            return _explain(args, capture, chips, setup, context)
        # what is not asked for is not loaded: a small capture takes as long as its imports
        lines, follower = _streams(args, chips, judged, who, context)
        part = lines.part if lines is not None and not args.summary else None
        trace = trace_capture(
            capture,
            chips,
            how,
            chain=chips[0].chain,
            progress=progress,
            part_done=follower.part if follower is not None else part,
            live=args.follow,
        )
    wanted = filter_of(args, chips, trace.clock)
    at = ticks(args.at, trace.clock) if args.at else None
    story = judged(trace, at)
    if args.save_setup:
        _save(args, setup, trace, context)
    if args.picture:
        _picture(args.picture, trace, story, wanted, context)
    course = follower.finish(trace) if follower is not None else None
    if args.json and lines is not None:
        lines.finish(trace, story, at, who, events=not args.summary, course=course)
    elif args.csv:
        from . import capturetables

        capturetables.csv_rows(trace, wanted, context)
    elif args.faults or args.times:
        from . import capturetables

        capturetables.show_tables(trace, story, args.faults, args.times, context)
    else:
        told = args.summary or args.follow
        if lines is not None:
            lines.rest(trace)
        context.lines(
            captureshow.report(
                trace, story, wanted, at, who, context, timeline=not told, brief=args.brief
            )
        )
        if course is not None:
            context.out(wrap(course.text(trace), context.width, hang="  "))
    for problem in trace.problems:
        context.err(problem.render(context.width))
    if any(p.severity == "error" for p in trace.problems):
        return Status.USAGE
    accepted = {*args.accept, *(() if args.fail_on_fault else ("faults",))}
    found = {s.name for s in story.stops} | (follower.stops if follower is not None else set())
    return Status.FINDINGS if found - accepted else Status.OK


# --- what is asked -------------------------------------------------------------------------------
def _stage(args: argparse.Namespace) -> Stage | None:
    if not args.stage:
        return None
    from regmap.stages.load import load_stage

    return load_stage(args.stage, args.drive_mode)


def chips_of(args: argparse.Namespace, stage: Stage | None) -> list[Chip]:
    """The chips on the SPI, chip 0 first."""
    from regmap.frames.codec import readdress

    if args.map:
        chips = [load_map(name) for name in args.map]
    elif stage is not None:
        chips = list(stage.chain) or [stage.chip]
    else:
        raise CallError("capture needs to know the chip: give --map MAP or --stage STAGE")
    if args.chain is not None:
        if not 1 <= args.chain <= 64:
            raise CallError(f"a chain of {args.chain} chips", "1 to 64")
        if len(chips) > 1 and args.chain != len(chips):
            raise CallError(
                f"--chain {args.chain} and {len(chips)} maps; give one map, or leave --chain out"
            )
        chips = chips * args.chain if len(chips) == 1 else chips
    if args.device_address is not None:
        chips = [readdress(chip, args.device_address) for chip in chips]
    return chips


def setup_of(args: argparse.Namespace) -> CaptureSetup:
    """What is known of the file: its set-up file beside it, overruled by options."""
    from regmap.capture.setupfile import BIT_ORDER, SELECT, CaptureSetup, setup_for

    setup = setup_for(args.file)[0] if args.file != "-" else CaptureSetup()
    channels = {**setup.channels, **pairs(args.line, ROLES, "line")}
    spi = dict(setup.spi)
    order = BIT_ORDER[args.order] if args.order else None
    for key, value in (("mode", args.mode), ("bit_order", order), ("segment", args.cut)):
        if value is not None:
            spi[key] = value
    if args.select:
        spi["select_active_low"] = SELECT[args.select]
    if args.gap:
        spi["gap"] = quantity(args.gap, "time", "--gap")
    options = setup.options
    given: dict[str, Any] = {}
    if args.rate:
        given["rate"] = quantity(args.rate, "frequency", "--rate")
    if args.bit:
        given["lines"] = {
            n: whole(b, f"bit of {n}") for n, b in pairs(args.bit, None, "bit").items()
        }
    if args.thresholds:
        low, comma, high = args.thresholds.partition(",")
        if not comma:
            raise CallError(f"--thresholds {args.thresholds[:40]!r}", "LOW,HIGH as in 0.8V,2V")
        given["thresholds"] = tuple(
            float(quantity(v, "voltage", "--thresholds", positive=False)) for v in (low, high)
        )
    for key in ("time_unit", "frame_bits", "sample_bytes", "join"):
        if getattr(args, key) is not None:
            given[key] = getattr(args, key)
    return CaptureSetup(
        format=args.format or setup.format,
        channels=channels,
        options=replace(options, **given),
        spi=spi,
        notes=setup.notes,
    )


def pairs(texts: list[str], known: tuple[str, ...] | None, what: str) -> dict[str, str]:
    """KEY=VALUE options as a mapping."""
    found = {}
    for text in texts:
        key, equals, value = text.partition("=")
        if not equals or not value:
            raise CallError(f"--{what} {text[:40]!r}", "KEY=VALUE")
        if known is not None and key not in known:
            near = closest(key, known)
            raise CallError(
                f"--{what} {text[:40]!r}: no role {key[:40]!r}",
                f"one of {', '.join(known)}",
                nearest=near,
            )
        found[key] = value
    return found


def whole(text: str, what: str) -> int:
    count = count_of(text)
    if count is None:
        raise CallError(f"{what}: {text[:40]!r}", "a whole number")
    return count


def quantity(
    text: str, dimension: str, what: str, *, positive: bool = True, zero: bool = False
) -> Fraction:
    from regmap.quantity import parse

    try:
        value = parse(text, dimension).value
    except CallError as error:
        raise error.about(what) from None
    if positive and value <= 0 and not (zero and value == 0):
        raise CallError(f"{what} {text[:40]!r}", "more than 0")
    return value


def ticks(text: str, clock: TraceClock) -> int:
    """A time of the capture in its own ticks; a frame's number where it has no times."""
    if clock.tick is None:
        return whole(text, "a list without times counts frames: --at, --since and --until")
    return int(quantity(text, "time", "a time", positive=False) / clock.tick)


def known_names(names: list[str], choices: set[str], what: str) -> frozenset[str]:
    """These names, all of the choices; CallError with the nearest one else."""
    for name in names:
        if name not in choices:
            near = closest(name, choices)
            raise CallError(f"no {what} {name[:40]!r}", nearest=near)
    return frozenset(names)


def kinds_of(chips: list[Chip]) -> list[str]:
    """The kinds of frames and notes that `--kind` takes."""
    from regmap.trace.events import NOTES

    commands = {c for chip in chips for c in chip.commands}
    return list(dict.fromkeys(["read", "write", "rejected", "pin", *NOTES, *sorted(commands)]))


def filter_of(args: argparse.Namespace, chips: list[Chip], clock: TraceClock) -> Filter:
    """The filter that the options ask for; CallError with the nearest name for an unknown one."""
    from regmap.trace.telling.timeline import Filter

    for number in args.position:
        if not 0 <= number < len(chips):
            raise CallError(f"no chip {number}; the chain has 0 to {len(chips) - 1}")
    return Filter(
        registers=known_names(args.register, {r for c in chips for r in c.registers}, "register"),
        faults=known_names(args.fault, {f for c in chips for f in c.faults}, "fault"),
        kinds=known_names(args.kind, set(kinds_of(chips)), "kind"),
        chips=frozenset(args.position),
        since=ticks(args.since, clock) if args.since else None,
        until=ticks(args.until, clock) if args.until else None,
        every=args.all,
    )


# --- around it -----------------------------------------------------------------------------------
@contextmanager
def _progress(context: Context) -> Iterator[Callable[[int, int], None] | None]:
    """A line on stderr while a long file is read, and its removal."""
    if not context.progress:
        yield None
        return
    shown = [-1]

    def draw(done: int, total: int) -> None:
        step = done * 100 // total if total else done >> 20
        if step != shown[0] and (max(total, done) > 20_000_000):
            shown[0] = step
            text = f"{step} %" if total else f"{step} MB"
            context.stderr.write(f"\rreading {text} ")
            context.stderr.flush()

    try:
        yield draw
    finally:
        if shown[0] >= 0:
            context.stderr.write("\r" + " " * 24 + "\r")
            context.stderr.flush()


def _streams(
    args: argparse.Namespace,
    chips: list[Chip],
    judged: Callable[[Trace], Story],
    who: DocumentIdentity,
    context: Context,
) -> tuple[JsonLines | None, Follower | None]:
    """What tells of the capture while it is read: JSON lines, or the lines of one that grows."""
    if not args.json and not args.follow:
        return None, None
    from . import capturefollow, capturejson

    kind = capturejson.JsonLines if args.json else capturefollow.TextLines
    lines = kind(lambda t: filter_of(args, chips, t.clock), context, live=args.follow)
    return lines, capturefollow.Follower(lines, judged, who) if args.follow else None


@contextmanager
def _source(args: argparse.Namespace, context: Context) -> Iterator[Any]:
    """What is read: a file by its name, standard input, or either as it grows."""
    what: Any = context.binary_stdin if args.file == "-" else args.file
    if not args.follow:
        if args.idle:
            raise CallError("--idle says when --follow ends; give --follow too")
        yield what
        return
    from regmap.capture.growing import Growing

    idle = float(quantity(args.idle, "time", "--idle")) if args.idle else None
    with Growing(what, idle=idle) as growing:
        yield growing
    if growing.trouble:
        context.err(f"{args.file}: {growing.trouble}")


def _explain(
    args: argparse.Namespace,
    capture: Capture,
    chips: list[Chip],
    setup: CaptureSetup,
    context: Context,
) -> int:
    """Only show how the file would be read."""
    from regmap.capture.setupfile import setup_for

    from .capturesetup import setup_lines

    kept = setup_for(args.file)[1] if args.file != "-" else None
    for line in setup_lines(capture, chips, setup, kept, context):
        context.out(line)
    for problem in capture.problems:
        context.err(problem.render(context.width))
    return Status.USAGE if any(p.severity == "error" for p in capture.problems) else Status.OK


def _picture(path: str, trace: Trace, story: Story, wanted: Filter, context: Context) -> None:
    """Write the timeline, or the part of it that --since and --until ask for."""
    from regmap.report.timeline import draw
    from regmap.trace.telling.lanes import lanes

    found = lanes(trace, story, since=wanted.since, until=wanted.until)
    write_text(Path(path), draw(found, trace.clock))
    context.err(f"wrote {path}")


def _save(args: argparse.Namespace, setup: CaptureSetup, trace: Any, context: Context) -> None:
    """Write the set-up beside the capture, with the lines that were found."""
    from regmap.capture.setupfile import save_setup, setup_path

    if args.file == "-":
        raise CallError("--save-setup needs a file, not standard input")
    channels = dict(setup.channels)
    if trace.finding is not None:
        for role in ROLES:
            index = getattr(trace.finding.roles, role)
            channels.setdefault(
                role, trace.sample.channels[index].name if index is not None else "-"
            )
    path = setup_path(args.file)
    save_setup(replace(setup, channels=channels), path)
    context.err(f"{os.fspath(path)} written")
