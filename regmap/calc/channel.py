"""The channel of the one MOSFET: its threshold, and how far above it the gate carries the load's current.

    plateau = threshold + overdrive

Threshold and overdrive are the two independent inputs; the plateau follows the threshold from part to
part. What a data sheet states as two bands are pairs of one part each (min and min, typ and typ, max and
max): the overdrive takes any value between those that the pairs give, at any threshold, so that the plateau may
stand beyond its stated band by as much as the pairs differ. A plateau without a band of its own is the typical
part's.

Both hold at 25 degC and at the current of the data sheet. Where the drift of the threshold is stated, they
are carried over the junction's temperatures: the threshold falls in a straight line, and the overdrive
grows with the root of the on-resistance, as both hang on the carriers' mobility. Where the data sheet's
test current is stated, the overdrive is carried to the load's by the square law.
"""

from __future__ import annotations

from typing import Any

from ..quantity import Band
from .corner import Variable, any_of, formula
from .inputs import ImpossibleError
from .work import Work

MODEL = (
    "gate-charge model with a square-law channel: Vishay AN608 and TI SLUA618 (from memory); "
    "held to ngspice by test"
)
FOLLOWS = (
    "the plateau follows the threshold from part to part, Vpl = Vth + Vov: Vov is what the stated pairs give "
    "(min and min, typ and typ, max and max)"
)
TYPICAL = (
    "typical values, as only one of both voltages has a band: the plateau follows the threshold"
)
PAIRS = "difference of the stated pairs"
MET = "any temperature from the lowest ambient to the highest junction"
AT_25 = (
    "threshold and plateau as at 25 degC: stated mosfet.vth_tempco carries them over temperature"
)
OVER_TEMPERATURE = "threshold and plateau over all junction temperatures met, each at its worst"
OWN_CURRENT = "plateau taken to be measured at the stage's own current: state mosfet.test.current to carry it there"
#: What the functions below may look up, for the lists of the checks.
CHANNEL_USES = (
    "stage:mosfet.vth stage:mosfet.plateau stage:mosfet.vth_tempco stage:mosfet.rdson_tempco "
    "stage:mosfet.temperature stage:temperature.ambient stage:mosfet.tj_max "
    "stage:mosfet.test.current stage:motor.current.peak "
)


@formula("{vpl} - {vth}", "voltage", up="vpl", down="vth", source=MODEL)
def overdrive_of(vpl: Any, vth: Any) -> Any:
    """How far a plateau stands above its threshold."""
    return vpl - vth


@formula("{vth} + {vov}", "voltage", up="vth vov", source="definition of the overdrive")
def level_at(vth: Any, vov: Any) -> Any:
    """Gate voltage at which the channel carries it."""
    return vth + vov


@formula(
    "{vov} * sqrt({i} / {ipk})",
    "voltage",
    up="vov i",
    down="ipk",
    source="square law, Id = k (Vgs - Vth)^2",
)
def overdrive_at(vov: Any, i: Any, ipk: Any) -> Any:
    """Overdrive at which the channel carries a current."""
    return vov * (i / ipk) ** 0.5


@formula(
    "{tc} * ({tj} - 25)",
    "voltage",
    either="tc tj",
    source="linear drift of the threshold; common practice, no source",
)
def threshold_drift(tc: Any, tj: Any) -> Any:
    """How far a junction temperature in degC moves the threshold."""
    return tc * (tj - 25)


@formula("{vth} + {d}", "voltage", up="vth d", source="sum")
def moved_threshold(vth: Any, d: Any) -> Any:
    """Threshold with its drift."""
    if any_of(vth + d <= 0):
        raise ImpossibleError("the threshold falls to zero at the highest junction temperature")
    return vth + d


@formula(
    "{vov} * sqrt(1 + {a} * ({tj} - 25))",
    "voltage",
    up="vov",
    either="a tj",
    source="square law with k by the mobility that the rise of the on-resistance tells; common practice, no source",
)
def warm_overdrive(vov: Any, a: Any, tj: Any) -> Any:
    """Overdrive of the same current at a junction temperature in degC."""
    factor = 1 + a * (tj - 25)
    if any_of(factor <= 0):
        raise ImpossibleError("the on-resistance falls to zero at the lowest temperature")
    return vov * factor**0.5


def junction_range(work: Work) -> Variable | None:
    """Junction temperatures met: stated, or from the lowest ambient to the highest permitted."""
    stated = work.maybe("Tj", "stage:mosfet.temperature")
    if stated is not None:
        return stated
    cold = work.take("Ta", "stage:temperature.ambient")
    hot = work.take("Tj,max", "stage:mosfet.tj_max")
    if cold is None or hot is None:
        return None
    least, most = _stated_band(cold), _stated_band(hot)
    met = Band(least.low, (least.typ + most.typ) / 2, most.high, least.dim)
    return work.band("Tj", met, "temperature", MET)


#: The other switch of the half-bridge: what of it spreads apart from the driven one, and its mark in symbols.
HELD, HELD_CHANNEL = "the held switch", "the held switch's channel"
_MARKS = {"": "", HELD: ",held", HELD_CHANNEL: ",off"}


def stated_threshold(work: Work, part: str = "", *, optional: bool = False) -> Variable | None:
    """The threshold at 25 degC; `part` where it is another one than the switch that is driven."""
    return work.take("Vth" + _MARKS[part], "stage:mosfet.vth", part=part, optional=optional)


