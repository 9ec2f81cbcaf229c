"""A header as its preprocessor leaves it: lines of declarations with their places, and the macros that live to the end."""

from __future__ import annotations

from regmap.record import dataclass, field

from .defines import Define
from .expressions import Evaluator


@dataclass(frozen=True, slots=True)
class CodeLine:
    """One line of declarations as the preprocessor leaves it, and where it stood."""

    file: str
    line: int
    code: str


@dataclass(slots=True, kw_only=True)
class HeaderUnit:
    items: list[Define]
    evaluator: Evaluator
    lines: list[CodeLine]
    notes: list[Define]
    texts: dict[str, str]
    comments: dict[tuple[str, int], str] = field(default_factory=dict)
    #: where it stopped and why, where it did not come to the end
    stopped: Define | None = None
