"""A SPICE deck of one half-bridge with the gate currents that were chosen.

The deck says the device model of `device` in a circuit simulator's words, all at typical values:

    Id  = K ((Vgs - Vth)^2), in the ohmic region K (2 (Vgs - Vth) V - V^2);  K = Ipk / (Vpl - Vth)^2
    Cgs = Qgs / Vpl - Crss
    Cgd = Crss + excess exp(-V / (Vs / 8)), its charge over the supply Qgd
    Rd  = what the channel leaves of the on-resistance
    Cds = cjo / (1 + V / 0.8 V)^m in the body diode, so that it has Coss at the supply and all capacitances
          there hold Qoss together; its transit time Qrr / Ipk

the load by a current, the driver by its current or resistance and the resistors at the gate, the other
switch as it is held (see `miller.held_by`), and the commutation loop with inductance, damping and snubber,
as far as the stage states them. It is plain text for ngspice;
nothing here runs it. Since it shares the model, it is a way to look closer (ringing, another load),
not a proof of the model; the tests hold the model to decks of their own with another transistor.
"""

from __future__ import annotations

from typing import Any

from regmap.record import replace

from ..cautions import CAUTION
from ..errors import CallError
from .channel import plateau, threshold
from .corner import Variable
from .currents import gate_current, is_resistive
from .device import (
    KNEE,
    drain_charge,
    end_capacitance,
    output_charge,
    recovery_charge,
    source_charge,
)
from .edges import course
from .halfbridge import POTENTIAL, Bridge
from .inputs import ImpossibleError, Inputs
from .miller import held_by
from .steps import adjusts, stepped
from .work import About, Work

#: a resistance that is none, in ohm: what a simulator takes in its place
LEAST = 1e-3


def bridge(inputs: Inputs, side: str = "low") -> Bridge:
    """The half-bridge of a stage at typical values and the peak current.

    Raises CallError that names all missing inputs, or why there is no working point.
    """
    bench = Work(About("spice", "SPICE deck", ""), inputs)
    values = {
        "supply": bench.take("Vs", "stage:supply.voltage"),
        "current": bench.take("Ipk", "stage:motor.current.peak"),
        "gate_voltage": bench.take("Vg", f"role:gate.voltage.{side}"),
        "qgs": source_charge(bench),
        "qgd": drain_charge(bench),
        "vth": threshold(bench),
        "plateau": plateau(bench),
        "rdson": bench.take("Rds", "stage:mosfet.rdson"),
        "crss": end_capacitance(bench),
        "coss": bench.maybe("Coss", "stage:mosfet.coss"),
        "qrr": recovery_charge(bench, bench.take("Ipk", "stage:motor.current.peak")),
    }
    try:
        values["source"] = gate_current(bench, "source", side)
        values["sink"] = gate_current(bench, "sink", side)
    except ImpossibleError as error:
        raise CallError(f"no deck: {error}") from None
    if bench.missing:
        raise CallError(f"no deck without {', '.join(bench.missing)}")
    numbers: dict[str, Any] = {name: float(v.typ) for name, v in values.items() if v is not None}
    made = Bridge(
        side=side,
        resistive=is_resistive(bench, "source", side),
        rising=tuple(course(bench, "source", side)),
        falling=tuple(course(bench, "sink", side)),
        **numbers,
    )
    return replace(made, **_around(bench, side, made))


def _typical(*variables: Variable | None) -> list[float]:
    return [0.0 if v is None else float(v.typ) for v in variables]


def _around(bench: Work, side: str, made: Bridge) -> dict[str, Any]:
    """What lies around the switches: resistors at the gates, how the other gate is held, loop and snubber."""
    path, hold = held_by(bench, "high" if side == "low" else "low")
    on, off, internal, whole, held = _typical(
        bench.maybe("Rg,on", "stage:gate.resistor.on"),
        bench.maybe("Rg,off", "stage:gate.resistor.off"),
        bench.maybe("Rint", "stage:mosfet.internal_resistance"),
        path,
        hold,
    )
    inductance, shared, damping, resistor, capacitor, charge = _typical(
        bench.maybe("L", "stage:bridge.inductance"),
        bench.maybe("Lcs", "stage:bridge.source_inductance"),
        bench.maybe("z", "stage:bridge.damping"),
        bench.maybe("Rsn", "stage:snubber.resistor"),
        bench.maybe("Csn", "stage:snubber.capacitor"),
        output_charge(bench),
    )
    found: dict[str, Any] = {
        "gate_on": on,
        "gate_off": off,
        "internal": internal,
        "hold": held,
        "pull": max(whole - off - internal, 1e-3) if path is not None and hold is None else 0.0,
        "inductance": inductance,
        "damping": damping,
        "source_inductance": shared,
        "snubber": (resistor, capacitor) if resistor and capacitor else (0.0, 0.0),
        "qoss": charge,
    }
    for way, name in (("source", "set_source"), ("sink", "set_sink")):
        plain = not made.resistive and not stepped(bench, way, side)
        if plain and adjusts(bench, "gate.slew", side) is None:
            (found[name],) = _typical(bench.maybe("Iset", f"role:gate.{way}.{side}"))
    return found


