"""What the supply does for a moment: surges and their clamp, reversal, jump start, negative pulses.

No level is built in: pulses are stated as their open-circuit voltage, source resistance and duration,
as the tests of ISO 7637-2 and ISO 16750-2 define them.
"""

from __future__ import annotations

import math
from typing import Any

from .corner import Variable, any_of, formula, larger, log, smaller
from .inputs import ImpossibleError
from .ratings import RATINGS, weakest
from .registry import Outcome, check
from .supply import LOAD_DUMP_USES, load_dump_level, suppressed_centrally
from .work import Work

CAUTION = (
    "Pulses and levels come from your specification; check the standard's edition and the contract."
)
SURGE = (
    "pulse that decays exponentially behind a resistance, its duration counted to a tenth of its "
    "height (ISO 16750-2, load dump, secondary); circuit theory"
)
_TENTH = math.log(10)


@formula(
    "min({us}, {vc} + {rd} * max(0, {us} - {vc}) / ({ri} + {rd}))",
    "voltage",
    up="vc us rd",
    down="ri",
    source=SURGE
    + "; straight from the breakdown to the rated clamp: Vishay 88446, Microsemi MicroNote 108",
)
def clamped(vc: Any, rd: Any, us: Any, ri: Any) -> Any:
    """Highest voltage behind the suppressor: its breakdown voltage, and its resistance times its current.

    A voltage below the breakdown is what it is: the suppressor does nothing.
    """
    return smaller(us, vc + rd * larger(0.0, us - vc) / (ri + rd))


@formula("max(0, {us} - {vc}) / ({ri} + {rd})", "current", up="us", down="vc ri rd", source=SURGE)
def clamp_current(us: Any, vc: Any, ri: Any, rd: Any) -> Any:
    """Peak current of the suppressor."""
    return larger(0.0, us - vc) / (ri + rd)


@formula("({us} - {vs}) / ({ri} + {rd})", "current", up="us", down="vs ri rd", source=SURGE)
def short_current(us: Any, vs: Any, ri: Any, rd: Any) -> Any:
    """What the pulse above the supply would drive into a short behind both resistances."""
    if any_of(us <= vs):
        raise ImpossibleError("the surge does not exceed the supply")
    return (us - vs) / (ri + rd)


@formula("min(1, ({vc} - {vs}) / ({us} - {vs}))", "ratio", up="vc", down="us vs", source=SURGE)
def share_at_end(vc: Any, vs: Any, us: Any) -> Any:
    """Share of the pulse's height above the supply at which the suppressor stops conducting."""
    if any_of(vc <= vs):
        raise ImpossibleError("the suppressor conducts at the supply already")
    return smaller(1.0, (vc - vs) / (us - vs))


@formula("{td} / ln(10)", "time", up="td", source="definition of the duration, to a tenth")
def time_constant(td: Any) -> Any:
    """Time constant of the pulse."""
    return td / _TENTH


@formula("{a} * {t0} * (1 - {x} + {x} * ln({x}))", "charge", up="a t0", down="x", source=SURGE)
def clamp_charge(a: Any, t0: Any, x: Any) -> Any:
    """Integral of the suppressor's current, a (exp(-t / t0) - x), until it is zero."""
    return a * t0 * (1 - x + x * log(x))


@formula(
    "{vc} * {q} + {rd} * {a}^2 * {t0} * ((1 - {x}^2) / 2 - 2 * {x} * (1 - {x}) - {x}^2 * ln({x}))",
    "energy",
    up="vc q rd a t0",
    down="x",
    source=SURGE,
)
def clamp_energy(vc: Any, q: Any, rd: Any, a: Any, t0: Any, x: Any) -> Any:
    """Energy of one pulse in the suppressor: charge at the breakdown voltage, square in its resistance."""
    squares = (1 - x * x) / 2 - 2 * x * (1 - x) - x * x * log(x)
    return vc * q + rd * a * a * t0 * squares


@formula(
    "{vs} + {vn}",
    "voltage",
    up="vs vn",
    source="the charged DC link on one side, the negative pulse on the other; Kirchhoff's voltage law",
)
def across(vs: Any, vn: Any) -> Any:
    """Voltage across what blocks a reversal, with the DC link still charged."""
    return vs + vn


def _suppressor(work: Work) -> dict[str, Variable | None]:
    return {
        "us": work.take("Us", "stage:surge.voltage"),
        "ri": work.take("Ri", "stage:surge.resistance"),
        "vc": work.take("Vbr", "stage:suppressor.breakdown"),
        "rd": work.take("Rd", "stage:suppressor.resistance"),
    }


SURGE_USES = "stage:surge.voltage stage:surge.resistance stage:suppressor.breakdown stage:suppressor.resistance "


def surge_clamp(work: Work) -> Variable | None:
    return work.derive("Vclamp", clamped, **_suppressor(work))


@check(
    "supply.surge-chip",
    "clamped surge within the chip's absolute maximum",
    "V = Vbr + Rd (Us - Vbr) / (Ri + Rd)",
    SURGE_USES + "chip:supply.max",
    CAUTION,
)
def surge_chip(work: Work) -> Outcome:
    """The voltage that the suppressor lets through against the absolute maximum of the chip."""
    if not work.stated("stage:surge.voltage"):
        return None
    return work.at_most(surge_clamp(work), work.take("Vs,abs", "chip:supply.max"))


