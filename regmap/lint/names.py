"""Names of macros in hand-written headers, taken apart by the names of a map."""

from __future__ import annotations

import re
from collections import Counter

from regmap.record import dataclass

from ..chip.model import Chip, Field, Register
from ..quantity import show
from .spelling import by_value, with_points

KINDS: dict[str, tuple[str, ...]] = {
    "mask": ("MASK", "MSK", "BM", "GM"),
    "shift": ("SHIFT", "SHFT", "POS", "POSITION", "LSB", "BP", "OFFSET", "OFS", "GP", "BITPOS"),
    "top": ("MSB",),
    "bit": ("BIT",),
    "width": ("WIDTH", "SIZE", "LEN", "LENGTH", "BITS", "NBITS"),
    "address": ("ADDR", "ADDRESS", "REG", "REGISTER", "ADR", "A"),
    "reset": ("RESET", "DEFAULT", "DEFAULTS", "RST", "POR"),
    "clear": ("CLEAR", "CLR", "ACK"),
    "get": ("GET", "EXTRACT", "IS", "HAS"),
    "set": ("SET", "PREP", "INSERT", "PUT", "F", "FIELD"),
    "page": ("PAGE",),
    "word": ("WORD", "VALUE", "VAL", "CONFIG", "CFG", "CONF", "INIT", "SETUP", "SETTING", "DATA"),
}
MOST_BEFORE = 7  # words of a prefix, and what a definition may have before the register's name
_KIND_OF = {ending: kind for kind, endings in KINDS.items() for ending in endings}


#: of which bits of a register a mask is, by the word before it
_OF_BITS = {
    **dict.fromkeys(("RESERVED", "RSVD", "RSV", "UNUSED"), "reserved"),
    **dict.fromkeys(("KEEP", "KEPT", "PRESERVE", "PRESERVED"), "kept"),
    **dict.fromkeys(("VERIFY", "VERIFIED", "READBACK"), "verified"),
}
#: what may stand between the name of a field and that of its option
_BEFORE_OPTION = ("OPTION", "OPT", "VALUE", "VAL", "CODE", "SEL")


def kind_of(word: str) -> str:
    """What a word says that a number is: `addr` an address; "" where it says nothing."""
    return _KIND_OF.get(flat(word), "")


@dataclass(frozen=True, slots=True)
class Meant:
    """What a definition is about.

    `kind` as in KINDS, or "option", "field", "register", "frame"; "reserved", "kept" and "verified" are masks of such bits,
    "stated" the value of the reserved ones.
    """

    kind: str
    register: Register
    field: Field | None = None
    option: int | None = None
    option_name: str = ""
    #: other codes that mean the same
    options: tuple[int, ...] = ()


#: a number with its unit is no code of the field
_PHYSICAL = re.compile(
    r"(?:FREQ|TIME|PERIOD|LIMIT|CURRENT|VOLTAGE)?(?:[MUNP]?S|[MUN]?A|[MU]?V|[KM]?HZ|(?:MILLI|M|K)?OHM|RATIO|PERMILLE|PPM|PCT|PERCENT|TICKS)(?:MIN|TYP|MAX)?"
)
#: what names of types and structures end with
_OF_TYPES = {"T", "S", "U", "ST", "REG", "REGISTER", "BITS", "BITFIELD", "FIELDS", "TYPE", "B"}


