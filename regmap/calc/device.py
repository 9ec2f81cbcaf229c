"""One MOSFET for everybody: charges, threshold, channel and gate-drain capacitance.

    gate charge   | Qgs1 | Qgs2 |   Qgd   |  Qg - Qgs - Qgd  |
    gate voltage  0     Vth    Vpl       Vpl                 Vg
    turn-on       delay  | Id up| VDS down| to full gate voltage
    turn-off             | Id dn| VDS up  | delay             (read from right to left)

The channel follows the square law between threshold and plateau, Id = I ((Vgs - Vth) / Vov)^2, and
in its ohmic region below the plateau current, V^2 - 2 V Vov' + Vov^2 = 0 with the overdrive Vov'
that the gate has by then. The gate-drain capacitance is high at low drain voltage and falls to Crss
at the supply; it is fitted so that its charge over the whole swing is Qgd. Where Crss is not stated,
the square-root law of a depletion layer gives it: half the mean. The output capacitance (Coss, with
its charge Qoss) and the charge of the diode's recovery (Qrr) are left out where they are not stated,
which errs on the safe side of slopes and overshoot. Checks, plots and the SPICE deck read these, and
nothing else, about a MOSFET.
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, decay, formula, larger, smaller
from .inputs import ImpossibleError
from .work import Work

MODEL = (
    "gate-charge model with a square-law channel: Vishay AN608 and TI SLUA618 (from memory); "
    "held to ngspice by test"
)
#: How far the model may err on the unsafe side, as shares of the limit: bounds of the comparison with ngspice. A share of
#: 0.25 is a third of the model. Of 1,800 drawn points, and of those that a search over the same ranges found worst, dV/dt
#: stood at most 39 % above the model, a held gate 25 %, the drain 9 %, the time of a shunt's spike 31 %, the link's
#: ripple 16 %; di/dt and the peak at turn-on never.
TIME_ERROR, SLOPE_ERROR, OVERSHOOT_ERROR, MILLER_ERROR = 0.15, 0.1, 0.05, 0.25
DVDT_ERROR, DRAIN_ERROR, SPIKE_TIME_ERROR, RIPPLE_ERROR = 0.32, 0.15, 0.4, 0.2
#: The same where the commutation loop rings: dV/dt and the drain of a loop that is damped less than DAMPED, or not known
#: to be more (damped by 0.05 to 0.25: 59 % and 23 %), and a held gate where the ringing is left out (57 %).
RINGING_DVDT_ERROR, RINGING_DRAIN_ERROR, RINGING_MILLER_ERROR, DAMPED = 0.42, 0.22, 0.4, 0.25
#: Drain voltage over which the gate-drain capacitance falls to its end value, as a share of the swing.
KNEE = 0.125
FITTED_CHARGE = "no Qoss stated: a depletion layer's square-root law through Coss at the supply"
FITTED = "no Crss stated: a depletion layer's square-root law, fitted to Qgd over the supply"


@formula("{qgs} * {vov} / ({vth} + {vov})", "charge", up="qgs vov", down="vth", source=MODEL)
def charge_current_edge(qgs: Any, vov: Any, vth: Any) -> Any:
    """Qgs2, the part of Qgs in which the drain current rises, gate linear up to the plateau.

    The plateau stands a fixed overdrive above the threshold, which it follows from part to part.
    """
    if any_of(vov <= 0):
        raise ImpossibleError("the plateau voltage is not above the threshold voltage")
    return qgs * vov / (vth + vov)


@formula("{vpl} - {vth}", "voltage", up="vpl", down="vth", source=MODEL)
def overdrive(vpl: Any, vth: Any) -> Any:
    """How far the plateau stands above the threshold at the load current."""
    return vpl - vth


@formula("max(0, {qg} - {qgs} - {qgd})", "charge", up="qg", down="qgs qgd", source=MODEL)
def charge_beyond(qg: Any, qgs: Any, qgd: Any) -> Any:
    """Charge from the end of the plateau to the full gate voltage."""
    return larger(0.0, qg - qgs - qgd)


@formula("{qgs} / {vpl}", "capacitance", up="qgs", down="vpl", source="C = Q / V up to the plateau")
def gate_source_capacitance(qgs: Any, vpl: Any) -> Any:
    """Gate-source capacitance, constant up to the plateau."""
    return qgs / vpl


@formula(
    "{qgd} / (2 * {vs})",
    "capacitance",
    up="qgd",
    down="vs",
    source="C ~ 1 / sqrt(V) of a depletion layer holds half its mean at the end of the swing; "
    "B. J. Baliga, Fundamentals of Power Semiconductor Devices (from memory)",
)
def depletion_end(qgd: Any, vs: Any) -> Any:
    """Gate-drain capacitance at the supply, where the data sheet's is not stated."""
    return qgd / (2 * vs)


