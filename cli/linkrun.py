"""What `gateword link` does, action by action: the session around it, and what is printed."""

from __future__ import annotations

import argparse
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from regmap.bank import need_register
from regmap.errors import CallError, LinkError
from regmap.link import rules
from regmap.link.known import CAUTION
from regmap.link.port import AdapterPort
from regmap.link.record import Record
from regmap.link.session import Link, Reading
from regmap.model import Chip, Spi
from regmap.ports import SerialLine
from regmap.quantity import parse
from regmap.requests import SetField, WriteWord, parse_request
from regmap.stagefile import Stage

from .context import Context, Status, hexword, wrap


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
    """A time from the command line, in seconds. Raises CallError."""
    value = parse(text)
    if value.dim != parse("1 s").dim or value.value < 0:
        raise CallError(f"{what} {text!r} is no time; expected a time such as 250 ms")
    return float(value.value)


def open_port(args: argparse.Namespace, chip: Chip | None) -> AdapterPort:
    """The adapter, greeted and set up. Raises LinkError."""
    clock = None
    if args.spi_clock is not None:
        value = parse(args.spi_clock)
        if value.dim != parse("1 Hz").dim:
            raise CallError(f"--spi-clock {args.spi_clock!r} is no frequency; expected 500 kHz")
        clock = int(value.value)
    timeout = seconds(args.timeout, "--timeout")
    if timeout <= 0:
        raise CallError("--timeout must be more than 0 s")
    port = AdapterPort(
        lambda: SerialLine(args.port, baud=args.baud),
        chip.spi if chip is not None else Spi(mode=0),
        name=args.port,
        clock_hz=clock,
        timeout=timeout,
        reconnect=seconds(args.reconnect, "--reconnect"),
    )
    port.open()
    return port


@contextmanager
def session(args: argparse.Namespace, context: Context, target: Target) -> Iterator[Link]:
    """A link with its record. However it ends, the record is whole and says what is known."""
    chip = target.the_chip
    about = {
        "chip": chip.name,
        "map_digest": chip.digest,
        "stage": target.stage.name if target.stage else None,
        "stage_digest": target.stage.digest if target.stage else None,
        "port": args.port,
        "started": time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        "action": args.action,
    }
    record = Record(args.record, about)
    link: Link | None = None
    how = "finished"

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        port = open_port(args, chip)
        stage = target.stage
        link = Link(
            chip,
            port,
            log=record,
            chips=stage.chain if stage is not None else (),
            position=stage.position if stage is not None else 0,
        )
        yield link
    except BaseException as error:
        how = "interrupted" if isinstance(error, KeyboardInterrupt) else f"{type(error).__name__}: {error}"
        if link is not None and link.known.items and not isinstance(error, BrokenPipeError):
            tell_account(link, context)
        raise
    finally:
        signal.signal(signal.SIGTERM, before)
        record.close(how, link.account().lines() if link is not None else None)
        if link is not None:
            link.port.close()
        if args.record:
            context.err(f"record: {args.record}")


def tell_account(link: Link, context: Context) -> None:
    """What is known and unknown, on standard error."""
    context.err("")
    for line in link.account().lines():
        context.err(wrap(line, context.width, hang="    "))


def permitted(args: argparse.Namespace, context: Context, what: str) -> None:
    """The caution, and an explicit yes. Raises CallError without one."""
    context.err(wrap(CAUTION, context.width))
    context.err("")
    if args.write:
        return
    if not context.stdin.isatty():
        raise CallError(f"{what} on {args.port} needs --write (or a terminal to confirm at); --dry-run shows the frames")
    name = what.split()[-1]
    context.stderr.write(f"{what[0].upper()}{what[1:]} on {args.port}. Type {name} to write, anything else to leave: ")
    context.stderr.flush()
    if context.stdin.readline().strip() != name:
        raise CallError("not confirmed; nothing was sent")


