"""Requests to frames: what to send for what a person asked, and why each word is what it is."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from regmap.record import dataclass, replace
from regmap.record import field as entry

from ..chip.bank import Bank, need
from ..chip.bits import extract
from ..chip.model import Chip, Command, Field, Joined, Register
from ..chip.supply import over_supply
from ..chip.values import Choice, Reading, cases, choose, read, refusal
from ..errors import CallError
from ..expr import Expr
from ..frames.codec import Codec, Sent, next_counters
from ..frames.requests import ReadRegister, Request, SendCommand, SetField, WriteWord, parse_request
from .effects import NOTHING, Effects, effects
from .machine import Machine, after_write, joined_registers

#: where the value of a field comes from that nobody asked for
FROM_RESET = "reset"


@dataclass(frozen=True, slots=True)
class Carried:
    """A setting that travels in a word although nobody asked for it, and where its value comes from."""

    field: Field
    reading: Reading
    origin: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One frame to send, and what it does to the chip.

    `choices` are the settings that made its word, `carried` the other settings in it; `before` is the
    word it builds on. `cases` tells what a choice means where that hangs on something not known.
    """

    sent: Sent
    choices: tuple[tuple[str, Choice], ...] = ()
    before: int | None = None
    requests: tuple[str, ...] = ()
    carried: tuple[Carried, ...] = ()
    cases: Mapping[str, tuple[tuple[Expr | None, Reading], ...]] = entry(default_factory=dict)
    effects: Effects = NOTHING


def read_requests(chip: Chip, texts: Iterable[str]) -> list[tuple[str, Request]]:
    """Every request of `texts`, each text possibly several separated by `;`. Raises CallError."""
    found = []
    for text in texts:
        for piece in text.split(";"):
            if piece.strip():
                found.append(
                    (
                        piece.strip(),
                        parse_request(piece, chip.registers, chip.commands, chip.joined),
                    )
                )
    return found


def plan(
    chip: Chip,
    texts: Iterable[str],
    bank: Bank | None = None,
    given: Mapping[str, int] | None = None,
    origins: Mapping[str, str] | None = None,
    allow: Collection[str] = (),
) -> list[Planned]:
    """The frames for these requests (a key's name is its steps), in order; settings of one register in
    a row share one write (a field that is set again starts another).

    Fields that are not asked for keep what `bank` knows, the reset value where it knows nothing;
    `bank` is left as it was. Where a field selects the page, the frame that does is put before
    (its `requests` are empty); the complement of a written register is written after it. Counters
    count on from frame to frame. `origins` tells of registers (by name) and fields (REG.FIELD) where
    what `bank` knows of them comes from, reset where it tells nothing.
    `allow` names fields that may be set to codes that the map forbids.
    Raises CallError for what the chip cannot do, or the map forbids.
    """
    planner = _Plan(chip, bank, given, origins or {}, allow)
    for piece in (p.strip() for text in texts for p in text.split(";")):
        steps = chip.keys[piece].steps if piece in chip.keys else ()
        for text, request in read_requests(chip, steps or [piece]):
            planner.request(text, request)
            if steps:
                planner.flush()  # each step of a key is a frame of its own
    planner.flush()
    return planner.frames


