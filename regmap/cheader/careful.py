"""What makes a sequence of frames safe to run blindly: it proves what it did, and keeps what it must not touch."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from regmap.record import replace

from ..behaviour.settings import Action
from ..behaviour.transition import STOP
from ..chip.bits import deposit
from ..errors import CallError
from ..frames.codec import Codec
from .frames import FrameNames
from .plans import configured, harmless, read_of, reads
from .replies import REJECTIONS
from .resets import lost_by_reset, power_up_flags
from .sheet import Sheet

if TYPE_CHECKING:
    from ..stages.load import Stage

#: the part of a table that ends it
CLOSING = "closing"


def careful(
    sheet: Sheet,
    stage: Stage,
    actions: list[Action],
    frames: dict[str, FrameNames],
    before: list[Action] | None = None,
    *,
    closing: bool = True,
    as_found: Mapping[str, int] | None = None,
) -> list[Action]:
    """The steps with reserved bits read before they are written back, and with a last read that shows

    whether a frame before was rejected (`closing`). `before` is what the chip has gone through already.
    `as_found` are other bits, by register, that are written as they are read, but for what stops the outputs.
    """
    if not sheet.has("frames") or not actions:
        return actions
    chip = sheet.chip
    machine = configured(stage, before or [])
    codec = Codec(chip)
    made: list[Action] = []
    for action in actions:
        sent = action.sent
        register = sent.register if sent is not None and sent.kind == "write" else None
        part = sent.frame.command.of_kind("data") if sent is not None else None
        keep = register.kept & register.shows if register is not None else 0
        if register is not None and as_found and action.sequence != STOP:
            keep |= as_found.get(register.name, 0) & register.shows
        read = read_of(codec, register, machine) if register is not None and keep else None
        if read is None:
            keep = 0
        if register is not None and register.kept & ~keep:
            sheet.names.note(
                f"{register.name}: bits 0x{register.kept & ~keep:X} must stay as they are, but cannot be read; "
                "they are written as after a reset"
            )
        if sent is None or register is None or part is None or read is None:
            made.append(action)
        else:
            data = deposit(keep, part.bits)
            if register.name not in sheet.kept:
                sheet.kept.append(register.name)
            place = sheet.kept.index(register.name)
            text = f"read {register.name}"
            look = replace(action, do="keep", sent=read, mask=keep, expect=place, text=text)
            again = replace(look, do="same", text=f"read {register.name} again")
            made += [
                replace(look, why="its reserved bits must be written back as they are"),
                again,
                replace(
                    action, do="merge", sent=replace(sent, word=sent.word & ~data), expect=place
                ),
                again,
            ]
        if sent is not None:
            machine.apply(sent)
    return made + (_closing(sheet, stage, before or [], actions, frames) if closing else [])


def watched(
    sheet: Sheet, stage: Stage, actions: list[Action], before: list[Action] | None = None
) -> list[Action]:
    """The steps with what the readback looks at beside the settings: reserved bits, flags of power-up.

    They stand after the reads of the settings, so that both have one copy.
    """
    verified = [i for i, a in enumerate(actions) if a.do == "verify" and a.sequence != CLOSING]
    if not verified or not sheet.has("frames"):
        return actions
    made: list[Action] = []
    for index, action in enumerate(actions):
        made.append(action)
        if index in verified:
            made += remembered(sheet, action)
        if index == verified[-1]:
            gone = [*(before or []), *actions[: index + 1]]
            flags = power_up_flags(stage, gone)
            found = reads(stage, gone, flags, action.sequence)
            if len(found) == len(flags):  # else pages were selected: a table of its own
                made += [replace(a, why="not reset since") for a in found]
    return made


def remembered(sheet: Sheet, action: Action) -> list[Action]:
    """The step that reads the same register's reserved bits, which must be as they were."""
    register = action.sent.register if action.sent is not None else None
    if register is None or register.name not in sheet.kept or not register.kept & register.shows:
        return []
    return [
        replace(
            action,
            do="remembered",
            mask=register.kept & register.shows,
            expect=sheet.kept.index(register.name),
            text=f"read {register.name}: reserved bits as they were",
        )
    ]


def _closing(
    sheet: Sheet,
    stage: Stage,
    before: list[Action],
    actions: list[Action],
    frames: dict[str, FrameNames],
) -> list[Action]:
    """Reads whose replies, or whose words, show that no frame before them was rejected, and that the chip was not reset."""
    chip = stage.chip
    whole = [*before, *actions]
    machine = configured(stage, whole)
    tells = [f for f in chip.faults.values() if set(f.raised_by) & REJECTIONS]
    in_reply = {
        p.fault
        for frame in chip.frames.values()
        for layout in frame.replies.values()
        for p in layout.parts
        if p.kind == "status"
    }
    wanted: dict[str, tuple[int, int]] = {}
    for fault in tells:
        register, field = chip.registers[fault.register], chip.field(fault.ref)
        if fault.name in in_reply or field is None or field.width != 1:
            continue
        if harmless(chip, register) and machine.raised(fault) is False:
            mask, expect = wanted.get(register.name, (0, 0))
            wanted[register.name] = mask | field.mask, expect | (0 if fault.code else field.mask)
    lost, proven = lost_by_reset(stage, before, actions)
    if not proven:
        sheet.names.note(
            f"{actions[-1].sequence}: a reset of the chip on the way may not be told: no register that can be read shows it"
        )
    for name, mask, expect in lost:
        # last what shows a reset, for nothing comes after it
        own = wanted.pop(name, (0, 0))
        wanted[name] = own[0] | mask, own[1] | expect
    shown = any(f.name in in_reply for f in tells) or any(f.after for f in chip.frames.values())
    if not wanted and shown:
        for register in chip.registers.values():
            if harmless(chip, register) and (register.page is None or not chip.page_select):
                wanted[register.name] = (0, 0)
                break
    try:
        rows = [(name, mask, expect) for name, (mask, expect) in wanted.items()]
        found = reads(stage, whole, rows, CLOSING)
    except CallError:
        return []
    reset = {name for name, _, _ in lost}
    found = [replace(a, why=_why_closing(a, reset)) for a in found]
    return [] if any(not frames[a.sent.frame.name].reply_data for a in found if a.sent) else found


def _why_closing(action: Action, reset: set[str]) -> str:
    """What a read at the end is for; `reset` are the registers of those that show a reset."""
    register = action.sent.register if action.sent is not None else None
    if action.expect is None or register is None:
        return ""
    if register.name in reset:
        return "whether the chip was reset, or a frame before was rejected"
    return "whether a frame before was rejected"


def answerable(sheet: Sheet, actions: list[Action], frames: dict[str, FrameNames]) -> list[Action]:
    """The steps without expectations of chips (or frames) that reply nothing; what is left out is noted."""
    if not sheet.has("frames"):
        return actions
    kept = []
    for action in actions:
        if action.expect is not None and action.sent is not None:
            frame = action.sent.frame.name
            if not frames[frame].reply_data:
                sheet.names.note(
                    f"{action.sequence}: '{action.text}' is left out, because frame {frame} has no reply with data"
                )
                continue
        kept.append(action)
    return kept
