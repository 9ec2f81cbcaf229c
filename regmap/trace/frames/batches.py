"""All batches of one chip so far, kept small: 12 bytes for most frames instead of 36.

The last batch is kept as it came, as its frames are looked at one by one. Of those before it each column is kept
as differences, in the narrowest whole numbers that hold them: ends as time from the start, answers as time from
the end, and numbers that follow each other as the first alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, overload

import numpy as np
import numpy.typing as npt

from regmap.record import dataclass

from .framer import Batch, Ints

_NARROW = (np.uint8, np.uint16, np.uint32)


@dataclass(frozen=True, slots=True)
class _Column:
    """Whole numbers as what they are above the least; `rest` None: each is one above the one before."""

    least: int
    rest: npt.NDArray[Any] | None
    count: int

    @classmethod
    def of(cls, values: Ints) -> _Column:
        if not len(values):
            return cls(0, None, 0)
        least, most = int(values.min()), int(values.max())
        if most - least == len(values) - 1 and (values[1:] - values[:-1] == 1).all():
            return cls(least, None, len(values))
        for kind in _NARROW:
            if most - least <= np.iinfo(kind).max:
                return cls(least, (values - least).astype(kind), len(values))
        return cls(0, values, len(values))

    def whole(self) -> Ints:
        if self.rest is None:
            return np.arange(self.least, self.least + self.count, dtype=np.int64)
        return self.rest.astype(np.int64) + self.least


@dataclass(frozen=True, slots=True)
class _Packed:
    chip: int
    first: int
    transfer: _Column
    start: _Column
    took: _Column
    waited: _Column
    idents: npt.NDArray[np.int32]

    @classmethod
    def of(cls, batch: Batch) -> _Packed:
        transfer, start, took, waited = map(
            _Column.of,
            (batch.transfer, batch.start, batch.end - batch.start, batch.answered - batch.end),
        )
        # a copy: what is kept must not hold on to the larger arrays that it was cut from
        idents = batch.idents.copy() if batch.idents.base is not None else batch.idents
        return cls(batch.chip, batch.first, transfer, start, took, waited, idents)

    def whole(self) -> Batch:
        start = self.start.whole()
        end = start + self.took.whole()
        return Batch(
            chip=self.chip, first=self.first, transfer=self.transfer.whole(), start=start, end=end,
            answered=end + self.waited.whole(), idents=self.idents,
        )  # fmt: skip


class Batches(Sequence[Batch]):
    """Batches in order of time; each is made whole again when it is asked for."""

    def __init__(self) -> None:
        self._packed: list[_Packed] = []
        self._last: Batch | None = None

    def append(self, batch: Batch) -> None:
        """Take the next batch."""
        if self._last is not None:
            self._packed.append(_Packed.of(self._last))
        self._last = batch

    def __len__(self) -> int:
        return len(self._packed) + (self._last is not None)

    @overload
    def __getitem__(self, index: int) -> Batch: ...
    @overload
    def __getitem__(self, index: slice) -> list[Batch]: ...
    def __getitem__(self, index: int | slice) -> Batch | list[Batch]:
        if isinstance(index, slice):
            return [self[i] for i in range(*index.indices(len(self)))]
        place = range(len(self))[index]
        if place == len(self._packed):
            assert self._last is not None
            return self._last
        return self._packed[place].whole()

    def idents(self, place: int) -> npt.NDArray[np.int32]:
        """The idents of one batch alone."""
        return self._packed[place].idents if place < len(self._packed) else self[place].idents

    def join(self) -> None:
        """Many small batches as one."""
        if len(self) > 1:
            parts = list(self)
            names = ("transfer", "start", "end", "answered", "idents")
            whole = {n: np.concatenate([getattr(b, n) for b in parts]) for n in names}
            self._packed = []
            self._last = Batch(chip=parts[0].chip, first=parts[0].first, **whole)
