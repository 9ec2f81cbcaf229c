"""Clearing the flags that say that a frame was rejected, by the ways of the map.

Such a flag stays up until it is cleared, and hides the next rejection as long: nothing that the chip answers
meanwhile proves that a frame was taken. The table here clears it with the frame that clears least beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from ..behaviour.machine import Machine
from ..behaviour.settings import Action, planned_steps
from ..chip.model import Chip, Fault, Step
from ..errors import CallError
from .careful import answerable, careful
from .frames import FrameNames
from .plans import configured, harmless, reads, verify_rows
from .replies import REJECTIONS
from .resets import lost_by_reset, power_up_flags, reset_told
from .sheet import Sheet
from .steps import step_table

if TYPE_CHECKING:
    from ..stages.load import Stage

NAME = "clear_rejected"
AT_POWER_UP = "clear_rejected_at_power_up"
#: what shows that a chip was not reset, where its replies do not
NOT_RESET = "not_reset"
#: what takes the flag of a reset down, where the bring-up without its beginning does not
FORGET_RESET = "forget_reset"


def told_in_replies(chip: Chip) -> list[Fault]:
    """The faults that say that a frame was rejected and have a bit of their own in replies."""
    found = {
        part.fault
        for frame in chip.frames.values()
        for layout in frame.replies.values()
        for part in layout.parts
        if part.kind == "status" and part.width == 1
    }
    return [f for f in chip.faults.values() if f.name in found and set(f.raised_by) & REJECTIONS]


def write_clearing(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The tables for the chip as it is configured and as after power-up, where no bring-up gets past such a flag."""
    warm = sheet.plans.get("warm")
    flags = _in_the_way(sheet, stage, actions, warm.actions if warm is not None else [])
    made: dict[str, list[Action]] = {}
    for name, before in ((NAME, actions), (AT_POWER_UP, [])):
        steps: list[Action] = []
        for fault in flags:
            way = _mildest(sheet, stage, before, fault)
            if way is None and name == NAME:
                sheet.names.note(
                    f"{fault.name}: no way of the map clears it on a configured chip; while it is up no frame is known to be "
                    "taken, and every result is REJECTED: switch the chip's supply off and on"
                )
            steps += way or []
        if len(answerable(sheet, steps, frames)) == len(steps):
            made[name] = careful(sheet, stage, steps, frames, before) if steps else []
    if not made.get(NAME):
        return
    about = "Clears the flags of rejected frames, and nothing else where the map allows that. Run it by `clear_rejected`."
    step_table(sheet, NAME, made[NAME], frames, {}, about)
    late = made.get(AT_POWER_UP, [])
    if late and _words(late) != _words(made[NAME]):
        step_table(
            sheet, AT_POWER_UP, late, frames, {}, "The same for a chip in its state of power-up."
        )


def write_not_reset(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The reads that show that a configured chip was not reset since; none where every reply tells that."""
    if sheet.reset_told:
        return
    rows, _ = lost_by_reset(stage, actions, [])
    flags = power_up_flags(stage, actions)
    # of several boards one table: what they set differs, the flags do not
    rows = [r for r in rows if r in flags] if sheet.boards > 1 else rows
    steps = reads(stage, actions, rows, NOT_RESET) if rows else []
    if steps and len(answerable(sheet, steps, frames)) == len(steps):
        about = "Reads that show that a configured chip was not reset since; for `resync`."
        step_table(sheet, NOT_RESET, steps, frames, {}, about)


def write_forget_reset(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The frames that take the flag of a reset down in a configured chip, then its readback; for `restart`.

    Nothing where the bring-up does that without its beginning, which a restart may leave out.
    """
    later = actions[sheet.after_power_up :]
    if not sheet.reset_told or reset_told(stage, later):
        return
    chip = sheet.chip
    machine = configured(stage, later)
    steps: list[Action] = []
    for fault in chip.faults.values():
        if fault.normal_at_power_up and machine.raised(fault) is not False:
            steps += _mildest(sheet, stage, actions, fault) or []
    after = [*actions, *steps]
    back = [(r.name, m, e) for r, m, e, _, _ in verify_rows(stage, after)]
    again = reads(stage, after, back, FORGET_RESET)
    if (
        steps
        and back
        and len(answerable(sheet, [*steps, *again], frames)) == len(steps) + len(again)
    ):
        steps = [*steps, *careful(sheet, stage, again, frames, after)]
        about = "Takes the flag of a reset down that the beginning of a bring-up takes down, and reads every setting back; for `restart`."
        step_table(sheet, FORGET_RESET, steps, frames, {}, about)
    else:
        sheet.names.note(
            "restart: no way of the map takes the flag of a reset down; it may end in RESET"
        )


def _words(steps: Iterable[Action]) -> list[tuple[str, int]]:
    return [(a.sent.frame.name, a.sent.word) for a in steps if a.sent is not None]


def _in_the_way(
    sheet: Sheet, stage: Stage, actions: list[Action], warm: list[Action]
) -> list[Fault]:
    """The flags at which every bring-up would stop: those in replies, and those that it compares and does not clear."""
    chip = sheet.chip
    found = told_in_replies(chip)
    again = actions[sheet.after_power_up :]
    for fault in chip.faults.values():
        field = chip.field(fault.ref)
        if fault in found or not set(fault.raised_by) & REJECTIONS or field is None:
            continue
        if field.width != 1 or not harmless(chip, chip.registers[fault.register]):
            continue
        for before, steps in ((actions, warm), ([], again)):
            machine = configured(stage, before)
            machine.set_fault(fault, True)
            for action in steps:
                if action.sent is not None:
                    machine.apply(action.sent)
            if machine.raised(fault) is not False:
                found.append(fault)
                break
    return [f for f in found if f.latched and "condition" not in f.cleared_by]


def _mildest(sheet: Sheet, stage: Stage, before: list[Action], fault: Fault) -> list[Action] | None:
    """The frames of the way that clears the fewest other faults; None where none clears this one."""
    chip = sheet.chip
    best: tuple[int, list[Action]] | None = None
    for way in fault.cleared_by:
        step = _step_of(chip, fault, way)
        if step is None:
            continue
        machine = configured(stage, before)
        try:
            steps = planned_steps(chip, stage.bank, {NAME: [step]}, configured(stage, before))
        except CallError:
            continue
        others = _raise_all(machine, fault)
        for action in steps:
            if action.sent is not None:
                machine.apply(action.sent)
        if machine.raised(fault) is not False:
            continue
        lost = sum(machine.raised(f) is not True for f in others)
        if best is None or lost < best[0]:
            best = lost, steps
    return best[1] if best is not None else None


def _raise_all(machine: Machine, fault: Fault) -> list[Fault]:
    """Raises every fault that can stand beside this one; those that do."""
    faults = [f for f in machine.chip.faults.values() if not f.summary_of]
    for other in [*faults, fault]:
        machine.set_fault(other, True)
    return [f for f in faults if f is not fault and machine.raised(f)]


def _step_of(chip: Chip, fault: Fault, way: str) -> Step | None:
    """A way to clear as a step of a sequence; None for one that no frame goes."""
    field = chip.field(fault.ref)
    if way == "read":
        return Step(do="read", targets=(fault.register,))
    if way == "write_1" and field is not None:
        return Step(do="write", targets=(f"{fault.ref} = 0x{(1 << field.width) - 1:X}",))
    if way == "write_0":
        return Step(do="write", targets=(f"{fault.ref} = 0x0",))
    if way in chip.commands:
        return Step(do="command", targets=(way,))
    return Step(do="write", targets=(way,)) if "=" in way else None
