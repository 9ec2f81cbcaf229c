"""The gate driver's currents: what flows into a gate and out of it, whatever drives it.

A stage of the driver passes min(Iset, u / R): `u` is what the gate still lacks to the rail it is
driven to, Iset the set current (none for a resistive driver), R what lies in the path. The MOSFET
is that of `device`. A set current may come in steps, or be adjusted by the chip (see `steps`). How
long these currents take is in `edges`.
"""

from __future__ import annotations

from typing import Any

from .channel import MODEL, plateau
from .corner import Variable, any_of, formula, smaller
from .device import CHARGE_USES, beyond_charge, current_charge, drain_charge, source_charge
from .inputs import ImpossibleError
from .steps import adjusts, flowing, larger_step, slew_current, step_settings, stepped, uses
from .work import Work


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


@formula("{a} + {b}", "resistance", up="a b", source="series connection")
def in_series(a: Any, b: Any) -> Any:
    """Two resistances in one path."""
    return a + b


@formula("{a} - {b}", "voltage", up="a", down="b", source="difference")
def less(a: Any, b: Any) -> Any:
    """A voltage less a drop."""
    return a - b


WAY = {"source": "on", "sink": "off"}


def gate_voltage(work: Work, side: str, *, optional: bool = False) -> Variable | None:
    """Gate-source voltage of a side in regulation."""
    name = f"role:gate.voltage.{side}"
    return work.take("Vg", name, optional=optional)


def is_resistive(work: Work, way: str, side: str) -> bool:
    """Whether this driver path is a resistance and no set current."""
    return not work.stated(f"role:gate.{way}.{side}") and work.stated(
        f"chip:drive.resistance.{way}"
    )


def sink_current(
    work: Work, side: str, vpl: Variable | None, setting: Variable | None
) -> Variable | None:
    """Current out of a gate that stands at `vpl`; `setting` is the set current, None for a resistive driver."""
    rg = work.take("Rg,off", "stage:gate.resistor.off")
    rint = work.take("Rint", "stage:mosfet.internal_resistance")
    if is_resistive(work, "sink", side):
        rdrv = work.take("Rdrv,off", "chip:drive.resistance.sink")
        return work.derive("Isink", sink_resistive, vpl=vpl, rdrv=rdrv, rg=rg, rint=rint)
    return work.derive("Isink", sink_limited, iset=setting, vpl=vpl, rg=rg, rint=rint)


def gate_current(work: Work, way: str, side: str) -> Variable | None:
    """Gate current along the plateau; `way` is "source" or "sink".

    From the driver's set current (limited by resistance in the path where the gate voltage is
    known), or from the driver's resistance. Of a current in steps the largest that flows in the
    current edge or in the voltage edge; of one that the chip adjusts what the wanted slope needs.
    """
    if is_resistive(work, way, side):
        return edge_current(work, way, side)
    slew = adjusts(work, "gate.slew", side)
    if slew is not None:
        qgd, vs = drain_charge(work), work.take("Vs", "stage:supply.voltage")
        return work.derive(f"I{way}", slew_current, qgd=qgd, slew=slew, vs=vs)
    if not stepped(work, way, side):
        return edge_current(work, way, side)
    # which steps can flow is a question to the bands, the same on every bench
    bands = Work(work.about, work.inputs)
    begin, reached, over, end = phase_charges(bands, way, side)
    low, high = (begin, over) if way == "source" else (reached, end)
    names = flowing(staircase(bands, way, side), low, high)
    for name in (*bands.asked, *bands.missing):
        work.asked.setdefault(name)
    work.missing.update(bands.missing)
    steps = staircase(work, way, side)
    found: Variable | None = None
    for name in names:
        found = (
            steps[name]
            if found is None
            else work.derive(f"I{way}", larger_step, a=found, b=steps[name])
        )
    return found


@formula("{q} / {t}", "current", up="q", down="t", source="charge balance: I = Q / t")
def mean_current(q: Any, t: Any) -> Any:
    """Mean current of a charge that is moved in a time."""
    return q / t