@formula(
    "({vov}^2 + min({v}, {vov})^2) / (2 * min({v}, {vov})) - {vov}",
    "voltage",
    up="vov",
    down="v",
    source="ohmic region of the square law, Id = k (2 (Vgs - Vth) V - V^2)",
)
def extra_overdrive(vov: Any, v: Any) -> Any:
    """Gate voltage above the plateau at which the channel's drop has come down to `v`."""
    if any_of(v <= 0):
        raise ImpossibleError("the on-state drop alone reaches the threshold of the VDS monitor")
    low = smaller(v, vov)
    return (vov * vov + low * low) / (2 * low) - vov


@formula(
    "{vov}^2 / (2 * {i} * ({vg} - {vpl} + {vov}))",
    "resistance",
    up="vov vpl",
    down="vg i",
    source="ohmic region of the square law, R = 1 / (2 k (Vg - Vth)) with k = I / Vov^2",
)
def channel_resistance(vov: Any, i: Any, vg: Any, vpl: Any) -> Any:
    """What the channel adds to the on-resistance at full gate voltage."""
    return vov * vov / (2 * i * (vg - vpl + vov))


@formula(
    "max({r} - {rch}, {r} / 10)",
    "resistance",
    up="r",
    down="rch",
    source="the rest of the stated on-resistance, a tenth of it at least",
)
def drain_resistance(r: Any, rch: Any) -> Any:
    """On-resistance beside the channel, which the gate voltage does not change."""
    return larger(r - rch, r / 10)


@formula(
    "2 * {coss} * {vs}",
    "charge",
    up="coss vs",
    source="C ~ 1 / sqrt(V) of a depletion layer holds twice C(Vs) Vs; "
    "B. J. Baliga, Fundamentals of Power Semiconductor Devices (from memory)",
)
def depletion_charge(coss: Any, vs: Any) -> Any:
    """Charge of the output capacitance up to the supply, where the data sheet's is not stated."""
    return 2 * coss * vs


@formula(
    "max({ipk} - {q} / {vs} * {slope}, {ipk} / 10)",
    "current",
    up="ipk vs",
    down="q slope",
    source="i = C dV/dt: what charges the other switch's output capacitance is no channel current; "
    "a tenth of the current is left to it at least",
)
def channel_current(ipk: Any, q: Any, vs: Any, slope: Any) -> Any:
    """What the channel still carries when its drain voltage reaches the supply at turn-off."""
    return larger(ipk - q / vs * slope, ipk / 10)


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


def gate_drain(v: Any, qgd: Any, crss: Any, vs: Any) -> Any:
    """Gate-drain capacitance at drain voltage `v` of 0..`vs`; its integral over that is `qgd`.

    A stated Crss that holds more than Qgd over the swing counts as Qgd spread evenly.
    """
    width = KNEE * vs
    excess = larger(0.0, qgd - crss * vs) / (width * (1 - decay(1 / KNEE)))
    return smaller(crss, qgd / vs) + excess * decay(v / width)


