"""Stated inputs that no verdict looks at, because what they are judged with is not stated.

    for found in unused(inputs, verdicts):
        found.name, found.wants           "stage:surge.duration", {"supply.surge-energy": ("stage:suppressor.energy", ...)}

Many checks ask for nothing until a limit or a rating is stated. Who states only the other half of such a pair would read a
report in which nothing says that it was not used; so it is told, with what the checks that read it want.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from regmap.record import dataclass

from .inputs import Inputs, chain
from .registry import Check, checks
from .verdict import Verdict


@dataclass(frozen=True, slots=True)
class Unused:
    """An input that is stated for nothing.

    `wants` are the checks that could read it and say nothing, each with the names that it looked for in vain, of which it
    wants one at least; none where it does not apply to what the stage drives and sets. It is empty where all that could read it
    have a verdict without it.
    """

    name: str
    origin: str
    wants: Mapping[str, tuple[str, ...]]

    def sentence(self) -> str:
        """What is to be said of it, in one line."""
        by: dict[tuple[str, ...], list[str]] = {}
        for check, names in self.wants.items():
            by.setdefault(names, []).append(check)
        parts = []
        for names, readers in by.items():
            asked = " or ".join(n.partition(":")[2] for n in names)
            parts.append(
                f"{', '.join(readers)}: {'without ' + asked if names else 'not of this stage'}"
            )
        name = self.name.partition(":")[2]
        told = "; ".join(parts) or "what could read it has a verdict without it"
        return f"{self.origin.removeprefix('stage ')}: {name} is used by no check ({told})"


def unused(inputs: Inputs, verdicts: Iterable[Verdict]) -> list[Unused]:
    """The inputs of the stage that no verdict looked up, though a check may; `verdicts` are those of all checks on `inputs`.

    A verdict that is not computed names itself what it wants, so what it looked up is told already.
    """
    told = {name for v in verdicts for name in v.asked}
    found = []
    known = checks()
    for name, item in inputs.known().items():
        if not name.startswith("stage:") or name in told:
            continue
        readers = [c for c in known if any(name in chain(used) for used in c.uses)]
        if readers:
            wanted = {both_sides(c.name): _wanted(c, inputs) for c in readers}
            wants = {check: names for check, names in wanted.items() if names is not None}
            found.append(Unused(name, item.origin, wants))
    return found


def both_sides(check: str) -> str:
    """The name of a check of either side."""
    return check.removesuffix(".high").removesuffix(".low")


def _wanted(check: Check, inputs: Inputs) -> tuple[str, ...] | None:
    """What a check looked for in vain before it had nothing to say; None where it had."""
    fresh = inputs.with_values(())
    if check.work(fresh):
        return None
    # what it lacks once it applies its verdict tells; here it stopped at what opens it
    return tuple(
        n
        for n in tuple(fresh.asked)
        if n.startswith("stage:") and fresh.find(n, optional=True) is None
    )
