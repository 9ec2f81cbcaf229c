"""How a chip's registers behave under frames, as its map says: what takes, what clears, what unlocks.

`Machine` is the one place for this. The twin is one (with the SPI around it); a trace runs one as
its belief of the real chip; a bring-up sequence runs one to know which frame is in force at each step.

What a chip does to its outputs on a fault is nowhere here, since no frame shows it: a fault that this
configuration only reports raises its bits as any other, one that it masks raises none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from copy import copy
from fractions import Fraction
from typing import Literal

from regmap.record import dataclass, replace

from ..chip.bank import Bank, need
from ..chip.bits import deposit, mask_of
from ..chip.model import Access, Chip, Command, Fault, Field, Joined, Register
from ..chip.values import choose
from ..errors import CallError
from ..expr import evaluate
from ..frames.codec import Sent
from ..frames.requests import SetField, WriteWord, parse_request


@dataclass(frozen=True, slots=True)
class Match:
    """A write that counts as an event: these bits of that register, with this value."""

    register: str
    mask: int
    value: int
    text: str

    def hits(self, register: str, word: int) -> bool:
        return register == self.register and word & self.mask == self.value


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one frame did. `why` tells why a write was refused; `events` what it entered or left.

    `refused` is the reason as a word of `model.RAISED_BY`, or "once"; empty where it took.
    `unsure` says why it is not known whether a write took; `would` is then (word, known bits) if it did.
    """

    taken: bool = True
    why: str = ""
    before: int | None = None
    after: int | None = None
    events: tuple[str, ...] = ()
    refused: str = ""
    unsure: str = ""
    would: tuple[int, int] | None = None


def match_of(chip: Chip, text: str) -> Match:
    """The match of "REG.FIELD = VALUE" or "REG = WORD". Raises CallError."""
    request = parse_request(text, chip.registers, chip.commands, chip.joined)
    if isinstance(request, WriteWord):
        return Match(request.register, chip.registers[request.register].mask, request.word, text)
    if isinstance(request, SetField):
        item = need(chip, request.name)
        choice = choose(item, request.value, Bank.at_reset(chip))
        if isinstance(item, Field):
            return Match(item.register, mask_of(item.bits), deposit(choice.code, item.bits), text)
    raise CallError(f"{text!r} is not a write of one register", part=text)


def after_write(register: Register, old: int, word: int, spent: Iterable[str] = ()) -> int:
    """The register's content after `word` was written to it and took; `spent` are used write-once fields."""
    return _written(register, old, register.mask, word, set(spent), set())[0]


def _written(
    register: Register, old: int, known: int, word: int, spent: set[str], doubtful: set[str]
) -> tuple[int, int]:
    """(content, known bits) after `word` was written and took, of a register known as `old` in `known`.

    `spent` are write-once fields that were written before, `doubtful` those of which that is not known.
    """
    new = old
    for field in register.fields:
        bits = field.mask & register.write_mask
        written = word & bits
        if field.access is Access.ONCE and field.name in spent:
            continue
        if field.access.stores:
            new = new & ~bits | written
            if field.name in doubtful:
                known &= ~(bits & ~(known & ~(old ^ word)))
            else:
                known |= bits
        elif field.access is Access.W1C:
            new &= ~written
            known |= written
        elif field.access is Access.W0C:
            new &= ~(bits & ~word)
            known |= bits & ~word
        elif field.access is Access.SC:
            new &= ~bits
            known |= bits
    return new & ~register.kept | word & register.kept, known | register.kept


def after_read(register: Register, old: int) -> int:
    """The register's content after it was read: fields that clear on read are 0."""
    return old & ~_read_clears(register)


def _read_clears(register: Register) -> int:
    return sum(f.mask for f in register.fields if f.access is Access.RC)


def as_read(chip: Chip, register: Register, words: Mapping[str, int]) -> int:
    """What a read of `register` returns, given the words that the registers hold."""
    other = chip.registers.get(register.reads_as)
    if other is not None:
        return words.get(other.name, other.reset) & register.mask & register.read_mask
    return register.shown(words.get(register.name, register.reset))


