"""Guards: the parity bits and cyclic redundancy checks that protect a frame.

A guard is computed over a sequence of bits in the order they are fed, which need not be whole
bytes: SPI frames of 16, 24 or 32 bits guard 5, 15, 24 or 27 of them. All methods of one guard give
the same answer; they differ in speed and in what they are handed:

    over_bits(bits)            any iterable of 0 and 1, first bit fed first (reference)
    over_int(value, nbits)     the low `nbits` of an integer, most significant bit first
    over_bytes(data)           whole bytes, most significant bit of each first
    over_array(values, nbits)  `over_int` for a numpy array of up to 64-bit words

A CRC is given by the usual six numbers of the Rocksoft model (R. Williams, "A painless guide to
CRC error detection algorithms", 1993). The polynomial is written without its top bit, in the normal
(not reversed, not Koopman's) notation: x^8 + x^2 + x + 1 is 0x07.

    bit fed ---->(+)<---------------------------+      width 8, poly 0x07
                  |                             |
                  +----+-------+-------+        |
                       v       v       v        |
       +---+---+---+---+---+-(+)-+-(+)-+---+    |
       | 7 <- 6 <- 5 <- 4 <- 3 <- 2 <- 1 <- 0 |----   init before the first bit, xor_out at the end
       +-----------------------------------------+

`reflect_in` reverses each successive group of eight bits as it is fed. For whole bytes that is the
model's own rule (least significant bit of each byte first). A last group shorter than eight is
reversed within itself, so over 11 bits b10 ... b0 the order of feeding is b3 b4 ... b10, b0 b1 b2.
`flush` appends that many bits of `flush_value` after the data, unreflected, before the register is
reflected and the final xor is applied: some chips shift the register's width in zeros behind the
data (with a direct start value that is not the same thing as the model's implied augmentation).
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING

from regmap.errors import CallError
from regmap.record import dataclass, field

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

_LONGEST_DATA = 256  # bits; bounds the low-weight search to about a second

_REVERSED_BYTE = tuple(int(f"{i:08b}"[::-1], 2) for i in range(256))


def reverse_bits(value: int, nbits: int) -> int:
    """The low `nbits` of `value` in the opposite order.

    >>> bin(reverse_bits(0b00110, 5))
    '0b1100'
    """
    out = 0
    for _ in range(nbits):
        out = (out << 1) | (value & 1)
        value >>= 1
    return out


def _check_int(value: int, nbits: int) -> None:
    if nbits < 0 or value < 0 or value >> nbits:
        raise CallError(f"value {value:#x} does not fit in {nbits} bits")


def _check_bit(bit: int) -> int:
    if bit not in (0, 1):
        raise CallError(f"a bit is 0 or 1, not {bit!r}")
    return int(bit)


def _check_words(values: Words, nbits: int) -> Words:
    import numpy as np

    if not 0 <= nbits <= 64:
        raise CallError(f"an array of words holds 0 to 64 bits each, not {nbits}")
    words = np.asarray(values)
    if words.dtype != np.uint64:
        if words.dtype.kind not in "iu" or (words.dtype.kind == "i" and bool((words < 0).any())):
            raise CallError(f"words must be unsigned integers, not {words.dtype}")
        words = words.astype(np.uint64)
    if nbits < 64 and bool((words >> np.uint64(nbits)).any()):
        raise CallError(f"a word of the array does not fit in {nbits} bits")
    return words


@dataclass(frozen=True, slots=True)
class Parity:
    """One parity bit. `even`: data and parity bit together hold an even number of ones."""

    even: bool

    @property
    def width(self) -> int:
        return 1

    def over_bits(self, bits: Iterable[int]) -> int:
        """The parity bit (0 or 1) for these data bits. Raises CallError on anything but 0 and 1."""
        total = 0 if self.even else 1
        for bit in bits:
            total ^= _check_bit(bit)
        return total

    def over_int(self, value: int, nbits: int) -> int:
        """The parity bit for the low `nbits` of `value`; CallError when the value is wider."""
        _check_int(value, nbits)
        return (value.bit_count() + (not self.even)) & 1

    def over_bytes(self, data: bytes | bytearray | memoryview) -> int:
        """The parity bit for whole bytes."""
        return self.over_int(int.from_bytes(data, "big"), 8 * len(data))

    def over_array(self, values: Words, nbits: int) -> Words:
        """The parity bit for each word; shape and dtype (uint64) as given."""
        return parity_array(_check_words(values, nbits), self.even)


def parity_array(values: Words, even: bool = True) -> Words:
    """The parity bit of each uint64 word of an array of any shape."""
    import numpy as np

    folded = values ^ (values >> np.uint64(32))
    for shift in (16, 8, 4, 2, 1):
        folded ^= folded >> np.uint64(shift)
    if not even:
        folded ^= np.uint64(1)
    result: Words = folded & np.uint64(1)
    return result


@lru_cache(maxsize=64)
def _table(width: int, poly: int) -> tuple[int, ...]:
    """What eight fed bits leave in a register of max(width, 8) bits, most significant bit first.

    A narrow register is kept left-aligned in a byte, so that one formula serves every width.
    Entry i < 2**r is at the same time what a remainder of r < 8 bits leaves: the leading zeros of
    such an index only shift it into place.
    """
    size = max(width, 8)
    aligned = poly << (size - width)
    top, mask = 1 << (size - 1), (1 << size) - 1
    entries = []
    for index in range(256):
        reg = index << (size - 8)
        for _ in range(8):
            reg = ((reg << 1) & mask) ^ (aligned if reg & top else 0)
        entries.append(reg)
    return tuple(entries)


@lru_cache(maxsize=64)
def _table_array(width: int, poly: int) -> Words:
    import numpy as np

    return np.array(_table(width, poly), dtype=np.uint64)


@dataclass(frozen=True, slots=True)
class Crc:
    """A cyclic redundancy check of 3 to 32 bits; see the module's text for each parameter.

    Raises CallError when a parameter does not fit the width. `name` takes no part in comparison.
    """

    width: int
    poly: int
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    xor_out: int = 0
    flush: int = 0
    flush_value: int = 0
    name: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        if not 3 <= self.width <= 32:
            raise CallError(f"a CRC is 3 to 32 bits wide, not {self.width}")
        top = 1 << self.width
        if top <= self.poly < 2 * top:
            raise CallError(
                f"polynomial {self.poly:#x} includes the top bit x^{self.width}; "
                f"write it without: {self.poly - top:#x}"
            )
        for what, value in (("poly", self.poly), ("init", self.init), ("xor_out", self.xor_out)):
            if not 0 <= value < top:
                raise CallError(f"{what} {value:#x} does not fit in {self.width} bits")
        if self.poly == 0:
            raise CallError("polynomial 0 protects nothing")
        if not 0 <= self.flush <= 64:
            raise CallError(f"flush is 0 to 64 bits, not {self.flush}")
        _check_bit(self.flush_value)

    def over_bits(self, bits: Iterable[int]) -> int:
        """The CRC over a sequence of 0 and 1, fed in this order (by `reflect_in` in groups of 8).

        This is the plain shift register, one bit at a time: the reference for the others.
        """
        fed = [_check_bit(bit) for bit in bits]
        if self.reflect_in:
            fed = [b for i in range(0, len(fed), 8) for b in reversed(fed[i : i + 8])]
        fed += [self.flush_value] * self.flush
        reg, top, mask = self.init, self.width - 1, (1 << self.width) - 1
        for bit in fed:
            feedback = (reg >> top) ^ bit
            reg = ((reg << 1) & mask) ^ (self.poly if feedback else 0)
        if self.reflect_out:
            reg = reverse_bits(reg, self.width)
        return reg ^ self.xor_out

    def over_int(self, value: int, nbits: int) -> int:
        """The CRC over the low `nbits` of `value`, most significant bit first.

        Raises CallError when the value does not fit in `nbits`.
        """
        _check_int(value, nbits)
        whole, rest = divmod(nbits, 8)
        return self._run((value >> rest).to_bytes(whole, "big"), value & ((1 << rest) - 1), rest)

    def over_bytes(self, data: bytes | bytearray | memoryview) -> int:
        """The CRC over whole bytes."""
        return self._run(data, 0, 0)

    def _run(self, data: bytes | bytearray | memoryview, tail: int, tail_bits: int) -> int:
        table = _table(self.width, self.poly)
        size = max(self.width, 8)
        mask, down = (1 << size) - 1, size - 8
        reg = self.init << (size - self.width)
        if self.reflect_in:
            for byte in data:
                index = (reg >> down) ^ _REVERSED_BYTE[byte]
                reg = ((reg << 8) & mask) ^ table[index]
            tail = reverse_bits(tail, tail_bits)
        else:
            for byte in data:
                reg = ((reg << 8) & mask) ^ table[(reg >> down) ^ byte]
        for bits, count in ((tail, tail_bits), *self._flush_groups()):
            if count:
                reg = ((reg << count) & mask) ^ table[(reg >> (size - count)) ^ bits]
        reg >>= size - self.width
        if self.reflect_out:
            reg = reverse_bits(reg, self.width)
        return reg ^ self.xor_out

    def _flush_groups(self) -> list[tuple[int, int]]:
        counts = [8] * (self.flush // 8) + [self.flush % 8]
        return [((1 << n) - 1 if self.flush_value else 0, n) for n in counts]

    def over_array(self, values: Words, nbits: int) -> Words:
        """`over_int` for each word of a uint64 array of any shape, `nbits` 0 to 64; uint64 out."""
        import numpy as np

        words = _check_words(values, nbits)
        table = _table_array(self.width, self.poly)
        reversed_byte = np.array(_REVERSED_BYTE, dtype=np.uint64)
        size = max(self.width, 8)
        mask = np.uint64((1 << size) - 1)
        reg = np.full(words.shape, self.init << (size - self.width), dtype=np.uint64)
        left = nbits
        while left > 0:
            count = min(left, 8)
            left -= count
            group = (words >> np.uint64(left)) & np.uint64((1 << count) - 1)
            if self.reflect_in:
                group = reversed_byte[group] >> np.uint64(8 - count)
            reg = self._step_array(reg, group, count, table, mask, size)
        for bits, count in self._flush_groups():
            if count:
                reg = self._step_array(reg, np.uint64(bits), count, table, mask, size)
        reg >>= np.uint64(size - self.width)
        if self.reflect_out:
            out = np.zeros_like(reg)
            for i in range(self.width):
                out |= ((reg >> np.uint64(i)) & np.uint64(1)) << np.uint64(self.width - 1 - i)
            reg = out
        result: Words = reg ^ np.uint64(self.xor_out)
        return result

    @staticmethod
    def _step_array(
        reg: Words, group: Words | np.uint64, count: int, table: Words, mask: np.uint64, size: int
    ) -> Words:
        shift = mask.dtype.type(count)
        index = (reg >> mask.dtype.type(size - count)) ^ group
        result: Words = ((reg << shift) & mask) ^ table[index]
        return result

    def hamming_distance(self, data_bits: int) -> int:
        """The Hamming distance this CRC guarantees over `data_bits`; see `hamming_distance`."""
        return hamming_distance(self.poly, self.width, data_bits)


def _lightest(poly: int, width: int, length: int, below: int) -> int:
    """The least weight (below `below`, at most 7) of a nonzero code word, else `below`.

    A code word is a set of positions whose powers of x add up to 0 modulo the polynomial. With an
    odd polynomial a code word may be shifted down until position 0 is in it, so only those are
    searched. Pairs are drawn from positions above 0: position 0 then cannot cancel, and what is
    found is a real code word whose weight is exact because lighter ones were ruled out before.
    """
    mask, top = (1 << width) - 1, 1 << (width - 1)
    powers, value = [], 1
    for _ in range(length - 1):
        value = ((value << 1) & mask) ^ (poly if value & top else 0)
        powers.append(value)
    singles = set(powers)
    if below > 2 and 1 in singles:
        return 2
    if below > 3 and any(p ^ 1 in singles for p in powers):
        return 3
    if below <= 4:
        return below
    pairs = {p ^ q for i, p in enumerate(powers) for q in powers[i + 1 :]}
    if any(p ^ 1 in pairs for p in powers):
        return 4
    if below > 5 and any(p ^ 1 in pairs for p in pairs):
        return 5
    if below > 6:
        for p in powers:
            start = p ^ 1
            if not pairs.isdisjoint({start ^ q for q in pairs}):
                return 6
    return below


def _code(poly: int, width: int, data_bits: int) -> tuple[int, int]:
    if width < 1 or not 0 < poly < 1 << width:
        raise CallError(f"polynomial {poly:#x} (written without its top bit) and width {width}")
    if not 1 <= data_bits <= _LONGEST_DATA:
        raise CallError(f"data length is 1 to {_LONGEST_DATA} bits here, not {data_bits}")
    # A factor x only adds check bits that are always 0: the code is that of the rest.
    full = poly | 1 << width
    while not full & 1:
        full >>= 1
    width = full.bit_length() - 1
    return full ^ (1 << width), width


@lru_cache(maxsize=256)
def hamming_distance(poly: int, width: int, data_bits: int) -> int:
    """The Hamming distance of the code at `data_bits` (1 to 256) bits of data.

    The fewest bit flips, anywhere in data and check bits, that can go unnoticed. Exact up to 6; 7
    means "7 or more". `poly` is written without its top bit. Start value, final xor and reflection
    do not matter. Raises CallError outside these ranges.
    """
    poly, width = _code(poly, width, data_bits)
    return _lightest(poly, width, data_bits + width, 7)


@lru_cache(maxsize=256)
def longest_data_word(poly: int, width: int, hd: int, limit: int = _LONGEST_DATA) -> int:
    """The longest data word (bits) at which Hamming distance `hd` (2 to 7) still holds.

    0 when it holds at no length; `limit` when it still holds there. `poly` as in
    `hamming_distance`. The distance never grows with length, so the length is bisected.
    """
    if not 2 <= hd <= 7:
        raise CallError(f"Hamming distance is 2 to 7 here, not {hd}")
    poly, width = _code(poly, width, limit)
    good, bad = 0, limit + 1
    while bad - good > 1:
        middle = (good + bad) // 2
        if _lightest(poly, width, middle + width, hd) >= hd:
            good = middle
        else:
            bad = middle
    return good
