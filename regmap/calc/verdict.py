"""Verdicts: what a check found, with everything a reviewer needs to follow it.

A verdict is cheap to make and renders its texts on demand, because a search over settings makes
thousands of them and reads only their margins.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Literal

from regmap.record import dataclass, fields

from ..cautions import CAUTION
from ..quantity import base_unit
from .corner import Point, Variable, corner_names, show_value
from .inputs import describe

Status = Literal["holds", "low_margin", "fails", "not_computed"]
#: What a derivation shows beside its variables; lines are made when they are read.
Extra = Variable | str | Callable[[], list[str]]
Relation = Literal["at most", "at least", "within"]

#: What a person reads for a status.
WORDS: dict[str, str] = {
    "fails": "FAILS",
    "low_margin": "low margin",
    "not_computed": "not computed",
    "holds": "holds",
}


def tally(counts: Mapping[str, int]) -> str:
    """How many verdicts of each status, in one line: `7 hold, 1 low margin, 0 fail, 2 not computed`."""
    return (
        f"{counts['holds']} hold, {counts['low_margin']} low margin, {counts['fails']} fail, "
        f"{counts['not_computed']} not computed"
    )


_ORDER: dict[str, int] = {"fails": 0, "low_margin": 1, "not_computed": 2, "holds": 3}


@dataclass(frozen=True, slots=True)
class Citation:
    """One formula of a derivation (`symbol` = `formula`) and the publication that states it."""

    symbol: str
    formula: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The outcome of one check.

    `value` is held against `lower` and `upper` (either may be None). `margin` is the distance from
    the worst corner to the nearer limit, in the base unit of the value and negative when violated;
    `relative` is that distance as a share of the limit (or of what the check says instead; of a limit that is exceeded more
    than fiftyfold, of a fiftieth of the value), -inf when there is no working point at all. `at` are the inputs' values at the worst corner and
    `worst` what value and limit are there; that corner can exist, so where both share an input they
    need not be the ends of their bands. `missing` names the inputs without which nothing could
    be said; `reason` explains a verdict that no number explains. `asked` are all inputs the check
    looked up, with all that could stand in for them, found or not: what is not in it cannot move
    this verdict. `of_facts` tells that the check looked at the facts of the map. `caution` belongs to every result.
    """

    check: str
    title: str
    status: Status
    formula: str = ""
    value: Variable | None = None
    lower: Variable | None = None
    upper: Variable | None = None
    margin: float | None = None
    relative: float | None = None
    asked_margin: float = 0.0
    model_error: float = 0.0
    worst_max: bool | None = None
    at: Point | None = None
    worst: tuple[float, float] | None = None
    missing: tuple[str, ...] = ()
    reason: str = ""
    asked: tuple[str, ...] = ()
    of_facts: bool = False
    extra: tuple[Extra, ...] = ()
    caution: str = CAUTION

    @property
    def relation(self) -> Relation:
        """How the value must stand to its limit."""
        if self.lower is not None and self.upper is not None:
            return "within"
        return "at least" if self.upper is None and self.lower is not None else "at most"

    @property
    def limit(self) -> Variable | None:
        """The limit that decides: the nearer one when there are two."""
        if self.lower is None or self.upper is None:
            return self.upper if self.lower is None else self.lower
        return self.upper if self.worst_max else self.lower

    @property
    def corner(self) -> str:
        """The corner at which the value is worst, as `Qgd max, Isource min`."""
        if self.value is None or self.at is None:
            return ""
        return ", ".join(corner_names(self.at, self.value, self.limit))

    @property
    def worst_value(self) -> str:
        """The value at the worst corner with its unit; the whole band where nothing was compared."""
        if self.value is None:
            return ""
        return (
            self.value.text() if self.worst is None else show_value(self.worst[0], self.value.dim)
        )

    @property
    def worst_limit(self) -> str:
        """The limit at the worst corner with its unit, or its nearer end where nothing was compared."""
        limit = self.limit
        if limit is None:
            return ""
        if self.worst is None:
            return limit.text("min" if self.relation == "at most" else "max")
        return show_value(self.worst[1], limit.dim)

    def _roots(self) -> list[Variable]:
        roots = [v for v in (self.value, self.lower, self.upper) if v is not None]
        return roots + [v for v in self.extra if isinstance(v, Variable)]

    def variables(self) -> list[Variable]:
        """Every variable of the derivation, sources first, each once."""
        seen: dict[int, Variable] = {}
        for root in self._roots():
            for variable in root.tree():
                seen.setdefault(id(variable), variable)
        return list(seen.values())

    @property
    def inputs(self) -> list[Variable]:
        """The inputs of the derivation; `origin` of each says where it came from."""
        return [v for v in self.variables() if v.formula is None]

    @property
    def sources(self) -> list[Citation]:
        """Every formula of the derivation with its source, each once, in the order of the steps."""
        found: dict[Citation, None] = {}
        for variable in self.variables():
            if variable.formula is not None:
                text = variable.formula.write({n: a.symbol for n, a in variable.args.items()})
                found[Citation(variable.symbol, text, variable.formula.source)] = None
        return list(found)

    @property
    def steps(self) -> list[str]:
        """The derivation with numbers put in, one line each."""
        lines: list[str] = []
        shown: set[tuple[str, ...]] = set()
        for variable in self.variables():
            worst = self.worst_max if variable is self.value else None
            step = variable.step(worst_max=worst, at=self.at)
            if step and step not in shown:
                shown.add(step)
                lines.extend(step)
        for extra in self.extra:
            if isinstance(extra, str):
                lines.append(extra)
            elif not isinstance(extra, Variable):
                lines.extend(extra())
        if self.reason:
            lines.append(self.reason)
        if self.value is not None and self.limit is not None:
            lines.append(self.sentence())
        return lines

    def sentence(self) -> str:
        """The comparison in words, worst value against limit."""
        if self.value is None:
            return self.reason or f"{self.title}: not computed"
        limit, worst = self.limit, "max" if self.worst_max else "min"
        if limit is None:
            return f"{self.value.symbol} = {self.value.text()}; no limit stated"
        relation = "at most" if self.worst_max else "at least"
        share = (
            ""
            if self.relative is None or not math.isfinite(self.relative)
            else (
                f" ({show_value(self.relative, 'percent', 3)}; "
                f"{show_value(self.asked_margin, 'percent', 3)} asked"
                f"{self._model()})"
            )
        )
        margin = show_value(self.margin or 0.0, self.value.dim, 3)
        return (
            f"{self.value.symbol} {worst} {self.worst_value} must be {relation} "
            f"{limit.symbol} {self.worst_limit}: "
            f"margin {margin}{share}: {self.status.replace('_', ' ')}"
        )

    def _model(self) -> str:
        if not self.model_error:
            return ""
        return f"; the model may err by {show_value(self.model_error, 'percent', 3)} of the limit"

    def json(self) -> dict[str, object]:
        """A plain object for `--json`; numbers in base units, infinities as null."""
        return {
            "check": self.check,
            "title": self.title,
            "status": self.status,
            "formula": self.formula,
            "relation": self.relation,
            "value": _plain(self.value),
            "lower": _plain(self.lower),
            "upper": _plain(self.upper),
            "margin": _finite(self.margin),
            "relative_margin": _finite(self.relative),
            "asked_margin": self.asked_margin,
            "model_error": self.model_error,
            "corner": self.corner,
            "corner_values": dict(self.at or {}),
            "inputs": [
                {
                    **(_plain(v) or {}),
                    "name": v.origin.name if v.origin else "",
                    "origin": v.origin.origin if v.origin else v.note,
                    "note": v.origin.note if v.origin else "",
                }
                for v in self.inputs
            ],
            "missing": [{"name": name, "what": describe(name)} for name in self.missing],
            "steps": self.steps,
            "sources": [{f.name: getattr(s, f.name) for f in fields(s)} for s in self.sources],
            "reason": self.reason,
            "caution": self.caution,
        }


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _plain(variable: Variable | None) -> dict[str, Any] | None:
    if variable is None:
        return None
    return {
        "symbol": variable.symbol,
        "min": _finite(variable.low),
        "typ": _finite(variable.typ),
        "max": _finite(variable.high),
        "unit": base_unit(variable.dim) if variable.dim != "percent" else "1",
        "text": variable.text(),
    }