def _bits_of(chip: Chip, ref: str) -> tuple[str, int]:
    """The register and bits that "REG" (all its fields) or "REG.FIELD" names."""
    field = chip.field(ref)
    if field is not None:
        return field.register, field.mask
    return ref, sum(f.mask for f in chip.registers[ref].fields)


def _write_once(chip: Chip, but: Bank | None = None) -> set[tuple[str, str]]:
    """Every write-once field as (register, field), without those that `but` knows."""
    known = but.known if but is not None else {}
    return {
        (r.name, f.name)
        for r in chip.registers.values()
        for f in r.fields
        if f.access is Access.ONCE and f.mask & ~known.get(r.name, 0)
    }


def held_after(chip: Chip, register: Register, old: int, word: int) -> int:
    """As `after_write`, with what the written codes do beside: a bit that resets the chip resets this word too."""
    if not any(f.acts for f in register.fields):
        return after_write(register, old, word)
    machine = Machine(chip)
    machine.bank.learn(register.name, old)
    machine.write(replace(register, writable=None), word)
    return machine.bank.words[register.name]


class _Told:
    """What the map says of a chip's behaviour, read once for all its machines; never changed."""

    def __init__(self, chip: Chip) -> None:
        self.steps = {k.name: [match_of(chip, s) for s in k.steps] for k in chip.keys.values()}
        self.enter: list[tuple[str, Match | str]] = []
        self.leave: list[tuple[str, Match | str]] = []
        for state in chip.states.values():
            for target, texts in ((self.enter, state.entered_by), (self.leave, state.left_by)):
                for text in texts:
                    target.append((state.name, match_of(chip, text) if "=" in text else text))
        self.effects = {c.name: _effects(chip, c.effects) for c in chip.commands.values()}
        #: effects of written codes, and flags with the bits that they sum up, by register
        self.acts: dict[str, list[tuple[Match, list[Match | str]]]] = {}
        self.flags: list[tuple[Field, list[tuple[str, int]]]] = []
        for register in chip.registers.values():
            for item in register.fields:
                for code, texts in item.acts.items():
                    bits = deposit(code, item.bits)
                    match = Match(register.name, item.mask, bits, f"{item.ref} = {code}")
                    self.acts.setdefault(register.name, []).append((match, _effects(chip, texts)))
                if item.any_of:
                    self.flags.append((item, [_bits_of(chip, ref) for ref in item.any_of]))
        self.fault_bits: dict[str, tuple[str, int, int, int]] = {}
        #: the faults that "read" or a command clears, and those that a value written clears
        self.cleared_by: dict[str, list[Fault]] = {}
        self.cleared_by_write: list[tuple[Fault, Match]] = []
        for fault in chip.faults.values():
            field = chip.field(fault.ref)
            if field is not None:
                codes = (fault.code, 0 if fault.code else 1)
                raised, quiet = (deposit(c, field.bits) for c in codes)
                self.fault_bits[fault.name] = (field.register, mask_of(field.bits), raised, quiet)
            for way in fault.cleared_by:
                if "=" in way:
                    self.cleared_by_write.append((fault, match_of(chip, way)))
                else:
                    self.cleared_by.setdefault(way, []).append(fault)
        self.sums = _ordered_sums(chip, self.fault_bits)


def _ordered_sums(
    chip: Chip, bits: Mapping[str, tuple[str, int, int, int]]
) -> list[tuple[Fault, list[tuple[str, int, int]]]]:
    """Every sum with the bits of its members, sums of sums last."""
    faults = chip.faults
    depth: dict[str, int] = {}

    def deep(name: str) -> int:
        if name not in depth:
            depth[name] = 0
            members = [n for n in faults[name].summary_of if n in faults]
            depth[name] = 1 + max(map(deep, members), default=-1)
        return depth[name]

    sums = sorted((f for f in faults.values() if f.summary_of), key=lambda f: deep(f.name))
    return [(f, [bits[n][:3] for n in f.summary_of if n in bits]) for f in sums]


