"""The session around `gateword link`, and what only looks: identify, read, verify, watch."""

from __future__ import annotations

import argparse
import re
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from typing import Any

from regmap.cautions import FIRST_WRITE
from regmap.chip.bank import full_name, need_register
from regmap.chip.model import Chip
from regmap.errors import CallError, LinkError
from regmap.link import rules
from regmap.link.log import SessionLog
from regmap.link.look import Found
from regmap.link.port import AdapterPort
from regmap.link.session import Link, RegisterReading
from regmap.quantity import parse, show
from regmap.record import dataclass
from regmap.stages.identity import identity
from regmap.stages.load import Stage
from regmap.wire.ports import Reopener

from .context import Context, Status, hexword, wrap
from .files import wait_for_reader
from .signals import told_to_stop

HERTZ = parse("1 Hz").dim


@dataclass(frozen=True, slots=True)
class Target:
    """The chip meant, and the stage if one was given."""

    chip: Chip | None
    stage: Stage | None

    @property
    def the_chip(self) -> Chip:
        assert self.chip is not None
        return self.chip


def seconds(text: str, what: str) -> float:
    """A time from the shell line, in seconds. Raises CallError."""
    value = parse(text)
    if value.dim != parse("1 s").dim or value.value < 0:
        raise CallError(f"{what} {text!r} is no time", "a time such as 250 ms")
    return float(value.value)


def open_port(args: argparse.Namespace, chip: Chip | None) -> AdapterPort:
    """The adapter, greeted and set up. Raises LinkError."""
    clock = None
    if args.spi_clock is not None:
        value = parse(args.spi_clock)
        if value.dim != HERTZ:
            raise CallError(f"--spi-clock {args.spi_clock!r} is no frequency", "500 kHz")
        clock = int(value.value)
    timeout = seconds(args.timeout, "--timeout")
    if timeout <= 0:
        raise CallError("--timeout must be more than 0 s")
    port = AdapterPort(
        Reopener(args.port, baud=args.baud),
        chip.spi if chip is not None else None,
        name=args.port,
        clock_hz=clock,
        timeout=timeout,
        reconnect=seconds(args.reconnect, "--reconnect"),
    )
    port.open()
    return port


@contextmanager
def session(args: argparse.Namespace, context: Context, target: Target) -> Iterator[Link]:
    """A link with its log. However it ends, the log is whole and says what is known."""
    chip = target.the_chip
    about = {
        "chip": chip.name,
        "stage": target.stage.name if target.stage else None,
        "identity": identity(target.stage if target.stage is not None else chip).json(),
        "port": args.port,
        "started": time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        "action": args.action,
        "caution": FIRST_WRITE,
    }
    wait_for_reader(args.log, context)
    link: Link | None = None
    how = "finished"
    with (
        told_to_stop() as ending,
        SessionLog(args.log, about, most_bytes=log_size(args)) as log,
    ):
        try:
            port = open_port(args, chip)
        except LinkError:
            log.withdraw()  # the session never was, and its log's name is free again
            raise
        try:
            stage = target.stage
            link = Link(
                chip,
                port,
                log=log,
                chips=stage.chain if stage is not None else (),
                position=stage.position if stage is not None else 0,
                move_pages=getattr(args, "allow_writes", False),
            )
            yield link
        except BaseException as error:
            how = (
                str(error) or "interrupted"
                if isinstance(error, KeyboardInterrupt)
                else f"{type(error).__name__}: {error}"
            )
            unasked = isinstance(error, (BrokenPipeError, CallError))
            if link is not None and link.known.items and not unasked:
                tell_account(link, context)
            raise
        finally:
            ending()
            try:
                log.close(how, link.account().lines() if link is not None else None)
            finally:
                port.close()
            if args.log:
                context.err(f"log: {', '.join(map(str, log.paths))}")


def log_size(args: argparse.Namespace) -> int | None:
    """Bytes after which a log goes on in a next file. Raises CallError."""
    match = re.fullmatch(r"(\d+)\s*([kMG]?)B?", args.log_size.strip())
    if match is None or not int(match[1]):
        raise CallError(f"--log-size {args.log_size!r}", "a size such as 50 MB")
    return int(match[1]) * {"": 1, "k": 10**3, "M": 10**6, "G": 10**9}[match[2]]


def tell_account(link: Link, context: Context) -> None:
    """What is known and unknown, on standard error."""
    context.err("")
    for line in link.account().lines():
        context.err(wrap(line, context.width, hang="    "))


