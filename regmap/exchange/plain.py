"""What every form writes of a field: its pieces without gaps, and its options as plain texts."""

from __future__ import annotations

from ..chip import values
from ..chip.bank import Bank
from ..chip.bits import extract
from ..chip.model import Chip, Field
from ..quantity import show


def option_texts(chip: Chip, field: Field) -> dict[int, str]:
    """What codes mean, by code, as at reset: a name, a typical value with its unit, or a text; up to 8 bits."""
    if not field.meanings or field.width > 8:
        return {}
    found = {}
    for reading in values.options(field, Bank.at_reset(chip), 1 << field.width):
        text = reading.name
        if reading.band is not None and reading.band.typ is not None:
            text = show(reading.band.typ, reading.band.dim, digits=6)
        found[reading.code] = " ".join((text or reading.text or reading.label).split())
    return {code: text for code, text in found.items() if text}


def pieces(field: Field) -> list[tuple[str, int, int, int]]:
    """(name, highest bit, width, reset) of each run of bits; several are called NAME__1of2, the most significant first."""
    runs: list[list[int]] = []
    for bit in field.bits:
        if runs and runs[-1][-1] == bit + 1:
            runs[-1].append(bit)
        else:
            runs.append([bit])
    found = []
    left = field.width
    for number, run in enumerate(runs, 1):
        left -= len(run)
        name = field.name if len(runs) == 1 else f"{field.name}__{number}of{len(runs)}"
        reset = extract(field.reset, tuple(range(left + len(run) - 1, left - 1, -1)))
        found.append((name, run[0], len(run), reset))
    return found