def pieces_of(name: str) -> list[str]:
    """The words of a name, parted by underscores or, without any, by capitals."""
    if "_" in name.strip("_"):
        return [p for p in name.split("_") if p]
    return [p for p in re.split(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", name) if p]


def without_addresses(name: str) -> str:
    """REG_06H_TIMING without the address that stands in it."""
    return re.sub(r"(?<=_)(?:0[xX])?\d[0-9A-Fa-f]{0,3}[hH]_", "", name)


def flat(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]", "", text).upper()


class Names:
    """Names of a map without underscores, and how a macro's name is taken apart."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.registers = {flat(r.name): r for r in chip.registers.values()}
        self.fields: dict[str, tuple[Register, Field]] = {}
        alone: Counter[str] = Counter()
        for register in chip.registers.values():
            for field in register.fields:
                self.fields[flat(register.name) + flat(field.name)] = (register, field)
                alone[flat(field.name)] += 1
        self.alone = {
            flat(f.name): (r, f)
            for r in chip.registers.values()
            for f in r.fields
            if alone[flat(f.name)] == 1 and flat(f.name) not in self.registers
        }
        self.others: list[str] = []
        #: characters of the longest name that an option's can begin with
        self._longest = max(map(len, (*self.fields, *self.alone)), default=0)
        self.all = [*chip.registers, *(f"{r.name}_{f.name}" for r, f in self.fields.values())]

    def bare(self, name: str) -> str:
        """The name without the ending that says what it is."""
        head, _, ending = name.rpartition("_")
        return head if head and ending.upper() in _KIND_OF else name

    def common_prefix(self, names: list[str]) -> str:
        """The flat prefix that leaves the most names with a meaning; "" where none does better."""
        tally: Counter[str] = Counter()
        names = [without_addresses(n) for n in names]
        for name in names:
            pieces = pieces_of(name)
            for cut in range(min(MOST_BEFORE, len(pieces))):
                head = flat("".join(pieces[:cut]))
                meant = self.meaning(name, head)
                # any text behind a field's name can be an option that the map lacks: no evidence
                if meant is not None and (meant.kind != "option" or meant.option is not None):
                    tally[head] += 1
        if not tally:
            return ""
        best = max(tally.values())
        first = min((p for p, n in tally.items() if n == best), key=len)
        #: other ways in which names of this file begin, the most frequent first
        named: Counter[str] = Counter()
        for head in tally:
            if head != first and tally[head] > 2 - (not head):
                own = [n for n in names if flat(n).startswith(head)]
                if not head:  # every name begins so
                    own = [n for n in own if not flat(n).startswith(first)]
                told = [
                    m
                    for n in own
                    if (m := self._meaning(n, head)) and self._told(m, flat(n)[len(head) :])
                ]
                if 2 * len(told) > len(own):
                    named[head] = len(told)
        self.others = [p for p, _ in named.most_common()]
        return first

    def meaning(self, name: str, prefix: str) -> Meant | None:
        """What a name is about; where the prefix says nothing, the file's other ones are tried."""
        found = self._meaning(name, prefix)
        for other in self.others if found is None else ():
            meant = self._meaning(name, other)
            rest = flat(without_addresses(name))[len(other) :]
            if found is None and meant is not None and self._told(meant, rest):
                found = meant
        return found

    def otherwise(self, name: str, prefix: str) -> Meant | None:
        """The other reading of a field that is called as a kind of number is: LAST_ADDRESS, of field LAST.ADDRESS."""
        name = without_addresses(name)
        ending = flat((pieces_of(name) or [""])[-1])
        kind, rest = _KIND_OF.get(ending), flat(name)
        for head in (prefix, *self.others):
            if kind is not None and rest.startswith(head) and self._exact(rest[len(head) :]):
                return self._ended(rest[len(head) : len(rest) - len(ending)], kind)
        return None

    @staticmethod
    def _told(meant: Meant, rest: str) -> bool:
        """Whether the register is named too, and not only a field or any text behind it."""
        return flat(meant.register.name) in rest and (meant.kind, meant.option) != ("option", None)

    def register_of(self, name: str, prefix: str) -> Register | None:
        """The register that a type or structure is named after."""
        words = [w.upper() for w in pieces_of(name)]
        while words and words[-1] in _OF_TYPES:
            words.pop()
        for cut in range(min(MOST_BEFORE, len(words))):
            found = self.registers.get("".join(words[cut:]).removeprefix(prefix))
            if found is not None:
                return found
        return None

    def _meaning(self, name: str, prefix: str) -> Meant | None:
        name = without_addresses(name)
        pointed = with_points(name)
        if pointed != name:
            found = self._plain_meaning(pointed, prefix)
            if found is not None and found.option is not None:
                return found
        return self._plain_meaning(name, prefix)

    def _plain_meaning(self, name: str, prefix: str) -> Meant | None:
        rest = flat(name)
        if not rest.startswith(prefix):
            return None
        rest = rest[len(prefix) :]
        ending = flat((pieces_of(name) or [""])[-1])
        kind = _KIND_OF.get(ending)
        # a field may itself be called MASK or RESET: the longest name of the map wins
        whole = self._exact(rest)
        if whole is not None:
            return whole
        if kind is not None and rest.endswith(ending):
            meant = self._ended(rest[: -len(ending)], kind)
            option = self._option(rest) if kind in ("word", "clear") else None
            if option is not None and option.option is not None:
                return option  # an option may be called SETUP or CLEAR
            if meant is not None:
                return meant
        found = self._of_bits(rest, name) or self._double(rest, name)
        return found or self._option(rest)

    def _of_bits(self, rest: str, name: str) -> Meant | None:
        """A mask of the reserved bits of a register, of those to keep or to verify; what to write to the reserved ones."""
        pieces = [p.upper() for p in pieces_of(name)]
        bits = _OF_BITS.get(pieces[-2]) if len(pieces) > 2 else None
        if bits is not None and bits == "reserved" and pieces[-1] in ("WRITE", "VALUE"):
            bits = "stated"
        elif bits is None or _KIND_OF.get(pieces[-1]) != "mask":
            return None
        found = self._exact(rest.removesuffix(pieces[-2] + pieces[-1]))
        return Meant(bits, found.register) if found is not None and found.field is None else None

    def _double(self, rest: str, name: str) -> Meant | None:
        """Two words of kind behind the name (`_RESET_VALUE`), or one before it (`REG_` NAME)."""
        pieces = [p.upper() for p in pieces_of(name)]
        if len(pieces) > 2 and pieces[-1] in _KIND_OF and pieces[-2] in _KIND_OF:
            ending = pieces[-2] + pieces[-1]
            if rest.endswith(ending):
                found = self._ended(rest[: -len(ending)], _KIND_OF[pieces[-2]])
                if found is not None:
                    return found
        for at, piece in enumerate(pieces[1:-1], 1):
            # a verb within: PREFIX_REG_SET_FIELD
            if len(piece) > 1 and _KIND_OF.get(piece) in ("get", "set"):
                key = "".join(pieces[:at] + pieces[at + 1 :])
                found = self._exact(key[len(flat(name)) - len(rest) :])
                if found is not None and found.field is not None:
                    return Meant(_KIND_OF[piece], found.register, found.field)
        for first, kind in _KIND_OF.items():
            if len(first) > 1 and rest.startswith(first) and first in pieces:
                found = self._ended(rest[len(first) :], kind)
                if found is not None:
                    return found
        return None

    def _exact(self, key: str) -> Meant | None:
        if key in self.fields:
            return Meant("field", *self.fields[key])
        if key in self.registers:
            return Meant("register", self.registers[key])
        if key in self.alone:
            return Meant("field", *self.alone[key])
        return None

    def _ended(self, key: str, kind: str) -> Meant | None:
        found = self._exact(key)
        if found is None:
            return None
        if found.field is not None and kind in ("address",):
            return None
        if kind == "clear" and found.field is None:
            return None
        return Meant(kind, found.register, found.field)

    def _option(self, key: str) -> Meant | None:
        """REG_FIELD_OPTION; the longest field name that fits, an option of the map or any other text."""
        for length in range(min(len(key) - 1, self._longest), 1, -1):
            pair = self.fields.get(key[:length]) or self.alone.get(key[:length])
            if pair is None:
                continue
            tail = key[length:]
            told = self._told_option(pair, tail)
            if told is not None:
                return told
            if key[:length] in self.fields and not _PHYSICAL.fullmatch(tail):
                return Meant("option", *pair, None, tail)
        # of a register that is one field: LOCK_OPEN
        for length in range(min(len(key) - 1, self._longest), 1, -1):
            register = self.registers.get(key[:length])
            if register is not None and len(register.fields) == 1:
                return self._told_option((register, register.fields[0]), key[length:])
        return None

    @staticmethod
    def _told_option(pair: tuple[Register, Field], tail: str) -> Meant | None:
        """The option of a field that what stands behind its name tells, by its name or value."""
        tails = {tail, *(tail.removeprefix(w) for w in _BEFORE_OPTION)}
        # a name begins with no digit: v120mA
        tails |= {t[1:] for t in tails if re.match(r"[A-Z]\d", t)}
        for meaning in pair[1].meanings:
            for entry in meaning.entries.values():
                label = entry.name or (
                    show(entry.band.typ, entry.band.dim) if entry.band is not None else ""
                )
                # where one name would mean several options, each has its code behind it
                if label and f"{flat(label)}CODE{entry.code}" in tails:
                    return Meant("option", *pair, entry.code, f"{label}, code {entry.code}")
                if label and flat(label) in tails:
                    return Meant("option", *pair, entry.code, label)
        told = by_value(tail, pair[1])
        return Meant("option", *pair, told.codes[0], told.label, told.codes[1:]) if told else None