def _effects(chip: Chip, texts: Iterable[str]) -> list[Match | str]:
    return [match_of(chip, e) if "=" in e else e for e in texts]


class Machine:
    """Register contents of one chip, moved by frames. Unknown words stay unknown until written or read.

    `conditions` names the faults whose cause is present: what clears a latch cannot clear those
    once `settle` has run, which brings status bits, sums and shown conditions up to date. Who only
    believes (a trace, a plan) leaves `conditions` empty and does not settle.
    """

    def __init__(
        self,
        chip: Chip,
        bank: Bank | None = None,
        *,
        supply: Fraction | None = None,
        externals: Mapping[str, int] | None = None,
    ) -> None:
        self.chip = chip
        self.bank = (
            bank if bank is not None else Bank.at_reset(chip, supply=supply, externals=externals)
        )
        #: write-once fields (register, field) that were written, and those that may have been
        self.spent: set[tuple[str, str]] = set()
        self.doubtful = _write_once(chip, self.bank)
        self.conditions: set[str] = set()
        self.progress: dict[str, int] = dict.fromkeys(chip.keys, 0)
        self._told = told = chip.once("machine", _Told)
        self._steps, self._enter, self._leave = told.steps, told.enter, told.leave
        self._effects, self._acts, self._flags = told.effects, told.acts, told.flags
        self._fault_bits = told.fault_bits
        self._cleared_by, self._cleared_by_write = told.cleared_by, told.cleared_by_write

    # --- frames ------------------------------------------------------------------------------
    def apply(self, sent: Sent) -> Outcome:
        """What this (flawless) frame does to the chip."""
        outcome = self._apply(sent)
        self._raise_flags()
        return outcome

    def rejected(self) -> None:
        """A frame came that the chip rejects."""
        self._interrupt("bad")

    def _apply(self, sent: Sent) -> Outcome:
        if sent.command is not None:
            return self.command(sent.command, sent.data)
        if sent.register is None:
            self._interrupt("write" if sent.maybe and sent.kind == "write" else "other")
            for register in sent.maybe:
                self._perhaps(register, sent)
            return Outcome(
                False, f"no register at address 0x{sent.address or 0:X}", refused="address"
            )
        if sent.kind == "write":
            return self.write(sent.register, sent.data or 0)
        if sent.kind == "read":
            return self.read(sent.register)
        self._interrupt("other")
        return Outcome(False, f"the operation means nothing ({sent.kind})", refused="operation")

    def _perhaps(self, register: Register, sent: Sent) -> None:
        """This register was written or read, or one of its address on another page: what that would have
        changed is not known any more."""
        name, bank, word = register.name, self.bank, (sent.data or 0) & register.mask
        old, known = bank.words.get(name, 0), bank.known.get(name, 0)
        if sent.kind != "write":
            bank.known[name] = known & ~(_read_clears(register) & old)
            return
        spent, doubtful = ({f for r, f in s if r == name} for s in (self.spent, self.doubtful))
        new, learned = _written(register, old, known, word, spent, doubtful)
        bank.known[name] = known & learned & ~(new ^ old)
        self.doubtful |= {
            (name, f.name) for f in register.write_once if (name, f.name) not in self.spent
        }
        self._fire(None, (name, word), (), sure=False)
        for match, does in self._acts.get(name, ()):
            if match.hits(name, word & register.write_mask):
                self._act(does, sure=False)

    def write(self, register: Register, word: int) -> Outcome:
        """Write a whole word; a lock, a used write-once field or read-only bits make it not take.

        Where it is not known whether a lock lets it through, what it would change is not known after it.
        """
        name, bank = register.name, self.bank
        before = bank.word(name)
        allowed = evaluate(register.writable, bank) if register.writable is not None else True
        # a write that is refused is no step of a key and no event, but it comes between others
        if allowed is False:
            self._interrupt("write")
            why = f"{name} is writable only while {register.writable}"
            return Outcome(False, why, before, before, (), "locked_write")
        if not register.takes_writes:
            self._interrupt("write")
            return Outcome(False, f"{name} is read-only", before, before, (), "read_only_write")
        keys = self._keys(name, word)
        spent, doubtful = ({f for r, f in s if r == name} for s in (self.spent, self.doubtful))
        old, known = bank.words.get(name, 0), bank.known.get(name, 0)
        once = [f for f in register.fields if f.access is Access.ONCE]
        wasted = [f.name for f in once if f.name in spent and (word ^ old) & f.mask]
        new, learned = _written(register, old, known, word, spent, doubtful)
        would = new, learned
        if allowed is None:
            learned &= known & ~(new ^ old)
        bank.words[name], bank.known[name] = new, learned
        for field in once:
            if allowed:
                self.spent.add((name, field.name))
                self.doubtful.discard((name, field.name))
            elif (name, field.name) not in self.spent:
                self.doubtful.add((name, field.name))
        why = f"{', '.join(wasted)} can be written once only after power-up" if wasted else ""
        for fault, match in self._cleared_by_write:
            if match.hits(name, word):
                self._quiet(fault, sure=allowed is True)
        events = keys + self._fire(None, (name, word), keys, sure=allowed is True)
        for match, does in self._acts.get(name, ()):
            if match.hits(name, word & register.write_mask):
                events += self._act(does, sure=allowed is True)
        return Outcome(
            not wasted,
            why,
            before,
            bank.word(name),
            tuple(events),
            "once" if wasted else "",
            unsure=f"it is accepted only while {register.writable}, which is not known"
            if allowed is None
            else "",
            would=would if allowed is None else None,
        )

    def only_stores(self, register: Register) -> int | None:
        """The bits that a write of this register moves, where it can do nothing else; None where it may.

        Whether it is let through may hang on states, but on no other register.
        """
        name, states = register.name, self.chip.states
        matches = [m for steps in self._steps.values() for m in steps]
        matches += [e for _, e in (*self._enter, *self._leave) if isinstance(e, Match)]
        matches += [m for _, m in self._cleared_by_write]
        summed = {place for _, places in self._flags for place, _ in places}
        summed |= {item.register for item, _ in self._flags}
        locks = register.writable.names() if register.writable is not None else ()
        if (
            not register.takes_writes
            or not register.holds_settings
            or register.reads_as != "written"
            or register.complement_of
            or name in self._acts
            or name in summed
            or any(m.register == name for m in matches)
            or any(f.access not in (Access.RW, Access.WO, Access.RO) for f in register.fields)
            or any("." in n or n in self.chip.joined for n in locks)
            or any(states[n].when is not None for n in locks if n in states)
        ):
            return None
        stored = sum(f.mask for f in register.fields if f.access.stores) & register.write_mask
        return stored | register.kept

    def read(self, register: Register) -> Outcome:
        """Read: clear-on-read fields are gone afterwards."""
        self._interrupt("other")
        before = self.bank.word(register.name)
        if clears := _read_clears(register):
            self.bank.learn(register.name, 0, clears)
        self._clear("read", register.name)
        return Outcome(True, "", before, self.bank.word(register.name))

    def command(self, command: Command, data: int | None = None) -> Outcome:
        """A command with its effects; one that carries a register writes its data there."""
        register = self.chip.registers.get(command.carries)
        if register is not None:
            outcome = self.write(register, (data or 0) & register.mask)
        else:
            self._interrupt("other")
            outcome = Outcome()
        events = [*outcome.events, *self._act(self._effects[command.name])]
        self._clear(command.name)
        events += self._fire(command.name, None, keys=())
        return replace(outcome, events=tuple(events))

    def _act(self, effects: Iterable[Match | str], *, sure: bool = True) -> list[str]:
        """Carry out effects of a command or a written code; not `sure`, what they touch is unknown."""
        events: list[str] = []
        for effect in effects:
            if not sure:
                self._unsure(effect)
            elif isinstance(effect, Match):
                self.bank.learn(effect.register, effect.value, effect.mask)
            elif effect == "reset":
                self.reset()
                events.append("reset")
            elif effect == "clear_faults":
                self.clear_faults()
                events.append("clear_faults")
            else:
                name = effect.removeprefix("clear ").strip()
                register = self.chip.registers[name]
                self.bank.learn(name, 0, sum(f.mask for f in register.fields))
                for fault in self.chip.faults.values():
                    if fault.register == name:
                        self.set_fault(fault, False)
        return events

    def _unsure(self, effect: Match | str) -> None:
        """An effect may have happened: what it would change is not known any more."""
        known, chip = self.bank.known, self.chip
        if isinstance(effect, Match):
            known[effect.register] = known.get(effect.register, 0) & ~effect.mask
        elif effect == "reset":
            for register in chip.registers.values():
                same = ~(self.bank.words.get(register.name, 0) ^ register.reset)
                known[register.name] = known.get(register.name, 0) & same
        elif effect == "clear_faults":
            for fault in chip.faults.values():
                self._quiet(fault, sure=False)
        else:
            name = effect.removeprefix("clear ").strip()
            known[name] = known.get(name, 0) & ~self.bank.words.get(name, 0)

    def forget(self) -> None:
        """Nothing is known any more."""
        self.bank.words.clear()
        self.bank.known.clear()
        self.bank.states.clear()
        self.progress = dict.fromkeys(self.chip.keys, 0)
        self.spent.clear()
        self.doubtful = _write_once(self.chip)

    def copy(self) -> Machine:
        """A machine of its own that knows the same."""
        twin = copy(self)
        twin.bank = self.bank.copy()
        twin.spent, twin.doubtful = set(self.spent), set(self.doubtful)
        twin.conditions, twin.progress = set(self.conditions), dict(self.progress)
        return twin

    def reset(self) -> None:
        """Every register and state as after power-up."""
        fresh = Bank.at_reset(self.chip, supply=self.bank.supply, externals=self.bank.externals)
        self.bank.words, self.bank.known, self.bank.states = fresh.words, fresh.known, fresh.states
        self.spent.clear()
        self.doubtful.clear()
        self.progress = dict.fromkeys(self.chip.keys, 0)
        self._fire("reset", None, keys=())

    def clear_faults(self) -> None:
        """Every fault bit as when nothing is wrong."""
        for fault in self.chip.faults.values():
            self.set_fault(fault, False)

    # --- faults --------------------------------------------------------------------------------
    def _clear(self, way: str, register: str = "") -> None:
        """Quiet the faults that are cleared this way ("read" or a command), in one register where given."""
        for fault in self._cleared_by.get(way, ()):
            if register in ("", fault.register):
                self.set_fault(fault, False)

    def set_fault(self, fault: Fault, raised: bool) -> None:
        """Make the fault's field say that it is raised, or that nothing is wrong."""
        register, mask, up, quiet = self._fault_bits.get(fault.name, ("", 0, 0, 0))
        if mask and (raised or self.raised(fault) is not False):
            # a field that tells of another fault keeps that one
            self.bank.learn(register, up if raised else quiet, mask)

    def _quiet(self, fault: Fault, *, sure: bool) -> None:
        """Something has cleared this fault, or (not `sure`) may have."""
        if sure:
            self.set_fault(fault, False)
        elif self.raised(fault):
            register, mask, _, _ = self._fault_bits[fault.name]
            self.bank.known[register] &= ~mask

    def raised(self, fault: Fault) -> bool | None:
        """Whether the fault's field says so; None where that is not known."""
        register, mask, up, _ = self._fault_bits.get(fault.name, ("", 0, 0, 0))
        if not mask or self.bank.known.get(register, 0) & mask != mask:
            return None
        return self.bank.words[register] & mask == up

    def raise_by(self, cause: str) -> list[str]:
        """Raise every unmasked fault that this word of `model.RAISED_BY` raises; their names."""
        names = []
        for fault in self.chip.faults.values():
            if cause in fault.raised_by and not self._kept(fault):
                self.set_fault(fault, True)
                names.append(fault.name)
        return names

    def _kept(self, fault: Fault) -> bool:
        """Whether something keeps a fault whose condition is there from being set."""
        if fault.masked_when is not None and evaluate(fault.masked_when, self.bank) is True:
            return True
        faults = self.chip.faults
        names = fault.blocked_by
        if "any" in names:
            names = tuple(n for n, f in faults.items() if n != fault.name and not f.summary_of)
        return any(self.raised(faults[n]) for n in names)

    def settle(self) -> None:
        """Bring status bits up to date with `conditions`, their sums and shown conditions with those."""
        faults = self.chip.faults
        for fault in faults.values():
            if fault.summary_of:
                continue
            if fault.name in self.conditions:
                if not self._kept(fault):
                    self.set_fault(fault, True)
            elif (
                (not fault.latched or "condition" in fault.cleared_by)
                and not fault.normal_at_power_up
                and self.raised(fault)
            ):
                self.set_fault(fault, False)
        self._sum_up()
        self._raise_flags()
        for register in self.chip.registers.values():
            for field in register.fields:
                if field.shows is not None:
                    holds = evaluate(field.shows, self.bank)
                    if holds is not None:
                        self.bank.learn(
                            register.name, deposit(int(holds), field.bits), mask_of(field.bits)
                        )

    def _raise_flags(self) -> None:
        """Flags that are 1 while any of other bits is: 0 only where all of them are known to be 0."""
        words, known = self.bank.words, self.bank.known
        for field, members in self._flags:
            if any(words.get(r, 0) & known.get(r, 0) & mask for r, mask in members):
                self.bank.learn(field.register, field.mask, field.mask)
            elif all(known.get(r, 0) & mask == mask for r, mask in members):
                self.bank.learn(field.register, 0, field.mask)
            elif field.register in known:
                known[field.register] &= ~field.mask

    def _sum_up(self) -> None:
        """Sums after what they sum up, which may be sums themselves."""
        words, known = self.bank.words, self.bank.known
        for fault, members in self._told.sums:
            raised = fault.name in self.conditions or any(
                words.get(register, 0) & known.get(register, 0) & mask == up
                for register, mask, up in members
            )
            self.set_fault(fault, raised)

    # --- keys and states -----------------------------------------------------------------------
    def _keys(self, register: str, word: int) -> list[str]:
        """Move key sequences on by one write; returns those that are complete."""
        done = []
        for name, steps in self._steps.items():
            at = self.progress[name]
            breaks = self.chip.keys[name].broken_by
            if steps[at].hits(register, word):
                at += 1
            elif breaks in ("bad_frames", "frames", "writes") or (
                breaks == "own_writes" and any(s.register == register for s in steps)
            ):
                at = 1 if steps[0].hits(register, word) else 0
            if at == len(steps):
                done.append(name)
                at = 0
            self.progress[name] = at
        return done

    def _interrupt(self, what: Literal["write", "other", "bad"]) -> None:
        """Key sequences that a write that is refused, another sound frame or a bad one starts over."""
        breaking = {"write": ("bad_frames", "frames", "writes"), "other": ("bad_frames", "frames"),
                    "bad": ("bad_frames",)}[what]  # fmt: skip
        for name in self.progress:
            if self.chip.keys[name].broken_by in breaking:
                self.progress[name] = 0

    def _fire(
        self,
        name: str | None,
        write: tuple[str, int] | None,
        keys: Iterable[str],
        *,
        sure: bool = True,
    ) -> list[str]:
        """Enter and leave states by a command's or reset's name, by finished keys, by a write.

        What is not `sure` to have happened leaves the state unknown.
        """
        happened = set(keys)
        if name is not None:
            happened.add(name)
        changed = []
        for table, value in ((self._leave, False), (self._enter, True)):
            for state, event in table:
                hit = (
                    event in happened
                    if isinstance(event, str)
                    else write is not None and event.hits(*write)
                )
                if hit and self.bank.states.get(state) is not value:
                    if not sure:
                        self.bank.states.pop(state, None)
                        continue
                    self.bank.states[state] = value
                    changed.append(f"{'entered' if value else 'left'} {state}")
        return changed


def joined_registers(item: Joined) -> tuple[str, ...]:
    """The registers that a joined value touches, in order."""
    return tuple(dict.fromkeys(register for register, _ in item.fields))
