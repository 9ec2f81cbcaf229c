"""A SPICE deck of one half-bridge with the gate currents that were chosen.

An independent judge of the estimates: the deck describes the MOSFETs by a transistor model with a
finite transconductance and an on-resistance, the load by a current, and the driver by its current
or resistance. It is plain text for ngspice; nothing here runs it.

The model's parameters follow from the stage, all at their typical values:

    Cgd = Qgd / Vs                   the charge of the plateau (a constant unless `cgd_ratio` > 1)
    Cgs = Qgs / Vpl - Cgd            the charge up to the plateau
    Kp  = 2 I / (Vpl - Vth)^2        the plateau stands where the channel carries the load current
    Rd  = Rds(on) - 1 / (Kp (Vg - Vth))    what the channel leaves of the on-resistance

Agreement seen over 60 edges (13.5 to 48 V, 15 and 60 A, 30 to 600 mA, 20 and 60 ohm), simulation
against estimate, worst case: VDS edge 5.3 %, plateau 4.0 %, dV/dt 3.2 %. With a capacitance that
falls strongly with the drain voltage the plateau still agrees within 12 %, but the steepest part
of the edge is steeper than the mean: `mosfet.crss` brings it into the check.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from ..cautions import CAUTION
from ..errors import CallError
from .drive import gate_current
from .inputs import ImpossibleError, Inputs
from .registry import SIDES
from .work import About, Work


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A half-bridge at one operating point, in base units (V, A, C, ohm, H).

    `side` is the switch that is driven, the other one is held off. `source` and `sink` are plateau
    gate currents; with `resistive` the driver is a resistance that gives these currents at the
    plateau. `inductance` is that of the commutation loop. `cgd_ratio` is how many times larger the
    gate-drain capacitance is at low drain voltage than at high; the charge stays Qgd.
    """

    side: str
    supply: float
    current: float
    gate_voltage: float
    source: float
    sink: float
    qgs: float
    qgd: float
    vth: float
    plateau: float
    rdson: float
    resistive: bool = False
    inductance: float = 0.0
    cgd_ratio: float = 1.0

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            raise CallError(f"side {self.side!r}; expected high or low")
        if self.cgd_ratio < 1:
            raise CallError("cgd_ratio must be at least 1")
        for name in ("supply", "current", "source", "sink", "qgs", "qgd", "vth", "rdson"):
            if getattr(self, name) <= 0:
                raise CallError(f"{name} must be greater than zero for a deck")
        if not self.vth < self.plateau < self.gate_voltage:
            raise CallError("a deck needs threshold < plateau < gate voltage")

    @property
    def cgd(self) -> float:
        """Smallest gate-drain capacitance in F, so that its charge over the edge is Qgd."""
        # The model's curve is Cmin (r - s + s g(Vgd)) with g = atan below zero and tanh above.
        ratio, below = self.cgd_ratio, self.supply - self.plateau
        share = (ratio - 1) / (1 + math.pi / 2)
        bent = math.log(math.cosh(self.plateau)) - (
            below * math.atan(below) - math.log(1 + below * below) / 2
        )
        return self.qgd / ((ratio - share) * self.supply + share * bent)

    @property
    def cgs(self) -> float:
        """Gate-source capacitance in F, at least a tenth of Qgs / Vpl."""
        whole = self.qgs / self.plateau
        return max(whole - self.cgd, whole / 10)

    @property
    def kp(self) -> float:
        """Transconductance parameter in A/V^2."""
        return float(2 * self.current / (self.plateau - self.vth) ** 2)

    @property
    def drain_resistance(self) -> float:
        """Resistance beside the channel in ohm, at least a tenth of the on-resistance."""
        channel = 1 / (self.kp * (self.gate_voltage - self.vth))
        return max(self.rdson - channel, self.rdson / 10)

    @property
    def on_time(self) -> float:
        """How long the deck keeps the switch on, in s: three times the charge to full gate."""
        charge = (self.cgs + self.cgd) * self.gate_voltage + self.qgd
        return 3 * charge / self.source * (3 if self.resistive else 1)

    @property
    def off_time(self) -> float:
        """How long the deck watches the turn-off, in s."""
        charge = (self.cgs + self.cgd) * self.gate_voltage + self.qgd
        return 3 * charge / self.sink * (3 if self.resistive else 1)


