"""What the map says about repeating, believing and undoing: no port, no state.

A frame may be repeated only where a second one changes nothing. A reply is believed only as far as
something in it, or beside it, proves that it answers this command.
"""

from __future__ import annotations

from ..behaviour.machine import held_after, match_of
from ..behaviour.settings import expectation
from ..chip.bank import Bank
from ..chip.bits import deposit, extract, mask_of
from ..chip.model import Access, Chip, Field, Layout, Part, Register
from ..expr import evaluate
from ..frames.recogniser import Recogniser
from ..parameters import switched_on


def read_hazards(chip: Chip, register: Register) -> list[str]:
    """What reading this register changes in the chip."""
    found = []
    erased = [f.name for f in register.fields if f.access is Access.RC]
    erased += [
        f.field
        for f in chip.faults.values()
        if f.register == register.name and "read" in f.cleared_by and f.field not in erased
    ]
    if erased:
        found.append(
            f"reading {register.name} clears {', '.join(erased[:4])}"
            + (" ..." if len(erased) > 4 else "")
        )
    if chip.watchdog == register.name:
        found.append(f"reading {register.name} serves the watchdog")
    shown_once = [
        f.name for f in register.fields if f.power_up is not None and f.access is not Access.RC
    ]
    if shown_once:
        found.append(f"{', '.join(shown_once)} shows its power-up value once")
    return found


def harmless_on_any_page(chip: Chip, register: Register) -> bool:
    """Whether a read at this register's address changes nothing, whichever page the chip is on."""
    there = [r for r in chip.registers.values() if r.address == register.address]
    return not any(read_hazards(chip, r) for r in there)


def write_hazards(chip: Chip, register: Register, word: int) -> list[str]:
    """What a second write of this word would do beyond the first."""
    found = []
    for field in register.fields:
        code = extract(word, field.bits)
        if field.access is Access.ONCE:
            found.append(f"{field.ref} can be written once only")
        elif field.access is Access.SC and code:
            found.append(f"{field.ref} acts each time it is written")
        elif (field.access is Access.W1C and code) or (
            field.access is Access.W0C and code != (1 << field.width) - 1
        ):
            found.append(f"writing {field.ref} clears what may have been raised since")
    for key in chip.keys.values():
        if any(match_of(chip, step).hits(register.name, word) for step in key.steps):
            found.append(f"it is a step of the key sequence {key.name}")
    watchdog, _, name = chip.watchdog.partition(".")
    if watchdog == register.name:
        item = register.field(name) if name else None
        if item is None or extract(word, item.bits) != item.reset:
            found.append("it serves the watchdog")
    for fault in chip.faults.values():
        if any(
            "=" in way and match_of(chip, way).hits(register.name, word) for way in fault.cleared_by
        ):
            found.append(f"it clears {fault.name} and perhaps others")
            break
    return list(dict.fromkeys(found))


def readback(chip: Chip, register: Register, old: int, word: int) -> tuple[int, int] | None:
    """(mask, word) that a read must show after `word` was written over `old`; None if nothing can be read."""
    mask = register.read_back
    if not mask or read_hazards(chip, register):
        return None
    return mask, register.shown(held_after(chip, register, old, word)) & mask


def witness(chip: Chip) -> tuple[Register, int] | None:
    """A register whose word never changes, with that word: proof that the right chip answers.

    First what the map calls the chip's identity, then what the power-up sequence expects of a whole read-only register, else a read-only
    register without faults and shown conditions whose word is neither all zeros nor all ones.
    """

    def constant(register: Register) -> bool:
        faults = {f.register for f in chip.faults.values()}
        return (
            bool(register.fields)
            and all(
                f.access is Access.RO and f.shows is None and f.power_up is None
                for f in register.fields
            )
            and register.name not in faults
            and register.reads_as == "written"
            and not read_hazards(chip, register)
        )

    for name, word in chip.identity.items():
        if not read_hazards(chip, chip.registers[name]):
            return chip.registers[name], word
    for step in chip.sequences.get("power_up", ()):
        if step.do == "expect":
            register, mask, value = expectation(chip, step.targets[0])
            if mask == register.mask and constant(register):
                return register, value
    for register in chip.registers.values():
        named = any(w in register.name.upper() for w in ("ID", "CHIP", "REVISION"))
        if named and constant(register) and register.reset not in (0, register.mask):
            return register, register.reset
    return None