def stated_overdrive(work: Work, part: str = "") -> Variable | None:
    """The overdrive at 25 degC and the data sheet's current, as the stated pairs give it."""
    vth = stated_threshold(work, part)
    vpl = work.take("Vpl" + _MARKS[part], "stage:mosfet.plateau", part=part)
    if vth is None or vpl is None:
        return None
    one, two = _stated_band(vth), _stated_band(vpl)
    symbol, end = "Vov" + _MARKS[part], f" {part}" if part else ""
    if one.exact and two.exact:
        _above(two.typ - one.typ)
        return work.derive(symbol, overdrive_of, vpl=vpl, vth=vth)
    if two.exact:
        _above(two.typ - one.typ)
        return work.constant(symbol, float(two.typ - one.typ), "voltage", TYPICAL + end)
    pairs = [two.low - one.low, two.typ - one.typ, two.high - one.high]
    least, most = min(pairs), max(pairs)
    _above(least)
    work.remark(FOLLOWS)
    if least == most:
        return work.constant(symbol, float(pairs[1]), "voltage", PAIRS + end)
    return work.band(symbol, Band(least, pairs[1], most, two.dim), "voltage", PAIRS + end)


def _stated_band(variable: Variable) -> Band:
    item = variable.origin
    assert item is not None
    assert isinstance(item.value, Band)
    return item.value


def _above(overdrive: Any) -> None:
    if overdrive <= 0:
        raise ImpossibleError(
            "the plateau voltage is not above the threshold voltage, min and min, typ and typ, or max and max"
        )


def stated_plateau(work: Work, part: str = "", *, optional: bool = False) -> Variable | None:
    """The plateau at 25 degC and the data sheet's current; the stated one alone where no threshold is."""
    symbol = "Vpl" + _MARKS[part]
    vpl = work.take(symbol, "stage:mosfet.plateau", part=part, optional=optional)
    vth = stated_threshold(work, part, optional=True)
    if vpl is None or vth is None or (_stated_band(vpl).exact and _stated_band(vth).exact):
        return vpl
    return work.derive(symbol, level_at, vth=vth, vov=stated_overdrive(work, part))


def drifts(work: Work) -> bool:
    """Whether threshold and plateau are carried over temperature."""
    named = "stage:mosfet.vth_tempco"
    work.stated(named)
    known = work.stated("stage:mosfet.temperature") or (
        work.stated("stage:temperature.ambient") and work.stated("stage:mosfet.tj_max")
    )
    # the default is good for a limit, but a model that nobody asked for would hang on it
    found = named in work.inputs and known
    work.remark(OVER_TEMPERATURE if found else AT_25)
    return found


def carried_current(work: Work) -> bool:
    """Whether the plateau is carried from the data sheet's current to the load's."""
    found = work.stated("stage:mosfet.test.current")
    if not found:
        work.remark(OWN_CURRENT)
    return found


def threshold(work: Work) -> Variable | None:
    """The threshold at the junction temperatures met."""
    vth = stated_threshold(work)
    if not drifts(work):
        return vth
    tc, tj = work.take("tc", "stage:mosfet.vth_tempco"), junction_range(work)
    return work.derive(
        "Vth(T)", moved_threshold, vth=vth, d=work.derive("dVth", threshold_drift, tc=tc, tj=tj)
    )


def overdrive(work: Work) -> Variable | None:
    """What the plateau stands above the threshold at the load's peak current and the temperatures met."""
    vov = stated_overdrive(work)
    if carried_current(work):
        ipk = work.take("Ipk", "stage:motor.current.peak")
        test = work.take("Itest", "stage:mosfet.test.current")
        vov = work.derive("Vov(I)", overdrive_at, vov=vov, i=ipk, ipk=test)
    if not drifts(work):
        return vov
    alpha = work.take("alpha", "stage:mosfet.rdson_tempco")
    return work.derive("Vov(T)", warm_overdrive, vov=vov, a=alpha, tj=junction_range(work))


def plateau(work: Work, *, optional: bool = False) -> Variable | None:
    """Gate voltage of the plateau at the load's peak current and the temperatures met."""
    stated = stated_plateau(work, optional=optional)
    if stated is None or stated_threshold(work, optional=True) is None:
        return stated
    if not drifts(work) and not carried_current(work):
        return stated
    return work.derive("Vpl,met", level_at, vth=threshold(work), vov=overdrive(work))


def moves(work: Work) -> bool:
    """Whether the plateau met is another one than that of the data sheet."""
    known = work.stated("stage:mosfet.vth") and work.stated("stage:mosfet.plateau")
    return known and (drifts(work) or carried_current(work))


@formula(
    "{vth} + {tc} * ({tj} - 25)",
    "voltage",
    up="vth",
    either="tc tj",
    source="linear drift of the threshold; common practice, no source",
)
def hot_threshold(vth: Any, tc: Any, tj: Any) -> Any:
    """Gate threshold at a junction temperature in degC."""
    return vth + tc * (tj - 25)


def hot_limit(work: Work, part: str = "") -> Variable | None:
    """The threshold below which a gate is off, of the driven switch or of another part.

    Both switches of a half-bridge are at one temperature: where the model is carried over it, the
    limit is too. Else it is that at the highest junction temperature stated as met, or else permitted.
    """
    known = work.stated("stage:mosfet.vth") and drifts(work)
    known = work.stated("stage:mosfet.temperature") or known
    return work.derive(
        "Vth(hot)",
        hot_threshold,
        vth=stated_threshold(work, part),
        tc=work.take("tc" + _MARKS[part], "stage:mosfet.vth_tempco", part=part),
        tj=junction_range(work) if known else work.take("Tj", "stage:mosfet.tj_max"),
    )
