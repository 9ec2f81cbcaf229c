"""The register of checks, and how they are run.

A subject's module is imported when one of its checks is wanted; the list of subjects is here, so
that nothing else needs to know which module holds what.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import partial
from importlib import import_module
from typing import Any, Protocol

from regmap.record import dataclass, field, replace

from ..cautions import CAUTION
from ..errors import CallError, closest
from ..outside import load_outside
from .corner import Point
from .inputs import ImpossibleError, Inputs, parameter
from .sampler import Sampler, random_draws
from .verdict import Verdict
from .work import About, Work

#: Subjects in the order in which they are reported, each with the modules of this package that
#: hold its checks.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "gate": ("gate", "miller", "gatesupply", "ring"),
    "snubber": ("ring",),
    "bootstrap": ("bootstrap",),
    "charge-pump": ("bootstrap",),
    "deadtime": ("deadtime",),
    "vds": ("vds", "shortcircuit"),
    "overcurrent": ("shunt",),
    "undervoltage": ("supply", "gatesupply", "courses"),
    "overvoltage": ("supply",),
    "sense": ("sense", "shunt", "sampling"),
    "supply": ("supply", "surge", "courses", "transients"),
    "startup": ("startup",),
    "sleep": ("startup",),
    "dclink": ("dclink", "transients"),
    "motor": ("motor",),
    "thermal": ("thermal", "transient", "board"),
    "watchdog": ("watchdog",),
    "reaction": ("reaction",),
    "spi": ("spi",),
    "safety": ("metrics",),
}

Outcome = Verdict | list[Verdict] | None
SIDES = ("high", "low")


class SidedFunction(Protocol):
    """A check that is told its side."""

    def __call__(self, work: Work, side: str) -> Outcome: ...


@dataclass(frozen=True, slots=True)
class Check:
    """One registered check.

    `uses` are the input names it may look up (fallbacks of the tables not counted), `formula` its
    physics as text, `function` works it on a bench and returns None where it does not apply.
    `watches` are the roles whose faults it asks for: what masks those can move it. `model_error` is
    how far the model of its physics may err on the unsafe side, as a share of the limit; tests hold it to ngspice.
    """

    name: str
    title: str
    formula: str
    uses: tuple[str, ...]
    function: Callable[[Work], Outcome] = field(repr=False)
    caution: str = CAUTION
    module: str = field(default="", repr=False)
    watches: tuple[str, ...] = ()
    model_error: float = 0.0

    @property
    def subject(self) -> str:
        """The subject, which is the first part of the name."""
        return self.name.partition(".")[0]

    def work(self, inputs: Inputs) -> list[Verdict]:
        """Its verdicts: one as a rule, none where it does not apply, several for fault lists."""
        return self._outcome(Work(self._about(), inputs))

    def sample(self, inputs: Inputs, count: int, seed: int) -> list[Verdict]:
        """Its verdicts over random draws (see work.Sampler)."""
        return self._outcome(Sampler(self._about(), inputs, random_draws(count, seed)))

    def at(self, inputs: Inputs, point: Point) -> list[Verdict]:
        """Its verdicts where the inputs have these values (a corner's `at`, or rows of draws), the rest their middle."""
        return self._outcome(
            Sampler(self._about(), inputs, lambda key, low, high: point.get(key, (low + high) / 2))
        )

    def _about(self) -> About:
        return About(self.name, self.title, self.formula, self.caution, self.model_error)

    def _outcome(self, bench: Work) -> list[Verdict]:
        try:
            result = self.function(bench)
        except ImpossibleError as error:
            return [bench.refuse(str(error))]
        if result is None:
            return []
        found = result if isinstance(result, list) else [result]
        # also those that were judged before the facts were looked at: they may have been taken back then
        return [replace(v, of_facts=True) for v in found] if bench.of_facts else found


_CHECKS: dict[str, Check] = {}

#: Looked up by every check.
_ALWAYS = ("stage:goals.margin",)


def check(
    name: str,
    title: str,
    formula: str,
    uses: str,
    caution: str = "",
    watches: str = "",
    model_error: float = 0.0,
) -> Callable[[Callable[[Work], Outcome]], Callable[[Work], Outcome]]:
    """Register a check; `uses` and `watches` are lists of names separated by blanks."""

    def register(function: Callable[[Work], Outcome]) -> Callable[[Work], Outcome]:
        names = tuple(dict.fromkeys((*uses.split(), *_ALWAYS)))
        roles = tuple(watches.split())
        for item in (*names, *(f"role:{role}" for role in roles)):
            parameter(item)
        if name in _CHECKS:
            raise TypeError(f"check {name} is registered twice")
        text = f"{CAUTION} {caution}".strip()
        home = getattr(function, "func", function).__module__
        # a module of this package by its name, one from outside as ".name"
        module = home.rpartition(".")[2] if home.rpartition(".")[0] == __package__ else f".{home}"
        _CHECKS[name] = Check(
            name, title, formula, names, function, text, module, roles, model_error
        )
        return function

    return register


def sided(
    name: str,
    title: str,
    formula: str,
    uses: str,
    caution: str = "",
    watches: str = "",
    model_error: float = 0.0,
) -> Callable[[SidedFunction], SidedFunction]:
    """Register a check for each side as `name.high` and `name.low`.

    `{side}` in the texts and names stands for the side, `{other}` for the opposite one.
    """

    def register(function: SidedFunction) -> SidedFunction:
        for side, other in (SIDES, SIDES[::-1]):
            words: dict[str, Any] = {"side": side, "other": other}
            check(
                f"{name}.{side}",
                f"{title.format(**words)}, {side} side",
                formula.format(**words),
                uses.format(**words),
                caution,
                watches.format(**words),
                model_error,
            )(partial(function, side=side))
        return function

    return register


def checks(subjects: Iterable[str] | None = None) -> list[Check]:
    """The registered checks of these subjects (None: of all), in order; their modules are imported.

    Checks that installed packages add come last, by name.
    """
    wanted = None if subjects is None else set(subjects)
    load_outside()
    subjects = [s for s in SUBJECTS if wanted is None or s in wanted]
    for module in dict.fromkeys(m for s in subjects for m in SUBJECTS[s]):
        import_module(f".{module}", __package__)
    # The order must not depend on which module happened to be imported earlier.
    ours = [
        c
        for subject in subjects
        for module in SUBJECTS[subject]
        for c in _CHECKS.values()
        if c.module == module and c.subject == subject
    ]
    outside = [c for c in _CHECKS.values() if "." in c.module]
    outside.sort(key=lambda c: c.name)
    return [*ours, *(c for c in outside if wanted is None or c.subject in wanted)]


def select(names: Iterable[str] | None = None) -> list[Check]:
    """Checks by name or by the beginning of a name up to a dot (`gate`, `gate.rise-time`).

    Raises CallError with the nearest name when nothing matches.
    """
    if names is None:
        return checks()
    wanted: dict[str, Check] = {}
    for name in names:
        subject = name.partition(".")[0]
        here = checks([subject])
        hits = [c for c in here if f"{c.name}.".startswith(f"{name}.")]
        if not hits:
            # `reaction.time.NAME` is one fault of a check that speaks for all of them.
            hits = [c for c in here if name.startswith(f"{c.name}.")]
        if not hits:
            near = closest(name, [*SUBJECTS, *(c.name for c in here or checks())])
            raise CallError(f"unknown check {name!r}", nearest=near)
        wanted.update((hit.name, hit) for hit in hits)
    return list(wanted.values())


def work(
    inputs: Inputs,
    names: Iterable[str] | None = None,
    standing: Mapping[str, list[Verdict]] | None = None,
) -> dict[str, list[Verdict]]:
    """The verdicts of the checks (all, or those named) by check, in the registry's order.

    `standing` are those of checks that need not be worked again. A name may be a check, the beginning of one up
    to a dot, or one verdict of a check that gives several (`reaction.time.NAME`). Raises CallError for a
    name that means nothing.
    """
    asked = None if names is None else tuple(names)
    known = standing or {}
    found = {c.name: known.get(c.name) or c.work(inputs) for c in select(asked)}
    if asked is None:
        return found
    return {
        check: [v for v in verdicts if any(f"{v.check}.".startswith(f"{n}.") for n in asked)]
        for check, verdicts in found.items()
    }


def run(inputs: Inputs, names: Iterable[str] | None = None) -> list[Verdict]:
    """Those of `work` one after the other."""
    return [v for verdicts in work(inputs, names).values() for v in verdicts]
