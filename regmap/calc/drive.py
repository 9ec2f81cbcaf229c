"""The gate drive seen by several subjects: gate currents and the times they give.

The switching edge is the usual piecewise picture of a MOSFET with an inductive load, each phase a
charge moved by the gate current:

    gate charge   | Qgs1 | Qgs2 |   Qgd   |  Qg - Qgs - Qgd  |
    turn-on       delay  | Id up| VDS down| to full gate voltage
    turn-off             | Id dn| VDS up  | delay             (read from right to left)
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, formula, larger, smaller
from .inputs import ImpossibleError
from .work import Work

MODEL = "gate-charge model of the switching edge; common practice, no source"


@formula(
    "min({iset}, ({vg} - {vpl}) / ({rg} + {rint}))",
    "current",
    up="iset vg",
    down="vpl rg rint",
    source=MODEL,
)
def source_limited(iset: Any, vg: Any, vpl: Any, rg: Any, rint: Any) -> Any:
    """Plateau current of a current-controlled driver, limited by resistance in its path."""
    if any_of(vg <= vpl):
        raise ImpossibleError(
            "the gate voltage does not exceed the plateau voltage: the MOSFET never turns on fully"
        )
    return smaller(iset, (vg - vpl) / (rg + rint))


@formula(
    "min({iset}, {vpl} / ({rg} + {rint}))", "current", up="iset vpl", down="rg rint", source=MODEL
)
def sink_limited(iset: Any, vpl: Any, rg: Any, rint: Any) -> Any:
    """Plateau current at turn-off of a current-controlled driver."""
    return smaller(iset, vpl / (rg + rint))


@formula(
    "({vg} - {vpl}) / ({rdrv} + {rg} + {rint})",
    "current",
    up="vg",
    down="vpl rdrv rg rint",
    source="Fairchild AN-6076, section 6 (from memory)",
)
def source_resistive(vg: Any, vpl: Any, rdrv: Any, rg: Any, rint: Any) -> Any:
    """Plateau current of a resistive driver: Rtot = (VDD - Vpl) / Ig."""
    if any_of(vg <= vpl):
        raise ImpossibleError(
            "the gate voltage does not exceed the plateau voltage: the MOSFET never turns on fully"
        )
    return (vg - vpl) / (rdrv + rg + rint)


@formula("{vpl} / ({rdrv} + {rg} + {rint})", "current", up="vpl", down="rdrv rg rint", source=MODEL)
def sink_resistive(vpl: Any, rdrv: Any, rg: Any, rint: Any) -> Any:
    """Plateau current at turn-off of a resistive driver."""
    return vpl / (rdrv + rg + rint)


@formula(
    "{q} / {i}", "time", up="q", down="i", source="Microchip MCP14H2304 documentation, section 5.8"
)
def charge_time(q: Any, i: Any) -> Any:
    """Time in which a current moves a charge: t = Q / I."""
    return q / i


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


@formula("{a} + {b}", "time", up="a b", source="sum of consecutive phases")
def then(a: Any, b: Any) -> Any:
    """Two times one after the other."""
    return a + b


@formula("{q} * {vov} / ({i} * {vth})", "time", up="q vov", down="i vth", source=MODEL)
def current_fall_resistive(q: Any, vov: Any, i: Any, vth: Any) -> Any:
    """Current fall with a resistive driver: Qgs2 over the gate current at the threshold.

    The gate current shrinks with the gate voltage to Vth / Vpl of its plateau value; the least
    value is used for the whole phase, so Qgs2 / (I Vth / Vpl) with Vpl = Vth + Vov. `q` is Qgs.
    """
    return q * vov / (i * vth)


def gate_voltage(work: Work, side: str, *, optional: bool = False) -> Variable | None:
    """Gate-source voltage of a side in regulation."""
    name = f"role:gate.voltage.{side}"
    return work.take("Vg", name, optional=optional)


def is_resistive(work: Work, way: str, side: str) -> bool:
    """Whether this driver path is a resistance and no set current."""
    return not work.stated(f"role:gate.{way}.{side}") and work.stated(
        f"chip:drive.resistance.{way}"
    )


def gate_current(
    work: Work, way: str, side: str, *, from_threshold: bool = False
) -> Variable | None:
    """Gate current along the plateau; `way` is "source" or "sink".

    From the driver's set current (limited by resistance in the path where the gate voltage is
    known), or from the driver's resistance. With `from_threshold` a source current is that at the
    threshold, where the drain current starts to rise: through a resistance it is larger there.
    """
    symbol = f"I{way},th" if from_threshold else f"I{way}"
    level = ("Vth", "stage:mosfet.vth") if from_threshold else ("Vpl", "stage:mosfet.plateau")
    word = "on" if way == "source" else "off"
    rg = work.take(f"Rg,{word}", f"stage:gate.resistor.{word}")
    rint = work.take("Rint", "stage:mosfet.internal_resistance")
    if is_resistive(work, way, side):
        rdrv = work.take(f"Rdrv,{word}", f"chip:drive.resistance.{way}")
        vpl = work.take(*level)
        if way == "sink":
            return work.derive(symbol, sink_resistive, vpl=vpl, rdrv=rdrv, rg=rg, rint=rint)
        vg = gate_voltage(work, side)
        return work.derive(symbol, source_resistive, vg=vg, vpl=vpl, rdrv=rdrv, rg=rg, rint=rint)
    setting = work.take(f"Iset,{word}", f"role:gate.{way}.{side}")
    # a resistor that was fitted limits the current: without these voltages nobody knows how far
    fitted = rg is not None and any_of(rg.high > 0)
    vpl = work.take(*level, optional=not fitted)
    if vpl is None or setting is None:
        return None if fitted else setting
    if way == "sink":
        return work.derive(symbol, sink_limited, iset=setting, vpl=vpl, rg=rg, rint=rint)
    vg = gate_voltage(work, side, optional=not fitted)
    if vg is None:
        return None if fitted else setting
    return work.derive(symbol, source_limited, iset=setting, vg=vg, vpl=vpl, rg=rg, rint=rint)


def edge_time(work: Work, way: str, side: str, symbol: str) -> Variable | None:
    """Duration of the VDS edge, which is the plateau: Qgd / Ig."""
    qgd = work.take("Qgd", "stage:mosfet.qgd")
    return work.derive(symbol, charge_time, q=qgd, i=gate_current(work, way, side))


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


def turn_on_time(work: Work, side: str) -> Variable | None:
    """Start of gate charge to the end of the plateau: (Qgs + Qgd) / Isource."""
    ig = gate_current(work, "source", side)
    delay = work.derive("t_gs", charge_time, q=work.take("Qgs", "stage:mosfet.qgs"), i=ig)
    edge = work.derive("t_gd", charge_time, q=work.take("Qgd", "stage:mosfet.qgd"), i=ig)
    return work.derive("t_on", then, a=delay, b=edge)


def turn_off_time(work: Work, side: str) -> Variable | None:
    """Start of gate discharge until the channel carries no current.

    Delay (Qg - Qgs - Qgd) / Isink, VDS edge Qgd / Isink, current fall Qgs2 / Isink (with the
    smaller current at the threshold where resistance limits it).
    """
    ig = gate_current(work, "sink", side)
    qg = work.take("Qg", "stage:mosfet.qg")
    qgs = work.take("Qgs", "stage:mosfet.qgs")
    qgd = work.take("Qgd", "stage:mosfet.qgd")
    beyond = work.derive("Qod", charge_beyond, qg=qg, qgs=qgs, qgd=qgd)
    delay = work.derive("t_delay", charge_time, q=beyond, i=ig)
    edge = work.derive("t_vds", charge_time, q=qgd, i=ig)
    if is_resistive(work, "sink", side):
        vth, vov = threshold_overdrive(work)
        fall = work.derive("t_id", current_fall_resistive, q=qgs, vov=vov, i=ig, vth=vth)
    else:
        # the resistance in the path passes less at the threshold than on the plateau
        last = work.derive(
            "Isink,th",
            sink_limited,
            iset=work.take("Iset,off", f"role:gate.sink.{side}"),
            vpl=work.take("Vth", "stage:mosfet.vth"),
            rg=work.take("Rg,off", "stage:gate.resistor.off"),
            rint=work.take("Rint", "stage:mosfet.internal_resistance"),
        )
        fall = work.derive("t_id", charge_time, q=current_charge(work), i=last)
    both = work.derive("t_vi", then, a=edge, b=fall)
    return work.derive("t_off", then, a=delay, b=both)


#: Input names that a gate current may look up, for the lists of the checks.
SOURCE_USES = (
    "role:gate.source.{side} chip:drive.resistance.source role:gate.voltage.{side} "
    "stage:gate.resistor.on stage:mosfet.internal_resistance stage:mosfet.plateau "
)
SINK_USES = (
    "role:gate.sink.{side} chip:drive.resistance.sink stage:gate.resistor.off "
    "stage:mosfet.internal_resistance stage:mosfet.plateau "
)
ON_USES = SOURCE_USES + "stage:mosfet.qgs stage:mosfet.qgd "
OFF_USES = SINK_USES + "stage:mosfet.qg stage:mosfet.qgs stage:mosfet.qgd stage:mosfet.vth "
