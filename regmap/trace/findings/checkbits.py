"""Frames that fit but for their check bits: which other reading of the check bits fits them all?

Check bits that were never computed, complemented or sent in reverse order are seen at once; for other parameters
or another coverage the solver of regmap.frames.solve is asked. Each reading that explains every frame is told.
"""

from __future__ import annotations

from collections.abc import Sequence

from regmap.chip.bits import extract
from regmap.chip.guard import reverse_bits
from regmap.chip.model import Layout, Part
from regmap.frames.words import guard_value, guards_of
from regmap.record import dataclass

#: Different words that are looked at, readings that are told.
_WORDS = 16
_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """Check bits `part` are wrong in `count` of `of` words; `readings` are those that fit all of them."""

    part: str
    count: int
    of: int
    readings: tuple[str, ...]

    @property
    def text(self) -> str:
        """As half a sentence."""
        wrong = f"'{self.part}' is wrong in {self.count} of {self.of}"
        if not self.readings:
            return f"{wrong}, and no reading of it explains all"
        return f"{wrong}: {', or '.join(self.readings)}"


def wrong_check_bits(layout: Layout, words: Sequence[int]) -> list[Wrong]:
    """For each part of check bits that many of these words get wrong, what would explain them all."""
    some = list(dict.fromkeys(words))[:_WORDS]
    out = []
    for part in guards_of(layout):
        if part.over_command:
            # of the command that is answered too: not to be told from replies alone
            continue
        found = [extract(w, part.bits) for w in some]
        wanted = [guard_value(part, w) for w in some]
        bad = sum(a != b for a, b in zip(found, wanted, strict=True))
        if bad * 4 < len(some):
            continue
        readings = tuple(_readings(layout, part, some, found, wanted)) if len(some) >= 3 else ()
        out.append(Wrong(part=part.name, count=bad, of=len(some), readings=readings))
    return out


def _readings(
    layout: Layout, part: Part, words: list[int], found: list[int], wanted: list[int]
) -> list[str]:
    width = part.width
    if len(set(found)) == 1 and len(set(wanted)) > 1:
        # check bits that never change, although what they check does
        return [f"it is always 0x{found[0]:X}, never computed"]
    if all(a ^ b == (1 << width) - 1 for a, b in zip(found, wanted, strict=True)) and width > 1:
        return ["it is complemented"]
    if width > 1 and [reverse_bits(f, width) for f in found] == wanted:
        return ["its bits are in reverse order"]
    # loaded only where words do not fit
    from regmap.frames.solve import Example, keys_of, solve

    solved = solve(layout, part, [Example(word=w) for w in words]).readings
    told = [f"it fits {keys_of(r.part)}" for r in solved[:_TOLD]]
    if told:
        told[-1] += f" (the map says {keys_of(part)})"
    if len(solved) > _TOLD:
        told[-1] += f", and {len(solved) - _TOLD} more: further frames decide"
    return told
