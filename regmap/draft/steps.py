"""What the draft answers with: statements that an edit moved, verdicts that a value would move."""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.record import dataclass

from ..calc.verdict import rank
from ..chip.bank import Bank
from ..chip.model import Rule
from ..chip.values import Choice, Reading
from .statements import Statements

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..calc import Verdict
    from ..stages.load import Stage


@dataclass(frozen=True, slots=True)
class Changed:
    """One statement that an edit moved; None is "not stated", which leaves the reset value."""

    name: str
    old: str | None
    new: str | None
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.name}: {self.before} -> {self.after}"


@dataclass(frozen=True, slots=True)
class Edit:
    """What an accepted step did: its statements, and what else people should know."""

    changed: tuple[Changed, ...]
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        return "; ".join(str(c) for c in self.changed) or "nothing changed"


@dataclass(frozen=True, slots=True)
class Effect:
    """One verdict that a change moves."""

    before: Verdict | None
    after: Verdict | None

    @property
    def verdict(self) -> Verdict:
        found = self.after or self.before
        assert found is not None
        return found

    @property
    def turns(self) -> bool:
        """Whether the status itself changes, not only the margin."""
        return self.before is None or self.after is None or self.before.status != self.after.status


@dataclass(frozen=True, slots=True)
class Preview:
    """A value considered and not accepted: what it would come to."""

    name: str
    text: str
    choice: Choice
    reading: Reading
    bank: Bank
    statements: Statements
    effects: tuple[Effect, ...]
    broken: tuple[Rule, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InputPreview:
    """A stage value considered and not accepted: `text` is what the stage file would say for all of `name`."""

    name: str
    text: str
    before: str
    stage: Stage
    effects: tuple[Effect, ...]
    notes: tuple[str, ...]


def effects_of(moved: Iterable[tuple[Verdict | None, Verdict | None]]) -> tuple[Effect, ...]:
    """Verdicts before and after as effects: those that turn first, the worst on top."""
    found = [Effect(before, after) for before, after in moved]
    return tuple(sorted(found, key=lambda e: (not e.turns, rank(e.verdict))))
