"""Identifier codes to variables, many at once."""

from __future__ import annotations

import numpy as np

from ..arrays import Indices
from .tokens import FRONT, ByteBlock


class VcdCodes:
    """A table of identifier codes; a code's number is its place in the list given."""

    def __init__(self, codes: list[bytes]) -> None:
        self._all = {code: number for number, code in enumerate(codes)}
        #: (number, byte) of all codes if they are few and of one character each, else empty.
        self.few: list[tuple[int, int]] = []
        if len(codes) <= 8 and all(len(c) == 1 for c in codes):
            self.few = [(number, code[0]) for number, code in enumerate(codes)]
        # Codes of one and two characters: by their value as a little-endian number.
        self._short = np.full(1 << 16, -1, np.int64)
        words = []
        for number, code in enumerate(codes):
            key = int.from_bytes(code, "little")
            if len(code) <= 2:
                self._short[key] = number
            if len(code) <= 8:
                words.append((key, number))
        words.sort()
        self._words = np.array([k for k, _ in words] or [0], np.uint64)
        self._numbers = np.array([n for _, n in words] or [-1], np.int64)

    def lookup(self, block: ByteBlock, starts: Indices, ends: Indices) -> Indices:
        """The number of each code in the block, -1 for one that is not known."""
        sizes = ends - starts
        if not len(sizes):
            return np.empty(0, np.int64)
        low, high = int(sizes.min()), int(sizes.max())
        if high <= 2:
            keys = block.view.take(starts, mode="clip").astype(np.int64)
            if high == 2:
                second = block.view.take(starts + 1, mode="clip").astype(np.int64)
                keys |= np.where(sizes == 2, second, 0) << 8
            found = self._short.take(keys)
        else:
            words = block.words(starts) & FRONT.take(np.minimum(np.maximum(sizes, 0), 8))
            at = np.minimum(np.searchsorted(self._words, words), len(self._words) - 1)
            found = np.where(self._words.take(at) == words, self._numbers.take(at), -1)
            for index in np.flatnonzero(sizes > 8).tolist():
                found[index] = self._all.get(block.text(int(starts[index]), int(ends[index])), -1)
        if low < 1:
            found = np.where(sizes > 0, found, -1)
        return found
