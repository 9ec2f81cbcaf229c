"""The bench on which one check is worked out.

A check takes its inputs by name, derives variables from them with formulas, and ends by holding
one variable against a limit. Whatever is missing travels through the derivation as None, so that
one run names everything a check still needs.

`Sampler` is the same bench with random draws instead of bands: a check worked on it gives arrays,
which is how tests prove that no draw leaves the bounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..parameters import NOT_KNOWN, OFF_WORDS, REPORT_WORDS
from ..quantity import Band
from .corner import Formula, Variable, derive
from .inputs import Facts, FaultTiming, ImpossibleError, Input, Inputs, chain, parameter
from .verdict import CAUTION, Extra, Verdict

if TYPE_CHECKING:
    import numpy


@dataclass(frozen=True, slots=True)
class About:
    """Name, title and formula text of the check being worked."""

    name: str
    title: str
    formula: str
    caution: str = CAUTION


class Work:
    """One check over one set of inputs."""

    def __init__(self, about: About, inputs: Inputs) -> None:
        self.about, self.inputs = about, inputs
        self.asked: dict[str, None] = {}
        self.missing: dict[str, None] = {}
        self.extra: list[Extra] = []
        self._taken: dict[tuple[str, str], Variable] = {}

    def branch(self, about: About) -> Work:
        """A fresh bench over the same inputs, for one verdict of a check that gives several."""
        return type(self)(about, self.inputs)

    @property
    def facts(self) -> Facts:
        """The facts of the map."""
        return self.inputs.facts

    # inputs

    def _bounds(self, item: Input) -> tuple[Any, Any, Any]:
        assert isinstance(item.value, Band)
        return item.value.floats()

    def _found(self, name: str, *, optional: bool) -> Input | None:
        self.asked.update(chain(name))
        item = self.inputs.find(name, optional=optional)
        if item is None and not optional:
            self.missing[name] = None
        return item

    def take(self, symbol: str, name: str, *, optional: bool = False) -> Variable | None:
        """A quantity or count by name; None when it is missing, which is recorded unless optional.

        A setting that stands at an option without a number is missing too, and says so.
        """
        taken = self._taken.get((symbol, name))
        if taken is not None:
            return taken
        item = self._found(name, optional=optional)
        if item is None:
            return None
        dim = parameter(item.name).dimension
        if isinstance(item.value, Band) and dim is not None:
            low, typ, high = self._bounds(item)
        elif dim is None and (isinstance(item.value, int) or str(item.value).isdigit()):
            low = typ = high = float(item.value)  # type: ignore[arg-type]
            dim = "ratio"
        elif str(item.value).partition(" in ")[0].casefold() in OFF_WORDS:
            self.missing[f"{name} (set to {item.value}, which is no quantity: switched off)"] = None
            return None
        else:
            self.missing[f"{name} (set to {item.value}, which is no quantity)"] = None
            return None
        made = self._taken[symbol, name] = Variable(symbol, low, typ, high, dim, origin=item)
        return made

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
        return Variable(symbol, value, value, value, dim, note=note)

    def typical(self, symbol: str, variable: Variable | None, note: str) -> Variable | None:
        """A variable reduced to its typical value (for differences that move together)."""
        if variable is None:
            return None
        middle = self._typical(variable)
        return Variable(
            symbol, middle, middle, middle, variable.dim, origin=variable.origin, note=note
        )

    def _typical(self, variable: Variable) -> Any:
        return variable.typ

    def band(self, symbol: str, band: Band, dim: str, note: str) -> Variable:
        """A quantity that stands in the facts of the map."""
        low, typ, high = band.floats()
        return Variable(symbol, low, typ, high, dim, note=note)

    def spread(self, symbol: str, low: float, high: float, dim: str, note: str) -> Variable:
        """A band of the check itself, with the reason for it."""
        return Variable(symbol, low, (low + high) / 2, high, dim, note=note)

    # derivation

    def derive(self, symbol: str, rule: Formula, /, **args: Variable | None) -> Variable | None:
        """A new variable from a formula; None when an argument is missing.

        Raises ImpossibleError when the formula has no value in the box.
        """
        present = {name: arg for name, arg in args.items() if arg is not None}
        if len(present) < len(args):
            return None
        return derive(symbol, rule, present)

    # the end

    def _margin(
        self, lower: Variable | None, upper: Variable | None, value: Variable, base: Variable | None
    ) -> tuple[float, float, bool]:
        """(margin, relative, whether the upper limit decides), for the nearer limit."""
        found: list[tuple[float, float, bool]] = []
        if lower is not None:
            distance = value.low - lower.high
            span = abs(lower.high - base.low) if base is not None else abs(lower.high)
            found.append((distance / span if span else _sign(distance), distance, False))
        if upper is not None:
            distance = upper.low - value.high
            span = abs(upper.low - base.high) if base is not None else abs(upper.low)
            found.append((distance / span if span else _sign(distance), distance, True))
        relative, distance, is_upper = min(found)
        if abs(relative) < 1e-9:  # exactly on the limit, but for the rounding of floats
            return 0.0, 0.0, is_upper
        return distance, relative, is_upper

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
            return self._verdict(
                "not_computed", value=value, lower=lower, upper=upper, asked_margin=share
            )
        margin, relative, is_upper = self._margin(lower, upper, value, base)
        if margin != margin or relative != relative:  # inf - inf is no answer, least of all a yes
            return self._verdict(
                "fails",
                value=value,
                lower=lower,
                upper=upper,
                asked_margin=share,
                relative=float("-inf"),
                reason="numbers beyond any hardware: nothing can be compared",
            )
        status = "fails" if margin < 0 else "low_margin" if relative < share else "holds"
        return self._verdict(
            status,
            value=value,
            lower=lower,
            upper=upper,
            margin=margin,
            relative=relative,
            worst_max=is_upper,
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
            **parts,
        )

    def at_most(
        self, value: Variable | None, limit: Variable | None, base: Variable | None = None
    ) -> Verdict:
        """The verdict that `value` stays at or below `limit` at its worst corner.

        The relative margin is a share of the limit, or of its distance to `base` where zero of
        the scale means nothing (temperatures).
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