def filler(chip: Chip) -> Register | None:
    """A register that can be read at any time without changing anything: the witness, else any.

    One whose word is not zero after power-up is preferred, since a chip that understands nothing
    often answers zeros in good form.
    """
    found = witness(chip)
    if found is not None:
        return found[0]
    usable = [
        r
        for r in chip.registers.values()
        if r.readable
        and not read_hazards(chip, r)
        and (not r.frames or any(f.when is None for f in Recogniser(chip).carriers(r)))
        and r.reads_as == "written"
    ]
    usable.sort(key=lambda r: (r.page is not None, not r.holds_settings, r.reset in (0, r.mask)))
    return usable[0] if usable else None


def closed(chip: Chip, register: Register, bank: Bank) -> str:
    """The condition without which the register's own frame is not understood, or ""."""
    whens = [f.when for f in Recogniser(chip).carriers(register)] if register.frames else []
    if not whens or any(w is None or evaluate(w, bank) is True for w in whens):
        return ""
    return " or ".join(w.text for w in whens if w is not None)


def quiet(chip: Chip, bank: Bank) -> list[Register]:
    """The registers that can be read at any time without changing the chip, as it is believed to stand."""
    return [
        r
        for r in chip.registers.values()
        if r.readable and not read_hazards(chip, r) and not closed(chip, r, bank)
    ]


def repeats(layout: Layout, chip: Chip) -> int:
    """How many agreeing replies make a word believed.

    Two where each reply carries a checksum and names the address it answers, else three: a command
    damaged on its way is answered in good form, with another register's word, and nothing in the
    reply tells.
    """
    return 2 if names_address(layout, chip) and layout.of_kind("crc") is not None else 3


#: A repeated address of fewer bits fits a constant reply by chance too often to prove anything alone.
TELLING_BITS = 6


def _echoed_address(layout: Layout, chip: Chip) -> list[Part]:
    address = {p.name for f in chip.frames.values() for p in f.command.parts if p.kind == "address"}
    return [p for p in layout.parts if p.kind == "echo" and p.of in address]


def names_address(layout: Layout, chip: Chip) -> bool:
    """Whether a reply of this layout says which address it answers."""
    return bool(_echoed_address(layout, chip))


def telling_address(layout: Layout, chip: Chip, address: int | None) -> bool:
    """Whether a reply that repeats this address hardly comes from a chip that takes no frame at all.

    Zeros and ones are what such a chip repeats too, and a few bits may fit any constant by chance.
    """
    return any(
        p.width >= TELLING_BITS
        and (address or 0) & ((1 << p.width) - 1) not in (0, (1 << p.width) - 1)
        for p in _echoed_address(layout, chip)
    )


def guarded(chip: Chip) -> bool:
    """Whether every command frame carries a checksum, so that a damaged one changes nothing."""
    return all(f.command.of_kind("crc") is not None for f in chip.frames.values())


def power_up_flags(chip: Chip) -> set[str]:
    """The faults that say that the chip has lost its configuration."""
    return {f.name for f in chip.faults.values() if f.normal_at_power_up}


def shown_in_replies(chip: Chip) -> bool:
    """Whether every reply tells of a power-on reset."""
    flags = power_up_flags(chip)
    return all(
        any(p.kind == "status" and p.fault in flags for p in layout.parts)
        for frame in chip.frames.values()
        for layout in frame.replies.values()
    )


def sentry(chip: Chip) -> Register | None:
    """A register that shows a power-on reset and can be read at any time; None where replies show it."""
    if shown_in_replies(chip):
        return None
    flags = power_up_flags(chip)
    for fault in chip.faults.values():
        register = chip.registers.get(fault.register)
        if fault.name not in flags or register is None or not register.readable:
            continue
        if register.page is None and not register.frame and not read_hazards(chip, register):
            return register
    return None


def off_request(chip: Chip) -> list[str]:
    """Writes that switch the outputs off or the chip to sleep, by the roles of its fields."""
    found = []
    for role, wanted in (("drive.enable", False), ("sleep", True)):
        for item in chip.with_role(role):
            if isinstance(item, Field):
                found += [
                    f"{item.ref} = {entry.name}"
                    for meaning in item.meanings
                    for entry in meaning.entries.values()
                    if entry.name and switched_on(entry.name, entry.code, role) is wanted
                ]
    return found


def merge(word: int, field: Field, code: int) -> int:
    """The word with this field's code."""
    return word & ~mask_of(field.bits) | deposit(code, field.bits)
