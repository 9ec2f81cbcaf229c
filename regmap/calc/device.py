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

from .channel import (
    CHANNEL_USES,
    MODEL,
    moves,
    overdrive,
    plateau,
    stated_overdrive,
    stated_plateau,
    stated_threshold,
)
from .corner import Variable, any_of, decay, formula, larger, rise, smaller
from .inputs import ImpossibleError
from .work import Work

#: How far the model may err on the unsafe side, as shares of the limit: bounds of the comparison with ngspice. A share of
#: 0.25 is a third of a model that is held against a limit, and a quarter of one that is the limit. Of 1,800 drawn
#: points, and of those that a search over the same ranges found worst, dV/dt stood at most 39 % above the model, a held
#: gate 25 %, the drain 9 %, the time of a shunt's spike 31 %, the link's ripple 16 %, turn-on 4 %; di/dt and the peak at
#: turn-on never. tests/calc/test_error_shares.py holds each share to what was found.
TIME_ERROR, SLOPE_ERROR, OVERSHOOT_ERROR, MILLER_ERROR = 0.15, 0.1, 0.05, 0.25
DVDT_ERROR, DRAIN_ERROR, SPIKE_TIME_ERROR, RIPPLE_ERROR = 0.32, 0.15, 0.4, 0.2
#: The same where the commutation loop rings: dV/dt and the drain of a loop that is damped less than DAMPED, or not known
#: to be more (damped by 0.05 to 0.25: 59 % and 23 %), and a held gate where the ringing is left out (59 %).
RINGING_DVDT_ERROR, RINGING_DRAIN_ERROR, RINGING_MILLER_ERROR, DAMPED = 0.42, 0.22, 0.4, 0.25
#: Until the current is off (22 % later), and until the middles of both edges (together 19 % less between them).
OFF_TIME_ERROR, MIDDLE_ERROR = 0.25, 0.25
#: The voltage edge, from VDS at 97 % to the end of the plateau. At turn-on the loop's inductance lets VDS fall before it (109 %
#: longer; 14 % shorter, without inductance 22 %), at turn-off a small current charges the output capacitances slowly (73 %; never shorter).
LONGER_EDGE_ERROR = {"source": 0.54, "sink": 0.5}
SHORTER_EDGE_ERROR = {"source": 0.35, "sink": 0.15}
EDGES_ERR = "the model error is that of the edges' times, by their share of what is compared"
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


def gate_drain(v: Any, qgd: Any, crss: Any, vs: Any) -> Any:
    """Gate-drain capacitance at drain voltage `v` of 0..`vs`; its integral over that is `qgd`.

    A stated Crss that holds more than Qgd over the swing counts as Qgd spread evenly.
    """
    width = KNEE * vs
    excess = larger(0.0, qgd - crss * vs) / (width * (1 - decay(1 / KNEE)))
    return smaller(crss, qgd / vs) + excess * decay(v / width)


@formula(
    "{qgs} * {v} / {vpl}",
    "charge",
    up="qgs v",
    down="vpl",
    source="constant gate-source capacitance up to the plateau",
)
def charge_up_to(qgs: Any, v: Any, vpl: Any) -> Any:
    """Charge that a span of gate voltage takes, of that from zero to the plateau."""
    return qgs * v / vpl


@formula(
    "min({crss}, {q} / {vt}) * {vs} + max(0, {q} - {crss} * {vt}) * (1 - exp(-8 * {vs} / {vt})) / (1 - exp(-8))",
    "charge",
    up="q vs",
    down="vt",
    either="crss",
    source="integral of the model's Cgd(V) over the supply, fitted to Qgd over the test voltage; "
    + MODEL,
)
def drain_charge_over(q: Any, crss: Any, vt: Any, vs: Any) -> Any:
    """Qgd over the supply, from that which was measured over another drain voltage."""
    excess = larger(0.0, q - crss * vt)
    return smaller(crss, q / vt) * vs + excess * rise(vs / (KNEE * vt)) / rise(1 / KNEE)


