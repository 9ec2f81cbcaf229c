"""Registers and frames as text pictures, at most 80 columns wide.

       9   8   7   6   5   4   3   2   1   0
     +---------------+---------------+-------+
     | SOURCE        | SINK          | HOLD  |
     +---------------+---------------+-------+
       1   1   1   1   1   1   1   1   0   0

A name that does not fit its box is replaced by a number that the list below the picture repeats.
"""

from __future__ import annotations

from collections.abc import Sequence

from regmap.record import dataclass

ROW_BITS = 16


@dataclass(frozen=True, slots=True)
class Box:
    """A run of adjacent bits with a name; `high` >= `low`."""

    name: str
    high: int
    low: int
    number: int


def boxes(named: Sequence[tuple[str, tuple[int, ...]]], width: int, gap: str = "") -> list[Box]:
    """Adjacent runs of each named group of bits, highest first; bits in no group form boxes named `gap`."""
    owner: dict[int, tuple[str, int]] = {}
    for number, (name, bits) in enumerate(named, 1):
        for bit in bits:
            owner[bit] = (name, number)
    found: list[Box] = []
    bit = width - 1
    while bit >= 0:
        name, number = owner.get(bit, (gap, 0))
        low = bit
        while low > 0 and owner.get(low - 1, (gap, 0)) == (name, number) and low % ROW_BITS:
            low -= 1
        found.append(Box(name, bit, low, number))
        bit = low - 1
    return found


def picture(
    named: Sequence[tuple[str, tuple[int, ...]]], width: int, word: int | None = None, cell: int = 4
) -> list[str]:
    """The picture of a word of `width` bits, in rows of 16 bits, with its bits where `word` is given."""
    lines: list[str] = []
    everything = boxes(named, width)
    top = width - 1
    while top >= 0:
        low = top - top % ROW_BITS
        row = [b for b in everything if low <= b.low and b.high <= top]
        lines += _row(row, word, cell)
        top = low - 1
    return lines


def _row(row: list[Box], word: int | None, cell: int) -> list[str]:
    numbers = border = names = values = ""
    for box in row:
        span = box.high - box.low + 1
        room = span * cell - 1
        label = box.name if len(box.name) + 1 <= room else str(box.number) if box.number else "-"
        border += "+" + "-" * room
        names += "|" + (f" {label}" if len(label) < room else label).ljust(room)
        for bit in range(box.high, box.low - 1, -1):
            numbers += f"{bit:>{cell - 1}} "
            if word is not None:
                values += f"{word >> bit & 1:>{cell - 1}} "
    lines = ["  " + numbers.rstrip(), "  " + border + "+", "  " + names + "|", "  " + border + "+"]
    if word is not None:
        lines.append("  " + values.rstrip())
    return lines


def needs_number(name: str, bits: tuple[int, ...], cell: int = 4) -> bool:
    """Whether the picture shows this group by its number."""
    runs = boxes([(name, bits)], max(bits) + 1)
    return any(b.number and len(name) + 1 > (b.high - b.low + 1) * cell - 1 for b in runs)
