"""What no setting of a search may leave: the map's rules, codes that mean something, and what protects.

Each is a goal that is lost outside and asks for nothing inside. A dead time of the chip that stands behind another (the
controller's, or a handshake) is a protection, but one that a bridge which fails may need: where a verdict that would
destroy it fails, a shorter one is offered that covers the turn-off alone, and `order` gives it up for such a verdict only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from ..calc import checks, select
from ..calc.consequences import BRIDGE, consequence
from ..chip import values
from ..chip.bank import Bank
from ..expr import evaluate
from ..quantity import Band
from ..stages.load import Stage
from .freedom import Freedom, Item, closure, mentioned, name_of
from .order import BACKSTOP
from .search import Codes, Goal
from .stage import waiver

if TYPE_CHECKING:
    from ..calc import Input, Inputs

#: The controller's own dead time, and what judges a dead time.
_OWN, _ENOUGH = "stage:pwm.deadtime", "deadtime.enough"

Bound = tuple[Goal, str]


class Bounds:
    """The goals of one stage with their titles. `bank` gives the configuration at codes by variable."""

    def __init__(
        self, stage: Stage, free: Freedom, bank: Callable[[Mapping[int, int]], Bank]
    ) -> None:
        self.chip, self.base, self.free, self.bank = stage.chip, stage.bank, free, bank

    def _at(self, scope: tuple[int, ...], codes: Codes) -> Bank:
        return self.bank(dict(zip(scope, codes, strict=True)))

    def rules(self) -> Iterator[Bound]:
        """An error rule must hold; a warning is kept where the stage keeps it."""
        for rule in self.chip.rules:
            require = rule.require
            if rule.severity != "error" and evaluate(require, self.base) is False:
                continue
            scope = self.free.scope(mentioned(self.chip, require))

            def margin(codes: Codes, require=require, scope=scope) -> float:  # type: ignore[no-untyped-def]
                held = evaluate(require, self._at(scope, codes)) is not False
                return math.inf if held else -math.inf

            yield Goal(f"rule {rule.name}", scope, margin), f"{require} ({rule.because})"

    def meanings(self) -> Iterator[Bound]:
        """A code must mean something, also where that hangs on other fields."""
        for number, item in enumerate(self.free.items):
            if len(item.meanings) > 1:
                yield self._meaning(number, item)

    def _meaning(self, number: int, item: Item) -> Bound:
        name = name_of(item)
        scope = self.free.scope(closure(self.chip, name))

        def margin(codes: Codes) -> float:
            reading = values.read(item, codes[scope.index(number)], self._at(scope, codes))
            return math.inf if reading.defined else -math.inf

        return Goal(
            f"meaning of {name}", scope, margin
        ), f"{name} holds a code that means something"

    def protections(self) -> Iterator[Bound]:
        """A protection is not loosened by what its code means at other codes of other fields either."""
        for item in self.free.with_roles():
            if len(item.meanings) > 1 and name_of(item) not in self.free.loosen:
                yield from self._protection(item)

    def _protection(self, item: Item) -> Iterator[Bound]:
        name = name_of(item)
        scope = self.free.scope(closure(self.chip, name))
        now = self.base.reading(name)
        if not scope or now is None or not self.free.protects(item):
            return

        def margin(codes: Codes) -> float:
            there = self._at(scope, codes).reading(name)
            return -math.inf if there is None or self.free.looser(item, now, there) else math.inf

        yield Goal(f"protection {name}", scope, margin), f"{name} protects no less"

    def backstops(
        self,
        inputs: Inputs,
        scope_of: Callable[[Iterable[str]], tuple[int, ...]],
        roles_at: Callable[[Iterable[str], Mapping[int, int]], list[Input]],
    ) -> Iterator[Bound]:
        """A dead time that may be shortened still covers the turn-off alone; its margin is the one that it has so.

        `scope_of` gives the variables behind roles, `roles_at` what those make of roles.
        """
        if not self.free.shorten:
            return
        enough = select([_ENOUGH])
        roles = dict.fromkeys(
            u.partition(":")[2] for c in enough for u in c.uses if u.startswith("role:")
        )
        for item in self.free.backstops():
            name, now = name_of(item), self.base.reading(name_of(item))
            scope = tuple(sorted({*self.free.scope(closure(self.chip, name)), *scope_of(roles)}))
            if now is None or not scope:
                continue

            def margin(codes: Codes, name=name, now=now, item=item, scope=scope) -> float:  # type: ignore[no-untyped-def]
                there = self._at(scope, codes).reading(name)
                if there is None:
                    return -math.inf
                if not self.free.looser(item, now, there):
                    return math.inf
                given = roles_at(roles, dict(zip(scope, codes, strict=True)))
                alone = inputs.with_values([*given, *_without_own(inputs)])
                shares = [v.relative for c in enough for v in c.work(alone)]
                least = min((-math.inf if s is None else s for s in shares), default=-math.inf)
                return least if least >= 0 else -math.inf

            yield Goal(f"{BACKSTOP}{name}", scope, margin), f"{name} covers the turn-off alone"


def _without_own(inputs: Inputs) -> list[Input]:
    """The controller's dead time as none."""
    own = inputs.known().get(_OWN)
    if own is None or not isinstance(own.value, Band):
        return []
    return [type(own)(_OWN, Band.of(0, own.value.dim), "the chip's dead time alone")]


def bridge_fails(stage: Stage, inputs: Inputs) -> bool:
    """Whether a verdict that would destroy the bridge fails, and looks at the dead time but for whether it is enough."""
    for check in checks():
        looks = "role:deadtime" in check.uses and check.subject != "deadtime"
        if not looks or consequence(check.name) != BRIDGE or waiver(stage, check.name):
            continue
        if any(v.status == "fails" for v in check.work(inputs)):
            return True
    return False
