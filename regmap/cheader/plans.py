"""What plans of frames stand on: a configured chip, reads of it, and whether a read changes something."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..behaviour.machine import Machine, as_read
from ..behaviour.plan import plan
from ..behaviour.settings import Action, bring_up_registers
from ..chip.model import Access, Chip, Frame, Register
from ..errors import CallError
from ..frames.codec import Codec, Sent

if TYPE_CHECKING:
    from ..stages.load import Stage


def harmless(chip: Chip, register: Register) -> bool:
    """Whether a read of it changes nothing."""
    faults = {f.ref for f in chip.faults.values()}
    erased = {f.register for f in chip.faults.values() if "read" in f.cleared_by}
    return (
        register.readable
        and register.name not in erased
        and chip.watchdog != register.name
        and all(f.access is not Access.RC for f in register.fields)
        # what reads as after power-up once only, and is no fault that stays until it is cleared
        and all(f.power_up is None or f.ref in faults for f in register.fields)
    )


def configured(stage: Stage, actions: list[Action]) -> Machine:
    """The chip's behaviour after every frame of the plan."""
    wanted = stage.bank
    machine = Machine(stage.chip, supply=wanted.supply, externals=wanted.externals)
    for action in actions:
        if action.sent is not None:
            machine.apply(action.sent)
    return machine


def reads(
    stage: Stage, actions: list[Action], wanted: list[tuple[str, int, int]], sequence: str
) -> list[Action]:
    """Steps that read registers of the configured chip, pages selected on the way.

    `wanted` are (register's name, mask, expected).
    """
    bank = configured(stage, actions).bank
    page = stage.chip.field(stage.chip.page_select)
    if page is not None:  # the program may have read on other pages since
        bank.known[page.register] = bank.known.get(page.register, 0) & ~page.mask
    steps = []
    rest = iter(wanted)
    for planned in plan(stage.chip, [f"read:{name}" for name, _, _ in wanted], bank):
        sent = planned.sent
        if sent.kind == "read" and sent.register is not None and planned.requests:
            _, mask, expect = next(rest)
            steps.append(
                Action(
                    do="verify",
                    sequence=sequence,
                    text=f"read {sent.register.name}",
                    sent=sent,
                    expect=expect,
                    mask=mask,
                )
            )
        else:
            steps.append(Action(do="send", sequence=sequence, text="select the page", sent=sent))
    return steps


def read_of(codec: Codec, register: Register, machine: Machine) -> Sent | None:
    """The frame that reads it; None where the chip has none, as one that only takes writes."""
    try:
        return codec.read(register, machine.bank)
    except CallError:
        return None


def verify_rows(stage: Stage, actions: list[Action]) -> list[tuple[Register, int, int, Frame, int]]:
    """(register, mask, expected word, frame, ready read frame) of everything that can be read back."""
    chip = stage.chip
    page = chip.field(chip.page_select)
    # sequences may have moved a register on from what the stage asks for: a checksum switched on
    bank = configured(stage, actions).bank
    codec = Codec(chip)
    rows = []
    for register in bring_up_registers(chip, stage.bank):
        mask = register.read_back
        if page is not None and page.register == register.name:
            # the page moves while registers are read
            mask &= ~page.mask
        if not mask:
            continue
        words = {register.name: bank.words[register.name]}
        try:
            sent = codec.read(register, bank)
        except CallError:
            continue
        rows.append((register, mask, as_read(chip, register, words) & mask, sent.frame, sent.word))
    return rows
