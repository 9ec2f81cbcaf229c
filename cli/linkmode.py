"""`gateword link PORT mode STAGE MODE`: a chip from the mode that it holds to another, frame by frame."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from regmap.behaviour.hazards import hazards_of
from regmap.errors import CallError
from regmap.record import replace
from regmap.stages.load import in_mode

from .context import Context, Status, wrap
from .linkrun import Target, can_be_permitted, known_chip, permitted, session
from .linkwrite import frames_text, teller

if TYPE_CHECKING:
    from regmap.assessment.transition import Transition
    from regmap.link.bringup import HeldMode
    from regmap.stages.load import Stage


def run_mode(args: argparse.Namespace, context: Context, target: Target) -> int:
    from regmap.assessment.transition import name_of, states_of
    from regmap.link.bringup import carry_out, held_of

    assert target.stage is not None
    stage = target.stage
    into = in_mode(stage, args.drive_to)
    states = {name_of(s): s for s in states_of(stage)}
    asked = name_of(in_mode(stage, args.drive_from)) if args.drive_from else ""
    if args.dry_run:
        if not asked:
            raise CallError("a dry run reads nothing", "--from MODE, the mode that is left")
        way = _way(states[asked], into, None, args)
        for action in way.actions:
            rows = (
                [(f"{action.sequence}: {action.do} {action.text}", action.sent)]
                if action.sent
                else []
            )
            for line in frames_text(rows) if rows else [f"{'':<12}{action.text}"]:
                context.out(line)
        return Status.OK
    what = f"taking {stage.chip.name} to mode {args.drive_to}"
    can_be_permitted(args, context, what)
    with session(args, context, target) as link:
        known_chip(args, link)
        held = held_of(link, {n: s.bank for n, s in states.items() if not asked or n == asked})
        if not held.name:
            _told(held, context, args)
            return Status.FINDINGS
        if held.name == name_of(into):
            context.out(f"{stage.chip.name} holds {held.name} already; nothing was written")
            return Status.OK
        way = _way(states[held.name], into, held.driving, args)
        assert way.holds is not None
        if not args.json:
            context.out(f"{stage.chip.name} holds {held.name}")
            if way.operate is not None:
                when = (
                    "now, before the first frame"
                    if way.operate == 0
                    else f"after {way.order[way.operate - 1]}"
                )
                context.out(f"the controller takes the values of {way.target} {when}")
            for text in hazards_of(way.actions):
                context.err(wrap(f"caution: {text}", context.width, hang="  "))
            context.stdout.flush()
        permitted(args, context, what, told=True)
        done = carry_out(link, way.actions, way.holds, on_step=teller(args, context))
        if args.json:
            context.json(
                "mode",
                chip=stage.chip.name,
                stage=stage.name,
                ok=done.ok,
                stopped=done.stopped,
                **{"from": way.source, "to": way.target},
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
        elif done.ok:
            count = sum(c.ok for c in done.checked)
            context.out(
                wrap(
                    f"{stage.chip.name} holds {way.target}: {count} registers read back at the end.",
                    context.width,
                )
            )
            if way.stopped and into.entry.driving:
                context.out("The outputs are off: enabling them is the controller's.")
        else:
            for line in done.account.lines():
                context.out(wrap(line, context.width, hang="    "))
            context.out(wrap(f"STOPPED: {done.stopped}", context.width, hang="  "))
        if done.ok:
            return Status.OK
        seen = bool(done.steps) and done.steps[-1].grade in ("good", "single", "refused")
        return Status.FINDINGS if seen and done.account.certain else Status.LINK


def _way(source: Stage, into: Stage, driving: bool | None, args: argparse.Namespace) -> Transition:
    """The transition, from a chip whose outputs are as they were read. Raises CallError where it is not clean."""
    from regmap.assessment.transition import plan_transition

    if driving is False:
        source = replace(source, entry=replace(source.entry, driving=False))
    way = plan_transition(source, into)
    if way.findings and not args.despite_findings:
        raise CallError(
            f"the way from {way.source} to {way.target} is not clean: {way.findings[0].text}",
            "`gateword modes` tells all; --despite-findings goes it nevertheless",
        )
    if not way.actions:
        raise CallError(
            f"there is no way from {way.source} to {way.target}: {way.findings[0].text}"
        )
    return way


def _told(held: HeldMode, context: Context, args: argparse.Namespace) -> None:
    """That the chip holds none of the modes, with what differs from the nearest."""
    near = held.nearest
    if args.json:
        context.json(
            "mode",
            ok=False,
            stopped="the chip holds none of the modes",
            differs=[{"mode": n, "changes": list(d)} for n, d in held.differ.items()],
        )
        return
    context.out(f"the chip holds none of the modes; nothing was written. From {near} differ:")
    for change in held.differ[near]:
        context.out(f"  {change}")
