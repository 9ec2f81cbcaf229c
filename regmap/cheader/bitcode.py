"""C expressions that move bits: take a part out of a word, put a value into one."""

from __future__ import annotations

from functools import lru_cache

from ..chip.bits import mask_of
from .text import count, number, wtype


@lru_cache(maxsize=1024)
def runs(bits: tuple[int, ...]) -> list[tuple[int, int, int]]:
    """Runs without a gap as (low bit in the word, low bit in the value, width), highest first.

    >>> runs((9, 3, 2, 1))
    [(9, 3, 1), (1, 0, 3)]
    """
    found: list[list[int]] = []
    for index, bit in enumerate(bits):
        at = len(bits) - 1 - index
        if found and found[-1][0] == bit + 1:
            found[-1] = [bit, at, found[-1][2] + 1]
        else:
            found.append([bit, at, 1])
    return [(low, at, width) for low, at, width in found]


def low_end(bits: tuple[int, ...]) -> int:
    """The shift of bits that run down without a gap, else -1."""
    found = runs(bits)
    return found[0][0] if len(found) == 1 else -1


def shifted(expr: str, left: int) -> str:
    """`expr` moved left (right where negative); nothing where there is nothing to move.

    By 23 in two steps: at that distance alone of all sdcc 4.2 for stm8 stops with an error of its own.
    """
    if left == 0:
        return expr
    if left == 23:
        return f"(({expr} << {count(16)}) << {count(7)})"
    return f"({expr} {'<<' if left > 0 else '>>'} {count(abs(left))})"


def widen(expr: str, bits: int) -> str:
    return f"({wtype(bits)}){expr}"


@lru_cache(maxsize=4096)
def take(word: str, bits: tuple[int, ...], word_bits: int, out_bits: int = 0) -> str:
    """An expression, of type `wtype(max(word_bits, out_bits))`, for the value of `bits` in `word`.

    The order of the bits is free, so it also gathers what a checksum is fed with.
    """
    size = max(word_bits, out_bits, len(bits))
    wide = widen(word, size)
    pieces = []
    for low, at, width in runs(bits):
        if at:
            inner = f"({wide} & {number(((1 << width) - 1) << low)})"
            pieces.append(shifted(inner, at - low))
            continue
        piece = shifted(wide, -low)
        if low + width < _size(word_bits):
            piece = f"({piece} & {number((1 << width) - 1)})"
        pieces.append(piece)
    return pieces[0] if len(pieces) == 1 else f"({' | '.join(pieces)})"


def _size(bits: int) -> int:
    return next(s for s in (8, 16, 32, 64) if bits <= s)


@lru_cache(maxsize=4096)
def put(value: str, bits: tuple[int, ...], word_bits: int) -> str:
    """An expression, of type `wtype(word_bits)`, for the word that holds `value` in `bits`."""
    wide = widen(value, word_bits)
    pieces = []
    for low, at, width in runs(bits):
        if at == 0:
            pieces.append(f"({shifted(wide, low)} & {number(mask_of(bits_of(low, width)))})")
        else:
            # masked where it stands, then moved once: moved, masked and moved again, one compiler
            # for small parts (sdcc 4.2) loses the bits
            inner = f"({wide} & {number(((1 << width) - 1) << at)})"
            pieces.append(shifted(inner, low - at))
    return pieces[0] if len(pieces) == 1 else f"({' | '.join(pieces)})"


def bits_of(low: int, width: int) -> tuple[int, ...]:
    return tuple(range(low + width - 1, low - 1, -1))