@formula(
    "{q} * sqrt({vs} / {vt})",
    "charge",
    up="q vs",
    down="vt",
    source="integral of C ~ 1 / sqrt(V) of a depletion layer; "
    "B. J. Baliga, Fundamentals of Power Semiconductor Devices (from memory)",
)
def depletion_charge_over(q: Any, vt: Any, vs: Any) -> Any:
    """The same where no capacitance is stated."""
    return q * (vs / vt) ** 0.5


@formula(
    "{q} * max(0, {vg} - {vpl}) / ({vt} - {vplt})",
    "charge",
    up="q vg vplt",
    down="vpl vt",
    source="even capacitance beyond the plateau, Q = C V",
)
def beyond_over(q: Any, vg: Any, vpl: Any, vt: Any, vplt: Any) -> Any:
    """Charge from the plateau met to the gate voltage met, from that of the data sheet's test."""
    if any_of(vt <= vplt):
        raise ImpossibleError(
            "the gate charge was measured up to a gate voltage that does not exceed the plateau"
        )
    return q * larger(0.0, vg - vpl) / (vt - vplt)


@formula(
    "{q} * {i} / {it}",
    "charge",
    up="q i",
    down="it",
    source="charge control, Q in proportion to the forward current; common practice, no source",
)
def recovered(q: Any, i: Any, it: Any) -> Any:
    """Recovery charge of the body diode at a current, from that which was measured at another."""
    return q * i / it


@formula("{a} + {b} + {c}", "charge", up="a b c", source="sum of charges")
def whole_charge(a: Any, b: Any, c: Any) -> Any:
    """The parts of the gate charge together."""
    return a + b + c


OWN_DRAIN = "Qgd taken to be measured over the stage's own supply: state mosfet.test.drain_voltage to carry it there"
OWN_GATE = "Qg taken to be measured up to the stage's own gate voltage: state mosfet.test.gate_voltage to carry it there"
OWN_RECOVERY = "Qrr taken to be measured at the stage's own current: state mosfet.test.recovery_current to carry it there"
#: What the charges may look up, for the lists of the checks.
CHARGE_USES = (
    CHANNEL_USES + "stage:mosfet.qg stage:mosfet.qgs stage:mosfet.qgd stage:mosfet.crss "
    "stage:supply.voltage stage:mosfet.test.drain_voltage stage:mosfet.test.gate_voltage "
)


def source_charge(work: Work) -> Variable | None:
    """Qgs, from the gate at rest to the plateau met."""
    stated = work.take("Qgs", "stage:mosfet.qgs")
    if not moves(work):
        return stated
    return work.derive(
        "Qgs,met", charge_up_to, qgs=stated, v=plateau(work), vpl=stated_plateau(work)
    )


def source_capacitance(work: Work, part: str = "") -> Variable | None:
    """Gate-source capacitance, from what the data sheet states at its own plateau."""
    end = ",held" if part else ""
    return work.derive(
        "Cgs" + end,
        gate_source_capacitance,
        qgs=work.take("Qgs" + end, "stage:mosfet.qgs", part=part),
        vpl=stated_plateau(work, part),
    )


def current_charge(work: Work) -> Variable | None:
    """Qgs2, the charge in which the drain current rises or falls."""
    qgs = work.take("Qgs", "stage:mosfet.qgs")
    if not moves(work):
        vth, vov = stated_threshold(work), stated_overdrive(work)
        return work.derive("Qgs2", charge_current_edge, qgs=qgs, vov=vov, vth=vth)
    return work.derive("Qgs2", charge_up_to, qgs=qgs, v=overdrive(work), vpl=stated_plateau(work))


def drain_charge(work: Work) -> Variable | None:
    """Qgd over the supply: as stated, or carried from the drain voltage at which it was measured."""
    stated = work.take("Qgd", "stage:mosfet.qgd")
    test = work.maybe("Vtest", "stage:mosfet.test.drain_voltage")
    if test is None:
        work.remark(OWN_DRAIN)
        return stated
    vs = work.take("Vs", "stage:supply.voltage")
    crss = work.maybe("Crss", "stage:mosfet.crss")
    if crss is None:
        return work.derive("Qgd,met", depletion_charge_over, q=stated, vt=test, vs=vs)
    return work.derive("Qgd,met", drain_charge_over, q=stated, crss=crss, vt=test, vs=vs)


