"""Names of macros in hand-written headers, taken apart by the names of a map."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from ..chip.model import Chip, Field, Register
from ..quantity import show

KINDS: dict[str, tuple[str, ...]] = {
    "mask": ("MASK", "MSK", "BM"),
    "shift": ("SHIFT", "SHFT", "POS", "POSITION", "LSB", "BP", "OFFSET", "OFS"),
    "width": ("WIDTH", "SIZE", "LEN", "LENGTH", "BITS", "NBITS"),
    "address": ("ADDR", "ADDRESS", "REG", "REGISTER", "ADR"),
    "reset": ("RESET", "DEFAULT", "DEFAULTS", "RST", "POR"),
    "word": ("WORD", "VALUE", "VAL", "CONFIG", "CFG", "CONF", "INIT", "SETUP", "SETTING", "DATA"),
}
_KIND_OF = {ending: kind for kind, endings in KINDS.items() for ending in endings}


@dataclass(frozen=True, slots=True)
class Meant:
    """What a definition is about. `kind` as in KINDS, or "option", "field", "register"."""

    kind: str
    register: Register
    field: Field | None = None
    option: int | None = None
    option_name: str = ""


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
        self.all = [*chip.registers, *(f"{r.name}_{f.name}" for r, f in self.fields.values())]

    def bare(self, name: str) -> str:
        """The name without the ending that says what it is."""
        head, _, ending = name.rpartition("_")
        return head if head and ending.upper() in _KIND_OF else name

    def common_prefix(self, names: list[str]) -> str:
        """The flat prefix that leaves the most names with a meaning; "" where none does better."""
        tally: Counter[str] = Counter()
        for name in names:
            pieces = name.split("_")
            for cut in range(min(4, len(pieces))):
                head = flat("".join(pieces[:cut]))
                meant = self.meaning(name, head)
                # any text behind a field's name can be an option that the map lacks: no evidence
                if meant is not None and (meant.kind != "option" or meant.option is not None):
                    tally[head] += 1
        if not tally:
            return ""
        best = max(tally.values())
        return min((p for p, n in tally.items() if n == best), key=len)

    def meaning(self, name: str, prefix: str) -> Meant | None:
        rest = flat(name)
        if not rest.startswith(prefix):
            return None
        rest = rest[len(prefix) :]
        ending = flat(name.rpartition("_")[2])
        kind = _KIND_OF.get(ending)
        # a field may itself be called MASK or RESET: the longest name of the map wins
        whole = self._exact(rest)
        if whole is not None:
            return whole
        if kind is not None and rest.endswith(ending):
            meant = self._ended(rest[: -len(ending)], kind)
            if meant is not None:
                return meant
        return self._option(rest)

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
        return Meant(kind, found.register, found.field)

    def _option(self, key: str) -> Meant | None:
        """REG_FIELD_OPTION; the longest field name that fits, an option of the map or any other text."""
        for length in range(len(key) - 1, 1, -1):
            pair = self.fields.get(key[:length]) or self.alone.get(key[:length])
            if pair is None:
                continue
            tail = key[length:]
            for meaning in pair[1].meanings:
                for entry in meaning.entries.values():
                    label = entry.name or (
                        show(entry.band.typ, entry.band.dim) if entry.band is not None else ""
                    )
                    if label and flat(label) == tail:
                        return Meant("option", *pair, entry.code, label)
            if key[:length] in self.fields:
                return Meant("option", *pair, None, tail)
        return None