def rank(verdict: Verdict) -> tuple[int, float, str]:
    """Sort key for worst first: failed, low margin, not computed, holding; each by margin."""
    relative = verdict.relative
    return _ORDER[verdict.status], math.inf if relative is None else relative, verdict.check


def fold_sides(verdicts: list[Verdict]) -> list[tuple[str, str, Verdict]]:
    """(name, title, verdict) with a high and a low side of equal figures as one row.

    The order is kept; a folded row has the name without its side.
    """
    by_name = {v.check: v for v in verdicts}
    rows = []
    for verdict in verdicts:
        stem, _, side = verdict.check.rpartition(".")
        other = by_name.get(f"{stem}.{'low' if side == 'high' else 'high'}")
        if side not in ("high", "low") or other is None or not _alike(verdict, other):
            rows.append((verdict.check, verdict.title, verdict))
        elif side == "high":
            title = verdict.title.removesuffix(", high side")
            rows.append((stem, f"{title}, both sides", verdict))
    return rows


def _alike(one: Verdict, two: Verdict) -> bool:
    """Whether a row says the same of both: what is typical, and what was compared (else the whole bands)."""

    def figures(v: Verdict) -> tuple[object, ...]:
        parts = [b for b in (v.value, v.lower, v.upper) if b is not None]
        bands = [(b.symbol, b.typ) if v.worst else (b.low, b.typ, b.high) for b in parts]
        asked = tuple(name.replace(".high", "").replace(".low", "") for name in v.missing)
        return v.status, bands, v.margin, v.worst, v.worst_max, asked, v.reason

    return figures(one) == figures(two)


def worst_first(verdicts: list[Verdict]) -> list[Verdict]:
    """The verdicts, worst first."""
    return sorted(verdicts, key=rank)
