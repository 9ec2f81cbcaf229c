"""Finding things by typing part of a name, a meaning, a fault or a unit. Pure; no terminal."""

from __future__ import annotations

import re

from regmap.record import dataclass

from ..chip import values
from ..chip.bank import Bank
from ..chip.model import Chip, Field
from ..chip.values import Valued
from ..errors import CallError
from ..quantity import NONE, Dim, dimension_name, unit_of
from .statements import label_of, ref


@dataclass(frozen=True, slots=True)
class Hit:
    """Something found: `kind` is register, setting, status, fault or command; `target` is where to go for it."""

    kind: str
    name: str
    text: str
    target: str
    rank: int = 0


@dataclass(slots=True)
class _Entry:
    hit: Hit
    name: str
    words: str
    values: str = ""
    dims: frozenset[Dim] = frozenset()


class Index:
    """Everything of a chip that can be looked for; made once."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        bank = Bank.at_reset(chip)
        self.entries: list[_Entry] = []
        for register in chip.registers.values():
            hit = Hit("register", register.name, register.summary, register.name)
            self.entries.append(_Entry(hit, _flat(register.name), register.summary.casefold()))
            for part in register.fields:
                self.entries.append(_entry(part, "setting" if part.setting else "status", bank))
        outside: list[Valued] = [*chip.joined.values(), *chip.externals.values()]
        for item in outside:
            self.entries.append(_entry(item, "setting", bank))
        for fault in chip.faults.values():
            words = " ".join((fault.title, fault.meaning, *fault.causes, *fault.check_first))
            hit = Hit("fault", fault.name, fault.title, fault.ref)
            self.entries.append(_Entry(hit, _flat(fault.name), words.casefold()))
            for role in fault.uses:
                for item in chip.with_role(role):
                    hit = Hit(
                        "setting", ref(item), f"decides {fault.name}: {fault.title}", ref(item)
                    )
                    self.entries.append(_Entry(hit, "", f"{fault.name} {fault.title}".casefold()))

    def find(self, text: str, limit: int = 200) -> list[Hit]:
        """What matches every word of `text`, best first: names before meanings before values."""
        pieces = [p for p in re.split(r"[\s,]+", text.strip()) if p]
        if not pieces:
            return []
        dims = [_dimension(p) for p in pieces]
        found: dict[tuple[str, str], tuple[int, int, Hit]] = {}
        for number, entry in enumerate(self.entries):
            ranks = [_rank(entry, p, d) for p, d in zip(pieces, dims, strict=True)]
            if min(ranks) < 0:
                continue
            key = (entry.hit.kind, entry.hit.name)
            row = (sum(_WORST - r for r in ranks), number, entry.hit)
            if key not in found or row[0] < found[key][0]:
                found[key] = row
        ordered = sorted(found.values(), key=lambda r: r[:2])
        return [Hit(h.kind, h.name, h.text, h.target, rank) for rank, _, h in ordered[:limit]]


_WORST = 9


def _flat(text: str) -> str:
    return text.casefold().replace("_", "").replace(" ", "").replace("-", "")


def _entry(item: Valued, kind: str, bank: Bank) -> _Entry:
    readings = list(values.options(item, bank, 64))
    labels = "|".join(f"{label_of(r)}|{r.name}|{r.text}" for r in readings)
    dims = frozenset(m.dim for m in item.meanings if m.dim is not None and m.dim != NONE)
    summary = str(getattr(item, "summary", ""))
    role = str(getattr(item, "role", ""))
    kinds = " ".join(dimension_name(d) for d in dims)
    name = ref(item)
    hit = Hit(kind, name, summary, name)
    alias = _flat(name) + "|" + _flat(item.name if isinstance(item, Field) else name)
    return _Entry(hit, alias, f"{summary}|{role}|{kinds}".casefold(), _flat(labels), dims)


def _dimension(piece: str) -> Dim | None:
    """The dimension of a word that is a unit, as in `mA` or `us`."""
    if not 1 <= len(piece) <= 4 or not piece[-1].isalpha():
        return None
    try:
        dim = unit_of(piece)[0]
    except CallError:
        return None
    return dim if dim != NONE else None


def _rank(entry: _Entry, piece: str, dim: Dim | None) -> int:
    """How well a word fits an entry, 0..9; -1 where it does not."""
    flat = _flat(piece)
    if not flat:
        return -1
    names = entry.name.split("|") if entry.name else []
    bare = [n.replace(".", "") for n in names]
    if flat in names or flat.replace(".", "") in bare:
        return 9
    if any(n.startswith(flat) for n in names):
        return 8
    if any(flat in n for n in names) or flat.replace(".", "") in "|".join(bare):
        return 7
    if dim is not None:
        # a unit: what is given in it, not every word that happens to hold its letters
        return 8 if dim in entry.dims and len(piece) > 1 else 4 if dim in entry.dims else -1
    if piece.casefold() in entry.words:
        return 6
    return 3 if len(flat) > 1 and flat in entry.values else -1
