"""From one configuration to another while the chip stays powered: what must be written, and the frames of one order.

    begin, before = brought_up(chip, run.bank, driving=True)
    differing(begin, limp)                      the registers to write, in the map's order
    transition(begin, limp, order)              unlock, stop where asked, write in that order, read back, lock

Which order is safe is no question of frames: `assessment.transition` seeks it. A register may be written in
parts, some of its fields before others: each part is a whole frame, in which the other fields keep what they have.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from regmap.record import dataclass

from ..chip.bank import Bank
from ..chip.bits import deposit, extract, hexword
from ..chip.model import Chip, Field, Register, Step
from ..chip.values import options
from ..expr import evaluate
from .machine import Machine, held_after
from .plan import word_to_write
from .settings import (
    Action,
    bring_up_sequence,
    counters_after,
    never_written,
    planned_steps,
    setting_registers,
)

#: where the frames of a transition stand, in order
STOP, WRITE, CHECK = "outputs off", "settings", "read back"


def switches(chip: Chip, role: str) -> dict[str, tuple[Field, int, int]]:
    """The fields that switch this role, by REG.FIELD, with their codes for on and off."""
    found = {}
    for item in chip.with_role(role):
        if isinstance(item, Field) and item.writable:
            codes = [(r.code, bool(r.is_on(item.role))) for r in options(item, Bank.at_reset(chip))]
            on = [c for c, is_on in codes if is_on]
            off = [c for c, is_on in codes if not is_on]
            if on and off:
                found[item.ref] = (item, on[0], off[0])
    return found


def enabling(chip: Chip) -> dict[str, tuple[Field, int, int]]:
    """The fields that enable the outputs, by REG.FIELD, with their codes for on and off."""
    return switches(chip, "drive.enable")


def with_outputs(bank: Bank, driving: bool) -> Bank:
    """The configuration with the outputs enabled, or not, where a field does that."""
    made = bank.copy()
    for item, on, off in enabling(bank.chip).values():
        made.put(item, on if driving else off)
    return made


def brought_up(chip: Chip, wanted: Bank, *, driving: bool) -> tuple[Machine, list[Action]]:
    """The chip after the map's bring-up to `wanted`, its outputs then enabled where it drives, and the frames of it. What the bring-up never writes (what puts a chip to sleep) is as wanted.

    Raises CallError where there is no bring-up to it.
    """
    machine = Machine(chip, supply=wanted.supply, externals=wanted.externals)
    left, first = never_written(chip, wanted), wanted.copy()
    for register in left:
        first.learn(register.name, register.reset)
    actions = bring_up_sequence(chip, first, machine=machine)
    for register in left:
        machine.bank.learn(register.name, wanted.words[register.name], register.settings)
    if driving:
        for item, on, _ in enabling(chip).values():
            machine.bank.learn(item.register, deposit(on, item.bits), item.mask)
    return machine, actions


def differing(machine: Machine, wanted: Bank) -> list[Register]:
    """The registers whose settings are not as wanted, or not known to be, in the order of a bring-up.

    One that is the complement of another is written with it, and not named.
    """
    bank, found = machine.bank, []
    for register in setting_registers(machine.chip):
        name, mask = register.name, register.settings
        word = word_to_write(machine.chip, name, wanted)
        known = bank.known.get(name, 0) & mask == mask
        if not register.complement_of and (not known or (bank.words.get(name, 0) ^ word) & mask):
            found.append(register)
    return found


@dataclass(frozen=True, slots=True)
class RegisterPart:
    """One write of a register: those of its bits (`mask`) that take what is wanted."""

    register: Register
    mask: int

    def word(self, held: Bank, wanted: Bank) -> int:
        """The word to write, with the other settings as they are held."""
        chip, name = held.chip, self.register.name
        kept = word_to_write(chip, name, held) & self.register.settings & ~self.mask
        return word_to_write(chip, name, wanted) & (~self.register.settings | self.mask) | kept


def whole(register: Register) -> RegisterPart:
    """A register written once, with all that is wanted."""
    return RegisterPart(register, register.settings)


def fields_apart(register: Register, held: Bank, wanted: Bank) -> list[RegisterPart]:
    """The fields of a register that differ, each to be written alone; one part where it must not be split."""
    chip = held.chip
    words = [word_to_write(chip, register.name, b) for b in (held, wanted)]
    masks = [f.mask for f in register.fields if f.setting and (words[0] ^ words[1]) & f.mask]
    paired = any(r.complement_of == register.name for r in chip.registers.values())
    joined = any(r == register.name for j in chip.joined.values() for r, _ in j.fields)
    if paired or joined or register.write_once or len(masks) < 2:
        return [whole(register)]
    return [RegisterPart(register, mask) for mask in masks]


def contents(machine: Machine, wanted: Bank, written: Iterable[RegisterPart]) -> Bank:
    """What the chip holds once these are written as wanted, and nothing else yet."""
    bank = machine.bank.copy()
    for part in written:
        register, word = part.register, part.word(bank, wanted)
        old = bank.words.get(register.name, register.reset)
        bank.learn(register.name, held_after(machine.chip, register, old, word))
    return bank


def transition(
    machine: Machine,
    wanted: Bank,
    order: Sequence[RegisterPart],
    *,
    stop: bool = False,
    before: Iterable[Action] = (),
) -> list[Action]:
    """The frames that take the chip to `wanted`: these registers written in this order, then read back.

    Where a write would be refused the map's `unlock` goes before, and its `lock` after. With `stop` a write
    that disables the outputs comes first, where a field does that. `machine` runs along; counters
    go on from the frames of `before`. Raises CallError for what the chip would refuse all the same.
    """
    chip = machine.chip
    stopping = _stops(machine) if stop else []
    if stopping:
        wanted = with_outputs(wanted, driving=False)
    registers = list(dict.fromkeys(part.register.name for part in order))
    touched = [chip.registers[n] for n in (*registers, *(item.register for item, _ in stopping))]
    # those that must hold the complement of one of them are written beside it
    checked = [
        *registers,
        *(r.name for r in chip.registers.values() if r.complement_of in registers),
    ]
    locked = any(
        r.writable is not None and evaluate(r.writable, machine.bank) is not True for r in touched
    )
    steps: dict[str, Sequence[Step]] = {
        STOP: [Step(do="write", targets=(f"{i.ref} = 0x{off:X}",)) for i, off in stopping],
        WRITE: _writes(machine, wanted, order),
        CHECK: [
            Step(do="verify", targets=(n,))
            for n in dict.fromkeys(checked)
            if chip.registers[n].readable
        ],
    }
    if locked:
        unlock, lock = (chip.sequences.get(n, ()) for n in ("unlock", "lock"))
        steps = {"unlock": unlock, **steps, "lock": lock}
    return planned_steps(chip, wanted, steps, machine, counters_after(before))


def _writes(machine: Machine, wanted: Bank, order: Sequence[RegisterPart]) -> list[Step]:
    """The steps of these writes; one in parts names its word, as no setting of the mode is it."""
    steps, bank = [], machine.bank.copy()
    count = Counter(part.register.name for part in order)
    for part in order:
        name = part.register.name
        if count[name] == 1:
            steps.append(Step(do="configure", targets=(name,)))
            continue
        word = part.word(bank, wanted)
        bank.learn(name, word)
        why = f"{name} in {count[name]} writes, for what lies between"
        steps.append(
            Step(do="write", targets=(f"{name} = {hexword(word, part.register.width)}",), why=why)
        )
    return steps


def _stops(machine: Machine) -> list[tuple[Field, int]]:
    """The fields that enable the outputs now, with the code that disables them."""
    words = machine.bank.words
    return [
        (item, off)
        for item, _, off in enabling(machine.chip).values()
        if extract(words.get(item.register, item.reset), item.bits) != off
    ]
