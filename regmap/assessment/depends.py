"""What a verdict depends on, found by running the checks: no table of roles, and fault masks count as well.

    found = Dependence(stage, bank, assess(stage, bank))
    found.moved(inputs_of(stage, other) for other in banks)     the verdicts that differ at any of them

Only checks that looked up an input which differs are run again, and each only until it moves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Set
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.record import dataclass, field, replace

from ..calc import checks
from ..chip.model import Param
from ..errors import CallError, closest
from ..parameters import STAGE
from ..quantity import Band
from ..stages.load import Stage
from .stage import Assessment, inputs_of, signature, waiver

if TYPE_CHECKING:
    from ..calc import Inputs, Verdict
    from ..chip.bank import Bank


@dataclass(frozen=True)
class _Tried:
    """Inputs that were tried: what differs there, and by check what moved."""

    given: Inputs
    #: the same beside those of the present state: what hangs on nothing that differs is not worked again
    inputs: Inputs
    changed: frozenset[str]
    #: whether what the map declares differs
    facts: bool
    moved: dict[str, dict[str, Verdict]] = field(default_factory=dict)


class Dependence:
    """The verdicts at one state of the settings, and what moves them."""

    def __init__(self, stage: Stage, bank: Bank, found: Assessment) -> None:
        self.stage = stage
        self.inputs = found.worked.inputs if found.worked else inputs_of(stage, bank)
        self._checks = {c.name: c for c in checks()}
        self._base: dict[str, dict[str, Verdict]] = {name: {} for name in self._checks}
        for verdict in found.verdicts:
            self._base[self._owner(verdict.check)][verdict.check] = verdict
        #: what was found at inputs that were tried; they are kept, so that an id stands for one of them
        self._tried: dict[int, _Tried] = {}

    def _owner(self, verdict: str) -> str:
        """The check that a verdict is one of: `reaction.time` for `reaction.time.NAME`."""
        name = verdict
        while name and name not in self._checks:
            name = name.rpartition(".")[0]
        if not name:
            near = closest(verdict, self._checks)
            raise CallError(f"no verdict {verdict[:60]!r}", nearest=near)
        return name

    def changed(self, inputs: Inputs) -> list[tuple[Verdict | None, Verdict | None]]:
        """The verdicts that differ at these inputs, before and after; one of them is None where it comes or goes.

        As two whole assessments would tell, but only checks that looked up what differs are run.
        """
        inputs = inputs.beside(self.inputs)
        names = set(self._differing(inputs))
        facts = inputs.facts != self.inputs.facts
        found: list[tuple[Verdict | None, Verdict | None]] = []
        if not names and not facts:
            return found
        for check, base in self._base.items():
            if not self._asks(check, names, facts):
                continue
            now = self._run(check, inputs)
            found += [
                (base.get(n), now.get(n))
                for n in {**now, **base}
                if signature(base.get(n)) != signature(now.get(n))
            ]
        return found

    def _asks(self, check: str, names: Set[str], facts: bool) -> bool:
        """Whether a check looked up any of these inputs, or the facts; one that gave no verdict may have asked for any."""
        base = self._base[check]
        return not base or any(
            (facts and v.of_facts) or not names.isdisjoint(v.asked) for v in base.values()
        )

    def _run(self, check: str, inputs: Inputs) -> dict[str, Verdict]:
        return {
            v.check: v for v in self._checks[check].work(inputs) if not waiver(self.stage, v.check)
        }

    def moved(self, others: Iterable[Inputs], only: str = "") -> dict[str, Verdict]:
        """The verdicts (or `only` that one) that differ, come or go at any of these inputs, by name."""
        waiting = {self._owner(only)} if only else set(self._checks)
        found: dict[str, Verdict] = {}
        for given in others:
            tried = self._tried.get(id(given))
            if tried is None:
                changed = frozenset(self._differing(given))
                facts = given.facts != self.inputs.facts
                tried = _Tried(given, given.beside(self.inputs), changed, facts)
                self._tried[id(given)] = tried
            if not tried.changed and not tried.facts:
                continue
            for name in list(waiting):
                base = self._base[name]
                if not self._asks(name, tried.changed, tried.facts):
                    continue
                if name not in tried.moved:
                    now = self._run(name, tried.inputs)
                    tried.moved[name] = {
                        n: v
                        for n, v in {**now, **base}.items()
                        if signature(base.get(n)) != signature(now.get(n))
                    }
                found |= tried.moved[name]
                if base and base.keys() <= found.keys():
                    waiting.discard(name)
            if not waiting or only in found:
                break
        return {n: v for n, v in found.items() if not only or n == only}

    def _differing(self, inputs: Inputs) -> Iterator[str]:
        mine, theirs = self.inputs.known(), inputs.known()
        for name in {**mine, **theirs}:
            a, b = mine.get(name), theirs.get(name)
            if a is None or b is None or a.value != b.value:
                yield name


def near_values(param: Param) -> list[Param]:
    """What a stage value is tried at: a tenth more and less, one more and less, every other choice."""
    value = param.value
    if isinstance(value, Band):
        low, high = Fraction(9, 10), Fraction(11, 10)
        if not value.low and not value.high:
            return []
        return [replace(param, value=_scaled(value, share)) for share in (low, high)]
    if isinstance(value, int):
        return [replace(param, value=value + step) for step in (1, -1) if value + step > 0]
    row = STAGE.get(param.name)
    return [replace(param, value=c) for c in (row.choices if row else ()) if c != value]


def _scaled(band: Band, share: Fraction) -> Band:
    low, typ, high = sorted(v * share for v in (band.low, band.typ, band.high))
    return Band(low, typ, high, band.dim, band.given)