class _Plan:
    """Frames so far; `now` is what the words become, `machine` what the chip knows when a frame comes.

    Both are needed: the write that switches a checksum on still travels without it.
    """

    def __init__(
        self,
        chip: Chip,
        bank: Bank | None,
        given: Mapping[str, int] | None,
        origins: Mapping[str, str],
        allow: Collection[str],
    ) -> None:
        self.chip = chip
        self.codec = Codec(chip)
        self.now = bank.copy() if bank is not None else Bank.at_reset(chip)
        self.machine = Machine(chip, self.now.copy())
        self.given = dict(given or {})
        self.origins = dict(origins)
        self.allow = allow
        self.counters: dict[str, int] = {}
        self.frames: list[Planned] = []
        self.pending: dict[str, list[tuple[str, Choice, str]]] = {}
        self.asked: dict[str, set[str]] = {}
        self.bases: dict[str, int] = {}

    def request(self, text: str, request: Request) -> None:
        if isinstance(request, SetField):
            self.set_field(text, request)
            return
        self.flush()
        if isinstance(request, WriteWord):
            register = self.chip.registers[request.register]
            _complete(self.now, register.name)
            for field in register.fields:
                reading = read(field, extract(request.word, field.bits), self.now)
                if reading.forbidden and field.writable and field.ref not in self.allow:
                    raise CallError(refusal(field, reading))
            self.write(register, request.word, (), (text,))
        elif isinstance(request, ReadRegister):
            register = self.chip.registers[request.register]
            self.select_page(register)
            sent = self.codec.read(register, self.machine.bank, self.parts(register, None))
            self.add(Planned(sent=sent, requests=(text,)))
        elif isinstance(request, SendCommand):
            command = self.chip.commands[request.command]
            sent = self.codec.command(
                command, request.data, self.machine.bank, self.parts(None, command)
            )
            self.add(Planned(sent=sent, requests=(text,)))

    def set_field(self, text: str, request: SetField) -> None:
        item = need(self.chip, request.name)
        choice = choose(item, request.value, self.now, allowed=request.name in self.allow)
        touched = _registers_of(item)
        fields = _fields_of(self.chip, item)
        for field in fields:
            if not field.writable:
                raise CallError(f"{field.ref} cannot be written ({field.access})")
        again = any(field.name in self.asked.get(field.register, ()) for field in fields)
        if self.pending and (again or any(name not in self.pending for name in touched)):
            self.flush()  # a field set twice is two writes: a key sequence is nothing else
        for name in touched:
            _complete(self.now, name)
            self.bases.setdefault(name, self.now.words[name])
            self.pending.setdefault(name, []).append((request.name, choice, text))
        for field in fields:
            self.asked.setdefault(field.register, set()).add(field.name)
        self.now.put(item, choice.code)

    def flush(self) -> None:
        """Send the writes that settings have gathered."""
        pending, self.pending = self.pending, {}
        for name, made in pending.items():
            self.write(
                self.chip.registers[name],
                word_to_write(self.chip, name, self.now, self.asked.pop(name, ())),
                tuple((n, c) for n, c, _ in made),
                tuple(dict.fromkeys(t for _, _, t in made)),
                self.bases.pop(name),
            )

    def write(
        self,
        register: Register,
        word: int,
        choices: tuple[tuple[str, Choice], ...],
        requests: tuple[str, ...],
        before: int | None = None,
    ) -> None:
        if before is None:
            before = self.now.words[register.name]
        self.select_page(register)
        sent = self.codec.write(register, word, self.machine.bank, self.parts(register, None))
        self.add(
            Planned(
                sent=sent,
                choices=choices,
                before=before,
                requests=requests,
                carried=self.carried(register, word, choices),
                cases=self.cases(choices),
            )
        )
        for field in register.fields:
            if not choices or field.ref in self.asked_for(choices):
                self.origins[field.ref] = "asked before"
        self.now.learn(register.name, after_write(register, before, word))
        for other in self.chip.registers.values():
            if other.complement_of == register.name and other.name not in self.pending:
                inverse = ~word & other.mask
                self.select_page(other)
                sent = self.codec.write(other, inverse, self.machine.bank, self.parts(other, None))
                old = self.now.words.get(other.name, other.reset)
                self.add(Planned(sent=sent, before=old, requests=requests))
                self.now.learn(other.name, inverse)

    def select_page(self, register: Register) -> None:
        """Write the page field first, where one selects the page and it is not known to be right."""
        select = self.chip.page_select
        if not select or register.page is None or self.machine.bank.code(select) == register.page:
            return
        field = self.chip.field(select)
        assert field is not None  # the loader has seen to it
        pager = self.chip.registers[field.register]
        if register is pager:
            return
        _complete(self.now, pager.name)
        before = self.now.words[pager.name]
        self.now.put(field, register.page)
        word = word_to_write(self.chip, pager.name, self.now, (field.name,))
        sent = self.codec.write(pager, word, self.machine.bank, self.parts(pager, None))
        self.add(Planned(sent=sent, before=before))

    def parts(self, register: Register | None, command: Command | None) -> dict[str, int]:
        """The parts given, and the counters that the frame to come has."""
        frame = self.codec.frame_in_force(self.machine.bank, register, command)
        counting = {n: v for n, v in self.counters.items() if frame.command.named(n) is not None}
        return {**self.given, **counting}

    def asked_for(self, choices: Iterable[tuple[str, Choice]]) -> set[str]:
        """The fields (REG.FIELD) that these choices set."""
        return {f.ref for name, _ in choices for f in _fields_of(self.chip, need(self.chip, name))}

    def carried(
        self, register: Register, word: int, choices: tuple[tuple[str, Choice], ...]
    ) -> tuple[Carried, ...]:
        """The settings in a word that nobody asked for; none where the whole word was asked for."""
        if not choices:
            return ()
        asked = self.asked_for(choices)
        env = self.now.copy()
        env.learn(register.name, word)
        return tuple(
            Carried(f, read(f, extract(word, f.bits), env), self.origin(f))
            for f in register.fields
            if f.setting and f.ref not in asked
        )

    def cases(
        self, choices: tuple[tuple[str, Choice], ...]
    ) -> dict[str, tuple[tuple[Expr | None, Reading], ...]]:
        """The meanings of choices that hang on something not known, as the supply."""
        found = {}
        for name, choice in choices:
            item, env = need(self.chip, name), self.now
            if len({r.label for r in over_supply(item, name, env)}) > 1:
                env = env.copy()
                env.supply = None  # it is within a range that asks for several cases
            rows = cases(item, choice.code, env)
            if len({r.label for _, r in rows}) > 1:
                found[name] = tuple(rows)
        return found

    def origin(self, field: Field) -> str:
        """Where the value of a field comes from that nobody asked for."""
        return self.origins.get(field.ref) or self.origins.get(field.register) or FROM_RESET

    def add(self, planned: Planned) -> None:
        self.counters.update(next_counters(planned.sent.frame.command, planned.sent.parts))
        self.frames.append(replace(planned, effects=effects(self.machine, planned.sent)))


