"""What rings and recovers: turn-on peak, avalanche, ringing and its snubber, the gate's resistor."""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, formula
from .currents import SOURCE_USES, gate_voltage, in_series, is_resistive
from .device import (
    CHARGE_USES,
    OVERSHOOT_ERROR,
    output_capacitance,
    output_charge,
    recovery_charge,
    total_charge,
)
from .gate import EDGE_CAUTION
from .inputs import ImpossibleError
from .registry import Outcome, check, sided
from .slopes import SLOPE_USES, turn_on_slope
from .work import Work

SNUBBER_CAUTION = (
    "Measure the ringing with the snubber fitted: the inductance of the layout is an estimate."
)


@formula("{a} + {b}", "charge", up="a b", source="sum of charges")
def both_charges(a: Any, b: Any) -> Any:
    """Two charges that leave together."""
    return a + b


@formula(
    "{ipk} + sqrt(2 * {q} * {didt})",
    "current",
    up="ipk q didt",
    source="a triangle of charge at the slope of turn-on, Q = Irr^2 / (2 di/dt), all of it before the "
    "peak as of a diode that snaps; Mohan, Undeland, Robbins, Power Electronics (from memory)",
)
def recovery_peak(ipk: Any, q: Any, didt: Any) -> Any:
    """Peak of the drain current at turn-on with what diode and output capacitance take."""
    return ipk + (2 * q * didt) ** 0.5


@sided(
    "gate.turn-on-peak",
    "current peak at turn-on with the recovery of the other diode",
    "I = Ipk + sqrt(2 (Qrr + Qoss) di/dt)",
    SOURCE_USES
    + SLOPE_USES
    + "stage:mosfet.qrr stage:mosfet.test.recovery_current stage:mosfet.pulse_current",
    EDGE_CAUTION + " A body diode's charge depends on current, slope and temperature.",
    model_error=OVERSHOOT_ERROR,
)
def turn_on_peak(work: Work, side: str) -> Outcome:
    """Works from the charges that are stated; nothing where none is."""
    charges = [
        c
        for c in (
            recovery_charge(work, work.take("Ipk", "stage:motor.current.peak")),
            output_charge(work),
        )
        if c
    ]
    if not charges:
        return None
    charge: Variable | None = charges[0]
    if len(charges) > 1:
        charge = work.derive("Q", both_charges, a=charges[0], b=charges[1])
    value = work.derive(
        "Ion",
        recovery_peak,
        ipk=work.take("Ipk", "stage:motor.current.peak"),
        q=charge,
        didt=turn_on_slope(work, side),
    )
    return work.at_most(value, work.take("rating", "stage:mosfet.pulse_current"))


@formula(
    "{l} * {i}^2 / 2 * {bv} / ({bv} - {vs})",
    "energy",
    up="l i vs",
    down="bv",
    source="energy of an inductive turn-off clamped at the breakdown voltage; "
    "International Rectifier AN-1005 (from memory)",
)
def avalanche_energy(l: Any, i: Any, bv: Any, vs: Any) -> Any:  # noqa: E741 (an inductance is l)
    """Energy of the loop's inductance, and of the supply meanwhile, in the switch that clamps."""
    if any_of(bv <= vs):
        raise ImpossibleError("the supply alone reaches the drain-source rating")
    return l * i * i / 2 * bv / (bv - vs)


@check(
    "gate.avalanche",
    "energy of each turn-off if the MOSFET clamps it",
    "E = L Ipk^2 / 2 Vds,max / (Vds,max - Vs)",
    "stage:bridge.inductance stage:motor.current.peak stage:mosfet.vds_max stage:supply.voltage "
    "stage:mosfet.avalanche_energy",
    EDGE_CAUTION,
)
def avalanche(work: Work) -> Outcome:
    """The whole energy of the loop in one switch, as if nothing else took any of it."""
    if not work.stated("stage:mosfet.avalanche_energy"):
        return None
    value = work.derive(
        "E",
        avalanche_energy,
        l=work.take("L", "stage:bridge.inductance"),
        i=work.take("Ipk", "stage:motor.current.peak"),
        bv=work.take("Vds,max", "stage:mosfet.vds_max"),
        vs=work.take("Vs", "stage:supply.voltage"),
    )
    return work.at_most(value, work.take("rating", "stage:mosfet.avalanche_energy"))


@formula(
    "1 / (2 * pi * sqrt({l} * {c}))",
    "frequency",
    down="l c",
    source="resonance of an LC circuit",
)
def ring_frequency(l: Any, c: Any) -> Any:  # noqa: E741
    """Frequency at which the loop rings with the output capacitance of the switch that is off."""
    return 1 / (2 * 3.141592653589793 * (l * c) ** 0.5)


@check(
    "gate.ring-frequency",
    "ringing of the commutation loop",
    "f = 1 / (2 pi sqrt(L Coss))",
    "stage:bridge.inductance stage:mosfet.coss stage:limits.ring_frequency",
    EDGE_CAUTION,
)
def ring(work: Work) -> Outcome:
    """The ringing stays above the frequency that is named, below which it would disturb."""
    if not work.stated("stage:limits.ring_frequency"):
        return None
    value = work.derive(
        "fring",
        ring_frequency,
        l=work.take("L", "stage:bridge.inductance"),
        c=work.take("Coss", "stage:mosfet.coss"),
    )
    return work.at_least(value, work.take("limit", "stage:limits.ring_frequency"))


@formula("sqrt({l} / {c})", "resistance", up="l", down="c", source="impedance of an LC circuit")
def characteristic(l: Any, c: Any) -> Any:  # noqa: E741
    """Characteristic impedance of the ringing loop."""
    return (l / c) ** 0.5


