"""What is known of a chip's registers at one moment, and the answers expressions ask of it."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from ..document.schema import read_int, read_word
from ..errors import CallError, closest
from ..expr import evaluate
from ..quantity import DIMENSIONS, Dim
from . import values
from .bits import deposit, extract, mask_of
from .model import Chip, Field, Joined, Meaning, Register
from .values import Reading, Valued


class Bank:
    """Register words by name, with the bits of each that are known; also externals and latched states.

    Serves as `expr.Env`: what is not known is None. `supply` is the supply voltage in volts.
    """

    def __init__(
        self,
        chip: Chip,
        words: Mapping[str, int] | None = None,
        *,
        externals: Mapping[str, int] | None = None,
        supply: Fraction | None = None,
        states: Mapping[str, bool] | None = None,
    ) -> None:
        self.chip = chip
        self.words: dict[str, int] = dict(words or {})
        self.known: dict[str, int] = {name: chip.registers[name].mask for name in self.words}
        self.externals: dict[str, int] = {
            e.name: e.default for e in chip.externals.values() if e.default is not None
        }
        self.externals.update(externals or {})
        self.supply = supply
        #: lowest and highest supply of a stage, where it is no single value
        self.supply_range: tuple[Fraction, Fraction] | None = None
        self.states: dict[str, bool] = dict(states or {})
        self._asking: set[str] = set()

    @classmethod
    def at_reset(
        cls,
        chip: Chip,
        *,
        supply: Fraction | None = None,
        externals: Mapping[str, int] | None = None,
    ) -> Bank:
        """Every register at its reset word, every state as it is after power-up."""
        bank = cls(
            chip,
            {r.name: r.reset for r in chip.registers.values()},
            supply=supply,
            externals=externals,
        )
        bank.states = {s.name: s.initially for s in chip.states.values() if s.when is None}
        return bank

    def copy(self) -> Bank:
        """An independent bank that knows the same."""
        # made twice for every frame of a capture: without the work of __init__
        twin = Bank.__new__(type(self))
        twin.chip, twin.supply, twin.supply_range = self.chip, self.supply, self.supply_range
        twin.words, twin.known = self.words.copy(), self.known.copy()
        twin.externals, twin.states = self.externals.copy(), self.states.copy()
        twin._asking = set()
        return twin

    def learn(self, register: str, word: int, mask: int | None = None) -> None:
        """Take over the bits of `mask` (all where not given) of a word."""
        full = self.chip.registers[register].mask
        mask = full if mask is None else mask & full
        old = self.words.get(register, 0)
        self.words[register] = old & ~mask | word & mask
        self.known[register] = self.known.get(register, 0) | mask

    def learn_read(self, register: str, data: int) -> None:
        """Take over what a read of `register` returned: only bits that a read really shows.

        Write-only and self-clearing fields and bits outside the read mask stay as they were; a
        register that reads back inverted, as zero or as another one is undone accordingly.
        """
        item = self.chip.registers[register]
        other = self.chip.registers.get(item.reads_as)
        if other is not None:
            self.learn(other.name, data, item.mask & item.read_mask)
        else:
            self.learn(register, item.held(data), item.shows)

    def forget(self, register: str) -> None:
        """This register's word is no longer known."""
        self.words.pop(register, None)
        self.known.pop(register, None)

    def word(self, register: str) -> int | None:
        """The whole word, or None where a bit of it is unknown."""
        mask = self.chip.registers[register].mask
        if self.known.get(register, 0) & mask != mask:
            return None
        return self.words[register]

    def field_code(self, item: Field) -> int | None:
        need = mask_of(item.bits)
        if self.known.get(item.register, 0) & need != need:
            return None
        return extract(self.words[item.register], item.bits)

    # --- expr.Env -------------------------------------------------------------------------
    def code(self, name: str) -> int | None:
        found = find(self.chip, name)
        if isinstance(found, Field):
            return self.field_code(found)
        if isinstance(found, Joined):
            return self.joined_code(found)
        return self.externals.get(name)

    def joined_code(self, item: Joined) -> int | None:
        """The code held by the fields of a joined value, first field most significant."""
        code = 0
        for register, name in item.fields:
            part = self.chip.registers[register].field(name)
            assert part is not None
            piece = self.field_code(part)
            if piece is None:
                return None
            code = code << part.width | piece
        return code

    def physical(self, name: str) -> Fraction | None:
        if name == "supply":
            return self.supply
        found = find(self.chip, name)
        code = self.code(name)
        if found is None or code is None or name in self._asking:
            return None
        # a meaning may ask for another field; asking for itself must end
        self._asking.add(name)
        try:
            band = values.read(found, code, self).band
        finally:
            self._asking.discard(name)
        return band.typ if band is not None else None

    def state(self, name: str) -> bool | None:
        state = self.chip.states.get(name)
        if state is None or name in self._asking:
            return None
        if state.when is not None:
            self._asking.add(name)
            try:
                return evaluate(state.when, self)
            finally:
                self._asking.discard(name)
        return self.states.get(name)

    def option(self, name: str, option: str) -> int | None:
        found = find(self.chip, name)
        if found is None:
            return None
        codes = [_option_code(meaning, option) for meaning in found.meanings]
        if len(set(codes)) > 1 and name not in self._asking:
            # the same name can be another code under another condition, or no option there
            self._asking.add(name)
            try:
                meaning = values.meaning_of(found, self)
            finally:
                self._asking.discard(name)
            if meaning is not None:
                code = _option_code(meaning, option)
                return -1 if code is None else code
        return next((code for code in codes if code is not None), None)

    def is_state(self, name: str) -> bool:
        return name in self.chip.states

    def dimension(self, name: str) -> Dim | None:
        if name == "supply":
            return DIMENSIONS["voltage"][0]
        found = find(self.chip, name)
        dims = [m.dim for m in found.meanings if m.dim is not None] if found is not None else []
        return dims[0] if dims else None

    def option_names(self, name: str) -> tuple[str, ...]:
        found = find(self.chip, name)
        if found is None:
            return ()
        return tuple(
            dict.fromkeys(e.name for m in found.meanings for e in m.entries.values() if e.name)
        )

    # --- reading and setting by name --------------------------------------------------------
    def reading(self, name: str) -> Reading | None:
        """What the value called `name` means now, or None where it is not known."""
        code = self.code(name)
        found = find(self.chip, name)
        return None if code is None or found is None else values.read(found, code, self)

    def put(self, item: Valued, code: int) -> None:
        """Set the bits of a field, joined or external value."""
        if isinstance(item, Field):
            self.learn(item.register, deposit(code, item.bits), mask_of(item.bits))
        elif isinstance(item, Joined):
            for register, name in reversed(item.fields):
                part = self.chip.registers[register].field(name)
                assert part is not None
                self.put(part, code & ((1 << part.width) - 1))
                code >>= part.width
        else:
            self.externals[item.name] = code