def word_to_write(chip: Chip, name: str, bank: Bank, asked: Iterable[str] = ()) -> int:
    """The register's known word as it must be written: reserved bits as the map says, and bits
    that would clear or start something at rest unless their field is `asked` for.

    A register that is the complement of another one is derived from it.
    """
    register = chip.registers[name]
    if register.complement_of:
        other = chip.registers[register.complement_of]
        if not other.complement_of:  # of what is written there, reserved bits and all
            return ~word_to_write(chip, other.name, bank) & register.mask
        return ~bank.words.get(other.name, other.reset) & register.mask
    word = bank.words.get(name, register.reset)
    wanted = set(asked)
    for field in register.fields:
        if field.name not in wanted and field.access.at_rest is not None:
            word = word | field.mask if field.access.at_rest else word & ~field.mask
    return word & ~register.stated | register.reserved_write & register.stated


def _complete(bank: Bank, name: str) -> None:
    """Bits nobody knows are taken at reset: a write needs all of them."""
    register = bank.chip.registers[name]
    unknown = register.mask & ~bank.known.get(name, 0)
    if unknown:
        bank.learn(name, register.reset, unknown)


def _registers_of(item: object) -> tuple[str, ...]:
    if isinstance(item, Field):
        return (item.register,)
    if isinstance(item, Joined):
        return joined_registers(item)
    raise CallError(
        f"{getattr(item, 'name', item)} is set outside the frame, by a pin or a resistor; state it in the stage"
    )


def fields_of(chip: Chip, name: str) -> list[Field]:
    """The fields that hold the value called `name`; none for one set outside the frame."""
    item = need(chip, name)
    return _fields_of(chip, item) if isinstance(item, (Field, Joined)) else []


def _fields_of(chip: Chip, item: object) -> list[Field]:
    if isinstance(item, Field):
        return [item]
    assert isinstance(item, Joined)
    return [f for r, n in item.fields if (f := chip.registers[r].field(n)) is not None]
