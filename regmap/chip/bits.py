"""Bits of a word, by number."""

from __future__ import annotations

from functools import lru_cache


@lru_cache(maxsize=4096)
def _low_end(bits: tuple[int, ...]) -> int:
    """The lowest bit where `bits` run down without a gap, else -1."""
    low = bits[-1]
    return low if bits == tuple(range(low + len(bits) - 1, low - 1, -1)) else -1


def extract(word: int, bits: tuple[int, ...]) -> int:
    """The value that `bits` (most significant first) hold in `word`.

    >>> extract(0b10_0000_0110, (9, 3, 2, 1))
    11
    """
    low = _low_end(bits)
    if low >= 0:
        return (word >> low) & ((1 << len(bits)) - 1)
    value = 0
    for bit in bits:
        value = value << 1 | (word >> bit) & 1
    return value


def deposit(value: int, bits: tuple[int, ...]) -> int:
    """The word that holds `value` in `bits` (most significant first) and 0 elsewhere."""
    low = _low_end(bits)
    if low >= 0:
        return value << low
    word = 0
    for bit in reversed(bits):
        word |= (value & 1) << bit
        value >>= 1
    return word


@lru_cache(maxsize=1 << 14)
def turned(word: int, width: int) -> int:
    """The word with its bits in the other order.

    >>> turned(0b0010, 4)
    4
    """
    return int(f"{word:0{width}b}"[::-1], 2)


@lru_cache(maxsize=1 << 14)
def mask_of(bits: tuple[int, ...]) -> int:
    """The word with a one at each of `bits`."""
    mask = 0
    for bit in bits:
        mask |= 1 << bit
    return mask


def spans(bits: list[int] | tuple[int, ...]) -> str:
    """Bit numbers as ranges, in their order: [7, 6, 5, 1] gives "7..5, 1"."""
    return _spans(tuple(bits))


@lru_cache(maxsize=1 << 14)
def _spans(bits: tuple[int, ...]) -> str:
    runs: list[list[int]] = []
    for bit in bits:
        if runs and runs[-1][-1] == bit + 1:
            runs[-1].append(bit)
        else:
            runs.append([bit])
    return ", ".join(f"{r[0]}..{r[-1]}" if len(r) > 1 else str(r[0]) for r in runs)


def hexword(word: int, bits: int) -> str:
    """A word as hex with as many digits as its bits need."""
    return f"0x{word:0{(bits + 3) // 4}X}"