def can_be_permitted(
    args: argparse.Namespace, context: Context, what: str, hazards: Sequence[str] = ()
) -> None:
    """The caution with what these writes do that can hurt; raises CallError where nobody allowed
    writes and nobody can be asked."""
    context.err(wrap(FIRST_WRITE, context.width))
    for text in hazards:
        context.err(wrap(f"caution: {text}", context.width, hang="  "))
    context.err("")
    if not args.allow_writes and not context.stdin.isatty():
        raise CallError(
            f"{what} on {args.port} needs --allow-writes (or a terminal to confirm at); --dry-run shows the frames"
        )


def permitted(
    args: argparse.Namespace,
    context: Context,
    what: str,
    *,
    hazards: Sequence[str] = (),
    told: bool = False,
) -> None:
    """The caution (unless `told`), and an explicit yes. Raises CallError without one."""
    if not told:
        can_be_permitted(args, context, what, hazards)
    if args.allow_writes:
        return
    name = what.split()[-1]
    context.stderr.write(
        f"{what[0].upper()}{what[1:]} on {args.port}. Type {name} to write, anything else to leave: "
    )
    context.stderr.flush()
    if context.stdin.readline().strip() != name:
        raise CallError("not confirmed; nothing was written")
    args.allow_writes = True


# --- looking -----------------------------------------------------------------------------------
def run_identify(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import identify

    if target.chip is None:
        port = open_port(args, None)
        identity = port.identity
        port.close()
        assert identity is not None
        text: dict[str, Any] = {
            "name": identity.name,
            "firmware": f"{identity.firmware >> 8}.{identity.firmware & 255}",
            "protocol": identity.protocol,
            "most_bytes": identity.max_bytes,
            "most_bursts": identity.max_bursts,
            "clock_Hz": [identity.min_clock_hz, identity.max_clock_hz],
            "abilities": [
                f.name for f in type(identity.capabilities) if f in identity.capabilities
            ],
        }
        if args.json:
            context.json("adapter", **text)
        else:
            low, high = (
                show(Fraction(f), HERTZ) for f in (identity.min_clock_hz, identity.max_clock_hz)
            )
            clock = low if low == high else f"{low} to {high}"
            shown = {**text, "clock_Hz": clock, "abilities": ", ".join(text["abilities"])}
            for name, value in shown.items():
                label = name.removesuffix("_Hz").replace("_", " ")
                context.out(wrap(f"{label:<14} {value}", context.width, hang=" " * 15))
        return Status.OK
    with session(args, context, target) as link:
        found = identify(link, any_chip=args.any_chip)
        wiring = _wiring(target, found) if found.words else []
        if args.json:
            context.json(
                "identify", ok=found.ok, adapter=found.adapter, text=found.text, wiring=wiring
            )
        else:
            context.out(f"adapter: {found.adapter}")
            context.out(wrap(found.text, context.width))
            for said in wiring:
                context.out(wrap(f"wiring: {said}", context.width, hang="  "))
        return Status.OK if found.ok else Status.LINK


def _wiring(target: Target, found: Found) -> list[str]:
    """What the words that came look like: another bit order, a line at rest, a map of another chip."""
    from regmap.maps.load import maps_around
    from regmap.trace.findings.pairs import diagnose_frames

    chip = target.the_chip
    known = diagnose_frames(chip, found.words, lambda: maps_around(chip.files[:1]))
    return [m.text for m in known.mistakes]


def known_chip(args: argparse.Namespace, link: Link) -> None:
    """Raises LinkError where another chip answers, or none."""
    from regmap.link.look import identify

    found = identify(link, any_chip=args.any_chip)
    if not found.ok:
        raise LinkError(found.text)


def tell_pages(link: Link, context: Context) -> None:
    """Before anything is read: whether the page select will be written, and what stays unread without."""
    select = link.chip.page_select
    if not select:
        return
    if link.move_pages:
        text = f"note: {select} is written to read registers on other pages, and put back each time"
    else:
        away = [r.name for r in link.chip.registers.values() if link.unreachable(r)]
        if not away:
            return
        text = (
            f"note: not read, because {select} would have to be written: {', '.join(away)}; "
            "--allow-writes allows it"
        )
    context.err(wrap(text, context.width, hang="  "))


def run_read(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import look

    chip = target.the_chip
    args.registers = [full_name(chip, name) for name in args.registers]
    for name in args.registers:
        need_register(chip, name)
    with session(args, context, target) as link:
        known_chip(args, link)
        tell_pages(link, context)
        if args.registers:
            for name in args.registers:
                for text in rules.read_hazards(chip, chip.registers[name]):
                    context.err(f"note: {text}")
            readings: Sequence[RegisterReading] = [link.read(name) for name in args.registers]
        else:
            readings = look(link)
            left = [
                r.name
                for r in chip.registers.values()
                if r.readable and rules.read_hazards(chip, r)
            ]
            if left:
                context.err(
                    wrap(
                        f"not read, because reading changes them: {', '.join(left)}; name them to read them",
                        context.width,
                    )
                )
        if args.json:
            context.json("read", chip=chip.name, registers=[_reading_json(r) for r in readings])
        else:
            for reading in readings:
                context.out(_reading_line(chip, reading, context))
        lost = [r for r in readings if r.grade == "lost"]
        if lost:
            context.err(f"{len(lost)} of {len(readings)} registers could not be read")
        return Status.LINK if lost else Status.OK


def _reading_json(reading: RegisterReading) -> dict[str, Any]:
    return {
        "register": reading.register,
        "word": reading.word,
        "grade": reading.grade,
        "why": reading.why,
        "attempts": reading.attempts,
    }


def _reading_line(chip: Chip, reading: RegisterReading, context: Context) -> str:
    from regmap.behaviour.effects import shown_fields
    from regmap.chip.bank import Bank

    if reading.word is None:
        return wrap(
            f"{reading.register:<14} {context.style('lost', 'bad')}: {reading.why}",
            context.width,
            hang="    ",
        )
    register = chip.registers[reading.register]
    parts = [
        f"{f.name} {held.label if held is not None else 'not shown by a read'}"
        for f, held in shown_fields(chip, register, reading.word, Bank.at_reset(chip))
    ]
    note = " (single reading)" if reading.grade == "single" else ""
    if register.reads_as == "inverted":
        note += f" inverted, holds {hexword(register.held(reading.word), register.width)}"
    head = f"{reading.register:<14} {hexword(reading.word, register.width)}{note}  "
    return wrap(head + ", ".join(parts), context.width, hang=" " * 17)


def run_verify(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import final_bank, unverifiable, verify

    assert target.stage is not None
    chip = target.the_chip
    with session(args, context, target) as link:
        known_chip(args, link)
        tell_pages(link, context)
        checked = verify(link, final_bank(chip, target.stage.bank))
        lost = [c for c in checked if not c.reading.good]
        wrong = [c for c in checked if c.changes]
        if args.json:
            context.json(
                "verify",
                chip=chip.name,
                stage=target.stage.name,
                ok=not lost and not wrong,
                registers=[
                    {
                        **_reading_json(c.reading),
                        "wanted": c.wanted,
                        "differs": [str(x) for x in c.changes],
                    }
                    for c in checked
                ],
                not_verifiable=unverifiable(chip),
            )
        else:
            for item in checked:
                if item.changes:
                    for change in item.changes:
                        context.out(
                            wrap(
                                f"{context.style('differs', 'bad')} {change} (read -> wanted)",
                                context.width,
                                hang="    ",
                            )
                        )
                elif not item.reading.good:
                    context.out(_reading_line(chip, item.reading, context))
            for name in unverifiable(chip):
                context.out(f"note: {name} cannot be read back")
            context.out(
                f"{len(checked) - len(lost) - len(wrong)} of {len(checked)} registers hold what {target.stage.name} says, in every bit that can be read"
            )
        return Status.LINK if lost else Status.FINDINGS if wrong else Status.OK


def run_watch(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.watch import watch

    from .watchview import View

    if args.count is not None and args.count < 1:
        raise CallError("--count is at least 1")
    period = seconds(args.period, "--period")
    stage = target.stage
    view = View(context, target.the_chip, as_json=args.json)
    seen = lost = False
    with session(args, context, target) as link:
        known_chip(args, link)
        tell_pages(link, context)
        bank = stage.bank if stage is not None else None
        try:
            for sample in watch(
                link, period=period, count=args.count, clearing=args.clearing, known=bank
            ):
                seen = (
                    seen
                    or sample.pin_active
                    or any(not f.normal_at_power_up for f in sample.explanation.raised)
                )
                lost = lost or not sample.complete
                view.show(sample)
        finally:
            view.close()
    if lost:
        return Status.LINK
    return Status.FINDINGS if seen and args.fail_on_fault else Status.OK
