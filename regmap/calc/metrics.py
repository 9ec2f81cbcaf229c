"""Hardware metrics of ISO 26262-5 from the failure modes that the stage states.

    rate (1 - safe) = violates the safety goal unless covered
        ... (1 - coverage)                    single-point or residual
        ... coverage (1 - latent coverage)    latent: a second fault finds the mechanism gone

A coverage that rests on faults of the chip counts only while this configuration lets them through.
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, formula
from .inputs import FailureMode, ImpossibleError
from .registry import Outcome, check
from .work import Work

CAUTION = (
    "Rates, safe shares and coverages are yours to justify; the safety analysis, its assessment and "
    "the targets stay with qualified, licensed practice."
)
SOURCE = "ISO 26262-5:2018, annex C (as quoted in secondary sources)"


@formula(
    "{rate} * (1 - {safe}) * (1 - {dc})", "failure rate", up="rate", down="safe dc", source=SOURCE
)
def residual(rate: Any, safe: Any, dc: Any) -> Any:
    """Single-point and residual part of a failure rate."""
    return rate * (1 - safe) * (1 - dc)


@formula("{rate} * (1 - {safe}) * {dc}", "failure rate", up="rate dc", down="safe", source=SOURCE)
def multiple(rate: Any, safe: Any, dc: Any) -> Any:
    """Part that violates the safety goal only together with a second fault."""
    return rate * (1 - safe) * dc


@formula("{multi} * (1 - {dcl})", "failure rate", up="multi", down="dcl", source=SOURCE)
def latent(multi: Any, dcl: Any) -> Any:
    """Part of it that nobody notices before the second fault."""
    return multi * (1 - dcl)


@formula("{a} + {b}", "failure rate", up="a b", source="independent failures: rates add up")
def together(a: Any, b: Any) -> Any:
    """Rates of two failure modes."""
    return a + b


@formula("1 - {rf} / {all}", "percent", up="all", down="rf", source=SOURCE)
def single_point_metric(rf: Any, all: Any) -> Any:  # noqa: A002 (the formula's own symbol)
    """Share of the failure rate that is neither single-point nor residual."""
    return 1 - rf / all


@formula("1 - {lat} / ({all} - {rf})", "percent", up="all", down="lat rf", source=SOURCE)
def latent_metric(lat: Any, rf: Any, all: Any) -> Any:  # noqa: A002
    """Share of the rest that is not latent."""
    if any_of(all <= rf):
        raise ImpossibleError("no failure is covered: there is nothing that could be latent")
    return 1 - lat / (all - rf)


@formula(
    "{rf} + {lat} * {multi} * {life}",
    "failure rate",
    up="rf lat multi life",
    source="ISO 26262-10, simplified: residual rate, and pairs of a latent and any other covered "
    "fault over the lifetime (from memory; every pair counts, which errs on the safe side)",
)
def violation_rate(rf: Any, lat: Any, multi: Any, life: Any) -> Any:
    """Rate at which random hardware failures violate the safety goal."""
    return rf + lat * multi * life


def _sum(work: Work, symbol: str, parts: list[Variable | None]) -> Variable | None:
    total = parts[0]
    for part in parts[1:]:
        total = work.derive(symbol, together, a=total, b=part)
    return total


def _parts(work: Work) -> dict[str, Variable | None]:
    """Sums over all modes: the whole rate, the residual, the multiple and the latent part."""
    columns: dict[str, list[Variable | None]] = {"all": [], "rf": [], "multi": [], "lat": []}
    for mode in work.facts.failure_modes:
        rate, safe, dc, dcl = (
            _take(work, mode, key) for key in ("rate", "safe", "coverage", "latent_coverage")
        )
        columns["all"].append(rate)
        columns["rf"].append(work.derive(f"RF,{mode.name}", residual, rate=rate, safe=safe, dc=dc))
        multi = work.derive(f"MPF,{mode.name}", multiple, rate=rate, safe=safe, dc=dc)
        columns["multi"].append(multi)
        columns["lat"].append(work.derive(f"L,{mode.name}", latent, multi=multi, dcl=dcl))
        if mode.uncovered:
            work.extra.append(f"{mode.name}: its coverage counts nothing, {mode.uncovered}")
    return {name: _sum(work, f"sum {name}", parts) for name, parts in columns.items()}


def _take(work: Work, mode: FailureMode, key: str) -> Variable:
    words = {
        "rate": "failure rate",
        "safe": "percent",
        "coverage": "percent",
        "latent_coverage": "percent",
    }
    if key == "coverage" and mode.uncovered:
        return work.constant(f"{key},{mode.name}", 0.0, "percent", mode.uncovered)
    where = f"{mode.origin}, failure mode {mode.name}"
    return work.band(f"{key},{mode.name}", getattr(mode, key), words[key], where)


@check(
    "safety.spfm",
    "single-point fault metric",
    "SPFM = 1 - sum(rate (1 - safe) (1 - coverage)) / sum(rate)",
    "stage:limits.spfm",
    CAUTION,
)
def spfm(work: Work) -> Outcome:
    """Share of the failure rate that no single fault turns into a violation."""
    if not work.facts.failure_modes:
        return None
    parts = _parts(work)
    value = work.derive("SPFM", single_point_metric, rf=parts["rf"], all=parts["all"])
    return work.at_least(value, work.take("target", "stage:limits.spfm"))


@check(
    "safety.lfm",
    "latent fault metric",
    "LFM = 1 - sum(rate (1 - safe) coverage (1 - latent)) / (sum(rate) - sum(residual))",
    "stage:limits.lfm",
    CAUTION,
)
def lfm(work: Work) -> Outcome:
    """Share of the rest that does not wait unnoticed for a second fault."""
    if not work.facts.failure_modes:
        return None
    parts = _parts(work)
    value = work.derive("LFM", latent_metric, lat=parts["lat"], rf=parts["rf"], all=parts["all"])
    return work.at_least(value, work.take("target", "stage:limits.lfm"))


@check(
    "safety.pmhf",
    "rate of violations by random hardware failures",
    "PMHF = sum(residual) + sum(latent) sum(covered) lifetime",
    "stage:limits.pmhf stage:safety.lifetime",
    CAUTION,
)
def pmhf(work: Work) -> Outcome:
    """Residual failures at once, and pairs of faults over the lifetime."""
    if not work.facts.failure_modes:
        return None
    parts = _parts(work)
    value = work.derive(
        "PMHF",
        violation_rate,
        rf=parts["rf"],
        lat=parts["lat"],
        multi=parts["multi"],
        life=work.take("lifetime", "stage:safety.lifetime"),
    )
    return work.at_most(value, work.take("target", "stage:limits.pmhf"))
