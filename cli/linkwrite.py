"""What `gateword link` does that can change a chip: apply, write, script, pins."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.chip.bank import written_out
from regmap.chip.model import Chip
from regmap.document.source import read_text
from regmap.errors import CallError
from regmap.frames.requests import SetField, WriteWord, parse_request

from .context import Context, Status, hexword, wrap
from .documents import standard_input
from .linkrun import Target, can_be_permitted, known_chip, open_port, permitted, session

if TYPE_CHECKING:
    from regmap.link.bringup import StepDone
    from regmap.link.look import Checked
    from regmap.link.script import ScriptLine


def frames_text(rows: Sequence[tuple[str, Any]]) -> Iterator[str]:
    """Frames to be sent, one a line: what for, word, bursts."""
    from regmap.frames.codec import bursts

    for text, sent in rows:
        pieces = bursts(sent.frame, sent.word)
        split = "" if len(pieces) == 1 else "  as " + " ".join(hexword(v, b) for v, b in pieces)
        yield f"{hexword(sent.word, sent.bits)}  {text}{split}"


def teller(args: argparse.Namespace, context: Context) -> Callable[[StepDone], None]:
    """What prints each step of frames that are carried out, as it ends."""

    def on_step(step: StepDone) -> None:
        if args.json:
            return
        word = context.style("ok", "good") if step.ok else context.style("STOP", "bad")
        detail = (
            f"  {step.detail}"
            if step.detail and (not step.ok or step.grade in ("good", "single"))
            else ""
        )
        context.out(
            wrap(f"{word:<5} {step.sequence:<10} {step.text}{detail}", context.width, hang="      ")
        )

    return on_step


def run_apply(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.behaviour.hazards import hazards_of
    from regmap.behaviour.settings import bring_up_sequence
    from regmap.link.bringup import apply
    from regmap.link.look import final_bank, unverifiable, verify

    assert target.stage is not None
    chip, stage = target.the_chip, target.stage
    plan = bring_up_sequence(chip, stage.bank)
    if args.dry_run:
        for action in plan:
            if action.sent is None:
                context.out(f"{'':<12}{action.text}")
            else:
                for line in frames_text(
                    [(f"{action.sequence}: {action.do} {action.text}", action.sent)]
                ):
                    context.out(line)
        context.err(
            "dry run: nothing was sent; reads are repeated and reads of a constant register come between"
        )
        return Status.OK
    what = f"applying {stage.name} to {chip.name}"
    can_be_permitted(args, context, what, hazards_of(plan))

    with session(args, context, target) as link:
        known_chip(args, link)
        before = verify(link, final_bank(chip, stage.bank))
        if not args.json:
            for line in _from_to(before, unverifiable(chip)):
                context.out(wrap(line, context.width, hang="    "))
            context.stdout.flush()
        permitted(args, context, what, told=True)
        link.move_pages = True
        done = apply(
            link,
            stage.bank,
            any_state=args.any_state,
            any_chip=args.any_chip,
            on_step=teller(args, context),
        )
        if args.json:
            context.json(
                "apply",
                chip=chip.name,
                stage=stage.name,
                ok=done.ok,
                stopped=done.stopped,
                changes=[
                    {"register": c.register, "from_to": str(x)} for c in before for x in c.changes
                ],
                found={r.register: r.word for r in done.found.readings},
                findings=list(done.findings),
                steps=[
                    {
                        "sequence": s.sequence,
                        "text": s.text,
                        "ok": s.ok,
                        "grade": s.grade,
                        "detail": s.detail,
                    }
                    for s in done.steps
                ],
                account=done.account.lines(),
            )
        else:
            for text in done.findings:
                context.out(wrap(f"note: {text}", context.width, hang="  "))
            if done.ok:
                count = sum(c.ok for c in done.checked)
                context.out(
                    wrap(
                        f"{stage.name} is applied to {chip.name}: {count} registers read back at the end, every bit as wanted.",
                        context.width,
                    )
                )
            else:
                for line in done.account.lines():
                    context.out(wrap(line, context.width, hang="    "))
                context.out(wrap(f"STOPPED: {done.stopped}", context.width, hang="  "))
        if done.ok:
            return Status.OK
        seen = bool(done.steps) and done.steps[-1].grade in ("good", "single", "refused")
        return Status.FINDINGS if done.found.ok and seen and done.account.certain else Status.LINK


def _from_to(before: Sequence[Checked], unseen: Sequence[str]) -> Iterator[str]:
    """What applying changes, from -> to; what cannot be told beforehand."""
    changes = [str(change) for item in before for change in item.changes]
    yield from changes
    for item in before:
        if not item.reading.good:
            yield f"{item.register}: not known -> as the stage says ({item.reading.why})"
    for name in unseen:
        yield f"{name}: cannot be read back -> as the stage says"
    if not changes and all(item.reading.good for item in before):
        yield "every setting that can be read is as the stage says already"


def run_write(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.behaviour.hazards import hazards_asked
    from regmap.behaviour.plan import plan
    from regmap.link.script import words_for

    chip = target.the_chip
    settings, acts = _requests(chip, args.requests)
    if args.dry_run:
        rows = (
            [("; ".join(p.requests) or "select the page", p.sent) for p in plan(chip, settings)]
            if settings
            else []
        )
        for name in acts:
            texts = list(chip.keys[name].steps) if name in chip.keys else [name]
            rows += [
                (f"{name}: {p.requests[0]}" if p.requests else name, p.sent)
                for p in plan(chip, texts)
            ]
        for line in frames_text(rows):
            context.out(line)
        context.err(
            "dry run: nothing was sent; fields that were not asked for are shown at reset, and are kept as they are when it is done"
        )
        return Status.OK
    permitted(args, context, f"writing to {chip.name}", hazards=hazards_asked(chip, settings))
    with session(args, context, target) as link:
        known_chip(args, link)
        results = []
        for name in acts:
            results.append(
                link.key(name) if name in chip.keys else link.command(chip.commands[name])
            )
            if not results[-1].good:
                break
        if settings and all(r.good for r in results):
            for name, word in words_for(link, settings):
                results.append(link.write(name, word))
                if not results[-1].good:
                    break
        good = all(r.good for r in results)
        if args.json:
            context.json(
                "write",
                chip=chip.name,
                ok=good,
                results=[
                    {
                        "what": r.what,
                        "result": r.result,
                        "holds": r.holds,
                        "why": r.why,
                        "returned": dict(r.returned),
                    }
                    for r in results
                ],
                account=link.account().lines(),
            )
        else:
            for result in results:
                style = "good" if result.good else "bad"
                context.out(
                    wrap(
                        f"{context.style(result.result, style)}: {result.what}"
                        + (f" ({result.why})" if result.why else "")
                        + "".join(f"; it returned {n} = 0x{w:X}" for n, w in result.returned),
                        context.width,
                        hang="    ",
                    )
                )
            if not good:
                for line in link.account().lines():
                    context.out(wrap(line, context.width, hang="    "))
        if good:
            return Status.OK
        return (
            Status.FINDINGS if all(r.good or r.holds is not None for r in results) else Status.LINK
        )


def _requests(chip: Chip, texts: Sequence[str]) -> tuple[list[str], list[str]]:
    """(writes, commands and key sequences), checked before anything is opened. Raises CallError."""
    settings, acts = [], []
    for text in (piece.strip() for t in texts for piece in t.split(";") if piece.strip()):
        if text in chip.keys or text in chip.commands:
            acts.append(text)
            continue
        request = parse_request(written_out(chip, text), chip.registers, chip.commands, chip.joined)
        if not isinstance(request, (SetField, WriteWord)):
            raise CallError(
                f"{text!r} is no write",
                "REG.FIELD = VALUE, REG = WORD, a command or a key sequence",
            )
        settings.append(text)
    if settings:
        from regmap.behaviour.plan import plan

        plan(chip, settings)
    return settings, acts


def _dry(lines: Sequence[ScriptLine], chip: Chip, indent: str = "") -> Iterator[str]:
    """The frames of a script's writes, reads and commands; the other steps as they stand."""
    from regmap.behaviour.plan import plan

    for line in lines:
        texts = {
            "write": [line.text],
            "read": [f"read:{line.text}"],
            "command": [line.text],
            "key": list(chip.keys[line.text].steps) if line.do == "key" else [],
        }.get(line.do, [])
        rows = [(f"{line.do} {line.text}", p.sent) for p in plan(chip, texts)] if texts else []
        for row in frames_text(rows) if rows else [f"{'':<12}{line.do} {line.text}"]:
            yield indent + row
        yield from _dry(line.body, chip, indent + "  ")