def _stairs(name: str, steps: tuple[tuple[float, float], ...], begin: float) -> str:
    """A source whose voltage is the gate current in A over time."""
    points, at = [], 0.0
    for current, end in steps:
        points += [f"{at:.9g} {current:.6g}"]
        if end == float("inf"):
            break
        points += [f"{begin + end:.9g} {current:.6g}"]
        at = begin + end + 1e-10
    return f"V{name} {name} 0 pwl({' '.join(points)})\n"


def deck(
    item: Bridge | Inputs,
    *,
    title: str = "half-bridge, one switching edge each way",
    data: str = "edges.data",
) -> str:
    """The deck as text: turn-on, turn-off, and the waveforms written to the file `data`.

    Inputs stand for their low-side half-bridge at typical values (see `bridge`).

    Columns of that file after a line of names: time in s, then gate-source voltage (behind its resistance),
    drain-source voltage and drain current of the driven switch, and the held gate's voltage. Raises CallError for a file name that the
    simulator's command language could misread.
    """
    if not data or not all(c.isalnum() or c in "._-/" for c in data):
        raise CallError(f"file name {data!r}: letters, digits, dot, dash and slash only")
    if isinstance(item, Inputs):
        item = bridge(item)
    low = item.side == "low"
    # The load current flows so that the other switch's body diode carries it meanwhile.
    drain, source, vsource = ("ph", "0", "0") if low else ("rail", "ph", "v(ph)")
    held_drain, held_source, vheld = ("rail", "ph", "v(ph)") if low else ("ph", "0", "0")
    load = "rail ph" if low else "ph 0"
    fitted = max(item.gate_on, item.gate_off) > 0
    pin = "pin" if fitted else "gate"
    vpin, vds = f"(v({pin})-{vsource})", f"(v({drain})-{vsource})"
    start, edge = 0.1 * item.on_time, 1e-9
    stop = start + item.on_time + item.off_time
    inside = ("v(xon.si)", "v(xoff.si)") if _inner(item) == "si" else (vsource, vheld)
    step = min(item.qgd / max(item.source, item.sink) / 200, stop / 2000)
    if item.inductance > 0:
        step = min(step, (item.inductance * item.ends_with) ** 0.5 / 4)
    if item.resistive:
        up_path = (item.gate_voltage - item.plateau) / item.source - item.gate_on - item.internal
        down_path = item.plateau / item.sink - item.gate_off - item.internal
        charge = f"({item.gate_voltage:.6g}-{vpin})/{max(up_path, LEAST):.6g}"
        discharge = f"-{vpin}/{max(down_path, LEAST):.6g}"
    else:
        # A current source that runs out of voltage at the ends of the gate supply.
        up = "v(up)" if item.rising else f"{item.set_source or item.source:.6g}"
        down = "v(down)" if item.falling else f"{item.set_sink or item.sink:.6g}"
        charge = f"{up}*tanh(({item.gate_voltage:.6g}-{vpin})/0.1)"
        discharge = f"-{down}*tanh({vpin}/0.1)"
    stairs = "".join(
        _stairs(name, steps, begin)
        for name, steps, begin in (
            ("up", item.rising, start),
            ("down", item.falling, start + item.on_time),
        )
        if steps
    )
    return f"""* {" ".join(title.split())}
* {CAUTION}
* driven switch: {item.side} side; load {item.current:.6g} A, supply {item.supply:.6g} V
Vdc dc 0 {item.supply:.6g}
{_loop(item)}{stairs}Iload {load} {item.current:.6g}
Vcmd cmd 0 pulse(0 1 {start:.6g} {edge:.3g} {edge:.3g} {item.on_time:.6g} 1)
Bgate {source} {pin} i = v(cmd)*({charge}) + (1-v(cmd))*({discharge})
{_resistor(item) if fitted else ""}Vsense {drain} dd 0
Xon dd gate {source} driven
{_holding(item, held_source, vheld)}Xoff {held_drain} hgate {held_source} held
{_fet(item, "driven", item.plateau)}{_fet(item, "held", 0.0)}\
.options method=gear reltol=1e-4 abstol=1e-9 vntol=1e-6 chgtol=1e-16
.control
set wr_singlescale
set wr_vecnames
tran {step:.6g} {stop:.6g} 0 {step:.6g}
let vgs = v(xon.gi)-{inside[0]}
let vds = {vds}
let id = i(vsense)
let vheld = v(xoff.gi)-{inside[1]}
wrdata {data} vgs vds id vheld
meas tran edge_on trig vds val={0.9 * item.supply:.6g} fall=1 targ vds
+ val={0.1 * item.supply:.6g} fall=1
meas tran edge_off trig vds val={0.1 * item.supply:.6g} rise=1 targ vds
+ val={0.9 * item.supply:.6g} rise=1
.endc
.end
"""


