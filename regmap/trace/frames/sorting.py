"""What can be told of every different pair of words without knowing the chip's state, in bulk.

A `Sorter` says of each pair, as arrays, whether it fits, what it asks, and which pairs are the same but
for guards, counters and measured values, so that the walker looks at each of those only once.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection
from itertools import count
from typing import Any

import numpy as np
import numpy.typing as npt

from regmap.capture.spi import Words
from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Access, Chip, Frame, Layout, Register
from regmap.expr import Expr
from regmap.frames.bulk import COMMAND, READ, WRITE, BulkCodec, extract, flawless
from regmap.frames.codec import GUARDS

from .decoded import Decoded, Judge
from .pairs import CHANGED, CUT, GIVEN, HEADER, MISCOUNTED, PairTable, mixed

Mask = npt.NDArray[np.bool_]


#: The arrays of a Sorter; truth values are 0 and 1.
_DTYPES = {
    "kind": np.int16, "register": np.int16, "believed": np.int8, "silent": np.int8, "inert": np.int8,
    "canon": np.int32, "counter": np.int32, "step": np.int32, "modulus": np.int32,
}  # fmt: skip


class Sorter:
    """What can be told of every pair of a table.

    kind      0 rejected, 1 read, 2 write, 3 and more a command of the map
    register  place in `names`, -1 for none
    believed  the reply fits (guards, fixed bits, echoes)
    silent    every bit of a reply that does not fit is the same, or floats
    inert     neither the command nor the reply can be believed: nothing follows from it
    canon     the same for pairs that differ only in guards, counters and measured values
    counter, step, modulus  the command's counter (-1: it has none)
    """

    def __init__(self, chip: Chip, judge: Judge, table: PairTable) -> None:
        self.chip = chip
        self.judge = judge
        self.table = table
        self.bulk = BulkCodec(chip)
        self.names = self.bulk.names
        self.commands = tuple(chip.commands)
        self.measured = frozenset(r.name for r in measured(chip))
        self._arrays: dict[str, npt.NDArray[Any]] = {
            name: np.empty(256, kind) for name, kind in _DTYPES.items()
        }
        self._count = 0
        #: the next number for every row that was not met before
        self._canons: defaultdict[int, int] = defaultdict(count().__next__)

    def __getattr__(self, name: str) -> npt.NDArray[Any]:
        if name not in _DTYPES:
            raise AttributeError(name)
        return self._arrays[name][: self._count]

    def update(self, bank: Bank) -> None:
        """Tell of the pairs that were added since; `bank` is what is believed now."""
        done, need = self._count, len(self.table)
        if done == need:
            return
        rows = self._in_bulk(done) if self.judge.plain else self._one_by_one(done, bank)
        if need > len(self._arrays["kind"]):
            room = max(need, 2 * len(self._arrays["kind"]))
            for name, values in self._arrays.items():
                self._arrays[name] = np.empty(room, values.dtype)
                self._arrays[name][:done] = values[:done]
        for name, values in rows.items():
            self._arrays[name][done:need] = values
        self._count = need

    def shows(self, idents: npt.NDArray[np.int32], registers: Collection[str]) -> Mask:
        """Which of these pairs ask for the content of one of the registers: reads, and commands that return it."""
        places = [i for i, n in enumerate(self.names) if n in registers]
        returning = [
            COMMAND + i for i, c in enumerate(self.chip.commands.values()) if c.returns in registers
        ]
        kind = self.kind[idents]
        found: Mask = (kind == READ) & np.isin(self.register[idents], places)
        return found | np.isin(kind, returning)

    def title(self, kind: int, register: int) -> str:
        """What frames of this kind ask: "read STATUS1"."""
        if kind == 0:
            return "rejected"
        if kind >= COMMAND:
            return self.commands[kind - COMMAND]
        name = f" {self.names[register]}" if register >= 0 else ""
        return f"{'read' if kind == READ else 'write'}{name}"

    # --- one frame layout -----------------------------------------------------------------------
    def _in_bulk(self, first: int) -> dict[str, npt.NDArray[np.generic]]:
        frame = next(iter(self.chip.frames.values()))
        table = self.table
        word, unknown = table.column(0, first), table.column(1, first)
        bits, flags = table.column(2, first), table.column(3, first)
        reply, hidden, have = (table.column(c, first) for c in (4, 5, 6))
        wrong, given = np.uint64(CUT | HEADER | MISCOUNTED), flags >= np.uint64(GIVEN)
        fits = (bits == np.uint64(frame.length)) & (flags & wrong == 0) & (unknown == 0)
        seen = self.bulk.read(frame, word)
        fits &= seen.flaws == 0
        kind = np.where(fits, seen.kind, 0).astype(np.int64)
        register = np.where(fits, seen.register, -1).astype(np.int64)
        there = (have > 0) & (hidden >> np.uint64(63) == 0)
        believed = np.zeros(len(word), np.bool_)
        possible = np.zeros(len(word), np.bool_)
        canon_reply = reply.copy()
        free = np.isin(register, [self.names.index(n) for n in self.measured]) & (kind == READ)
        for name, numbers in self._reply_groups(frame, kind, word):
            layout = frame.replies.get(name)
            if layout is None:
                continue
            good = there & (have == np.uint64(layout.length)) & flawless(layout, reply)
            good &= hidden & np.uint64(_meaning(layout)) == 0
            possible |= good
            mine = good & numbers & self._echoes(frame.command, layout, word, reply)
            believed |= mine
            canon_reply = np.where(mine, reply & np.uint64(_telling(layout)), canon_reply)
            part = layout.of_kind("data")
            if part is not None:
                canon_reply = np.where(
                    mine & free, canon_reply & ~np.uint64(mask_of(part.bits)), canon_reply
                )
        wide = self._too_wide(frame, kind, register, word, reply)
        believed &= ~wide
        ones = np.uint64((1 << frame.length) - 1)
        silent = there & ~possible & ((reply == 0) | (reply == ones)) | (
            there & (hidden & ones != 0)
        )
        believed &= flags & np.uint64(CHANGED) == 0
        inert = (kind == 0) & ~possible
        plain = fits & (believed | ~there) & ~given
        own = np.arange(first, first + len(word)).astype(np.uint64)
        rows = mixed([
            np.where(inert, np.uint64(1), np.where(plain, np.uint64(2), np.uint64(3))),
            np.where(inert, np.uint64(0), np.where(plain, word & np.uint64(_telling(frame.command)), own)),
            np.where(inert | ~plain, np.uint64(0), canon_reply), np.where(inert | ~plain, np.uint64(0), have),
        ])  # fmt: skip
        counter = frame.command.of_kind("counter")
        values = (
            extract(word, counter.bits).astype(np.int64)
            if counter is not None
            else np.full(len(word), -1)
        )
        return {
            "kind": kind, "register": register, "believed": believed, "silent": silent, "inert": inert,
            "canon": self._numbered(rows), "counter": np.where(fits, values, -1),
            "step": np.full(len(word), counter.step if counter else 0),
            "modulus": np.full(len(word), 1 << counter.width if counter else 1),
        }  # fmt: skip

    def _reply_groups(
        self, frame: Frame, kind: npt.NDArray[np.int64], word: Words
    ) -> list[tuple[str, Mask]]:
        """Which frames each reply layout answers."""
        names = {
            READ: "read",
            WRITE: "write",
            **{COMMAND + i: n for i, n in enumerate(self.commands)},
        }
        groups: dict[str, Mask] = {n: np.zeros(len(kind), np.bool_) for n in frame.replies}
        operation = frame.command.of_kind("operation")
        codes = operation.codes if operation is not None else {}
        number_of = extract(word, operation.bits) if operation is not None else word
        for number, name in names.items():
            left = kind == number
            # as `Recogniser.reply_layouts`: a command by its name, else by its operation code
            own = [name] if number >= COMMAND else []
            for target in (*own, *codes, name, "any"):
                mine = left & (number_of == codes[target]) if target in codes else left
                if target in groups:
                    groups[target] |= mine
                    left = left & ~mine
        return list(groups.items())

    @staticmethod
    def _echoes(command: Layout, layout: Layout, word: Words, reply: Words) -> Mask:
        same = np.ones(len(word), np.bool_)
        for part in layout.parts:
            source = command.named(part.of) if part.kind == "echo" else None
            if source is not None:
                same &= extract(reply, part.bits) == extract(word, source.bits)
        return same

    def _widths(self, register: npt.NDArray[np.int64]) -> Words:
        widths = np.array([self.chip.registers[n].width for n in self.names] + [64], np.uint64)
        return widths[register]

    def _too_wide(
        self, frame: Frame, kind: npt.NDArray[np.int64], register: npt.NDArray[np.int64], word: Words, reply: Words
    ) -> Mask:  # fmt: skip
        del word
        layout = frame.reply_to("read")
        part = layout.of_kind("data") if layout is not None else None
        if part is None:
            return np.zeros(len(kind), np.bool_)
        wide: Mask = (
            (kind == READ)
            & (register >= 0)
            & (extract(reply, part.bits) >> np.minimum(self._widths(register), 63) != 0)
        )
        return wide

    def _numbered(self, rows: Words) -> npt.NDArray[np.int64]:
        return np.fromiter(map(self._canons.__getitem__, rows.tolist()), np.int64, len(rows))

    # --- layouts that depend on state -------------------------------------------------------------
    def _one_by_one(self, first: int, bank: Bank) -> dict[str, npt.NDArray[np.generic]]:
        columns: dict[str, list[int]] = {n: [] for n in self._arrays}
        for ident in range(first, len(self.table)):
            pair = self.table[ident]
            decoded = self.judge.decode(pair, bank)
            kind, register = self._kind(decoded)
            hidden = pair.reply(decoded.sent.frame.after if decoded.sent else 0)[1]
            text = decoded.reply_trouble
            columns["kind"].append(kind)
            columns["register"].append(register)
            columns["believed"].append(decoded.believed is not None)
            columns["silent"].append(bool(text) and ("every bit" in text or bool(hidden)))
            columns["inert"].append(0)
            columns["canon"].append(self._canons[-ident - 1])
            part = (
                decoded.sent.frame.command.of_kind("counter")
                if decoded.sent is not None and decoded.taken
                else None
            )
            columns["counter"].append(
                decoded.sent.parts[part.name]
                if part is not None and decoded.sent is not None
                else -1
            )
            columns["step"].append(part.step if part else 0)
            columns["modulus"].append(1 << part.width if part else 1)
        return {n: np.array(v, np.int64) for n, v in columns.items()}

    def _kind(self, decoded: Decoded) -> tuple[int, int]:
        sent = decoded.sent
        if sent is None or not decoded.taken:
            return 0, -1
        if sent.command is not None:
            return COMMAND + self.commands.index(sent.command.name), -1
        register = self.names.index(sent.register.name) if sent.register is not None else -1
        return {"read": READ, "write": WRITE}.get(sent.kind, 0), register


def _meaning(layout: Layout) -> int:
    """The bits of a layout that mean something."""
    return _mask(layout, ("ignored",))


def _telling(layout: Layout) -> int:
    """The bits that can differ between frames that say different things."""
    return _mask(layout, ("ignored", "counter", *GUARDS))


def _mask(layout: Layout, without: tuple[str, ...]) -> int:
    mask = 0
    for part in layout.parts:
        if part.kind not in without:
            mask |= mask_of(part.bits)
    return mask


def measured(chip: Chip) -> list[Register]:
    """Registers that hold measured values: read-only, no fault, no state, and nothing depends on them."""
    holding = {f.register for f in chip.faults.values()}
    asked: set[str] = set()
    for expression in _expressions(chip):
        asked |= {n.partition(".")[0] for n in expression.names()}
    for register in chip.registers.values():
        asked |= {register.reads_as, register.complement_of}
    for steps in chip.sequences.values():
        for step in steps:
            if step.do == "expect":
                asked |= {t.partition("=")[0].strip().partition(".")[0] for t in step.targets}
    asked.add(chip.page_select.partition(".")[0])
    return [
        r for r in chip.registers.values()
        if r.fields and not r.in_replies and r.name not in holding and r.name not in asked and r.reads_as == "written"
        and all(f.access is Access.RO and f.shows is None for f in r.fields)
    ]  # fmt: skip


def _expressions(chip: Chip) -> list[Expr]:
    found: list[Expr | None] = [f.when for f in chip.frames.values()]
    found += [s.when for s in chip.states.values()]
    found += [e for f in chip.faults.values() for e in (f.masked_when, f.reported_only_when)]
    for register in chip.registers.values():
        found.append(register.writable)
        for field in register.fields:
            found += [m.when for m in field.meanings]
    for joined in chip.joined.values():
        found += [m.when for m in joined.meanings]
    for external in chip.externals.values():
        found += [m.when for m in external.meanings]
    return [e for e in found if e is not None]
