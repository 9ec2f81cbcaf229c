"""What the stage chose, as whole numbers: a constant each for min, typ and max, the unit in the name."""

from __future__ import annotations

from ..chosen import figures
from ..sheet import Sheet
from .either import Either
from .language import local


def write_chosen(sheet: Sheet, lang: Either) -> list[str]:
    """The module of the chosen values; nothing where the stage has none."""
    assert sheet.stage is not None
    lines: list[str] = []
    taken: set[str] = set()
    for figure in figures(sheet.stage, sheet.options.figures):
        for end, value in zip(("min", "typ", "max"), figure.numbers, strict=True):
            name = local(f"{figure.name}_{figure.unit}_{end}", taken)
            lines += lang.const(name, lang.uint(32), lang.count(value))
    if not lines:
        return []
    about = "What the stage chose: physical values of the settings by the tolerances of the map."
    return ["", *lang.module("chosen", lines, about)]