def _loop(item: Bridge) -> str:
    """The commutation loop, and the snubber across the low side."""
    if item.inductance > 0:
        told = "" if item.damping else "* damping of the loop not stated: hardly any\n"
        text = f"{told}Lloop dc rail {item.inductance:.6g}\nRdamp dc rail {item.damper:.6g}\n"
    else:
        text = "Vloop dc rail 0\n"
    resistor, capacitor = item.snubber
    if capacitor > 0:
        text += f"Rsnub ph sn {resistor:.6g}\nCsnub sn 0 {capacitor:.6g}\n"
    return text


def _resistor(item: Bridge) -> str:
    """The resistors of charge and discharge at the driven gate."""
    on, off = max(item.gate_on, LEAST), max(item.gate_off, LEAST)
    if on == off:
        return f"Rgate pin gate {on:.6g}\n"
    return f"Bgres pin gate i = (v(pin)-v(gate))/({on:.6g}*v(cmd)+{off:.6g}*(1-v(cmd)))\n"


def _holding(item: Bridge, source: str, vsource: str) -> str:
    """What holds the other gate: a current, a resistance, or nothing that is known."""
    node = "hpin" if item.gate_off > 0 else "hgate"
    if item.hold > 0:
        text = f"Bhold {node} {source} i = {item.hold:.6g}*tanh((v({node})-{vsource})/0.05)\n"
    elif item.pull > 0:
        text = f"Rhold {node} {source} {item.pull:.6g}\n"
    else:
        text = f"* nothing that holds the other gate is stated: it is tied\nRhold {node} {source} {LEAST:.6g}\n"
    if item.gate_off > 0:
        text += f"Rgheld hpin hgate {item.gate_off:.6g}\n"
    return text


def _fet(item: Bridge, name: str, shift: float) -> str:
    """A MOSFET. Cgd counts the drain voltage from the gate at `shift`: on the plateau, or held at the source."""
    width, (cjo, m) = KNEE * item.supply, item.junction(shift)
    inner = _inner(item)
    shared = f"Lcs si s {item.source_inductance:.6g}\n" if inner == "si" else ""
    return f""".subckt {name} d g s
{shared}Rg g gi {max(item.internal, LEAST):.6g}
Rd d x {item.drain_resistance:.6g}
Bch x {inner} i = {item.k:.6g}*(max(v(gi,{inner})-{item.vth:.6g},0)^2
+ - max(max(v(gi,{inner})-{item.vth:.6g},0)-v(x,{inner}),0)^2)
Cgs gi {inner} {item.cgs:.6g}
* charge of Cgd in nC, and its current
Bw w 0 v = v(d,gi)+{shift:.6g}
Bq q 0 v = {1e9 * item.floor:.6g}*v(d,gi) + {1e9 * item.excess:.6g}*(min(v(w),0)
+ + {width:.6g}*(1-exp(-max(v(w),0)/{width:.6g})))
Cq q qs 1n
Vq qs 0 0
Fgd d gi Vq 1
Dbody {inner} d body
.model body d(is=1e-12 rs={item.rdson:.6g} n=1.05 cjo={cjo:.6g} vj={POTENTIAL} m={m:.6g}
+ tt={item.qrr / item.current:.6g})
.ends
"""


def _inner(item: Bridge) -> str:
    """The source inside a MOSFET, behind what gate path and load current share."""
    return "si" if item.source_inductance > 0 else "s"
