"""All frames of one chip as arrays, and the questions one asks of them."""

from __future__ import annotations

from functools import reduce
from operator import or_

import numpy as np
import numpy.typing as npt

from regmap.behaviour.effects import said, tells_of
from regmap.capture.arrays import distinct
from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Chip

from .batches import Batches
from .decoded import Decoded, Judge
from .pairs import Pair, PairTable
from .sorting import Sorter


class FrameLog:
    """The batches of one chip so far; `sorter` tells what each frame is."""

    def __init__(self, chip: Chip, judge: Judge, table: PairTable) -> None:
        self.chip = chip
        self.judge = judge
        self.table = table
        self.sorter = Sorter(chip, judge, table)
        self.batches = Batches()
        #: pairs that mean something else in each state, as decoded in theirs
        self.variants: dict[int, Decoded] = {}
        self._unknown = Bank(chip)

    @property
    def count(self) -> int:
        """Frames so far."""
        last = self.batches[-1] if self.batches else None
        return last.first + len(last) if last is not None else 0

    def compact(self) -> None:
        """Many small batches as one."""
        self.batches.join()

    def pair(self, ident: int) -> Pair:
        """The words behind an ident."""
        return self.table[ident]

    def decoded(self, ident: int) -> Decoded:
        """The words behind an ident as they were understood when they travelled."""
        found = self.variants.get(ident)
        return found if found is not None else self.judge.decode(self.table[ident], self._unknown)

    def title(self, ident: int) -> str:
        """What frames of this ident ask, for counting: "read STATUS1"."""
        return self.sorter.title(int(self.sorter.kind[ident]), int(self.sorter.register[ident]))

    def titles(self, idents: npt.NDArray[np.int32]) -> dict[str, int]:
        """How many frames ask what, the most frequent first."""
        kinds = self.sorter.kind[idents].astype(np.int64)
        codes = kinds << 16 | (self.sorter.register[idents].astype(np.int64) + 1)
        found_codes, many = np.unique(codes, return_counts=True)
        found = {
            self.sorter.title(int(code) >> 16, (int(code) & 0xFFFF) - 1): count
            for code, count in zip(found_codes.tolist(), many.tolist(), strict=True)
        }
        return dict(sorted(found.items(), key=lambda i: -i[1]))

    def idents(self) -> npt.NDArray[np.int32]:
        """The ident of every frame."""
        if not self.batches:
            return np.empty(0, np.int32)
        return np.concatenate([self.batches.idents(i) for i in range(len(self.batches))])

    def tally(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """(idents that were met, in order; the first frame of each; how many frames each has)."""
        idents = self.idents()
        many = np.bincount(idents)
        first = np.zeros(len(many), np.intp)
        # of several frames the last one written stays: the first of all
        first[idents[::-1]] = np.arange(len(idents) - 1, -1, -1)
        met = np.flatnonzero(many)
        return met, first[met], many[met]

    def by_status(self) -> list[tuple[int, int]]:
        """(an ident, how many frames) for each thing asked with each state of the reply's status bits, in which
        frames of one row are alike; only those whose reply is believed."""
        idents, _, many = self.tally()
        some = self.sorter.believed[idents] > 0
        idents, many = idents[some], many[some]
        if not self.judge.plain:
            return list(zip(idents.tolist(), many.tolist(), strict=True))
        [frame] = self.chip.frames.values()
        parts = [
            p for r in frame.replies.values() for p in r.parts if p.kind in ("status", "field")
        ]
        mask = np.uint64(reduce(or_, (mask_of(p.bits) for p in parts), 0))
        asked = self.sorter.kind[idents].astype(np.uint64) << np.uint64(16)
        asked |= (self.sorter.register[idents] + 1).astype(np.uint64)
        rows = np.stack([asked, self.table.column(4)[idents] & mask])
        _, first, group = np.unique(rows, axis=1, return_index=True, return_inverse=True)
        counts = np.bincount(group.ravel(), weights=many).astype(np.int64)
        return list(zip(idents[first].tolist(), counts.tolist(), strict=True))

    def times(self, which: str = "start") -> npt.NDArray[np.int64]:
        """start, end or transfer of every frame."""
        if not self.batches:
            return np.empty(0, np.int64)
        return np.concatenate([getattr(b, which) for b in self.batches])

    def measured_at(self, name: str, time: int) -> int | None:
        """The last value that a measured register was read with, by frames that ended up to tick `time`."""
        sorter = self.sorter
        for batch in reversed(self.batches):
            idents = batch.idents[: int(np.searchsorted(batch.end, time, side="right"))]
            hits = np.flatnonzero(sorter.shows(idents, (name,)) & (sorter.believed[idents] > 0))
            if len(hits):
                decoded = self.decoded(int(idents[hits[-1]]))
                if decoded.believed is None:
                    return None
                return said(self.chip, decoded.sent, decoded.believed).data
        return None

    def read_between(self, first: int, last: int) -> list[str]:
        """The fault registers that were read, and believed, by frames `first` to `last`."""
        sorter = self.sorter
        holding = {f.register for f in self.chip.faults.values()}
        names = [r for r in self.chip.registers if r in holding]
        found: set[str] = set()
        for batch in self.batches:
            idents = batch.idents[max(0, first - batch.first) : max(0, last + 1 - batch.first)]
            idents = distinct(idents[sorter.believed[idents] > 0])
            found |= {n for n in names if sorter.shows(idents, (n,)).any()}
        return [n for n in names if n in found]

    def status_between(self, start: int, end: int) -> bool:
        """Whether a believed reply that ended from tick `start` to tick `end` tells of faults."""
        sorter = self.sorter
        holding = {f.register for f in self.chip.faults.values()}
        bits = any(
            tells_of(self.chip, p)
            for f in self.chip.frames.values()
            for layout in f.replies.values()
            for p in layout.parts
        )
        for batch in self.batches:
            low, high = np.searchsorted(batch.end, (start, end))
            idents = batch.idents[low:high]
            telling = sorter.believed[idents] > 0
            if not bits:
                telling &= sorter.shows(idents, holding)
            if telling.any():
                return True
        return False

    def settled(self) -> int:
        """The start of the last frame to which no later frame can add anything; -1: there is none."""
        depth = max(f.after for f in self.chip.frames.values())
        number = self.count - 1 - depth
        for batch in reversed(self.batches):
            if number >= batch.first:
                return int(batch.start[number - batch.first])
        return -1
