"""What the stage chose, as whole numbers: a constant each for min, typ and max, the unit in the name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..chosen import figures
from .either import Either
from .language import local

if TYPE_CHECKING:
    from ...quantity import Band
    from ...stages.load import Stage


def write_chosen(
    stage: Stage, lang: Either, derived: tuple[tuple[str, str, Band], ...], place: str = ""
) -> list[str]:
    """The module of the chosen values; nothing where the stage has none. `place` ends its name at other positions of a chain."""
    lines: list[str] = []
    taken: set[str] = set()
    for figure in figures(stage, derived):
        for end, value in zip(("min", "typ", "max"), figure.numbers, strict=True):
            name = local(f"{figure.name}_{figure.unit}_{end}", taken)
            lines += lang.const(name, lang.uint(32), lang.count(value))
    if not lines:
        return []
    about = "What the stage chose: physical values of the settings by the tolerances of the map."
    return ["", *lang.module(f"chosen{place}", lines, about)]
