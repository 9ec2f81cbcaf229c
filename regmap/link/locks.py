"""Why a write was refused: the lock that the map states, whether the chip shows it, how to open it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..chip.bits import extract, mask_of
from ..chip.model import Chip, Register
from ..chip.values import read
from ..expr import Expr, evaluate
from . import rules

if TYPE_CHECKING:
    from ..chip.bank import Bank
    from .reading import RegisterReader


def not_taken(register: Register, wrong: int) -> str:
    """Which fields the bits of `wrong` belong to, as "SOURCE, SINK (bits 0x3FC)"."""
    names = [f.name for f in register.fields if mask_of(f.bits) & wrong]
    bits = f"bits 0x{wrong:X}"
    return f"{', '.join(names)} ({bits})" if names else bits


def explain_lock(link: RegisterReader, register: Register) -> str:
    """What the map says of when this register takes writes, or "" where it always does.

    Registers that show the state are read where reading changes nothing.
    """
    allowed = register.writable
    if allowed is None:
        return ""
    bank = link.machine.bank.copy()
    shown = []
    for name in allowed.names():
        if name in link.chip.states:
            # what is believed may be out of date: the write has just been refused
            bank.states.pop(name, None)
            shown += _shown(link, name, bank)
    text = f"{register.name} is writable only while {allowed}"
    seen = f", and {' and '.join(shown)}" if shown else ""
    if evaluate(allowed, bank) is True and shown:
        return f"{text}{seen}, so that is not the cause"
    ways = openings(link.chip, allowed, bank)
    return text + seen + (f"; to unlock: {ways}" if ways else "")


def _shown(link: RegisterReader, state: str, bank: Bank) -> list[str]:
    """Learn a state from a field that shows it; what that field reads, in words."""
    chip = link.chip
    for register in chip.registers.values():
        for field in register.fields:
            if field.shows is None or set(field.shows.names()) != {state}:
                continue
            if not register.readable or rules.read_hazards(chip, register):
                continue
            word = link.read(register.name).word
            if word is None:
                continue
            code = extract(word, field.bits)
            fitting = []
            for holds in (True, False):
                bank.states[state] = holds
                if evaluate(field.shows, bank) is bool(code):
                    fitting.append(holds)
            bank.states.pop(state)
            if len(fitting) == 1:
                bank.states[state] = fitting[0]
            return [f"{field.ref} reads {read(field, code, bank).label}"]
    return []


def openings(chip: Chip, allowed: Expr, bank: Bank) -> str:
    """How to bring the chip where `allowed` holds: the map's unlock sequence, else its states' events."""
    steps = [
        f"{'the key sequence ' if step.do == 'key' else ''}{target}"
        for step in chip.sequences.get("unlock", ())
        if step.do in ("write", "key", "command")
        for target in step.targets
    ]
    if steps:
        return ", then ".join(steps)
    ways = []
    for name in allowed.names():
        state = chip.states.get(name)
        if state is None:
            continue
        trial = bank.copy()
        trial.states[name] = False
        leave = evaluate(allowed, trial) is not False
        if state.when is not None:
            ways.append(f"{name} means {state.when}")
            continue
        events = [
            f"the key sequence {e}" if e in chip.keys else e
            for e in (state.left_by if leave else state.entered_by)
        ]
        if events:
            ways.append(" or ".join(events))
    return "; ".join(ways)
