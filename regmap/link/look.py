"""Looking without writing: who answers, what it holds, and whether that is what was wanted."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from contextlib import AbstractContextManager, closing, contextmanager

from regmap.record import dataclass, replace

from ..behaviour.effects import Change, compare
from ..behaviour.faults import status_registers
from ..behaviour.machine import Machine
from ..behaviour.settings import bring_up_registers, bring_up_sequence
from ..chip.bank import Bank
from ..chip.model import Chip, Register, Spi
from ..errors import LinkError
from ..frames.words import GUARDS
from . import rules
from .detours import DETOURS
from .session import Link, RegisterReading

_ASKED_WRONG = "commands may not arrive as they are sent (SDI stuck, inverted, shifted by clocks, bits or bytes in another order)"
#: registers that are read where nobody answered, to see what the words look like
MOST_ASKED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """One register compared with what it should hold. `changes` are the fields that differ, read to wanted."""

    register: str
    wanted: int
    reading: RegisterReading
    changes: tuple[Change, ...] = ()
    unseen: int = 0

    @property
    def ok(self) -> bool:
        return self.reading.good and not self.changes


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """Who answered: the adapter, the witness register, and every register that was read.

    `words`, where nobody who can be believed did, are the frames of the last exchanges, sent and read, for
    `regmap.trace.findings.pairs.diagnose_frames`.
    """

    adapter: str
    ok: bool
    text: str
    readings: tuple[RegisterReading, ...] = ()
    words: tuple[tuple[int, int], ...] = ()


def identify(link: Link, *, any_chip: bool = False) -> Found:
    """Find out whether the chip of the map answers, in whichever of its layouts. Never writes.

    With `any_chip` a constant register that reads otherwise, but always the same, is taken as found.
    """
    identity = link.port.identity
    adapter = (
        f"{identity.name}, firmware {identity.firmware >> 8}.{identity.firmware & 255}"
        if identity
        else ""
    )
    proof = link.witness
    probe = proof[0] if proof is not None else rules.filler(link.chip)
    if probe is None:
        return Found(
            adapter=adapter, ok=True, text="the map has no register that can be read without effect"
        )
    reading = link.read(probe.name)
    if not reading.good and link.find_layout():
        reading = link.read(probe.name)
    told = {reading.word or 0} if reading.good else set(reading.seen)
    word = told.pop() if len(told) == 1 else None
    same = _whatever_is_asked(link, probe, word) if word is not None else ""
    if reading.good and not same:
        if proof is None:
            return _in_good_form(link, adapter, probe, reading)
        text = f"{link.chip.name} answers: {probe.name} reads 0x{reading.word or 0:X}"
        return Found(adapter=adapter, ok=True, text=text, readings=(reading,))
    other = proof is not None and word not in (None, proof[1]) and len(reading.seen) > 2
    if proof is not None and word is not None and other and not same and not _echoed(link):
        text = f"{probe.name} reads 0x{word:X}; the map of {link.chip.name} says 0x{proof[1]:X}: another chip, or another revision"
        if any_chip:
            link.witness = (probe, word)
        words: tuple[tuple[int, int], ...] = ()
        if not _as_after_reset(link, probe):
            # where no register reads what it should, the question may have been another one
            text += f", or {_ASKED_WRONG}: no other register reads what it holds after reset"
            words = tuple(link.exchange.words)
        return Found(adapter=adapter, ok=any_chip, text=text, readings=(reading,), words=words)
    text = same or f"nothing that can be believed answers for {link.chip.name}: {reading.why}"
    if reading.seen and not same:
        # replies in good form that do not fit the question: it is the question that went wrong, or the chip is another one
        text += f"; {_ASKED_WRONG}, or another chip answers"
    # many questions tell more of the words than one that is repeated
    for register in _quiet(link)[:MOST_ASKED]:
        link.read(register.name)
    frames = tuple(link.exchange.words)
    text += f"; {_otherwise(link, probe)}"
    return Found(adapter=adapter, ok=False, text=text, readings=(reading,), words=frames)


def _in_good_form(link: Link, adapter: str, probe: Register, reading: RegisterReading) -> Found:
    """What is to be said where a register reads well and the map has none that tells this chip from others."""
    doubt = ""
    flat = (0, probe.mask)
    if reading.word in flat and probe.reset not in flat:
        doubt = (
            f"; {probe.name} reads 0x{reading.word or 0:X} and not its reset word 0x{probe.reset:X}: a command that the "
            f"chip rejects may be answered so, which is no proof (are the check bits those that the chip wants?)"
        )
        telling = _telling(link, probe)
        if telling is None:
            text = f"nothing that can be believed answers for {link.chip.name}{doubt}"
            words = tuple(link.exchange.words)
            return Found(adapter=adapter, ok=False, text=text, readings=(reading,), words=words)
        reading = telling
    text = f"something answers in good form ({reading.register} reads 0x{reading.word or 0:X}); the map has no register that tells this chip from others{doubt}"
    return Found(adapter=adapter, ok=True, text=text, readings=(reading,))


def _telling(link: Link, probe: Register) -> RegisterReading | None:
    """The reading of another register that has bits of both kinds in it."""
    for register in [r for r in _quiet(link) if r is not probe][:MOST_ASKED]:
        reading = link.read(register.name)
        if reading.good and reading.word not in (0, register.mask):
            return reading
    return None


def _as_after_reset(link: Link, probe: Register) -> bool:
    """Whether some other register reads its reset word, of those that have bits of both kinds in it."""
    others = [r for r in _quiet(link) if r is not probe and r.reset not in (0, r.mask)]
    return any(set(link.read(r.name).seen) == {r.reset} for r in others[:MOST_ASKED])


def _echoed(link: Link) -> bool:
    """Whether what was read is what was sent, frame by frame: SDO carries SDI."""
    return all(sent == read for sent, read in link.exchange.words)


def _quiet(link: Link) -> list[Register]:
    """What can be read without changing the chip, on the pages that may be turned to."""
    found = rules.quiet(link.chip, link.machine.bank)
    return [r for r in found if not link.unreachable(r)]


def _whatever_is_asked(link: Link, probe: Register, word: int) -> str:
    """What is to be said where other registers, which should differ, are answered with the same word; or ""."""
    others = [
        r
        for r in _quiet(link)
        if r is not probe and r.reset != word & r.mask and r.page == probe.page and not r.frames
    ][:3]
    if len(others) < 2 or any(set(link.read(r.name).seen) != {word} for r in others):
        return ""
    names = ", ".join(r.name for r in (probe, *others))
    return (
        f"{names} all read 0x{word:X}: whatever is asked, the answer is the same, so it proves nothing; "
        f"{_ASKED_WRONG}"
    )


def _otherwise(link: Link, probe: Register) -> str:
    """Whether the chip answers in another SPI mode or select level, or by a detour, and what was tried; all put back."""
    layouts = link.chip.frames.values()
    if not all(any(p.kind in GUARDS for p in f.command.parts) for f in layouts):
        return "no other SPI mode was tried: without check bits a read that arrives otherwise could be taken as a write"
    tried = []
    with closing(_trials(link)) as trials:
        for name, trial in trials:
            try:
                with trial:
                    reading = link.read(probe.name)
                    if not reading.good and link.find_layout():
                        reading = link.read(probe.name)
            except LinkError:
                continue
            tried.append(name)
            if reading.good:
                return (
                    f"with {name} {probe.name} reads 0x{reading.word or 0:X}: the map's spi, or what stands between adapter and "
                    f"chip, is not as it is here (tried: {', '.join(tried)})"
                )
    if not tried:
        return "the port takes no other SPI set-up, so none was tried"
    return f"nor with {', '.join(tried)}, in any of the map's layouts"


def _trials(link: Link) -> Generator[tuple[str, AbstractContextManager[None]], None, None]:
    """What else the connection may be, by name. Close it: the port is put back once it was set up otherwise."""
    spi = link.chip.spi
    if hasattr(link.port, "try_spi"):
        level = "high" if spi.select_active_low else "low"
        modes = [(f"SPI mode {m}", replace(spi, mode=m)) for m in range(4) if m != spi.mode]
        select = f"select active {level}", replace(spi, select_active_low=not spi.select_active_low)
        try:
            for name, other in (*modes, select):
                yield name, _set_up(link, other)
        finally:
            # a port that cannot be put back is an error, whatever was found
            link.port.try_spi(spi)
    for detour in DETOURS:
        yield detour.name, link.exchange.by(detour)


@contextmanager
def _set_up(link: Link, spi: Spi) -> Iterator[None]:
    link.port.try_spi(spi)
    yield


def look(link: Link) -> tuple[RegisterReading, ...]:
    """Read everything that can be read without changing the chip, on the pages that may be turned to."""
    return tuple(link.read(r.name) for r in _quiet(link))


def status(link: Link, *, clearing: bool = False) -> dict[str, RegisterReading]:
    """Every status register; those that reading clears only with `clearing`."""
    return link.read_all(
        [
            name
            for name in status_registers(link.chip)
            if clearing or not rules.read_hazards(link.chip, link.chip.registers[name])
        ]
    )


def verify(
    link: Link, wanted: Bank, registers: Sequence[Register] | None = None
) -> tuple[Checked, ...]:
    """Read every register with settings back and compare every bit that can be read."""
    checked = []
    for register in registers if registers is not None else bring_up_registers(link.chip, wanted):
        mask = register.read_back
        if not mask or rules.readback(link.chip, register, 0, 0) is None:
            continue
        want = wanted.words[register.name]
        reading = link.read(register.name)
        changes: tuple[Change, ...] = ()
        if reading.good and reading.word is not None:
            held, there = register.held(reading.word), wanted.copy()
            there.learn(register.name, held, mask)
            changes = tuple(compare(link.chip, there, wanted, [register.name]))
        checked.append(
            Checked(
                register=register.name,
                wanted=want,
                reading=reading,
                changes=changes,
                unseen=register.settings & ~mask,
            )
        )
    return tuple(checked)


def unverifiable(chip: Chip) -> list[str]:
    """Registers with settings that no read can prove."""
    return [
        r.name
        for r in chip.registers.values()
        if r.holds_settings
        and any(f.setting and f.role not in ("lock", "watchdog.service") for f in r.fields)
        and rules.readback(chip, r, 0, 0) is None
    ]


def final_bank(chip: Chip, wanted: Bank) -> Bank:
    """What the chip holds after a bring-up: `wanted`, with what the map's sequences write beside it."""
    machine = Machine(chip, supply=wanted.supply, externals=wanted.externals)
    for action in bring_up_sequence(chip, wanted):
        if action.sent is not None:
            machine.apply(action.sent)
    return machine.bank
