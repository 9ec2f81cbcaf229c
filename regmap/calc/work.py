"""The bench on which one check is worked out.

A check takes its inputs by name, derives variables from them with formulas, and ends by holding
one variable against a limit. Whatever is missing travels through the derivation as None, so that
one run names everything a check still needs.

`sampler.Sampler` is the same bench with numbers instead of bands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, cast

from regmap.record import dataclass

from ..cautions import CAUTION
from ..parameters import NOT_KNOWN, OFF_WORDS, REPORT_WORDS, RETRY_WORDS
from ..quantity import Band
from .comparison import nearest_limit
from .corner import Formula, Variable, derive
from .inputs import Facts, FaultTiming, Input, Inputs, chain, parameter
from .verdict import Extra, Verdict

#: Variables kept for the benches to come; beyond, memory would grow with every setting tried.
_MOST_DERIVED = 20_000


@dataclass(frozen=True, slots=True)
class About:
    """Name, title and formula text of the check being worked."""

    name: str
    title: str
    formula: str
    caution: str = CAUTION
    model_error: float = 0.0


class Work:
    """One check over one set of inputs.

    Benches over the same inputs, or over copies of them with some replaced, share what they derive:
    the same formula of the same variables is one variable, whose extremes are sought once, whichever
    checks and settings ask for it.
    """

    def __init__(self, about: About, inputs: Inputs) -> None:
        self.about, self.inputs = about, inputs
        self.asked: dict[str, None] = {}
        #: not empty once the facts were looked at, here or on a branch
        self.of_facts: list[bool] = []
        self.missing: dict[str, None] = {}
        #: how far the model may err here, as a share of the limit
        self.error = about.model_error
        self.extra: list[Extra] = []
        self._taken: dict[tuple[str, str, str], Variable] = {}
        self._instead: Mapping[str, tuple[str, str]] = {}
        self._derived = self._shared()

    def _shared(self) -> dict[tuple[object, ...], Variable]:
        """What has been derived so far; begun anew when it is many, as a search never ends."""
        if len(self.inputs.derived) > _MOST_DERIVED:
            self.inputs.derived.clear()
        return cast("dict[tuple[object, ...], Variable]", self.inputs.derived)

    def _one(self, key: tuple[object, ...], make: Callable[[], Variable]) -> Variable:
        """The variable of this key, made when it is first asked for.

        Keys hold the ids of what a variable was made from; it keeps those, so that the ids stay theirs.
        """
        made = self._derived.get(key)
        if made is None:
            made = self._derived[key] = make()
        return made

    def branch(self, about: About) -> Work:
        """A fresh bench over the same inputs, for one verdict of a check that gives several."""
        made = type(self)(about, self.inputs)
        made.of_facts = self.of_facts
        return made

    @property
    def facts(self) -> Facts:
        """The facts of the map; who looks at them may depend on them."""
        self.of_facts.append(True)
        return self.inputs.facts

    # inputs

    def _bounds(self, key: str, band: Band) -> tuple[Any, Any, Any]:
        """The band that goes by this key, as numbers."""
        del key
        return band.floats()

    def _found(self, name: str, *, optional: bool) -> Input | None:
        self.asked.update(chain(name))
        item = self.inputs.find(name, optional=optional)
        if item is None and not optional:
            self.missing[name] = None
        return item

    def take(
        self, symbol: str, name: str, *, optional: bool = False, part: str = ""
    ) -> Variable | None:
        """A quantity or count by name; None when it is missing, which is recorded unless optional.

        A setting that stands at an option without a number is missing too, and says so. However
        often a name is taken, it has one value at a corner, unless it is told to belong to another
        `part` ("the other switch"). What stands in for a name has its band, not its value: the
        board is not the air because nobody stated its temperature.
        """
        symbol, name = self._instead.get(name, (symbol, name))
        taken = self._taken.get((symbol, name, part))
        if taken is not None:
            return taken
        item = self._found(name, optional=optional)
        if item is None:
            return None
        dim = parameter(item.name).dimension
        key = f"{name}, {part}" if part else name
        if isinstance(item.value, Band) and dim is not None:
            low, typ, high = self._bounds(key, item.value)
        elif dim is None and (isinstance(item.value, int) or str(item.value).isdigit()):
            low = typ = high = float(item.value)  # type: ignore[arg-type]
            dim = "ratio"
        elif str(item.value).partition(" in ")[0].casefold() in OFF_WORDS:
            self.missing[f"{name} (set to {item.value}, which is no quantity: switched off)"] = None
            return None
        else:
            self.missing[f"{name} (set to {item.value}, which is no quantity)"] = None
            return None
        about = ("input", symbol, key, id(item))  # which the variable keeps

        def make() -> Variable:
            return Variable(symbol, low, typ, high, dim, origin=item, key=key)

        made = self._taken[symbol, name, part] = self._one(about, make)
        return made

    @contextmanager
    def with_instead(self, names: Mapping[str, tuple[str, str]]) -> Iterator[None]:
        """Inside, `take` gives for each name of the table the (symbol, name) beside it.

        So the losses at the current of a stall are derived as those of operation are.
        """
        before, self._instead = self._instead, names
        try:
            yield
        finally:
            self._instead = before

    def maybe(self, symbol: str, name: str) -> Variable | None:
        """Like `take`, without asking for it when it is not stated."""
        return self.take(symbol, name, optional=True)

    def choice(self, name: str) -> str | None:
        """A choice as text; None (and missing) when it is not stated."""
        item = self._found(name, optional=False)
        return None if item is None else str(item.value)

    def stated(self, *names: str) -> bool:
        """Whether any of these is known (defaults count); nothing is recorded as missing."""
        for name in names:
            self.asked.update(chain(name))
        return any(self.inputs.find(name, optional=True) is not None for name in names)

    def switched_off(self, role: str) -> bool:
        """Whether a switch role is known and off; the check is then missing that function."""
        item = self._found(f"role:{role}", optional=True)
        if item is None or not (item.value == 0 or str(item.value) in OFF_WORDS):
            return False
        self.missing[f"role:{role} (switched off: {item.origin})"] = None
        return True

    def guarding(self, role: str) -> list[FaultTiming]:
        """The faults whose trip the setting of this role decides; the check names it in `watches`."""
        names = chain(f"role:{role}")
        return [f for f in self.facts.faults or () if any(n in names for n in f.decided_by)]

    def disarmed(self, setting: str, *switches: str) -> str:
        """Why the protection with this setting trips on nothing; empty where it can trip.

        It is off by one of its switch roles, by a setting without a number (`off`, `reserved`), or
        because a fault that it raises is masked. A setting that nobody has stated says nothing.
        """
        reasons = []
        for role in (*switches, setting):
            item = self._found(f"role:{role}", optional=True)
            if item is None or isinstance(item.value, Band):
                continue
            text = str(item.value)
            off = item.value == 0 or text.partition(" in ")[0].casefold() in OFF_WORDS
            if off:
                reasons.append(f"switched off ({item.origin})")
            elif role == setting and not text.startswith(NOT_KNOWN):
                reasons.append(f"set to {text}, which is no quantity ({item.origin})")
        masked: dict[str, list[str]] = {}
        for fault in self.guarding(setting):
            if fault.masked_by:
                masked.setdefault(fault.masked_by, []).append(fault.name)
        reasons += [f"{', '.join(names)} masked by {by}" for by, names in masked.items()]
        return "; ".join(reasons)

    def left_to_controller(self, setting: str, mode: str = "") -> str:
        """Why the chip itself switches nothing off; empty where it does.

        The map says so of a fault (`reported_only_when`), or the option's name of a mode does.
        """
        told = dict.fromkeys(f.reported_by for f in self.guarding(setting) if f.reported_by)
        if told:
            return f"only reported while {', '.join(told)}"
        item = self._found(f"role:{mode}", optional=True) if mode else None
        if item is None or str(item.value) not in REPORT_WORDS:
            return ""
        return f"only reported ({item.origin})"

    def retries(self, mode: str) -> bool:
        """Whether the chip tries again by itself after this fault, by its mode's option."""
        item = self._found(f"role:{mode}", optional=True)
        return item is not None and str(item.value).casefold() in RETRY_WORDS

    def no_hazard(self) -> None:
        """There is nothing to judge, as these settings leave no such hazard: a latch does not try again.

        That is no verdict lost, as where what would show the hazard, or end it, is switched off.
        """
        self.inputs.removed = True

    def acts(self, mode: str) -> bool:
        """Whether the chip itself switches off on this fault, by its mode's option."""
        item = self._found(f"role:{mode}", optional=True)
        return item is not None and not (
            item.value == 0
            or str(item.value).partition(" in ")[0].casefold() in OFF_WORDS | REPORT_WORDS
        )

    def protected(
        self, verdict: Verdict, setting: str, *switches: str, acts: str | None = None
    ) -> Verdict:
        """The verdict of a protection: fails, whatever its figures, where nothing protects.

        `acts` is the role of its mode (or "") where the chip itself has to act. A reviewer who
        means it so waives the check in the stage, with the reason.
        """
        reason = self.disarmed(setting, *switches)
        if not reason and acts is not None:
            reason = self.left_to_controller(setting, acts)
        return self.refuse(f"nothing protects here: {reason}") if reason else verdict

    def constant(self, symbol: str, value: float, dim: str, note: str) -> Variable:
        """A number of the check itself, with the reason for it."""
        about = ("constant", symbol, value, dim, note)
        return self._one(about, lambda: Variable(symbol, value, value, value, dim, note=note))

    def typical(self, symbol: str, variable: Variable | None, note: str) -> Variable | None:
        """A variable reduced to its typical value (for differences that move together)."""
        if variable is None:
            return None
        return self._at(symbol, variable, self._typical(variable), "typical", note)

    def highest(self, symbol: str, variable: Variable | None, note: str) -> Variable | None:
        """An input reduced to its highest value, where it says how far something reaches."""
        if variable is None:
            return None
        return self._at(symbol, variable, self._highest(variable), "highest", note)

    def _at(self, symbol: str, variable: Variable, value: Any, end: str, note: str) -> Variable:
        origin, dim = variable.origin, variable.dim
        key = f"{variable.key}, {end}"
        about = (end, symbol, value, dim, id(origin), key, note)

        def make() -> Variable:
            return Variable(symbol, value, value, value, dim, origin=origin, note=note, key=key)

        return self._one(about, make)

    def _typical(self, variable: Variable) -> Any:
        return variable.typ

    def _highest(self, variable: Variable) -> Any:
        return variable.high

    def band(self, symbol: str, band: Band, dim: str, note: str) -> Variable:
        """A quantity that stands in the facts of the map."""
        low, typ, high = self._bounds(f"{symbol}:{note}", band)
        about = ("band", symbol, low, typ, high, dim, note)
        return self._one(about, lambda: Variable(symbol, low, typ, high, dim, note=note))

    def spread(self, symbol: str, low: float, high: float, dim: str, note: str) -> Variable:
        """A band of the check itself, with the reason for it."""
        about, middle = ("spread", symbol, low, high, dim, note), (low + high) / 2
        return self._one(about, lambda: Variable(symbol, low, middle, high, dim, note=note))

    # derivation

    def derive(self, symbol: str, rule: Formula, /, **args: Variable | None) -> Variable | None:
        """A new variable from a formula; None when an argument is missing.

        Raises ImpossibleError when the formula has no value at the typical values.
        """
        present = {name: arg for name, arg in args.items() if arg is not None}
        if len(present) < len(args):
            return None
        key = (symbol, id(rule), *((name, id(arg)) for name, arg in present.items()))
        return self._one(key, lambda: derive(symbol, rule, present))

    # the end

    def less_sure(self, error: float, why: str) -> None:
        """The model may err by this share of the limit here, which is more than elsewhere, because of `why`."""
        self.error = max(self.error, error)
        self.remark(why)

    def remark(self, text: str) -> None:
        """Say this with the verdict, once."""
        if text not in self.extra:
            self.extra.append(text)

    def _end(
        self,
        value: Variable | None,
        lower: Variable | None,
        upper: Variable | None,
        base: Variable | None = None,
    ) -> Verdict:
        asked = self.take("asked margin", "stage:goals.margin")
        share = asked.typ if asked is not None else 0.0
        nothing = lower is None and upper is None
        if value is None or nothing or self.missing:
            for variable in (value, lower, upper):
                if variable is not None:
                    _ = variable.low, variable.high  # which raise where it has no value
            return self._verdict(
                "not_computed", value=value, lower=lower, upper=upper, asked_margin=share
            )
        worst = nearest_limit(value, lower, upper, base)
        if worst.margin != worst.margin or worst.relative != worst.relative:
            # inf - inf is no answer, least of all a yes
            return self._verdict(
                "fails",
                value=value,
                lower=lower,
                upper=upper,
                asked_margin=share,
                relative=float("-inf"),
                reason="numbers beyond any hardware: nothing can be compared",
            )
        if worst.used_up and worst.margin < 0:
            limit = upper if worst.is_upper else lower
            assert limit is not None
            beside = f" beside {base.symbol}" if base is not None else ""
            self.remark(f"no limit can be given there: nothing is left of {limit.symbol}{beside}")
        least = max(share, self.error)
        status = (
            "fails" if worst.margin < 0 else "low_margin" if worst.relative < least else "holds"
        )
        return self._verdict(
            status,
            value=value,
            lower=lower,
            upper=upper,
            margin=worst.margin,
            relative=worst.relative,
            worst_max=worst.is_upper,
            at=worst.at,
            worst=(worst.value, worst.limit),
            asked_margin=share,
        )

    def _verdict(self, status: Any, **parts: Any) -> Verdict:
        return Verdict(
            check=self.about.name,
            title=self.about.title,
            formula=self.about.formula,
            status=status,
            missing=tuple(self.missing),
            asked=tuple(self.asked),
            extra=tuple(self.extra),
            caution=self.about.caution,
            model_error=self.error,
            **parts,
        )

    def at_most(
        self, value: Variable | None, limit: Variable | None, base: Variable | None = None
    ) -> Verdict:
        """The verdict that `value` stays at or below `limit` at its worst corner.

        The relative margin is a share of the limit, or of its distance to `base` where zero of
        the scale means nothing (temperatures; see `nearest_limit`).
        """
        return self._end(value, None, limit, base)

    def at_least(self, value: Variable | None, limit: Variable | None) -> Verdict:
        """The verdict that `value` stays at or above `limit` at its worst corner."""
        return self._end(value, limit, None)

    def within(
        self, value: Variable | None, lower: Variable | None, upper: Variable | None
    ) -> Verdict:
        """The verdict that `value` stays between two limits; one of them may be absent."""
        return self._end(value, lower, upper)

    def refuse(self, reason: str) -> Verdict:
        """A verdict that fails for a reason that no margin expresses, whatever else is missing."""
        self.missing.clear()
        return self._verdict("fails", reason=reason, relative=float("-inf"))