def beyond_charge(work: Work, side: str) -> Variable | None:
    """Charge from the end of the plateau to the full gate voltage of a side."""
    rest = work.derive(
        "Qod",
        charge_beyond,
        qg=work.take("Qg", "stage:mosfet.qg"),
        qgs=work.take("Qgs", "stage:mosfet.qgs"),
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )
    vg = work.maybe("Vg", f"role:gate.voltage.{side}")
    test = work.maybe("Vg,test", "stage:mosfet.test.gate_voltage")
    if test is None:
        work.remark(OWN_GATE)
    if vg is None or (test is None and not moves(work)):
        return rest
    vpl, stated = plateau(work, optional=True), stated_plateau(work, optional=True)
    if vpl is None or stated is None:
        return rest
    return work.derive("Qod,met", beyond_over, q=rest, vg=vg, vpl=vpl, vt=test or vg, vplt=stated)


def total_charge(work: Work, side: str) -> Variable | None:
    """Qg to the full gate voltage of a side: as stated, or of the parts where a test's condition is."""
    stated = work.take("Qg", "stage:mosfet.qg")
    if not work.stated(
        "stage:mosfet.test.current",
        "stage:mosfet.test.drain_voltage",
        "stage:mosfet.test.gate_voltage",
    ):
        return stated
    parts = "stage:mosfet.qgs", "stage:mosfet.qgd", "stage:mosfet.plateau"
    if not all(work.stated(name) for name in parts):
        work.remark("Qg as stated: it is carried only with Qgs, Qgd and the plateau")
        return stated
    return work.derive(
        "Qg,met",
        whole_charge,
        a=source_charge(work),
        b=drain_charge(work),
        c=beyond_charge(work, side),
    )


def recovery_charge(work: Work, current: Variable | None) -> Variable | None:
    """Qrr at a current; None, and nothing asked for, where it is not stated."""
    stated = work.maybe("Qrr", "stage:mosfet.qrr")
    if stated is None:
        return None
    test = work.maybe("Irr,test", "stage:mosfet.test.recovery_current")
    if test is None:
        work.remark(OWN_RECOVERY)
        return stated
    return work.derive("Qrr,met", recovered, q=stated, i=current, it=test)


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
        qgd=drain_charge(work),
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
    vov = overdrive(work)
    i = work.take("Ipk", "stage:motor.current.peak")
    vpl = plateau(work)
    channel = work.derive("Rch", channel_resistance, vov=vov, i=i, vg=vg, vpl=vpl)
    rest = work.derive("Rd", drain_resistance, r=on, rch=channel)
    left = work.derive("Vch", channel_drop, v=drop, i=i, r=rest)
    return work.derive("dVgs", extra_overdrive, vov=vov, v=left)


def less_sure_of_part(
    work: Work, part: Variable | None, whole: Variable | None, error: float = TIME_ERROR
) -> None:
    """What the times of the edges may err by, as the share that `part`, which goes with them, is of `whole`.

    `error` is that of the part. `whole` is the limit, or what is held against it: where it holds, the share of that is the larger.
    """
    if part is None or whole is None:
        return
    if not (isinstance(part.high, float) and isinstance(whole.low, float)):
        return  # draws have no verdict
    share = part.high / whole.low if whole.low > 0 else 1.0
    if share > 0:
        work.less_sure(error * min(1.0, share), EDGES_ERR)


def less_sure_of_ringing(work: Work, error: float, why: str) -> None:
    """The model is less sure where the loop rings, or nobody says that it does not."""
    damping = work.maybe("z", "stage:bridge.damping")
    if damping is None or any_of(damping.low < DAMPED):
        work.less_sure(error, why)