# --- looking -----------------------------------------------------------------------------------
def run_identify(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import identify

    if target.chip is None:
        port = open_port(args, None)
        identity = port.identity
        port.close()
        assert identity is not None
        text = {
            "name": identity.name,
            "firmware": f"{identity.firmware >> 8}.{identity.firmware & 255}",
            "protocol": identity.protocol,
            "most_bytes": identity.max_bytes,
            "most_bursts": identity.max_bursts,
            "clock_Hz": [identity.min_clock_hz, identity.max_clock_hz],
            "abilities": [f.name for f in type(identity.capabilities) if f in identity.capabilities],
        }
        if args.json:
            context.json("adapter", **text)
        else:
            for name, value in text.items():
                shown = ", ".join(map(str, value)) if isinstance(value, list) else value
                context.out(f"{name.replace('_', ' '):<14} {shown}")
        return Status.OK
    with session(args, context, target) as link:
        found = identify(link, any_chip=args.any_chip)
        if args.json:
            context.json("identify", ok=found.ok, adapter=found.adapter, text=found.text)
        else:
            context.out(f"adapter: {found.adapter}")
            context.out(wrap(found.text, context.width))
        return Status.OK if found.ok else Status.LINK


def _known_chip(args: argparse.Namespace, link: Link) -> None:
    """Raises LinkError where another chip answers, or none."""
    from regmap.link.look import identify

    found = identify(link, any_chip=args.any_chip)
    if not found.ok:
        raise LinkError(found.text)


def run_read(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import look

    chip = target.the_chip
    for name in args.registers:
        need_register(chip, name)
    with session(args, context, target) as link:
        _known_chip(args, link)
        if args.registers:
            for name in args.registers:
                for text in rules.read_hazards(chip, chip.registers[name]):
                    context.err(f"note: {text}")
            readings: Sequence[Reading] = [link.read(name) for name in args.registers]
        else:
            readings = look(link)
            if chip.page_select:
                context.err(f"note: reading pages writes {chip.page_select}")
            left = [r.name for r in chip.registers.values() if r.readable and rules.read_hazards(chip, r)]
            if left:
                context.err(wrap(f"not read, because reading changes them: {', '.join(left)}; name them to read them", context.width))
        if args.json:
            context.json("read", chip=chip.name, registers=[_reading_json(r) for r in readings])
        else:
            for reading in readings:
                context.out(_reading_line(chip, reading, context))
        lost = [r for r in readings if r.grade == "lost"]
        if lost:
            context.err(f"{len(lost)} of {len(readings)} registers could not be read")
        return Status.LINK if lost else Status.OK


def _reading_json(reading: Reading) -> dict[str, Any]:
    return {
        "register": reading.register,
        "word": reading.word,
        "grade": reading.grade,
        "why": reading.why,
        "attempts": reading.attempts,
    }


def _reading_line(chip: Chip, reading: Reading, context: Context) -> str:
    from regmap import values
    from regmap.bank import Bank
    from regmap.bits import extract

    if reading.word is None:
        return wrap(f"{reading.register:<14} {context.style('lost', 'bad')}: {reading.why}", context.width, hang="    ")
    register = chip.registers[reading.register]
    bank = Bank.at_reset(chip)
    bank.learn(register.name, reading.word)
    parts = [f"{f.name} {values.read(f, extract(reading.word, f.bits), bank).label}" for f in register.fields]
    note = " (single reading)" if reading.grade == "single" else ""
    head = f"{reading.register:<14} {hexword(reading.word, register.width)}{note}  "
    return wrap(head + ", ".join(parts), context.width, hang=" " * 17)


def run_verify(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.look import final_bank, unverifiable, verify

    assert target.stage is not None
    chip = target.the_chip
    with session(args, context, target) as link:
        _known_chip(args, link)
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
                    {**_reading_json(c.reading), "wanted": c.wanted, "differs": [str(x) for x in c.changes]}
                    for c in checked
                ],
                not_verifiable=unverifiable(chip),
            )
        else:
            for item in checked:
                if item.changes:
                    for change in item.changes:
                        context.out(wrap(f"{context.style('differs', 'bad')} {change} (read -> wanted)", context.width, hang="    "))
                elif not item.reading.good:
                    context.out(_reading_line(chip, item.reading, context))
            for name in unverifiable(chip):
                context.out(f"note: {name} cannot be read back")
            context.out(f"{len(checked) - len(lost) - len(wrong)} of {len(checked)} registers hold what {target.stage.name} says, in every bit that can be read")
        return Status.LINK if lost else Status.FINDINGS if wrong else Status.OK


# --- writing -----------------------------------------------------------------------------------
def frames_text(rows: Sequence[tuple[str, Any]]) -> Iterator[str]:
    """Frames to be sent, one a line: what for, word, bursts."""
    from regmap.codec import bursts

    for text, sent in rows:
        pieces = bursts(sent.frame, sent.word)
        split = "" if len(pieces) == 1 else "  as " + " ".join(hexword(v, b) for v, b in pieces)
        yield f"{hexword(sent.word, sent.bits)}  {text}{split}"


def run_apply(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.bringup import StepDone, apply
    from regmap.settings import write_plan

    assert target.stage is not None
    chip, stage = target.the_chip, target.stage
    plan = write_plan(chip, stage.bank)
    if args.dry_run:
        for action in plan:
            if action.sent is None:
                context.out(f"{'':<12}{action.text}")
            else:
                for line in frames_text([(f"{action.procedure}: {action.do} {action.text}", action.sent)]):
                    context.out(line)
        context.err("dry run: nothing was sent; reads are repeated and reads of a constant register come between")
        return Status.OK
    permitted(args, context, f"applying {stage.name} to {chip.name}")

    def on_step(step: StepDone) -> None:
        if args.json:
            return
        word = context.style("ok", "good") if step.ok else context.style("STOP", "bad")
        detail = f"  {step.detail}" if step.detail and (not step.ok or step.grade in ("good", "single")) else ""
        context.out(wrap(f"{word:<5} {step.procedure:<10} {step.text}{detail}", context.width, hang="      "))

    with session(args, context, target) as link:
        done = apply(link, stage.bank, any_state=args.any_state, any_chip=args.any_chip, on_step=on_step)
        if args.json:
            context.json(
                "apply",
                chip=chip.name,
                stage=stage.name,
                ok=done.ok,
                stopped=done.stopped,
                found={r.register: r.word for r in done.found.readings},
                findings=list(done.findings),
                steps=[{"procedure": s.procedure, "text": s.text, "ok": s.ok, "grade": s.grade, "detail": s.detail} for s in done.steps],
                account=done.account.lines(),
            )
        else:
            for text in done.findings:
                context.out(wrap(f"note: {text}", context.width, hang="  "))
            if done.ok:
                count = sum(c.ok for c in done.checked)
                context.out(wrap(f"{stage.name} is applied to {chip.name}: {count} registers read back at the end, every bit as wanted.", context.width))
            else:
                for line in done.account.lines():
                    context.out(wrap(line, context.width, hang="    "))
                context.out(wrap(f"STOPPED: {done.stopped}", context.width, hang="  "))
        if done.ok:
            return Status.OK
        seen = bool(done.steps) and done.steps[-1].grade in ("good", "single", "refused")
        return Status.FINDINGS if done.found.ok and seen and done.account.certain else Status.LINK


def run_write(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.script import words_for
    from regmap.plan import plan

    chip = target.the_chip
    settings, acts = _requests(chip, args.requests)
    if args.dry_run:
        rows = [("; ".join(p.requests) or "select the page", p.sent) for p in plan(chip, settings)] if settings else []
        for name in acts:
            texts = list(chip.keys[name].steps) if name in chip.keys else [name]
            rows += [(f"{name}: {p.requests[0]}" if p.requests else name, p.sent) for p in plan(chip, texts)]
        for line in frames_text(rows):
            context.out(line)
        context.err("dry run: nothing was sent; fields that were not asked for are shown at reset, and are kept as they are when it is done")
        return Status.OK
    permitted(args, context, f"writing to {chip.name}")
    with session(args, context, target) as link:
        _known_chip(args, link)
        results = []
        for name in acts:
            results.append(link.key(name) if name in chip.keys else link.command(chip.commands[name]))
            if not results[-1].good:
                break
        if settings and all(r.good for r in results):
            for name, word in words_for(link, settings):
                results.append(link.write(name, word))
                if not results[-1].good:
                    break
        good = all(r.good for r in results)
        if args.json:
            context.json("write", chip=chip.name, ok=good, results=[{"what": r.what, "result": r.result, "holds": r.holds, "why": r.why} for r in results], account=link.account().lines())
        else:
            for result in results:
                style = "good" if result.good else "bad"
                context.out(wrap(f"{context.style(result.result, style)}: {result.what}" + (f" ({result.why})" if result.why else ""), context.width, hang="    "))
            if not good:
                for line in link.account().lines():
                    context.out(wrap(line, context.width, hang="    "))
        if good:
            return Status.OK
        return Status.FINDINGS if all(r.good or r.holds is not None for r in results) else Status.LINK


def _requests(chip: Chip, texts: Sequence[str]) -> tuple[list[str], list[str]]:
    """(writes, commands and key sequences), checked before anything is opened. Raises CallError."""
    settings, acts = [], []
    for text in (piece.strip() for t in texts for piece in t.split(";") if piece.strip()):
        if text in chip.keys or text in chip.commands:
            acts.append(text)
            continue
        request = parse_request(text, chip.registers, chip.commands, chip.joined)
        if not isinstance(request, (SetField, WriteWord)):
            raise CallError(f"{text!r} is no write; expected REG.FIELD = VALUE, REG = WORD, a command or a key sequence")
        settings.append(text)
    if settings:
        from regmap.plan import plan

        plan(chip, settings)
    return settings, acts


def run_script_file(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.script import LineDone, read_script, run_script, writes
    from regmap.plan import plan

    chip = target.the_chip
    if args.file == "-":
        text = context.stdin.read()
    else:
        try:
            text = Path(args.file).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            raise CallError(f"{args.file} is no text file") from None
    lines = read_script(text, chip, args.file)
    if args.dry_run:
        for line in lines:
            texts = {"write": [line.text], "read": [f"read:{line.text}"], "command": [line.text]}.get(line.do, [])
            if line.do == "key":
                texts = list(chip.keys[line.text].steps)
            rows = [(f"{line.do} {line.text}", p.sent) for p in plan(chip, texts)] if texts else []
            for row in frames_text(rows) if rows else [f"{'':<12}{line.do} {line.text}"]:
                context.out(row)
        context.err("dry run: nothing was sent")
        return Status.OK
    if writes(lines, chip):
        permitted(args, context, f"running {Path(args.file).name}, which writes to {chip.name}")

    def on_line(done: LineDone) -> None:
        where = f"line {done.line.place.line}"
        if args.json:
            context.json_line("step", line=done.line.place.line, do=done.line.do, text=done.line.text, ok=done.ok, grade=done.grade, detail=done.detail)
            return
        word = context.style("ok", "good") if done.ok else context.style("STOP", "bad")
        context.out(wrap(f"{word:<5} {where:<9} {done.line.do} {done.line.text}  {done.detail}".rstrip(), context.width, hang="      "))

    with session(args, context, target) as link:
        _known_chip(args, link)
        results = run_script(link, lines, on_line)
        last = results[-1]
        if not last.ok and not args.json:
            for row in link.account().lines():
                context.out(wrap(row, context.width, hang="    "))
        if last.ok:
            return Status.OK
        return Status.FINDINGS if last.grade in ("good", "refused") else Status.LINK


def run_pins(args: argparse.Namespace, context: Context, target: Target) -> int:
    if args.dry_run:
        context.out(f"enable {args.enable}" if args.enable else "read the pins")
        return Status.OK
    if args.enable == "high":
        permitted(args, context, f"driving the enable pin high at {target.chip.name if target.chip else 'the-adapter'}")
    elif args.enable == "low" and not args.write:
        raise CallError("driving a pin needs --write")
    port = open_port(args, target.chip)
    try:
        levels = port.pins(None if args.enable is None else args.enable == "high")
    finally:
        port.close()
    if args.json:
        context.json("pins", enable_high=levels.enable, fault_high=levels.fault)
    else:
        for name, level in (("enable", levels.enable), ("fault", levels.fault)):
            context.out(f"{name:<7} {'not there' if level is None else 'high' if level else 'low'}")
    return Status.OK


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
        _known_chip(args, link)
        bank = stage.bank if stage is not None else None
        try:
            for sample in watch(link, period=period, count=args.count, clearing=args.clearing, known=bank):
                seen = seen or any(not f.normal_at_power_up for f in sample.explanation.raised)
                lost = lost or not sample.complete
                view.show(sample)
        finally:
            view.close()
    if lost:
        return Status.LINK
    return Status.FINDINGS if seen and args.fail_on_fault else Status.OK


ACTIONS: dict[str, Callable[[argparse.Namespace, Context, Target], int]] = {
    "identify": run_identify,
    "read": run_read,
    "write": run_write,
    "apply": run_apply,
    "verify": run_verify,
    "watch": run_watch,
    "script": run_script_file,
    "pins": run_pins,
}