def run_script_file(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.link.running import run_script
    from regmap.link.script import LineDone, read_script, writes
    from regmap.twin.control import check_step
    from regmap.wire.tcp import Asking

    chip = target.the_chip
    text = standard_input(context) if args.file == "-" else read_text(Path(args.file))
    lines = read_script(text, chip, args.file, control=check_step)
    if args.dry_run:
        for row in _dry(lines, chip):
            context.out(row)
        context.err("dry run: nothing was sent")
        return Status.OK
    if writes(lines, chip):
        permitted(args, context, f"running {Path(args.file).name}, which writes to {chip.name}")

    def on_line(done: LineDone) -> None:
        where = f"line {done.line.place.line}"
        if args.json:
            context.json_line(
                "step",
                line=done.line.place.line,
                do=done.line.do,
                text=done.line.text,
                ok=done.ok,
                grade=done.grade,
                detail=done.detail,
                time_s=round(done.time, 6),
                took_s=round(done.took, 6),
                since_disturbance_s=None if done.elapsed is None else round(done.elapsed, 6),
            )
            return
        word = context.style("ok", "good") if done.ok else context.style("STOP", "bad")
        context.out(
            wrap(
                f"{word:<5} {where:<9} {done.line.do} {done.line.text}  {done.detail}".rstrip(),
                context.width,
                hang="      ",
            )
        )

    with ExitStack() as stack:
        control: Asking | None = None
        if args.control is not None:
            control = stack.enter_context(closing(Asking(args.control)))
        link = stack.enter_context(session(args, context, target))
        known_chip(args, link)
        results = run_script(link, lines, on_line, control=control)
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
        permitted(
            args,
            context,
            f"driving the enable pin high at {target.chip.name if target.chip else 'the-adapter'}",
        )
    elif args.enable == "low" and not args.allow_writes:
        raise CallError("driving a pin needs --allow-writes")
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
