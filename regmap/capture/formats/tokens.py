"""A block of bytes and what can be read from many places of it at once.

Eight characters are loaded as one uint64 at any byte offset, so that decimal digits are folded
eight at a time (pairs, then fours, then eights) without a loop over characters.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from ..arrays import Indices, Times

#: Free bytes before and behind a block, so that loads at its rims stay inside the store.
PAD = 24

Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint64]
Flags = npt.NDArray[np.bool_]

_U = np.uint64
_ZEROS = 0x3030303030303030
# For n digits at the end of eight bytes (little-endian: the end is the high side): what to keep,
# and zeros for the rest.
_KEEP = np.array([((1 << 64) - 1) ^ ((1 << 8 * (8 - n)) - 1) for n in range(9)], np.uint64)
_FILL = np.array([_ZEROS & ((1 << 8 * (8 - n)) - 1) for n in range(9)], np.uint64)
#: For n characters at the start of eight bytes.
FRONT = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)
MAX_DIGITS = 19
#: Decimal numbers as (integers, decimals): value = integer / 10**decimals.
Fixed = tuple[Times, int]
_MOST = (1 << 63) - 1
#: A time may be added to without overflow.
LATEST = (1 << 63) - (1 << 40)


class ByteBlock:
    """`size` bytes of `store`, the first one at `PAD`; offsets below count from there."""

    __slots__ = ("_words", "size", "start", "store", "view")

    def __init__(self, store: bytearray, size: int) -> None:
        self.store = store
        self.size = size
        #: where the first byte stands in the store
        self.start = PAD
        self.view: Bytes = np.frombuffer(store, np.uint8, size, PAD)
        self._words: Words = np.frombuffer(store, "<u8", len(store) // 8)

    def words(self, at: Indices, before: int = 0) -> Words:
        """uint64 of the eight bytes from each offset less `before` on (offsets from -PAD)."""
        # Two aligned loads and shifts beat one gather of unaligned words.
        at = at + (PAD - before)
        index = at >> 3
        at &= 7
        shift = at.view(np.uint64)
        shift <<= _U(3)
        found = self._words.take(index)
        index += 1
        behind = self._words.take(index, mode="clip")
        found >>= shift
        np.subtract(_U(64), shift, out=shift)
        behind <<= shift  # a shift by 64 gives 0
        found |= behind
        return found

    def text(self, start: int, stop: int) -> bytes:
        """The bytes of one token."""
        return bytes(self.store[PAD + start : PAD + stop])

    def texts(self, starts: Indices, ends: Indices) -> npt.NDArray[np.bytes_]:
        """All tokens as one array of bytes strings."""
        longest = max(1, int((ends - starts).max())) if len(starts) else 1
        at = starts[:, None] + np.arange(longest)
        inside = at < ends[:, None]
        chars = np.where(inside, self.view.take(at, mode="clip"), 0).astype(np.uint8)
        return np.ascontiguousarray(chars).view(f"S{longest}").ravel()

    def line_of(self, at: int) -> tuple[int, int, str]:
        """(line ends before, column from 1, text of the line, cut to 400) of an offset."""
        store, base = self.store, PAD + at
        start = store.rfind(b"\n", PAD, base) + 1 or PAD
        stop = store.find(b"\n", base, PAD + self.size)
        stop = PAD + self.size if stop < 0 else stop
        text = bytes(store[start : min(stop, start + 400)]).decode("utf-8", "replace").rstrip("\r")
        return store.count(b"\n", PAD, base), base - start + 1, text


def real_numbers(
    texts: npt.NDArray[np.bytes_], bad: Callable[[int, bytes], None]
) -> npt.NDArray[np.float64]:
    """Each text as a number; of one that is none `bad(index, text)` tells, and NaN stands for it."""
    try:
        return texts.astype(np.float64)
    except ValueError:
        found = np.full(len(texts), np.nan)
        for index, text in enumerate(texts.tolist()):
            try:
                found[index] = float(text)
            except ValueError:
                bad(index, text)
        return found


def digits_only(words: Words) -> bool:
    """Whether all eight bytes of every word are decimal digits."""
    if not len(words):
        return True
    chars = words.view(np.uint8)
    return int(chars.max()) <= 57 and int(chars.min()) >= 48


def fold(words: Words) -> Words:
    """Eight ASCII digits each to their number, in the place of `words`."""
    w = words
    w &= _U(0x0F0F0F0F0F0F0F0F)
    w *= _U(2561)
    w >>= _U(8)
    w &= _U(0x00FF00FF00FF00FF)
    w *= _U(6553601)
    w >>= _U(16)
    w &= _U(0x0000FFFF0000FFFF)
    w *= _U(42949672960001)
    w >>= _U(32)
    return w


def _part(block: ByteBlock, ends: Indices, counts: Indices, low: int, high: int) -> Words:
    """The words that end at `ends`, all but their last `counts` (0..8) bytes made zeros."""
    words = block.words(ends, 8)
    if low >= 8:
        return words
    if low == high:
        words &= _KEEP[low]
        words |= _FILL[low]
        return words
    counts = np.minimum(np.maximum(counts, 0), 8)
    words &= _KEEP.take(counts)
    words |= _FILL.take(counts)
    return words


def _add_leading(total: Words, digits: Bytes, scale: int) -> bool:
    """Add a leading digit of each number, which is nearly always the same in a block; whether all are digits."""
    top = int(digits.max())
    if top == int(digits.min()):
        total += _U(top * scale)
    else:
        total += digits * _U(scale)
    return top <= 9


def unsigned(block: ByteBlock, starts: Indices, ends: Indices) -> tuple[Times, int]:
    """Decimal numbers of 1 to 19 digits, up to LATEST: (int64 values, index of the first that is none or -1)."""
    if not len(starts):
        return np.empty(0, np.int64), -1
    counts = ends - starts
    low, high = int(counts.min()), int(counts.max())
    if low >= 1 and high <= MAX_DIGITS:
        words = _part(block, ends, counts, low, high)
        good = digits_only(words)
        total = fold(words)
        scale = 1
        if 8 < high <= 12 and low > 8:
            # A few digits more: byte by byte costs less than another load of eight.
            for done in range(8, high):
                scale = 10**done
                digits = block.view.take(ends - (done + 1))
                digits -= np.uint8(48)
                if done >= low:
                    digits *= (counts > done).view(np.uint8)
                good = _add_leading(total, digits, scale) and good
            high = 8
        for done in range(8, high, 8):
            scale *= 10**8
            words = _part(block, ends - done, counts - done, max(low - done, 0), high - done)
            if (words == words[0]).all():
                # The leading digits of a block's times are nearly always the same.
                words = words[:1]
            good = good and digits_only(words)
            total += fold(words) * _U(scale)
        if good and (high < 17 or int(total.max()) <= LATEST):
            return total.view(np.int64), -1
    bad = _first_bad(block, starts, ends)
    values, _ = unsigned(block, starts[:bad], ends[:bad])
    return values, bad


def digits_at(block: ByteBlock, places: Indices, first: int, digits: int) -> tuple[Times, int]:
    """As `unsigned`, of numbers that all have so many digits and begin `first` bytes behind each place."""
    if not 8 <= digits <= 12 or not len(places):
        return unsigned(block, places + first, places + (first + digits))
    words = block.words(places, 8 - first - digits)
    good = digits_only(words)
    total = fold(words)
    for at in range(digits - 8):
        lead = block.view[first + at :].take(places)
        lead -= np.uint8(48)
        good = _add_leading(total, lead, 10 ** (digits - 1 - at)) and good
    if good:
        return total.view(np.int64), -1
    return unsigned(block, places + first, places + (first + digits))


def _first_bad(block: ByteBlock, starts: Indices, ends: Indices) -> int:
    for index, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        text = block.text(start, end)
        if not (1 <= end - start <= MAX_DIGITS and text.isdigit() and int(text) <= LATEST):
            return index
    return len(starts)


def decimals(block: ByteBlock, starts: Indices, ends: Indices, point: int) -> Fixed | None:
    """Plain decimal numbers as (int64, decimals): value = number / 10**decimals; None if any is not plain."""
    if not len(starts):
        return np.empty(0, np.int64), 0
    if (ends <= starts).any():
        return None
    lead = block.view.take(starts)
    minus = lead == 45
    signs = minus | (lead == 43)
    if signs.any():
        starts = starts + signs
        if (ends <= starts).any():
            return None
    else:
        minus = signs
    points = np.flatnonzero(block.view == point)
    if len(points):
        at = np.searchsorted(points, starts)
        dot = np.append(points, block.size + 1).take(at)
        dot = np.where(dot < ends, dot, ends)
    else:
        dot = ends
    sizes = np.maximum(ends - dot - 1, 0)
    places = int(sizes.max())
    if places > 15:
        return None
    whole = np.zeros(len(starts), np.int64)
    some = np.flatnonzero(dot > starts)
    part, bad = (
        unsigned(block, starts[some], dot[some])
        if len(some) < len(starts)
        else unsigned(block, starts, dot)
    )
    if bad >= 0:
        return None
    whole[some] = part
    if places:
        if len(whole) and int(whole.max()) >= 10 ** (18 - places):
            return None
        whole *= 10**places
        some = np.flatnonzero(sizes)
        part, bad = unsigned(block, dot[some] + 1, ends[some])
        if bad >= 0:
            return None
        if int(sizes[some].min()) < places:
            part = part * 10 ** (places - sizes[some])
        whole[some] += part
    elif (dot == starts).any():
        return None
    if (sizes + (dot - starts) == 0).any():
        return None
    if minus.any():
        whole = np.where(minus, -whole, whole)
    return whole, places


def scaled(fixed: Fixed, digits: int) -> Times | None:
    """The numbers as ticks of 10**-digits; None if they do not fit or would lose digits."""
    values, decimals = fixed
    if decimals > digits:
        return None
    factor = 10 ** (digits - decimals)
    if len(values) and int(np.abs(values).max()) > _MOST // 4 // factor:
        return None
    ticks: Times = values * factor
    return ticks
