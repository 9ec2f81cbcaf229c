"""Which checks a test works in which stage: in the suite each derivation once, with GATEWORD_EVERY_SHAPE=1 all of them.

A check is left to a stage if no stage before it derives that check by the same formulas; so each check is
there at least once, and once more for each other way in which it may be derived.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass

from regmap.calc import Inputs, checks
from regmap.calc.corner import Formula, Variable
from regmap.calc.inputs import ImpossibleError
from regmap.calc.registry import Check
from regmap.calc.sampler import Sampler
from regmap.calc.verdict import Verdict
from regmap.calc.work import About, Work

EVERY_SHAPE = os.environ.get("GATEWORD_EVERY_SHAPE") == "1"


@dataclass(frozen=True)
class Part:
    """One stage with the checks that are worked in it, and the formulas that all of its checks go by."""

    name: str
    inputs: Inputs
    checks: tuple[Check, ...]
    formulas: frozenset[str]

    def verdicts(self) -> Iterator[tuple[Check, Verdict]]:
        """Every verdict of its checks."""
        for check in self.checks:
            for verdict in check.work(self.inputs):
                yield check, verdict


class _Recorder(Sampler):
    """A bench at the middle of every input that notes by which formulas a check goes."""

    def __init__(self, about: About, inputs: Inputs, gone: set[str]) -> None:
        super().__init__(about, inputs, lambda _, low, high: (low + high) / 2)
        self.gone = gone

    def branch(self, about: About) -> Work:
        return _Recorder(about, self.inputs, self.gone)

    def derive(self, symbol: str, rule: Formula, /, **args: Variable | None) -> Variable | None:
        if all(arg is not None for arg in args.values()):
            self.gone.add(rule.name)
        return super().derive(symbol, rule, **args)


def derivation(check: Check, inputs: Inputs) -> tuple[str, frozenset[str]]:
    """The check and the formulas by which it comes to its verdicts."""
    gone: set[str] = set()
    with suppress(ImpossibleError):
        check.function(_Recorder(About(check.name, check.title, check.formula), inputs, gone))
    return check.name, frozenset(gone)


def parts_of(stages: Mapping[str, Inputs]) -> dict[str, Part]:
    """The parts of these stages, the earlier ones first served."""
    seen: set[object] = set()
    found = {}
    for name, inputs in stages.items():
        mine: list[Check] = []
        formulas: set[str] = set()
        for check in checks():
            how = derivation(check, inputs)
            formulas |= how[1]
            if how not in seen or EVERY_SHAPE:
                seen.add(how)
                mine.append(check)
        found[name] = Part(name, inputs, tuple(mine), frozenset(formulas))
    return found
