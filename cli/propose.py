"""`gateword propose`: settings that meet the stage's goals, with the reason for each."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.assessment.jointly import propose_over_modes, reading_of
from regmap.assessment.proposal import (
    Conflict,
    Instead,
    Pick,
    Progress,
    Proposal,
    Worse,
    settings_block,
)
from regmap.assessment.propose import SECONDS, propose
from regmap.chip.bank import full_name
from regmap.errors import CallError, FileError
from regmap.quantity import many
from regmap.stages.load import Stage, atoms_of, in_mode, load_stage, read_stage, set_by

from .check import add_set, needs, percent, stage_with
from .context import Context, Status, wrap
from .documents import add_mode
from .files import write_text
from .signals import noticed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

NAME = "propose"
HELP = "settings that meet the stage's goals, with the reasons"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "stage", metavar="STAGE", help="a stage: a path, a bundled name, or - for standard input"
    )
    parser.add_argument(
        "--free",
        metavar="REG.FIELD",
        action="append",
        default=[],
        help="search this field and no others than those named so (default: every field with a role)",
    )
    parser.add_argument(
        "--keep",
        metavar="REG.FIELD",
        action="append",
        default=[],
        help="leave this field as the stage has it",
    )
    parser.add_argument(
        "--goal",
        metavar="CHECK",
        action="append",
        default=[],
        help="meet this check and no others than those named so (the others only keep what holds): a name, or its beginning up to a dot",
    )
    add_set(parser, "start from")
    add_mode(parser, text="one mode alone, not all together (as_stated: the stage without one)")
    parser.add_argument(
        "-o", "--output", metavar="FILE", help="write the stage with the proposed settings"
    )
    parser.add_argument(
        "--force",
        action="store_true",
        help="-o also where goals are missed, or over another file",
    )
    parser.add_argument(
        "--loosen",
        metavar="REG.FIELD",
        action="append",
        default=[],
        help="this protection may trip later, slower or not at all (a backstop dead time be shorter); others may not, set by the stage or as after reset",
    )
    parser.add_argument(
        "--seconds",
        type=_seconds,
        default=SECONDS,
        metavar="N",
        help=f"give the best so far after this time (default {SECONDS:g})",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")
    parser.epilog = (
        "Margins of 50 % and more count as equal: nothing is moved for a verdict that holds with plenty.\n"
        "A goal cannot be met by making it vanish: switching a monitor off misses its goals.\n"
        "A field that a check looks at which lacks an input is kept, unless --free names it.\n"
        "Where the controller states a dead time (pwm.deadtime), or the chip waits by a handshake, the chip's fixed one is a backstop: a protection, which\n"
        "is shortened unasked only where that mends a bridge that fails, and not to less than deadtime.enough asks of it alone. Where it is the\n"
        "only one it is searched. A search that is ended before it is through changes no field by more than what it mends needs.\n"
        "What destroys the bridge comes first, then protections, then what stops the drive in normal running (false\n"
        "trips, a watchdog too short for its service), then performance, then comfort. First as few fail as can be, the\n"
        "gravest first: nothing that holds is given up, not even to a low margin, for something milder, nor for what\n"
        "fails all the same; nothing that fails gets deeper unless fewer of its class or of a graver one fail. The drive\n"
        "is made to trip in normal running only for what would destroy the bridge. Never do more fail than before.\n"
        "Ctrl-C ends the search with the best so far."
    )


def _seconds(text: str) -> float:
    value = float(text)
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text!r} is no time; expected seconds above 0")
    return value


def run(args: argparse.Namespace, context: Context) -> int:
    if args.stage == "-" and args.output:
        raise CallError("-o edits the text of a stage's file", "a path in place of -")
    stage = stage_with(args.stage, args.set, context, args.drive_mode)
    target = _target(args, stage) if args.output else None
    drawn = Drawn(context)
    try:
        # over all modes together, unless one is asked for
        together = bool(stage.modes) and not args.drive_mode
        with noticed() as stop:
            result = (propose_over_modes if together else propose)(
                stage,
                free=[full_name(stage.chip, n) for n in args.free],
                keep=[full_name(stage.chip, n) for n in args.keep],
                goals=args.goal,
                loosen=[full_name(stage.chip, n) for n in args.loosen],
                seconds=args.seconds,
                progress=drawn if context.progress else None,
                stop=stop,
            )
    finally:
        drawn.clear()
    if args.json:
        context.json("propose", **result.json())
    else:
        for line in text(result, context):
            context.out(line)
    if result.interrupted:
        context.err("gateword: interrupted: these are the best settings so far; nothing is written")
        return Status.INTERRUPTED
    if target is not None:
        if result.feasible or args.force:
            _write(target, args, result, context)
        else:
            context.err(
                f"gateword: {target} is not written, as goals are missed; --force writes it all the same"
            )
    return Status.OK if result.feasible else Status.FINDINGS


class Drawn:
    """The progress line on stderr; cleared before anything else is said."""

    def __init__(self, context: Context) -> None:
        self.context = context
        self.shown = False
        self.found = False

    def __call__(self, at: Progress) -> None:
        if at.gain is not None and not self.found:
            # the first better settings stay to be read while the search goes on
            self.found = True
            self.clear()
            name, was, now = at.gain
            line = f"better: {'; '.join(at.changes)}: {name} {_margin(was)} -> {_margin(now)}"
            self.context.stderr.write(wrap(line, self.context.width, "", "  ") + "\n")
        names = at.fields[0] + (f" and {len(at.fields) - 1} more" if len(at.fields) > 1 else "")
        line = f"searching, group {at.number} of {at.groups}, {many(at.steps, 'step')}"
        if at.smallest > float("-inf"):
            line += f", smallest margin {percent(at.smallest)}"
        line += f": {names}"  # what does not fit is cut
        self.context.stderr.write(f"\r{line[:78]:<78}")
        self.context.stderr.flush()
        self.shown = True

    def clear(self) -> None:
        if self.shown:
            self.context.stderr.write("\r" + " " * 78 + "\r")
            self.context.stderr.flush()


# --- the text for people -------------------------------------------------------------------------
def text(result: Proposal, context: Context) -> list[str]:
    """The proposal for people; the most important line last."""
    lines: list[str] = []
    say = _say(lines, context)
    changed = [p for p in result.picks if p.changed]
    kept = [p for p in result.picks if not p.changed]
    if not result.feasible:
        lines += _conflicts(result, context)
    if changed:
        lines.append(context.style("Changed" if result.feasible else "Nearest settings", "head"))
        for pick in changed:
            say(f"{pick.name}: {pick.old.label} -> {pick.new.label}", "  ", "    ")
            if pick.if_kept is not None and pick.if_kept.goal:
                say(
                    f"at {pick.old.label} {_hit(pick.if_kept)}, now {_margin(pick.if_kept.here)}",
                    "      ",
                    "        ",
                )
            for line in _around(pick):
                say(line, "      ", "        ")
    if kept:
        lines.append(context.style("Kept", "head"))
        for pick in kept:
            around = _around(pick)
            say(
                f"{pick.name}: {pick.new.label}" + (f"; {'; '.join(around)}" if around else ""),
                "  ",
                "      ",
            )
    if result.not_loosened:
        lines.append(context.style("Not loosened: protections (--loosen REG.FIELD)", "head"))
        say(", ".join(result.not_loosened), "  ")
    if result.worse:
        lines.append(context.style("Verdicts with less margin than before", "head"))
        rows = [
            (name, _margin(w.before), "not computed" if w.after is None else _margin(w.after))
            for name, w in _folded(result.worse)
        ]
        for name, was, now in rows:
            if was != now:
                say(f"{name}: {was} -> {now}", "  ", "      ")
        less = [name for name, was, now in rows if was == now]
        if less:
            say(f"by less than these figures show: {', '.join(less)}", "  ", "      ")
    if result.not_computed:
        lines.append(context.style("Not computed", "head"))
        for lack in result.not_computed:
            say(f"{lack.check}: {needs(lack)}", "  ", "      ")
        blind = _blind(result)
        if blind:
            lines.append(
                context.style("Kept, as checks that look at them are not computed", "head")
            )
            for name, checks in blind.items():
                reading = reading_of(result.stage, name)
                say(f"{name}: {reading.label if reading else '?'}; {_few(checks)}", "  ", "      ")
            say(
                "State what is missing and propose again; --free REG.FIELD searches the fields so named all the same.",
                "  ",
            )
    if result.others_failing:
        say(f"Fails, and is no goal here: {', '.join(result.others_failing)}")
    counts = result.after.counts
    lines.append("")
    from regmap.calc import CAUTION, tally

    say(
        CAUTION
        + " The search knows the checks and nothing else: look at each value before you accept it."
    )
    say(
        f"{many(len(result.picks), 'field')} searched for {many(result.goals, 'goal')}, {many(result.evaluations, 'verdict')} worked out"
        + (
            "; nothing better exists."
            if result.proven
            else "; stopped early: something better may exist."
        )
    )
    say(
        f"{tally(counts)}"
        f" (before: {result.before.counts['holds']}, {result.before.counts['low_margin']}, {result.before.counts['fails']},"
        f" {result.before.counts['not_computed']})"
    )
    lines += _last(result, changed, context)
    return lines


def _folded(worse: Sequence[Worse]) -> list[tuple[str, Worse]]:
    """Both sides of one check as one where they say the same."""
    from regmap.assessment.stage import IN

    known = {w.check: w for w in worse}
    rows = []
    for item in worse:
        check, of, mode = item.check.partition(IN)
        stem, _, side = check.rpartition(".")
        other = known.get(f"{stem}.{'low' if side == 'high' else 'high'}{of}{mode}")
        same = other is not None and (other.before, other.after) == (item.before, item.after)
        if side not in ("high", "low") or not same:
            rows.append((item.check, item))
        elif side == "high":
            rows.append((stem + of + mode, item))
    return rows


def _least(margin: float, goal: str) -> str:
    """The smallest margin with its goal, in words where it has no number."""
    if margin == float("inf"):
        return "nothing has a margin"
    return (
        f"{goal} is missed"
        if margin == float("-inf")
        else f"smallest margin {percent(margin)} ({goal})"
    )


def _last(result: Proposal, changed: list[Pick], context: Context) -> list[str]:
    least = _least(*result.smallest)
    before = _least(*result.smallest_before).removeprefix("smallest margin ")
    if not result.feasible:
        line = context.style(verdict_of(result), "bad") + f"; nearest: {least}, before {before}"
    elif not changed and _blind(result):
        line = f"No change to what could be computed, {many(len(_blind(result)), 'field')} kept with checks not computed: {least}"
    elif not changed:
        line = f"The stage's settings are the best: {least}"
    else:
        line = f"{many(len(changed), 'change')}: {least}, before {before}"
    return [wrap(line, context.width)]


def verdict_of(result: Proposal) -> str:
    """What is known of goals that are missed: that no settings meet them, or only that none were found."""
    if result.proven or result.conflicts:
        kept = any(c.keeps for conflict in result.conflicts for c in conflict.clashes)
        return "No settings meet all goals" + (" and keep what holds" if kept else "")
    return "Goals are missed; the search ended before it was known whether settings meet them all"


def _say(lines: list[str], context: Context) -> Callable[..., None]:
    def say(line: str, indent: str = "", hang: str | None = None) -> None:
        lines.append(wrap(line, context.width, indent, hang))

    return say


def _margin(margin: float) -> str:
    """A margin for people; a rule broken, a verdict lost and one without its hazard have none."""
    if margin == float("inf"):
        return "nothing to judge"
    return "missed" if margin == float("-inf") else percent(margin)


def _hit(instead: Instead) -> str:
    if instead.goal.startswith("rule "):
        return f"breaks {instead.goal}"
    if instead.margin == float("-inf"):
        return f"misses {instead.goal}"
    verb = "fails" if instead.margin < 0 else "has"
    return f"{instead.goal} {verb} {percent(instead.margin)}"


def _blind(result: Proposal) -> dict[str, list[str]]:
    """The fields that are kept for want of an answer, each with the checks that lack it."""
    found: dict[str, list[str]] = {}
    for lack in result.not_computed:
        for name in lack.kept:
            found.setdefault(name, []).append(lack.check)
    return found


def _few(checks: Sequence[str]) -> str:
    """A few check names, both sides of one as one."""
    stems = {c.rpartition(".")[0] for c in checks if c.endswith(".high")} & {
        c.rpartition(".")[0] for c in checks if c.endswith(".low")
    }
    names = list(
        dict.fromkeys(stem if (stem := c.rpartition(".")[0]) in stems else c for c in checks)
    )
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _around(pick: Pick) -> list[str]:
    """What holds a choice: the next value on either side, or the other options."""
    found = []
    free: list[str] = []
    for instead in (pick.lower, pick.higher, *pick.others):
        if instead is not None and instead.reading.code != pick.old.code:
            if instead.goal:
                found.append(f"{instead.reading.label}: {_hit(instead)}")
            else:
                free.append(instead.reading.label)
    if free and pick.blind:
        found.append(
            f"{' and '.join(free)}: no goal says less, but {_few(pick.blind)} {'is' if len(pick.blind) == 1 else 'are'} not computed"
        )
    elif free:
        found.append(f"{' and '.join(free)} would be as good")
    return found


def _held(conflict: Conflict) -> str:
    """The fields that would help and may not, with why."""
    return "".join(
        f"; {'other values of ' if name in conflict.fields else ''}{name} would help, and"
        f" {'are' if name in conflict.fields else 'is'} not chosen: {why.removeprefix('kept: ')}"
        for name, why in conflict.held.items()
    )


def _conflicts(result: Proposal, context: Context) -> list[str]:
    """What cannot be met together, then what cannot be met at all."""
    alone = [c for c in result.conflicts if len(c.clashes) == 1]
    together = [c for c in result.conflicts if len(c.clashes) > 1]
    lines = []
    if together:
        lines.append(context.style("Goals in conflict", "head"))
    for number, conflict in enumerate(together, 1):
        fields = ", ".join(conflict.fields)
        lines.append(
            wrap(
                f"{number}. not together, over {fields}{_held(conflict)}:",
                context.width,
                "  ",
                "     ",
            )
        )
        others = len(conflict.clashes) - 1
        rest = "the other is met" if others == 1 else f"the other {others} are met"
        for clash in conflict.clashes:
            reach = (
                "cannot be met"
                if clash.reach == float("-inf")
                else f"reaches {_margin(clash.reach)} at best"
            )
            keeps = f", and keeps {_margin(clash.keeps)}" if clash.keeps else ""
            lines.append(
                wrap(
                    f"{clash.goal} {reach} while {rest}{keeps} ({clash.title})",
                    context.width,
                    "     ",
                    "       ",
                )
            )
    if alone:
        lines.append(context.style("Goals that no settings searched meet", "head"))
    for conflict in alone:
        (only,) = conflict.clashes
        why = (
            f"reaches {_margin(only.reach)} at best, over all that is searched of {', '.join(conflict.fields)}"
            if conflict.fields
            else f"has {_margin(only.reach)}: no field that is searched changes it"
        )
        line = f"{only.goal} {why}{_held(conflict)} ({only.title})"
        lines.append(wrap(line, context.width, "  ", "     "))
    if not result.conflicts_complete:
        lines.append(
            context.style("More goals may be in conflict: there was no time to look", "head")
        )
    return lines


# --- writing -------------------------------------------------------------------------------------
def _target(args: argparse.Namespace, stage: Stage) -> Path:
    path = Path(args.output)
    if (
        path.exists()
        and not args.force
        and not (Path(stage.file).exists() and path.samefile(stage.file))
    ):
        raise CallError(f"{path} exists and is not this stage; --force replaces it")
    return path


def _proposed(args: argparse.Namespace, result: Proposal) -> list[tuple[str, Stage]]:
    """What is to be written where: the stage's own settings, then those under its modes."""
    if args.drive_mode:
        return [(result.stage.mode, result.stage)]
    return [("", result.stage), *result.stage.modes.items()]


def _write(path: Path, args: argparse.Namespace, result: Proposal, context: Context) -> None:
    """The stage's own text with the changed settings, checked before a byte is written."""
    from regmap.document.source import read_text
    from regmap.stages.save import edit_stage

    base = load_stage(args.stage)
    made = read_text(Path(base.file))
    for mode, proposed in _proposed(args, result):
        whole = in_mode(base, mode)
        now = {s.name: s.asked for s in whole.settings}
        wanted = {s.name: s.asked for s in proposed.settings if now.get(s.name) != s.asked}
        if mode and not args.drive_mode:
            own = set_by(base, whole)
            wanted = {n: t for n, t in wanted.items() if own & atoms_of(base.chip, n)}
        try:
            made = edit_stage(made, wanted, base.chip, mode=mode) if wanted else made
        except CallError as error:
            where = f" under modes: {mode}" if mode else ""
            context.err(f"gateword: {error}; put these settings in by hand{where}:")
            context.err(settings_block(wanted).rstrip())
            return
    stage, problems = read_stage(path, text=made)
    if stage is None:
        raise FileError([p for p in problems if p.severity == "error"])
    write_text(path, made)
    context.err(f"wrote {path}")