def _sign(distance: float) -> float:
    """Relative distance to a limit of zero: all or nothing."""
    return float("inf") if distance >= 0 else float("-inf")


class Sampler(Work):
    """The bench with `count` random draws for every input, uniform between its min and max.

    Every input has one array of draws, whichever variables use it. The verdict's `value`, `lower`
    and `upper` then hold arrays; its status means nothing.
    """

    def __init__(self, about: About, inputs: Inputs, count: int, seed: int) -> None:
        super().__init__(about, inputs)
        import numpy

        self._seed = seed
        self._random = numpy.random.default_rng(seed)
        self._count = count
        self._draws: dict[str, numpy.ndarray[Any, Any]] = {}

    def branch(self, about: About) -> Work:
        return Sampler(about, self.inputs, self._count, self._seed)

    def _draw(self, key: str, low: float, high: float) -> Any:
        if low == high:
            return low
        if key not in self._draws:
            draws = self._random.uniform(low, high, self._count)
            # A quarter of the draws at the very ends: corners are where bounds are tested.
            edge = self._random.integers(0, 8, self._count)
            draws[edge == 0], draws[edge == 1] = low, high
            self._draws[key] = draws
        return self._draws[key]

    def _bounds(self, item: Input) -> tuple[Any, Any, Any]:
        low, _, high = super()._bounds(item)
        drawn = self._draw(item.name, low, high)
        return drawn, drawn, drawn

    def _typical(self, variable: Variable) -> Any:
        item = variable.origin
        assert item is not None
        assert isinstance(item.value, Band)
        return float(item.value.typ)

    def band(self, symbol: str, band: Band, dim: str, note: str) -> Variable:
        low, _, high = band.floats()
        drawn = self._draw(f"{symbol}:{note}", low, high)
        return Variable(symbol, drawn, drawn, drawn, dim, note=note)

    def spread(self, symbol: str, low: float, high: float, dim: str, note: str) -> Variable:
        drawn = self._draw(f"{symbol}:{note}", low, high)
        return Variable(symbol, drawn, drawn, drawn, dim, note=note)

    def derive(self, symbol: str, rule: Formula, /, **args: Variable | None) -> Variable | None:
        values = {name: arg.typ for name, arg in args.items() if arg is not None}
        if len(values) < len(args):
            return None
        try:
            drawn = rule.function(**values)
        except ZeroDivisionError:
            raise ImpossibleError(f"{symbol} has no value") from None
        return Variable(symbol, drawn, drawn, drawn, rule.dim, formula=rule)

    def _end(
        self,
        value: Variable | None,
        lower: Variable | None,
        upper: Variable | None,
        base: Variable | None = None,  # noqa: ARG002 (the interval bench uses it)
    ) -> Verdict:
        return self._verdict("not_computed", value=value, lower=lower, upper=upper)
