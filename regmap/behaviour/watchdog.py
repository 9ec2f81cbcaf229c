"""What serves a watchdog: the one rule for the simulated chip and for captures."""

from __future__ import annotations

from ..chip.bits import extract
from ..chip.model import Field


def service_of(field: Field, word: int) -> str:
    """What a write of `word` to the field's register means: "served", "wrong" (a wrong key) or "".

    An option that is not the resting one serves; without options any write does.
    """
    code = extract(word, field.bits)
    entries = {e.code for m in field.meanings for e in m.entries.values()}
    if not entries:
        return "served"
    if code == field.reset:
        return ""
    return "served" if code in entries else "wrong"