@check(
    "supply.surge-mosfet",
    "clamped surge within the MOSFET's drain-source rating",
    "V = Vbr + Rd (Us - Vbr) / (Ri + Rd)",
    SURGE_USES + "stage:mosfet.vds_max",
    CAUTION,
)
def surge_mosfet(work: Work) -> Outcome:
    """The same against the rating of the MOSFETs; what switching adds is supply.load-dump-overshoot."""
    if not work.stated("stage:surge.voltage"):
        return None
    return work.at_most(surge_clamp(work), work.take("Vds,max", "stage:mosfet.vds_max"))


@check(
    "supply.surge-standoff",
    "suppressor silent in operation, at a jump start and in a suppressed load dump",
    "Vbr >= max(Vs, Vjump, Vld of test B)",
    "stage:suppressor.breakdown stage:supply.voltage stage:supply.jump_start " + LOAD_DUMP_USES,
    CAUTION,
)
def standoff(work: Work) -> Outcome:
    """A suppressor that conducts for minutes burns, and so does one that takes over from the central one.

    TI LM749x0-Q1 data sheet, SNOSDE6C, TVS selection: above the jump start's 24 V and the suppressed load
    dump's level. A level that is stated without its test does not tell who takes the load dump.
    """
    if not work.stated("stage:suppressor.breakdown"):
        return None
    limit = work.take("Vs", "stage:supply.voltage")
    jump = work.maybe("Vjump", "stage:supply.jump_start")
    if jump is not None:
        limit = work.derive("Vlong", higher_level, a=limit, b=jump)
    if suppressed_centrally(work):
        limit = work.derive("Vlong", higher_level, a=limit, b=load_dump_level(work))
    return work.at_least(work.take("Vbr", "stage:suppressor.breakdown"), limit)


@formula("max({a}, {b})", "voltage", up="a b", source="the higher of both")
def higher_level(a: Any, b: Any) -> Any:
    """The highest voltage that may last."""
    return larger(a, b)


@check(
    "supply.surge-energy",
    "energy of a surge in the suppressor",
    "E = int (Vbr + Rd i) i dt, i = (u(t) - Vbr) / (Ri + Rd), u = Vs + (Us - Vs) 10^(-t / td)",
    SURGE_USES + "stage:surge.duration stage:supply.voltage stage:suppressor.energy",
    CAUTION,
)
def surge_energy(work: Work) -> Outcome:
    """One pulse against the rating for that duration; repeated pulses need time to cool."""
    if not work.stated("stage:surge.voltage"):
        return None
    parts, vs = _suppressor(work), work.take("Vs", "stage:supply.voltage")
    us, vc, rd = parts["us"], parts["vc"], parts["rd"]
    a = work.derive("a", short_current, us=us, vs=vs, ri=parts["ri"], rd=rd)
    x = work.derive("x", share_at_end, vc=vc, vs=vs, us=us)
    t0 = work.derive("t0", time_constant, td=work.take("td", "stage:surge.duration"))
    q = work.derive("Q", clamp_charge, a=a, t0=t0, x=x)
    value = work.derive("E", clamp_energy, vc=vc, q=q, rd=rd, a=a, t0=t0, x=x)
    return work.at_most(value, work.take("rating", "stage:suppressor.energy"))


@check(
    "supply.surge-current",
    "peak current of a surge in the suppressor",
    "I = (Us - Vbr) / (Ri + Rd)",
    SURGE_USES + "stage:suppressor.current",
    CAUTION,
)
def surge_current(work: Work) -> Outcome:
    """The peak against the suppressor's rating."""
    if not work.stated("stage:suppressor.current"):
        return None
    value = work.derive("I", clamp_current, **_suppressor(work))
    return work.at_most(value, work.take("rating", "stage:suppressor.current"))


@check(
    "supply.jump-start",
    "jump start within the weakest rating on the supply",
    "Vjump <= the lowest of Vs,abs, Vds,max, Vc,max",
    "stage:supply.jump_start " + RATINGS,
    CAUTION,
)
def jump_start(work: Work) -> Outcome:
    """A second battery in series, for minutes."""
    if not work.stated("stage:supply.jump_start"):
        return None
    return work.at_most(work.take("Vjump", "stage:supply.jump_start"), weakest(work))


@check(
    "supply.reverse",
    "reversed battery blocked",
    "V = Vs + Vrev <= rating",
    "stage:supply.reverse stage:supply.voltage stage:supply.blocking",
    CAUTION,
)
def reverse(work: Work) -> Outcome:
    """The battery reversed while the DC link is still charged, against what blocks it.

    Without a blocking part the body diodes of the bridge conduct, and nothing limits the current.
    """
    return _blocked(work, "stage:supply.reverse")


@check(
    "supply.negative-pulse",
    "negative pulse blocked",
    "V = Vs + Vneg <= rating",
    "stage:supply.negative_pulse stage:supply.voltage stage:supply.blocking",
    CAUTION,
)
def negative_pulse(work: Work) -> Outcome:
    """A negative pulse of the supply (as an inductive load beside makes it) on a charged DC link."""
    return _blocked(work, "stage:supply.negative_pulse")


def _blocked(work: Work, name: str) -> Outcome:
    if not work.stated(name):
        return None
    value = work.derive(
        "V", across, vs=work.take("Vs", "stage:supply.voltage"), vn=work.take("Vneg", name)
    )
    return work.at_most(value, work.take("rating", "stage:supply.blocking"))
