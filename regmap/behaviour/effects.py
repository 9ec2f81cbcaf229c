"""What a frame changes of what is known of a chip: never a difference of words, always what the chip does.

    told = effects(machine, sent)       the machine has then taken the frame
    told.changes                        field by field, from and to; None is not known
    told.outcome.why                    why it changed nothing

A write of 1 to a bit that clears on 1 clears that bit and keeps its neighbours; a write to a locked
register changes nothing; a field of which nothing is known is unknown before and maybe after.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from regmap.record import dataclass, field

from ..chip import values
from ..chip.bank import Bank
from ..chip.bits import extract
from ..chip.model import Access, Chip, Fault, Field, Layout, Part, Register
from ..chip.values import Reading
from ..frames.codec import Answer, Sent
from .machine import Machine, Outcome


@dataclass(frozen=True, slots=True)
class Change:
    """One field that differs between two configurations; a side that is not known is None."""

    field: Field
    old: Reading | None
    new: Reading | None

    def __str__(self) -> str:
        old, new = (r.label if r is not None else "unknown" for r in (self.old, self.new))
        return f"{self.field.ref}: {old} -> {new}"


@dataclass(frozen=True, slots=True)
class Act:
    """A self-clearing field that a write started; it reads 0 again by itself."""

    field: Field
    reading: Reading

    def __str__(self) -> str:
        return f"starts {self.field.ref} = {self.reading.label}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Effects:
    """What one frame does. `changes` in the order of the map; `acts` are what it starts."""

    outcome: Outcome
    changes: tuple[Change, ...] = ()
    acts: tuple[Act, ...] = ()

    @property
    def none(self) -> bool:
        """Whether nothing that is known changes, and nothing is started."""
        return not (self.changes or self.acts or self.outcome.events)


#: what a frame does that was not looked at
NOTHING = Effects(outcome=Outcome())


def effects(machine: Machine, sent: Sent) -> Effects:
    """Let the machine take this frame; what that changes. A frame with flaws is rejected, and changes nothing."""
    if sent.flaws:
        machine.rejected()
        return Effects(outcome=Outcome(False, f"rejected: {sent.flaws[0].text}"))
    before = machine.bank.copy()
    outcome = machine.apply(sent)
    acts: tuple[Act, ...] = ()
    if sent.kind == "write" and sent.register is not None and outcome.taken:
        word = sent.data or 0
        acts = tuple(
            Act(f, values.read(f, extract(word, f.bits), before))
            for f in sent.register.fields
            if f.access is Access.SC and extract(word, f.bits) and f.mask & sent.register.write_mask
        )
    return Effects(
        outcome=outcome,
        changes=tuple(compare(machine.chip, before, machine.bank)),
        acts=acts,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a reply without flaws says of the chip.

    `register` is the one whose content it carries (None: no content), `data` that content as it was
    shown, `after` whether it is the content after the answered command, and not before it.
    `faults` tells of each fault that a part of the reply shows whether it is raised, `fields` the code
    of each field (REG.FIELD) that a part shows.
    """

    register: Register | None = None
    data: int = 0
    after: bool = False
    faults: Mapping[str, bool] = field(default_factory=dict)
    fields: Mapping[str, int] = field(default_factory=dict)


def tells_of(chip: Chip, part: Part) -> tuple[Fault, ...]:
    """The faults of which a part of a reply tells, whatever was asked."""
    if part.kind == "field":
        return tuple(f for f in chip.faults.values() if f.ref == part.field)
    fault = chip.faults.get(part.fault) if part.kind == "status" else None
    return (fault,) if fault is not None else ()


def faults_shown(chip: Chip, answer: Answer) -> dict[str, bool]:
    """Fault name to raised or not, as the parts of a reply say that tell of faults whatever was asked."""
    found = {}
    for part, fault in _telling(chip, answer.layout):
        if part.kind == "field":
            found[fault.name] = answer.fields.get(part.field) == fault.code
        elif part.name in answer.status:
            found[fault.name] = answer.status[part.name]
    return found


def _telling(chip: Chip, layout: Layout) -> tuple[tuple[Part, Fault], ...]:
    """The parts of a reply that tell of faults, with each fault that they tell of."""
    known: dict[int, tuple[Layout, tuple[tuple[Part, Fault], ...]]] = chip.once(
        "effects.telling", _nothing
    )
    found = known.get(id(layout))
    if found is None:
        told = tuple((p, f) for p in layout.parts for f in tells_of(chip, p))
        # the layout is kept, so that its identity stays its own
        found = known[id(layout)] = layout, told
    return found[1]


def _nothing(_: Chip) -> dict[int, Any]:
    return {}


def codes_shown(chip: Chip, answer: Answer) -> dict[str, int]:
    """The code of each field (REG.FIELD) of which a part of a reply tells, whatever was asked."""
    found = dict(answer.fields)
    for name, raised in faults_shown(chip, answer).items():
        fault = chip.faults[name]
        if raised:
            found[fault.ref] = fault.code
        else:
            found.setdefault(fault.ref, 0 if fault.code else 1)
    return found


def said(chip: Chip, sent: Sent | None, answer: Answer) -> Said:
    """What this reply to `sent` says; nothing where it has flaws.

    The answer to a read carries the register; the answer to a write what the map says (`on_write`):
    its content before or after the write, or nothing. Without the command (None) only status bits tell.
    """
    if answer.flaws:
        return Said()
    shown = faults_shown(chip, answer)
    part = answer.layout.of_kind("data")
    register = sent.register if sent is not None else None
    if sent is not None and sent.command is not None:
        register = chip.registers.get(sent.command.returns)
    if sent is None or register is None or answer.data is None or part is None:
        return Said(faults=shown, fields=answer.fields)
    after = False
    if sent.kind == "read" or sent.command is not None:
        data = answer.data & register.mask
    elif sent.kind == "write" and part.on_write in ("old", "new"):
        data, after = answer.data, part.on_write == "new"
    else:
        return Said(faults=shown, fields=answer.fields)
    return Said(register=register, data=data, after=after, faults=shown, fields=answer.fields)


def shown_fields(
    chip: Chip, register: Register, data: int, bank: Bank
) -> list[tuple[Field, Reading | None]]:
    """Every field of a register of which a read showed `data`, as it holds it; None where a read does not show it."""
    env = bank.copy()
    env.forget(register.name)
    if register.reads_as in chip.registers:
        env.learn(register.name, data, register.mask & register.read_mask)
    else:
        env.learn_read(register.name, data)
    return [(f, _reading(f, env.field_code(f), env)) for f in register.fields]


def compare(
    chip: Chip, old: Bank, new: Bank, registers: Iterable[str] | None = None
) -> list[Change]:
    """Every field whose code differs; fields that are unknown on both sides are left out."""
    changes = []
    if registers is None:
        # most frames change one register or none: which, is found by the words and not one by one
        if old.words == new.words and old.known == new.known:
            return []
        moved = {n for n, _ in old.words.items() ^ new.words.items()}
        moved.update(n for n, _ in old.known.items() ^ new.known.items())
        registers = (n for n in chip.registers if n in moved) if len(moved) > 1 else moved
    for name in registers:
        was, now = old.words.get(name, 0), new.words.get(name, 0)
        if was == now and old.known.get(name, 0) == new.known.get(name, 0):
            continue
        for item in chip.registers[name].fields:
            a, b = old.field_code(item), new.field_code(item)
            if a != b:
                changes.append(Change(item, _reading(item, a, old), _reading(item, b, new)))
    return changes


def _reading(item: Field, code: int | None, bank: Bank) -> Reading | None:
    return None if code is None else values.read(item, code, bank)