def rise_current(work: Work, side: str) -> Variable | None:
    """Largest gate current while the drain current rises.

    A chip that adjusts the delay of turn-on moves all of Qgs in it, to the plateau, with a current of its own.
    """
    edge = gate_current(work, "source", side)
    wanted = adjusts(work, "gate.delay_on", side)
    if wanted is None or is_resistive(work, "source", side):
        return edge
    needed = work.derive("Ineed", mean_current, q=source_charge(work), t=wanted)
    return work.derive("Iid", larger_step, a=edge, b=needed)


def phase_charges(work: Work, way: str, side: str) -> tuple[Variable | None, ...]:
    """Charge moved from the start to threshold or full gate, plateau, its end, and the other end.

    At turn-on to the start of the current edge, its end, the end of the voltage edge, the full gate;
    at turn-off nothing, then to the start of the voltage edge, its end, the end of the current edge.
    """
    qgs, qgd = source_charge(work), drain_charge(work)
    part = current_charge(work)
    if way == "source":
        begin = work.derive("Qgs1", charge_less, a=qgs, b=part)
        return begin, qgs, work.derive("Qedge", charge_more, a=qgs, b=qgd), None
    left = beyond_charge(work, side)
    over = work.derive("Qedge", charge_more, a=left, b=qgd)
    return None, left, over, work.derive("Qoff", charge_more, a=over, b=part)


def staircase(work: Work, way: str, side: str) -> dict[str, Variable | None]:
    """The steps, each limited by the resistance in its path as the edge current is."""
    return step_settings(work, way, side, edge_current(work, way, side))


@formula("{a} + {b}", "charge", up="a b", source="sum of charges")
def charge_more(a: Any, b: Any) -> Any:
    """Two charges one after the other."""
    return a + b


@formula("{a} - {b}", "charge", up="a", down="b", source="difference of charges")
def charge_less(a: Any, b: Any) -> Any:
    """A charge less a part of it."""
    return a - b


def edge_current(work: Work, way: str, side: str) -> Variable | None:
    """Gate current that is set for the edge."""
    symbol, word = f"I{way}", WAY[way]
    rg = work.take(f"Rg,{word}", f"stage:gate.resistor.{word}")
    rint = work.take("Rint", "stage:mosfet.internal_resistance")
    if is_resistive(work, way, side):
        vpl = plateau(work)
        if way == "sink":
            return sink_current(work, side, vpl, None)
        rdrv = work.take(f"Rdrv,{word}", f"chip:drive.resistance.{way}")
        vg = gate_voltage(work, side)
        return work.derive(symbol, source_resistive, vg=vg, vpl=vpl, rdrv=rdrv, rg=rg, rint=rint)
    setting = work.take(f"Iset,{word}", f"role:gate.{way}.{side}")
    # a resistor that was fitted limits the current: without these voltages nobody knows how far
    fitted = rg is not None and any_of(rg.high > 0)
    vpl = plateau(work, optional=not fitted)
    if vpl is None or setting is None:
        return None if fitted else setting
    if way == "sink":
        return sink_current(work, side, vpl, setting)
    vg = gate_voltage(work, side, optional=not fitted)
    if vg is None:
        return None if fitted else setting
    return work.derive(symbol, source_limited, iset=setting, vg=vg, vpl=vpl, rg=rg, rint=rint)


#: Where in the staircase of a current in steps the edge lies.
EDGE_CHARGES = CHARGE_USES + "role:gate.voltage.{side} "


#: Input names that a gate current may look up, for the lists of the checks.
SOURCE_USES = (
    "role:gate.source.{side} chip:drive.resistance.source role:gate.voltage.{side} "
    "stage:gate.resistor.on stage:mosfet.internal_resistance stage:mosfet.plateau "
    + uses("source")
    + EDGE_CHARGES
)


SINK_USES = (
    "role:gate.sink.{side} chip:drive.resistance.sink stage:gate.resistor.off "
    "stage:mosfet.internal_resistance stage:mosfet.plateau " + uses("sink") + EDGE_CHARGES
)
