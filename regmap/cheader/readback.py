"""What must be read back of a configured chip, as steps to run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from regmap.record import replace

from ..behaviour.machine import as_read
from ..behaviour.settings import Action, expectation
from .careful import remembered
from .frames import FrameNames, word_bits, word_type
from .names import word
from .plans import configured, harmless, reads, verify_rows
from .resets import power_up_flags
from .sheet import Sheet
from .steps import part_of, row_cells, step_table, write_step_type
from .text import count, defines

if TYPE_CHECKING:
    from ..stages.load import Stage

# --- readback -----------------------------------------------------------------------------------


def write_verify(
    sheet: Sheet, stage: Stage, actions: list[Action], frames: dict[str, FrameNames]
) -> None:
    """The readback as steps: settings, reserved bits that are kept, flags of power-up, the lock."""
    names = sheet.names
    rows = [r for r in verify_rows(stage, actions) if frames[r[3].name].reply_data]
    sheet.verify_rows = rows
    if not rows:
        names.note("no register can be read back and compared")
        return
    sheet.section(
        "reading the configuration back",
        "Steps that read what each register must hold while the chip is configured, pages selected on the way. "
        "..._READBACK_STEP is the register's step, as the watch tells it in spi->step.",
    )
    write_step_type(sheet, frames)
    steps, last = rotation(sheet, stage, actions, [(r.name, m, e) for r, m, e, _, _ in rows])
    sheet.readback_at = places_of(steps, {r.name for r, *_ in rows})
    # several boards or positions take a table each by its name: there it is whole
    parted = sheet.boards == 1 and not sheet.chained
    cells = row_cells(sheet, steps, frames)
    found = part_of(sheet, cells) and part_of(sheet, row_cells(sheet, last, frames))
    if parted and last and found:
        about = "What each register must hold: part of the table that has written it."
        step_table(sheet, "readback", steps, frames, {}, about)
        about = "That the lock is closed: for the watch, after readback_steps."
        step_table(sheet, "locked", last, frames, {}, about)
    else:
        about = "What each register must hold, and the lock."
        step_table(sheet, "readback", [*steps, *last], frames, {}, about)
    # other languages have one table of it
    sheet.plans["readback"] = replace(sheet.plans["readback"], actions=[*steps, *last])
    sheet.plans.pop("locked", None)
    sheet.readback_frames = frames_of([*steps, *last])
    sheet.lines(
        "",
        *defines(
            [
                (
                    names.macro(word(name), "READBACK_STEP", of=f"step that reads {name} back"),
                    count(index),
                    "",
                )
                for name, index in sheet.readback_at.items()
            ]
        ),
    )
    kind, bits = word_type(sheet), word_bits(sheet)
    wide = f"({'unsigned int' if bits <= 16 else kind})"
    sheet.inline(
        f"{kind} {names.lower('step_difference')}(const {names.lower('step_t')} *step, {kind} word)",
        [f"return ({kind})(({wide}word & step->mask) ^ step->expect);"],
        "The bits in which a word differs from what a step of kind EXPECT wants; 0: none.",
    )


def rotation(
    sheet: Sheet, stage: Stage, actions: list[Action], rows: list[tuple[str, int, int]]
) -> tuple[list[Action], list[Action]]:
    """The steps of the watch, and those of the lock after them.

    They read `rows` (register's name, mask, expected) with the reserved bits beside them, then the flags of
    power-up. Where a page must be selected for the lock, its steps are among the first.
    """
    steps: list[Action] = []
    settings = reads(stage, actions, rows, "readback")
    for action in settings:
        steps += [action, *(remembered(sheet, action) if action.expect is not None else [])]
    # in one plan with them, so that pages are selected for all
    flags = power_up_flags(stage, actions)
    locks = locks_of(stage, actions)
    tail = reads(stage, actions, [*rows, *flags, *locks], "readback")[len(settings) :]
    if len(tail) != len(flags) + len(locks):
        return [*steps, *tail], []
    return [*steps, *tail[: len(flags)]], tail[len(flags) :]


def places_of(steps: list[Action], names: set[str]) -> dict[str, int]:
    """The step that reads each of these registers back."""
    found: dict[str, int] = {}
    for index, action in enumerate(steps):
        register = action.sent.register if action.sent is not None else None
        if register is not None and register.name in names and action.expect is not None:
            found.setdefault(register.name, index)
    return found


def write_places(sheet: Sheet, at: Mapping[str, int], piece: str, what: str) -> None:
    """Where another table (of another board, position or mode: `piece`, `what`) reads a register in another step."""
    rows = [
        (
            sheet.names.macro(piece, word(name), "READBACK_STEP", of=f"step that reads {name} back in {what}"),
            count(index),
            "",
        )
        for name, index in at.items()
        if sheet.readback_at.get(name) != index
    ]  # fmt: skip
    sheet.lines(*defines(rows))


def frames_of(steps: list[Action]) -> int:
    """The frames that these steps take, those that fetch a late reply among them."""
    return sum(
        1 + (a.sent.frame.after if a.expect is not None else 0) for a in steps if a.sent is not None
    )


def locks_of(stage: Stage, actions: list[Action]) -> list[tuple[str, int, int]]:
    """(register's name, mask, expected) of what the map's sequence `lock` expects, and is not known to end."""
    chip = stage.chip
    machine = configured(stage, actions)
    machine.settle()  # bits that show a condition, up to date
    bank = machine.bank
    found = []
    for step in chip.sequences.get("lock", ()):
        if step.do != "expect":
            continue
        register, mask, value = expectation(chip, step.targets[0])
        known = bank.known.get(register.name, 0)
        if (
            harmless(chip, register)
            and not (as_read(chip, register, bank.words) ^ value) & known & mask
        ):
            found.append((register.name, mask, value))
    return found
