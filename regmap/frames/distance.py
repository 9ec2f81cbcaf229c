"""How many flipped bits the check bits of a frame are sure to notice: the distance of the code really sent.

Two sound frames differ in bits that move the check bits by nothing together. Bits that are always the
same, and a checksum's prefix, which is not sent, differ in no two frames; zeros fed behind the data
change what each bit does to the check bits. So the distance is that of the columns: what each bit of
the frame does to every check part at once.
"""

from __future__ import annotations

from itertools import combinations

from ..chip.bits import extract
from ..chip.model import Layout
from .words import GUARDS, guard_value

#: distances are exact below this; it stands for itself and all above
EXACT = 7


def columns(layout: Layout) -> dict[int, int]:
    """What flipping each bit that can differ does to the check parts, side by side as one number.

    Bits that no check part covers, and bits that are always the same, are left out.
    """
    guards = [p for p in layout.parts if p.kind in GUARDS]
    still = {b for p in layout.parts if p.kind in ("fixed", "chip") for b in p.bits}
    found: dict[int, int] = {}
    for bit in range(layout.length):
        column = 0
        for part in guards:
            turned = guard_value(part, 1 << bit) ^ guard_value(part, 0) if bit in part.over else 0
            column = column << part.width | (turned ^ extract(1 << bit, part.bits))
        if column and bit not in still:
            found[bit] = column
    return found


def distance(layout: Layout) -> int:
    """The fewest flipped bits, all under a check part, that can pass unseen; EXACT for that or more."""
    own = [*columns(layout).values()]
    singles = set(own)
    if len(singles) < len(own):
        return 2
    pairs = [a ^ b for a, b in combinations(own, 2)]
    if not singles.isdisjoint(pairs):
        return 3
    several = set(pairs)
    if len(several) < len(pairs):
        return 4
    # what two and three together make is made by five, where no fewer do
    triples = [a ^ b ^ c for a, b, c in combinations(own, 3)]
    if not several.isdisjoint(triples):
        return 5
    return 6 if len(set(triples)) < len(triples) else EXACT