def bridge(inputs: Inputs, side: str = "low", *, inductance: bool = False) -> Bridge:
    """The half-bridge of a stage at typical values and the peak current.

    Raises CallError that names all missing inputs, or why there is no working point.
    """
    bench = Work(About("spice", "SPICE deck", ""), inputs)
    values = {
        "supply": bench.take("Vs", "stage:supply.voltage"),
        "current": bench.take("Ipk", "stage:motor.current.peak"),
        "gate_voltage": bench.take("Vg", f"role:gate.voltage.{side}"),
        "qgs": bench.take("Qgs", "stage:mosfet.qgs"),
        "qgd": bench.take("Qgd", "stage:mosfet.qgd"),
        "vth": bench.take("Vth", "stage:mosfet.vth"),
        "plateau": bench.take("Vpl", "stage:mosfet.plateau"),
        "rdson": bench.take("Rds", "stage:mosfet.rdson"),
    }
    try:
        values["source"] = gate_current(bench, "source", side)
        values["sink"] = gate_current(bench, "sink", side)
    except ImpossibleError as error:
        raise CallError(f"no deck: {error}") from None
    if bench.missing:
        raise CallError(f"no deck without {', '.join(bench.missing)}")
    numbers = {name: float(v.typ) for name, v in values.items() if v is not None}
    set_current = inputs.find(f"role:gate.source.{side}", optional=True)
    made = Bridge(side=side, resistive=set_current is None, **numbers)
    loop = inputs.find("stage:bridge.inductance", optional=True) if inductance else None
    if loop is not None and not isinstance(loop.value, (int, str)):
        made = replace(made, inductance=float(loop.value.typ))
    return made


def deck(
    item: Bridge | Inputs,
    *,
    title: str = "half-bridge, one switching edge each way",
    data: str = "edges.data",
) -> str:
    """The deck as text: turn-on, turn-off, and the waveforms written to the file `data`.

    Inputs stand for their low-side half-bridge at typical values (see `bridge`).

    Columns of that file after a line of names: time in s, then gate-source voltage, drain-source
    voltage and drain current of the driven switch. Raises CallError for a file name that the
    simulator's command language could misread.
    """
    if not data or not all(c.isalnum() or c in "._-/" for c in data):
        raise CallError(f"file name {data!r}: letters, digits, dot, dash and slash only")
    if isinstance(item, Inputs):
        item = bridge(item)
    low = item.side == "low"
    # The load current flows so that the other switch's body diode carries it meanwhile.
    drain, source, vsource = ("ph", "0", "0") if low else ("rail", "ph", "v(ph)")
    off = "rail ph ph" if low else "ph 0 0"
    load = "rail ph" if low else "ph 0"
    vgs, vds = f"(v(gate)-{vsource})", f"(v({drain})-{vsource})"
    start, edge = 0.1 * item.on_time, 1e-9
    stop = start + item.on_time + item.off_time
    step = min(item.qgd / max(item.source, item.sink) / 200, stop / 2000)
    if item.resistive:
        up = (item.gate_voltage - item.plateau) / item.source
        charge = f"({item.gate_voltage:.6g}-{vgs})/{up:.6g}"
        discharge = f"-{vgs}/{item.plateau / item.sink:.6g}"
    else:
        # A current source that runs out of voltage at the ends of the gate supply.
        charge = f"{item.source:.6g}*tanh(({item.gate_voltage:.6g}-{vgs})/0.1)"
        discharge = f"-{item.sink:.6g}*tanh({vgs}/0.1)"
    loop = "Vloop bus rail 0"
    if item.inductance > 0:
        loop = f"Lloop bus rail {item.inductance:.6g}\nRdamp bus rail 1"
    return f"""* {" ".join(title.split())}
* {CAUTION}
* driven switch: {item.side} side; load {item.current:.6g} A, supply {item.supply:.6g} V
Vbus bus 0 {item.supply:.6g}
{loop}
Iload {load} {item.current:.6g}
Vcmd cmd 0 pulse(0 1 {start:.6g} {edge:.3g} {edge:.3g} {item.on_time:.6g} 1)
Bgate {source} gate i = v(cmd)*({charge}) + (1-v(cmd))*({discharge})
Vsense {drain} dd 0
Mon dd gate {source} fet
Moff {off} fet
.model fet vdmos(nchan vto={item.vth:.6g} kp={item.kp:.6g} rd={item.drain_resistance:.6g} rs=0
+ rg=0 cgs={item.cgs:.6g} cgdmax={item.cgd * item.cgd_ratio:.6g} cgdmin={item.cgd:.6g} a=1
+ cjo={item.cgd:.6g} is=1e-12 rb=0.01 n=1.05 lambda=0)
.options method=gear reltol=1e-4 abstol=1e-9 vntol=1e-6 chgtol=1e-16
.control
set wr_singlescale
set wr_vecnames
tran {step:.6g} {stop:.6g} 0 {step:.6g}
let vgs = {vgs}
let vds = {vds}
let id = i(vsense)
wrdata {data} vgs vds id
meas tran edge_on trig vds val={0.9 * item.supply:.6g} fall=1 targ vds
+ val={0.1 * item.supply:.6g} fall=1
meas tran edge_off trig vds val={0.1 * item.supply:.6g} rise=1 targ vds
+ val={0.9 * item.supply:.6g} rise=1
.endc
.end
"""