def threshold_overdrive(work: Work) -> tuple[Variable | None, Variable | None]:
    """(threshold, overdrive of the plateau above it)."""
    vth = work.take("Vth", "stage:mosfet.vth")
    vpl = work.take("Vpl", "stage:mosfet.plateau")
    note = "typical values: the plateau follows the threshold from part to part"
    vov = work.derive(
        "Vov",
        overdrive,
        vpl=work.typical("Vpl", vpl, note),
        vth=work.typical("Vth", vth, note),
    )
    return vth, vov


def current_charge(work: Work) -> Variable | None:
    """Qgs2, the charge in which the drain current rises or falls."""
    vth, vov = threshold_overdrive(work)
    qgs = work.take("Qgs", "stage:mosfet.qgs")
    return work.derive("Qgs2", charge_current_edge, qgs=qgs, vov=vov, vth=vth)


def beyond_charge(work: Work) -> Variable | None:
    """Charge from the end of the plateau to the full gate voltage."""
    return work.derive(
        "Qod",
        charge_beyond,
        qg=work.take("Qg", "stage:mosfet.qg"),
        qgs=work.take("Qgs", "stage:mosfet.qgs"),
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )


def end_capacitance(work: Work, part: str = "") -> Variable | None:
    """Gate-drain capacitance at the supply: Crss stated, else fitted to Qgd, which is said."""
    stated = work.take(
        "Crss,held" if part else "Crss", "stage:mosfet.crss", optional=True, part=part
    )
    if stated is not None:
        return stated
    fitted = work.derive(
        "Crss",
        depletion_end,
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
        vs=work.take("Vs", "stage:supply.voltage"),
    )
    if fitted is not None:
        work.remark(FITTED)
    return fitted


def output_capacitance(work: Work) -> Variable | None:
    """Coss at the supply; None, and nothing asked for, where it is not stated."""
    return work.maybe("Coss", "stage:mosfet.coss")


def output_charge(work: Work) -> Variable | None:
    """Qoss over the supply: stated, else by the law of a depletion layer, which is said."""
    stated = work.maybe("Qoss", "stage:mosfet.qoss")
    if stated is not None:
        return stated
    coss = output_capacitance(work)
    if coss is None:
        return None
    work.remark(FITTED_CHARGE)
    return work.derive(
        "Qoss", depletion_charge, coss=coss, vs=work.take("Vs", "stage:supply.voltage")
    )


@formula("{v} - {i} * {r}", "voltage", up="v", down="i r", source="Ohm's law beside the channel")
def channel_drop(v: Any, i: Any, r: Any) -> Any:
    """What a drain voltage leaves for the channel."""
    return v - i * r


def lift_for_drop(
    work: Work, drop: Variable | None, on: Variable | None, vg: Variable | None
) -> Variable | None:
    """Gate voltage above the plateau at which the drain voltage at the peak current is `drop`.

    `on` is the on-resistance at full gate voltage `vg`.
    """
    _, vov = threshold_overdrive(work)
    i = work.take("Ipk", "stage:motor.current.peak")
    vpl = work.take("Vpl", "stage:mosfet.plateau")
    channel = work.derive("Rch", channel_resistance, vov=vov, i=i, vg=vg, vpl=vpl)
    rest = work.derive("Rd", drain_resistance, r=on, rch=channel)
    left = work.derive("Vch", channel_drop, v=drop, i=i, r=rest)
    return work.derive("dVgs", extra_overdrive, vov=vov, v=left)


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


def hot_limit(work: Work) -> Variable | None:
    """The threshold at the highest junction temperature."""
    return work.derive(
        "Vth(hot)",
        hot_threshold,
        vth=work.take("Vth", "stage:mosfet.vth"),
        tc=work.take("tc", "stage:mosfet.vth_tempco"),
        tj=work.take("Tj", "stage:mosfet.tj_max"),
    )


def less_sure_of_ringing(work: Work, error: float, why: str) -> None:
    """The model is less sure where the loop rings, or nobody says that it does not."""
    damping = work.maybe("z", "stage:bridge.damping")
    if damping is None or any_of(damping.low < DAMPED):
        work.less_sure(error, why)