def _option_code(meaning: Meaning, option: str) -> int | None:
    return next((e.code for e in meaning.entries.values() if e.name == option), None)


def find(chip: Chip, name: str) -> Field | Joined | Valued | None:
    """The field `REG.FIELD`, or the joined or external value of that name."""
    if "." in name:
        return chip.field(name)
    return chip.joined.get(name) or chip.externals.get(name)


def registers_of(chip: Chip, name: str) -> tuple[str, ...]:
    """The registers that hold a value: one for a field, several for a joined one, none for a pin."""
    if name in chip.joined:
        return tuple(dict.fromkeys(r for r, _ in chip.joined[name].fields))
    register = name.partition(".")[0]
    return (register,) if register in chip.registers else ()


def full_name(chip: Chip, text: str) -> str:
    """The full name that a person means: itself, a field's own name where one register has it, a register's address.

    Case counts only where it tells two names apart. A text that means nothing comes back as it is, for whoever refuses
    it; CallError where a field's own name stands in several registers.
    """
    fields = [f for r in chip.registers.values() for f in r.fields]
    names = [*chip.registers, *(f.ref for f in fields), *chip.joined, *chip.externals]
    others = {*chip.commands, *chip.keys, *chip.frames, *chip.faults, *chip.sequences}
    if text in names or text in others:
        return text
    own = [f.ref for f in fields if f.name == text]
    if len(own) > 1:
        raise CallError(f"{text} stands in several registers", "one of " + ", ".join(own))
    folded = text.casefold()
    found = own or [n for n in names if n.casefold() == folded]
    found = found or [f.ref for f in fields if f.name.casefold() == folded]
    address = read_int(text)
    if not found and address is not None:
        found = [
            r.name for r in chip.registers.values() if r.address == address and chip.addressed(r)
        ]
    return found[0] if len(found) == 1 else text


def written_out(chip: Chip, request: str) -> str:
    """A request with the full name in it: `DEAD_TIME=2 us`, `read:0x07`."""
    head, colon, rest = request.partition(":")
    if colon and head.strip().casefold() == "read":
        return f"{head}:{full_name(chip, rest.strip())}"
    name, equals, value = request.partition("=")
    if not equals:
        return request
    return f"{full_name(chip, name.strip())}={value}"


def need(chip: Chip, name: str) -> Field | Joined | Valued:
    """As `find`; raises CallError with the nearest name."""
    found = find(chip, name)
    if found is None:
        raise unknown(chip, name)
    return found


def need_register(chip: Chip, name: str) -> Register:
    """The register of that name or address; raises CallError with the nearest."""
    meant = full_name(chip, name)
    if find(chip, meant) is not None:
        near = next(iter(registers_of(chip, meant)), "")
        raise CallError(f"{meant} is no register", "a register of the map", nearest=near, part=name)
    if meant not in chip.registers:
        raise unknown(chip, name)
    return chip.registers[meant]


def register_word(chip: Chip, text: str) -> tuple[str, int]:
    """`REG=WORD` as people write it, the register by name or address. Raises CallError."""
    name, equals, number = (part.strip() for part in text.partition("="))
    word = read_word(number)
    if not equals or word is None or word < 0:
        raise CallError(
            f"{text[:40]!r} is not REG=WORD", f"as in {next(iter(chip.registers))}=0x1A5"
        )
    register = need_register(chip, name)
    if word >> register.width:
        raise CallError(
            f"{name}=0x{word:X} does not fit the {register.width} bits of {register.name}"
        )
    return register.name, word


def unknown(chip: Chip, name: str) -> CallError:
    """The error for a name that is nothing in this map, with the nearest that is."""
    if name in chip.registers:
        fields = [f.ref for f in chip.registers[name].fields]
        listed = ", ".join(fields[:8]) + (", ..." if len(fields) > 8 else "")
        tail = f", one of its fields: {listed}" if fields else ""
        return CallError(f"{name} is a register of {chip.name}", f"a field or value{tail}")
    everything = [f.ref for r in chip.registers.values() for f in r.fields]
    everything += [*chip.registers, *chip.joined, *chip.externals, *chip.commands]
    register, _, field_name = name.partition(".")
    near = closest(name, everything)
    if field_name and register in chip.registers:
        inside = closest(field_name, [f.name for f in chip.registers[register].fields])
        near = f"{register}.{inside}" if inside else near
    kind = "field" if field_name else "register, value or command"
    return CallError(f"{chip.name} has no {kind} {name[:60]!r}", nearest=near, part=name[:60])
