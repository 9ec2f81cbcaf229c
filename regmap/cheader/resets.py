"""How a chip that was reset on the way is told: by the flag of power-up, in replies or in a register, and by settings that are lost.

reset_told      whether replies to the configured chip hold such a flag, and it is down
unguarded       whether no check bits cover it
power_up_flags  such flags in registers
lost_by_reset   reads that end a table where replies tell nothing: whatever frame a reset came before, one of them differs
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from ..behaviour.machine import Machine, as_read
from ..behaviour.settings import Action
from ..behaviour.transition import enabling
from ..chip.model import Chip, Frame, Layout
from ..frames.codec import Codec
from .plans import configured, harmless, verify_rows
from .replies import status_error

if TYPE_CHECKING:
    from ..stages.load import Stage

#: register's name, mask, expected
Row = tuple[str, int, int]


def _flags_in(chip: Chip, layout: Layout) -> set[str]:
    """The faults of a reply's bits that tell of a reset."""
    return {p.fault for p in layout.parts if status_error(chip, p) == "RESET"}


def _flags_of(chip: Chip, frame: Frame) -> list[set[str]]:
    """The same of each kind of reply that there is to a frame."""
    return [_flags_in(chip, layout) for layout in frame.replies.values()]


def reset_told(stage: Stage, actions: list[Action], *, always: bool = False) -> bool:
    """Whether replies to the chip after these frames hold a flag of a reset, and it is down then; `always`: every reply."""
    machine = configured(stage, actions)
    flags = _flags_of(stage.chip, Codec(stage.chip).frame_in_force(machine.bank))
    down = all(machine.raised(stage.chip.faults[n]) is False for names in flags for n in names)
    return down and bool(flags) and (all(flags) if always else any(flags))


def unguarded(chip: Chip) -> bool:
    """Whether a reply has such a flag that no check bits cover: there one wrong bit looks like a reset."""
    for frame in chip.frames.values():
        for layout in frame.replies.values():
            covered = {b for p in layout.parts if p.kind in ("parity", "crc") for b in p.over}
            for part in layout.parts:
                if status_error(chip, part) == "RESET" and not set(part.bits) <= covered:
                    return True
    return False


def power_up_flags(stage: Stage, actions: list[Action]) -> list[Row]:
    """The flags, by register, that tell that the chip was reset since, and that a read leaves as they are."""
    chip = stage.chip
    machine = configured(stage, actions)
    found: dict[str, tuple[int, int]] = {}
    for fault in chip.faults.values():
        register, field = chip.registers[fault.register], chip.field(fault.ref)
        if not fault.normal_at_power_up or field is None or machine.raised(fault) is not False:
            continue
        if harmless(chip, register) and field.width == 1:
            mask, expect = found.get(register.name, (0, 0))
            found[register.name] = mask | field.mask, expect | (0 if fault.code else field.mask)
    return [(name, *pair) for name, pair in found.items()]


def lost_by_reset(
    stage: Stage, before: list[Action], actions: list[Action]
) -> tuple[list[Row], bool]:
    """Reads after `actions`, and whether they show a reset before any of these, so far as no step of them does.

    Nothing where every reply tells of it, and one is believed. The last read alone shows a reset right before it. `before` is what the chip has gone
    through already.
    """
    whole = [*before, *actions]
    if not stage.chip.frames or (
        reset_told(stage, whole, always=True) and not unguarded(stage.chip)
    ):
        return [], True
    end = configured(stage, whole)
    left = [m for m in _unnoticed(stage, actions) if _lost(end, m)]
    if not left:
        return [], True
    fresh = left[0]
    moving = _moving(stage)
    settings = [
        (r.name, mask, expect & mask)
        for r, m, expect, _, _ in verify_rows(stage, whole)
        if harmless(stage.chip, r) and (mask := m & ~moving.get(r.name, 0))
    ]
    flags = power_up_flags(stage, whole)
    left = [m for m in left if not any(_differs(m, row) for row in flags)]
    found: list[Row] = []
    while left:
        best = max(settings, key=lambda row: sum(_differs(m, row) for m in left), default=None)
        if best is None or not any(_differs(m, best) for m in left):
            return [*found, *flags], False
        found.append(best)
        left = [m for m in left if not _differs(m, best)]
    # a reset between two of them is found by the last
    found.sort(key=lambda row: _differs(fresh, row))
    return [*found, *flags], True


def _unnoticed(stage: Stage, actions: Sequence[Action]) -> list[Machine]:
    """The chips that a reset before one of these steps, or after them, leaves, no later step having seen it; the last one first."""
    chip = stage.chip
    found = []
    for cut in range(len(actions), -1, -1):
        sent = actions[cut].sent if cut < len(actions) else None
        if cut < len(actions) and (
            sent is None
            or (sent.kind == "read" and sent.register and harmless(chip, sent.register))
        ):
            continue  # a reset after it is harder to see
        machine = configured(stage, [])
        for register in chip.registers.values():
            for field in register.fields:
                if field.power_up is not None:
                    machine.bank.put(field, field.power_up)
        if not _seen(machine, actions[cut:]):
            found.append(machine)
    return found


def _seen(machine: Machine, actions: Iterable[Action]) -> bool:
    """Whether one of these steps finds another word than it expects of this chip; they are done to it."""
    for action in actions:
        if action.sent is None:
            continue
        register = action.sent.register
        compared = register is not None and action.do in ("expect", "verify")
        row = (register.name if register is not None else "", action.mask, action.expect or 0)
        if compared and _differs(machine, row):
            return True
        machine.apply(action.sent)
    return False


def _differs(machine: Machine, row: Row) -> bool:
    """Whether a read of this chip is known to give another word."""
    name, mask, expect = row
    register = machine.chip.registers[name]
    known = machine.bank.known.get(name, 0) & mask
    return bool((as_read(machine.chip, register, machine.bank.words) ^ expect) & known)


def _lost(end: Machine, machine: Machine) -> bool:
    """Whether the chip holds other settings, or stands in another state, than in the end."""
    one, other = end.bank, machine.bank
    return one.states != other.states or any(
        (one.words[r.name] ^ other.words[r.name]) & r.settings
        for r in end.chip.registers.values()
        if r.settings
    )


def _moving(stage: Stage) -> dict[str, int]:
    """The bits, by register, that hold something else in a mode of the stage, or that the program moves: what enables the outputs."""
    found: dict[str, int] = {}
    for field, _, _ in enabling(stage.chip).values():
        found[field.register] = found.get(field.register, 0) | field.mask
    for mode in stage.modes.values():
        for name, word in stage.bank.words.items():
            found[name] = found.get(name, 0) | (word ^ mode.bank.words.get(name, word))
    return found
