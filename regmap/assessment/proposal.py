"""What a search for settings found: the choice for each field, what else there was, and what it costs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from regmap.record import dataclass, field

from ..calc.consequences import CONSEQUENCES, consequence
from ..chip import values
from ..chip.bank import Bank
from ..chip.values import Reading
from ..errors import CallError
from ..quantity import show
from ..stages.load import Stage
from .freedom import Item
from .problem import NotComputed
from .stage import Assessment, bare


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a search is: group `number` of `groups`, steps so far, fields of the group.

    `smallest` is the smallest margin of the best settings so far, `changes` what they change
    (`GATE.SINK: 160 mA -> 130 mA`) and `gain` the verdict that gains the most by it, with its margins before and now;
    nothing (None) as long as nothing better is known.
    """

    number: int
    groups: int
    steps: int
    fields: tuple[str, ...]
    smallest: float = -math.inf
    changes: tuple[str, ...] = ()
    gain: tuple[str, float, float] | None = None


@dataclass(frozen=True, slots=True)
class Instead:
    """Another code for one field, the others as proposed, and the goal that is worst hit by it.

    Without a `goal` that code is as good, as far as the goals know. `margin` is the goal's margin there, `here` with the
    proposal; minus infinity: a rule is broken or the goal is lost.
    """

    reading: Reading
    goal: str = ""
    title: str = ""
    margin: float = math.inf
    here: float = math.inf

    def json(self) -> dict[str, object]:
        return {
            "code": self.reading.code,
            "value": self.reading.label,
            "goal": self.goal or None,
            "title": self.title,
            "margin": _finite(self.margin),
            "margin_here": _finite(self.here),
        }


@dataclass(frozen=True, slots=True)
class Pick:
    """The choice for one field. `text` is how a stage states it.

    `if_kept` is the present code held against the proposal, where it differs. `lower` and `higher` are the
    next values on either side (None at the end of the range, or where the time was over) or, for a field without values, the
    other options in `others`. `blind` are checks not computed that look at the field: where
    there are any, nothing says that another code is as good.
    """

    name: str
    role: str
    summary: str
    old: Reading
    new: Reading
    text: str
    if_kept: Instead | None = None
    lower: Instead | None = None
    higher: Instead | None = None
    others: tuple[Instead, ...] = ()
    blind: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        return self.old.code != self.new.code

    def json(self) -> dict[str, object]:
        return {
            "field": self.name,
            "role": self.role,
            "changed": self.changed,
            "set": self.text,
            "from": {"code": self.old.code, "value": self.old.label},
            "to": {"code": self.new.code, "value": self.new.label},
            "if_kept": self.if_kept.json() if self.if_kept else None,
            "lower": self.lower.json() if self.lower else None,
            "higher": self.higher.json() if self.higher else None,
            "others": [o.json() for o in self.others],
            "not_computed_by": list(self.blind),
        }


@dataclass(frozen=True, slots=True)
class Clash:
    """One goal of a conflict. `reach` is the largest margin it can have while the others are met
    (minus infinity where it is all or nothing), `keeps` the margin that it may not lose (0: it may not fail)."""

    goal: str
    title: str
    reach: float
    keeps: float = 0.0


@dataclass(frozen=True, slots=True)
class Conflict:
    """Goals that no setting meets together, none of which can be left out; one alone, where that
    is enough. `fields` are the free fields that they hang on; `held` those that would move them and
    are kept or not loosened, with why. Without either no setting moves it."""

    clashes: tuple[Clash, ...]
    fields: tuple[str, ...]
    held: Mapping[str, str] = field(default_factory=dict)

    def json(self) -> dict[str, object]:
        return {
            "goals": [
                {
                    "goal": c.goal,
                    "title": c.title,
                    "reach": _finite(c.reach),
                    "keeps": c.keeps,
                }
                for c in self.clashes
            ],
            "fields": list(self.fields),
            "held": dict(self.held),
        }


@dataclass(frozen=True, slots=True)
class Worse:
    """A verdict whose margin is smaller with the proposal; None: nothing is computed any more."""

    check: str
    title: str
    before: float
    after: float | None

    def json(self) -> dict[str, object]:
        return {
            "check": self.check,
            "title": self.title,
            "consequence": CONSEQUENCES[consequence(bare(self.check))],
            "from": _finite(self.before),
            "to": None if self.after is None else _finite(self.after),
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Proposal:
    """What the search found. `proven` says that nothing better exists.

    `smallest` and `smallest_before` are the smallest margins among all goals with the goal that
    has it; `movable` the same among the goals that free fields move.
    """

    base: Stage
    stage: Stage
    picks: tuple[Pick, ...]
    feasible: bool
    proven: bool
    conflicts: tuple[Conflict, ...]
    conflicts_complete: bool
    smallest: tuple[float, str]
    smallest_before: tuple[float, str]
    movable: tuple[float, str]
    before: Assessment
    after: Assessment
    goals: int
    not_computed: tuple[NotComputed, ...]
    kept: Mapping[str, str]
    not_loosened: Mapping[str, str]
    worse: tuple[Worse, ...]
    interrupted: bool
    others_failing: tuple[str, ...]
    evaluations: int
    steps: int
    enough: float

    @property
    def changes(self) -> dict[str, str]:
        """What to state: field to text, only where it differs from the stage."""
        return {p.name: p.text for p in self.picks if p.changed}

    def json(self) -> dict[str, object]:
        """A plain object for `--json`; margins without a number are null."""

        def least(pair: tuple[float, str]) -> dict[str, Any]:
            return {"margin": _finite(pair[0]), "goal": pair[1] or None}

        return {
            "stage": self.base.name,
            "chip": self.base.chip.name,
            "feasible": self.feasible,
            "proven": self.proven,
            "changes": self.changes,
            "smallest_margin": least(self.smallest),
            "smallest_margin_before": least(self.smallest_before),
            "smallest_movable_margin": least(self.movable),
            "enough": self.enough,
            "choices": [p.json() for p in self.picks],
            "conflicts": [c.json() for c in self.conflicts],
            "conflicts_complete": self.conflicts_complete,
            "counts_before": self.before.counts,
            "counts": self.after.counts,
            "goals": self.goals,
            "not_computed": [
                {
                    "check": u.check,
                    "title": u.title,
                    "missing": list(u.missing),
                    "fields": list(u.fields),
                    "kept": list(u.kept),
                }
                for u in self.not_computed
            ],
            "kept": dict(self.kept),
            "not_loosened": dict(self.not_loosened),
            "worse": [w.json() for w in self.worse],
            "interrupted": self.interrupted,
            "failing_outside_goals": list(self.others_failing),
            "evaluations": self.evaluations,
        }


def setting_text(item: Item, reading: Reading, bank: Bank) -> str:
    """How a stage states this code: a name or a value where that leads back to it, else the raw code."""
    texts = [reading.name] if reading.name else []
    if reading.band is not None:
        shown = [show(reading.band.typ, reading.band.dim, digits) for digits in (4, 6, 9)]
        texts = [*shown, *texts] if shown[0].replace(" ", "") == reading.name else [*texts, *shown]
    for text in texts:
        try:
            choice = values.choose(item, text, bank)
        except CallError:
            continue
        if choice.code == reading.code and choice.error in (None, Fraction(0)):
            return text
    return f"0x{reading.code:X}"


def settings_block(changes: Mapping[str, str]) -> str:
    """Changed settings as YAML for a stage, to be put in by hand."""
    return "".join(f"  {name}: {text}\n" for name, text in changes.items())


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
