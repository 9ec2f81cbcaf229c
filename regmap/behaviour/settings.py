"""Wanted settings to register words, differences between configurations, and the ordered bring-up sequence.

The plan follows the map's sequences (power_up, unlock, configure, lock); a `behave.Machine` runs
along, so every frame is the one in force at that step: after a CRC is switched on, longer; after
the lock, refused.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from regmap.record import dataclass, replace

from ..chip import values
from ..chip.bank import Bank
from ..chip.bits import deposit, hexword, spans
from ..chip.model import Chip, Field, Register, Step
from ..errors import CallError
from ..frames.codec import Codec, Sent, build, guards_of, next_counters, split
from ..frames.requests import SetField, WriteWord, parse_request
from ..quantity import Band
from .machine import Machine
from .plan import plan, word_to_write

DEFAULT_SEQUENCE = (Step(do="configure", targets=("all",)), Step(do="verify", targets=("all",)))
BRING_UP = ("power_up", "unlock", "configure", "lock")


@dataclass(frozen=True, slots=True, kw_only=True)
class Action:
    """One thing to do on the SPI: send a frame, or wait.

    `expect` and `mask` are what the answer to a read must hold. `sequence` is where it stands.
    """

    do: str
    sequence: str
    text: str
    sent: Sent | None = None
    expect: int | None = None
    mask: int = 0
    wait: Band | None = None
    why: str = ""


def oddities(register: Register, word: int) -> list[str]:
    """What a data sheet forbids in writing this word, as sentences: reserved bits, registers that only report."""
    found = []
    if register.fields and not register.takes_writes:
        found.append(f"{register.name} is only read; a write does nothing")
    stated = register.stated
    wrong = (word ^ register.reserved_write) & stated
    if wrong:
        bits = [b for b in range(register.width - 1, -1, -1) if wrong >> b & 1]
        several = len(bits) > 1
        found.append(
            f"reserved bit{'s' * several} {spans(bits)} {'are' if several else 'is'} not as the map says: "
            f"0x{word & stated:X} in place of 0x{register.reserved_write & stated:X} (mask 0x{stated:X})"
        )
    return found


def identities(chip: Chip) -> dict[str, int]:
    """Registers that always read one word, what proves which chip answers: those that the map names,
    else those that report only and that a sequence expects to hold one word."""
    if chip.identity:
        return dict(chip.identity)
    found: dict[str, int] = {}
    holding = {f.register for f in chip.faults.values()}
    for step in (s for steps in chip.sequences.values() for s in steps if s.do == "expect"):
        register, mask, value = expectation(chip, step.targets[0])
        if mask == register.mask and register.name not in holding and not register.takes_writes:
            found[register.name] = value
    return found


#: roles of fields whose write does something, and sets nothing
_DEEDS = ("watchdog.service", "clear")


def setting_registers(chip: Chip) -> list[Register]:
    """The registers that hold settings, in the order of the configure sequence, then of the map; of
    those, what switches to another frame layout comes last, so that one exchange decides it.
    """
    named: list[str] = []
    for steps in chip.sequences.values():
        for step in steps:
            if step.do == "configure":
                named += [n for n in step.targets if n != "all"]
    lockers = {f.register for f in chip.with_role("lock") if isinstance(f, Field)}

    def kept(field: Field) -> bool:
        # what serves the watchdog or clears faults is a deed: `configure: all` must not do it
        served = chip.watchdog in (field.register, field.ref) or field.role in _DEEDS
        return field.setting and field.ref != chip.page_select and not served

    rest = [
        r.name
        for r in chip.registers.values()
        if r.name not in lockers and any(kept(f) for f in r.fields)
    ]
    switches = {
        n.partition(".")[0]
        for f in chip.frames.values()
        if f.when is not None
        for n in f.when.names()
    }
    rest.sort(key=lambda n: n in switches)
    return [chip.registers[n] for n in dict.fromkeys([*named, *rest])]


def bring_up_registers(chip: Chip, wanted: Bank) -> list[Register]:
    """The registers that a bring-up to `wanted` writes and reads back where the map says `all`.

    One with write-once fields is among them only where it is wanted at other than its reset word: a
    write would spend them.
    """
    return [
        r
        for r in setting_registers(chip)
        if not r.write_once or (wanted.words.get(r.name, r.reset) ^ r.reset) & r.settings
    ]


def bring_up_sequence(
    chip: Chip,
    wanted: Bank,
    sequences: Iterable[str] = BRING_UP,
    machine: Machine | None = None,
) -> list[Action]:
    """The ordered frames that bring a chip from power-up to `wanted`, verified and locked.

    Sequences that the map lacks are left out; without a configure sequence every register with
    settings is written in the map's order and read back. `machine` is a chip that is not as after
    power-up; what it has selected as page counts as unknown. Raises CallError when a step cannot be.
    """
    wished = tuple(sequences)
    left = never_written(chip, wanted) if "configure" in wished else []
    if left:
        names = ", ".join(r.name for r in left)
        raise CallError(
            f"{names} is wanted at other than its reset word, but the sequence 'configure' of {chip.name} never "
            f"writes it",
            "it among the registers of that sequence, or that setting left to the program",
        )
    plain = {"configure": DEFAULT_SEQUENCE, **chip.sequences}
    return planned_steps(chip, wanted, {n: plain.get(n, ()) for n in wished}, machine)


def planned_steps(
    chip: Chip,
    wanted: Bank,
    steps: Mapping[str, Iterable[Step]],
    machine: Machine | None = None,
    counters: Mapping[str, int] | None = None,
) -> list[Action]:
    """The frames of steps, named by what they belong to, in their order. Raises CallError when a step cannot be.

    `machine` as in `bring_up_sequence`; it runs along and is then as the chip is. `counters` are those that
    the first frame has, where frames went before (see `counters_after`).
    """
    planner = _Planner(chip, wanted, machine)
    planner.counters.update(counters or {})
    for name, ones in steps.items():
        for step in ones:
            planner.step(name, step)
    return planner.actions


def counters_after(actions: Iterable[Action]) -> dict[str, int]:
    """The counters of the frame that follows these."""
    counters: dict[str, int] = {}
    for action in actions:
        if action.sent is not None:
            counters.update(next_counters(action.sent.frame.command, action.sent.parts))
    return counters


def never_written(chip: Chip, wanted: Bank) -> list[Register]:
    """Registers whose wanted settings differ from reset and that the bring-up never writes.

    A complement register is written with its partner; one that a step writes by name is written.
    """
    steps = [s for n in BRING_UP for s in chip.sequences.get(n, ())]
    if not any(s.do == "configure" for s in steps):
        return []
    written = {n for s in steps if s.do == "configure" for n in s.targets}
    if "all" in written:
        return []
    for step in steps:
        texts = chip.keys[step.targets[0]].steps if step.do == "key" else step.targets
        if step.do in ("write", "key"):
            written |= {t.partition("=")[0].strip().partition(".")[0] for t in texts}
    written |= {r.name for r in chip.registers.values() if r.complement_of}
    return [
        r
        for r in setting_registers(chip)
        if r.name not in written and (wanted.words.get(r.name, r.reset) ^ r.reset) & r.settings
    ]


class _Planner:
    def __init__(self, chip: Chip, wanted: Bank, machine: Machine | None = None) -> None:
        self.chip = chip
        self.wanted = wanted
        self.codec = Codec(chip)
        page = chip.field(chip.page_select)
        if machine is not None and page is not None:
            machine.bank.known[page.register] = (
                machine.bank.known.get(page.register, 0) & ~page.mask
            )
        self.machine = machine or Machine(chip, supply=wanted.supply, externals=wanted.externals)
        self.actions: list[Action] = []
        self.counters: dict[str, int] = {}

    def step(self, sequence: str, step: Step) -> None:
        if step.do == "wait":
            self.actions.append(
                Action(
                    do="wait",
                    sequence=sequence,
                    text=f"wait {step.time}",
                    wait=step.time,
                    why=step.why,
                )
            )
        elif step.do == "expect":
            self._expect(sequence, step)
        elif step.do in ("configure", "verify"):
            targets = self._targets(step)
            for register in targets:
                if step.do == "configure":
                    self._configure(sequence, step, register)
                    for other in self.chip.registers.values():
                        if other.complement_of == register.name and other not in targets:
                            self._configure(sequence, step, other)
                else:
                    self._verify(sequence, step, register)
        elif step.do == "key":
            for text in self.chip.keys[step.targets[0]].steps:
                self._send(sequence, step, text)
        elif step.do == "read":
            self._send(sequence, step, f"read:{step.targets[0]}")
        else:
            self._send(sequence, step, step.targets[0])

    def _targets(self, step: Step) -> list[Register]:
        if "all" in step.targets:
            return bring_up_registers(self.chip, self.wanted)
        return [self.chip.registers[n] for n in step.targets]

    def _send(self, sequence: str, step: Step, text: str) -> None:
        for planned in plan(self.chip, [text], self.machine.bank):
            self._add("send", sequence, text, planned.sent, step.why)

    def _add(
        self,
        do: str,
        sequence: str,
        text: str,
        sent: Sent,
        why: str,
        expect: int | None = None,
        mask: int = 0,
    ) -> None:
        self._page(sequence, sent)
        sent = self._counted(sent)
        outcome = self.machine.apply(sent)
        if sent.kind == "write" and not outcome.taken:
            raise CallError(
                f"sequence {sequence}, {text}: the write would be refused: {outcome.why}"
            )
        self.actions.append(
            Action(
                do=do, sequence=sequence, text=text, sent=sent, why=why, expect=expect, mask=mask
            )
        )

    def _page(self, sequence: str, sent: Sent) -> None:
        """Select the page first where a field does that."""
        select = self.chip.page_select
        if not select or sent.register is None or sent.register.page is None:
            return
        if self.machine.bank.code(select) != sent.register.page:
            text = f"{select} = {sent.register.page}"
            # as a raw code: an option may be called by another number
            raw = f"{select} = 0x{sent.register.page:X}"
            for planned in plan(self.chip, [raw], self.machine.bank):
                selecting = self._counted(planned.sent)
                self.machine.apply(selecting)
                self.actions.append(
                    Action(
                        do="send",
                        sequence=sequence,
                        text=text,
                        sent=selecting,
                        why=f"page of {sent.register.name}",
                    )
                )

    def _counted(self, sent: Sent) -> Sent:
        """This frame with the counters that follow those of the frame before, guards renewed."""
        layout = sent.frame.command
        counting = {n: v for n, v in self.counters.items() if layout.named(n) is not None}
        if counting:
            guards = {part.name for part in guards_of(layout)}
            parts = {n: v for n, v in sent.parts.items() if n not in guards} | counting
            word = build(layout, parts)
            sent = replace(sent, word=word, parts=split(layout, word))
        self.counters.update(next_counters(layout, sent.parts))
        return sent

    def _expect(self, sequence: str, step: Step) -> None:
        text = step.targets[0]
        register, mask, value = expectation(self.chip, text)
        sent = self.codec.read(register, self.machine.bank)
        self._add("expect", sequence, text, sent, step.why, value, mask)

    def _configure(self, sequence: str, step: Step, register: Register) -> None:
        word = word_to_write(self.chip, register.name, self.wanted)
        spent = [f.ref for f in register.write_once if not (word ^ register.reset) & f.mask]
        if spent and "all" in step.targets:
            raise CallError(
                f"sequence {sequence}, configure: all: writing {register.name} would spend "
                f"{', '.join(spent)}, which can be written once only, at the reset value; name the "
                f"registers to configure, or leave its other fields at reset"
            )
        sent = self.codec.write(register, word, self.machine.bank)
        self._add(
            "write",
            sequence,
            f"{register.name} = {hexword(word, register.width)}",
            sent,
            step.why,
        )

    def _verify(self, sequence: str, step: Step, register: Register) -> None:
        mask = register.read_back
        page = self.chip.field(self.chip.page_select)
        if page is not None and page.register == register.name:
            # which page is selected is the plan's own doing, not a setting
            mask &= ~page.mask
        if not mask:
            return
        # what was written so far: a later step may still switch something on
        word = register.shown(self.machine.bank.words[register.name]) & mask
        try:
            sent = self.codec.read(register, self.machine.bank)
        except CallError:
            if "all" in step.targets:
                return  # nothing can be read back of a chip that only takes writes
            raise
        self._add("verify", sequence, f"read back {register.name}", sent, step.why, word, mask)


def expectation(chip: Chip, text: str) -> tuple[Register, int, int]:
    """(register, mask, value) that a read must show for "REG.FIELD = VALUE" or "REG = WORD".

    It is what is read, as it is read: of a register that reads inverted, the inverted bits. Raises CallError.
    """
    request = parse_request(text, chip.registers, chip.commands, chip.joined)
    if isinstance(request, SetField):
        item = chip.field(request.name)
        if item is None:
            raise CallError(f"{request.name} is no field of {chip.name}")
        choice = values.choose(item, request.value, Bank.at_reset(chip))
        return chip.registers[item.register], item.mask, deposit(choice.code, item.bits)
    if isinstance(request, WriteWord):
        register = chip.registers[request.register]
        return register, register.mask, request.word
    raise CallError(f"{text!r} is no expectation", "REG.FIELD = VALUE or REG = WORD", part=text)