@formula("{k} * {z}", "resistance", up="k z", source="a multiple")
def times_impedance(k: Any, z: Any) -> Any:
    """A multiple of an impedance."""
    return k * z


@check(
    "snubber.damping",
    "snubber's resistor fits the ringing",
    "sqrt(L / Coss) / 2 <= R <= 2 sqrt(L / Coss)",
    "stage:snubber.resistor stage:bridge.inductance stage:mosfet.coss",
    SNUBBER_CAUTION,
)
def damping(work: Work) -> Outcome:
    """From critical damping (Nexperia AN11160) to twice the characteristic impedance."""
    if not work.stated("stage:snubber.resistor"):
        return None
    z = work.derive(
        "Z",
        characteristic,
        l=work.take("L", "stage:bridge.inductance"),
        c=output_capacitance(work) or work.take("Coss", "stage:mosfet.coss"),
    )
    note = "common practice, no source: half is critical damping, beyond twice it hardly damps"
    least = work.constant("k", 0.5, "ratio", note)
    most = work.constant("k", 2.0, "ratio", note)
    return work.within(
        work.take("R", "stage:snubber.resistor"),
        work.derive("Rmin", times_impedance, k=least, z=z),
        work.derive("Rmax", times_impedance, k=most, z=z),
    )


@formula("{k} * {c}", "capacitance", up="k c", source="a multiple")
def times_capacitance(k: Any, c: Any) -> Any:
    """A multiple of a capacitance."""
    return k * c


@check(
    "snubber.capacitor",
    "snubber's capacitor outweighs the output capacitance",
    "C >= 3 Coss",
    "stage:snubber.capacitor stage:mosfet.coss",
    SNUBBER_CAUTION,
)
def capacitor(work: Work) -> Outcome:
    """Three to four times what rings: R. Severns, Design of Snubbers for Power Circuits."""
    if not work.stated("stage:snubber.capacitor"):
        return None
    note = "three to four times: R. Severns, Design of Snubbers for Power Circuits"
    return work.at_least(
        work.take("C", "stage:snubber.capacitor"),
        work.derive(
            "Cmin",
            times_capacitance,
            k=work.constant("k", 3.0, "ratio", note),
            c=work.take("Coss", "stage:mosfet.coss"),
        ),
    )


@formula(
    "{c} * {vs}^2 * {f}",
    "power",
    up="c vs f",
    source="C V^2 / 2 lost at each of two edges; R. Severns, Design of Snubbers for Power Circuits",
)
def snubber_loss(c: Any, vs: Any, f: Any) -> Any:
    """Power in the resistor of a snubber."""
    return c * vs * vs * f


@check(
    "snubber.power",
    "power in the snubber's resistor",
    "P = C Vs^2 f",
    "stage:snubber.capacitor stage:supply.voltage stage:pwm.frequency stage:snubber.power",
    SNUBBER_CAUTION,
)
def snubber_power(work: Work) -> Outcome:
    """Both edges charge and discharge the capacitor through the resistor."""
    if not work.stated("stage:snubber.capacitor"):
        return None
    value = work.derive(
        "P",
        snubber_loss,
        c=work.take("C", "stage:snubber.capacitor"),
        vs=work.take("Vs", "stage:supply.voltage"),
        f=work.take("f", "stage:pwm.frequency"),
    )
    return work.at_most(value, work.take("rating", "stage:snubber.power"))


@formula(
    "{qg} * {vg} * {f} * ({on} / ({on} + {ron}) + {off} / ({off} + {roff})) / 2",
    "power",
    up="qg vg f on off",
    down="ron roff",
    source="TI SLUSAQ3F p. 24, the share outside the driver",
)
def resistor_loss(qg: Any, vg: Any, f: Any, on: Any, ron: Any, off: Any, roff: Any) -> Any:
    """Power in the resistors at a gate; `ron` and `roff` are what else lies in their paths."""
    return qg * vg * f * (on / (on + ron) + off / (off + roff)) / 2


def _rest(work: Work, way: str, side: str) -> Variable | None:
    """Resistance of the path beside the resistor; nothing is known of a driver's current source."""
    inner = work.take("Rint", "stage:mosfet.internal_resistance")
    if not is_resistive(work, way, side):
        return inner
    word = {"source": "on", "sink": "off"}[way]
    driver = work.take(f"Rdrv,{word}", f"chip:drive.resistance.{way}")
    return work.derive(f"R{word},rest", in_series, a=driver, b=inner)


@sided(
    "gate.resistor-power",
    "power in the resistors at the gate",
    "P = Qg Vg f (Ron / (Ron + Rrest) + Roff / (Roff + Rrest)) / 2",
    "stage:gate.resistor_power stage:gate.resistor.on stage:gate.resistor.off "
    + CHARGE_USES
    + "role:gate.voltage.{side} stage:pwm.frequency stage:mosfet.internal_resistance "
    "chip:drive.resistance.source chip:drive.resistance.sink role:gate.source.{side} "
    "role:gate.sink.{side}",
)
def resistor_power(work: Work, side: str) -> Outcome:
    """How the gate's power splits between driver, resistors and MOSFET."""
    if not work.stated("stage:gate.resistor_power"):
        return None
    value = work.derive(
        "P",
        resistor_loss,
        qg=total_charge(work, side),
        vg=gate_voltage(work, side),
        f=work.take("f", "stage:pwm.frequency"),
        on=work.take("Rg,on", "stage:gate.resistor.on"),
        ron=_rest(work, "source", side),
        off=work.take("Rg,off", "stage:gate.resistor.off"),
        roff=_rest(work, "sink", side),
    )
    return work.at_most(value, work.take("rating", "stage:gate.resistor_power"))
