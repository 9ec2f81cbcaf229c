"""A stage as a problem of search: the variables, the goals, and what else there is to say of them.

`goals.problem_of` makes it, `jointly.joint_problem` makes one of all modes together, `propose` and `search` work it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from regmap.record import dataclass, field

from ..chip import values
from ..chip.bank import Bank, find
from ..stages.load import Stage
from .freedom import Item
from .order import BACKSTOP
from .search import Choosable, Codes, Goal, Judged
from .stage import Assessment, assess, with_settings

if TYPE_CHECKING:
    from ..calc import Inputs


@dataclass(frozen=True, slots=True)
class NotComputed:
    """A check that no setting can answer, what it lacks, and the fields that it looks at.

    `kept` are those of `fields` that keep their code because of it; the others are freed by name.
    """

    check: str
    title: str
    missing: tuple[str, ...]
    fields: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


class WiderError(Exception):
    """A check looked at a field that its goal was not known to look at; `Looked` knows it now."""


@dataclass(slots=True)
class Looked:
    """What the goals of one stage were seen to look at, and what was worked out by then.

    `scopes` are the variables by goal; `margins` the margins of a check's verdicts, by the variables and
    codes that were looked at; `roles` and `inputs` what the checks were given; `further` the roles by
    check that it looked up beside those that it declares.
    """

    scopes: dict[str, set[int]] = field(default_factory=dict)
    margins: dict[str, dict[tuple[int, ...], dict[Codes, dict[str, Judged]]]] = field(
        default_factory=dict
    )
    roles: dict[tuple[str, Codes], Any] = field(default_factory=dict)
    inputs: Inputs | None = None
    further: dict[str, dict[str, None]] = field(default_factory=dict)


@dataclass(slots=True)
class GoalProblem:
    """The search problem of a stage.

    `variables` and `items` go together; `goals` and `titles` too. `kept` says why each other field
    with a role is not searched; `guarded` names the fields that keep to codes no looser than the
    stage's, `held` for each goal the fields that may move it and are kept, with why; `not_computed` are
    checks not computed, `unloosened` goals that may lose nothing, as they tell how well a protection protects,
    `guards` those that nobody asked for, of which only may not be lost what the stage has.
    """

    stage: Stage
    items: list[Item]
    variables: list[Choosable]
    goals: list[Goal]
    titles: list[str]
    kept: dict[str, str]
    not_computed: list[NotComputed]
    guarded: dict[str, str]
    held: dict[str, dict[str, str]]
    unloosened: set[str] = field(default_factory=set)
    guards: set[str] = field(default_factory=set)

    def bank(self, codes: Codes) -> Bank:
        """The stage's wanted configuration with these codes, one for each variable."""
        bank = self.stage.bank
        for item, code in zip(self.items, codes, strict=True):
            bank.put(item, code)
        return bank

    def bank_for(self, number: int, codes: Codes) -> Bank:
        """The configuration in which a variable is read, with these codes."""
        assert 0 <= number < len(self.items)
        return self.bank(codes)

    def stated_bank(self, number: int) -> Bank:
        """The configuration in which a variable is read, as the stage has it."""
        assert 0 <= number < len(self.items)
        return self.stage.bank

    def changed(self, texts: Mapping[int, str]) -> Stage:
        """The stage with these texts for variables by number. Raises CallError for what cannot be."""
        return with_settings(self.stage, {self.variables[n].name: t for n, t in texts.items()})

    def judge(self, stage: Stage) -> Assessment:
        """The verdicts that the goals are about."""
        return assess(stage)

    def would(self, goal: str, name: str, codes: Codes) -> bool:
        """Whether a field that is kept, or kept from some codes, would raise the margin of a goal, the others at `codes`."""
        mine = next((v.codes for v in self.variables if v.name == name), ())
        return raises(self.stage, self.bank(codes), goal, name, mine)

    def reading(self, number: int, code: int, codes: Codes) -> values.Reading:
        """What a code of one variable means, the others at `codes`."""
        made = list(codes)
        made[number] = code
        return values.read(self.items[number], code, self.bank_for(number, tuple(made)))


#: Codes of a field that are tried to see whether it would move a verdict.
_TRIED = 8


def raises(stage: Stage, bank: Bank, goal: str, name: str, without: Codes = ()) -> bool:
    """Whether other codes of a field raise a verdict's margin in this configuration; `without` are codes not to try.

    What is no check (a rule) is taken to be moved by all that it mentions.
    """
    item = find(stage.chip, name)
    if item is None:
        return False
    if goal.startswith(("rule ", "meaning of ", "protection ", BACKSTOP)):
        return True
    check = "reaction.masked" if goal.startswith("reaction.masked.") else goal

    def margin(there: Bank) -> float:
        found = {v.check: v.relative for v in assess(stage, there, [check]).verdicts}
        relative = found.get(check)
        return -math.inf if relative is None else relative

    now = margin(bank)
    codes = [r.code for r in values.options(item, bank) if r.code not in without]
    for code in codes[:: -(-len(codes) // _TRIED)] if codes else ():
        there = bank.copy()
        there.put(item, code)
        if margin(there) > now:
            return True
    return False
