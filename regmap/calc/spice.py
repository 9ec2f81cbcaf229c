"""A SPICE deck of one half-bridge with the gate currents that were chosen.

The deck says the device model of `device` in a circuit simulator's words, all at typical values:

    Id  = K ((Vgs - Vth)^2), in the ohmic region K (2 (Vgs - Vth) V - V^2);  K = Ipk / (Vpl - Vth)^2
    Cgs = Qgs / Vpl - Crss
    Cgd = Crss + excess exp(-V / (Vs / 8)), its charge over the supply Qgd
    Rd  = what the channel leaves of the on-resistance
    Cds = (Coss - Crss) sqrt((Vs + 0.8 V) / (V + 0.8 V)) in the body diode, its transit time Qrr / Ipk

the load by a current, and the driver by its current or resistance. It is plain text for ngspice;
nothing here runs it. Since it shares the model, it is a way to look closer (ringing, another load),
not a proof of the model; the tests hold the model to decks of their own with another transistor.
"""

from __future__ import annotations

from regmap.record import dataclass, replace

from ..cautions import CAUTION
from ..errors import CallError
from .currents import gate_current, is_resistive
from .device import KNEE, channel_resistance, drain_resistance, end_capacitance, gate_drain
from .edges import course
from .inputs import ImpossibleError, Inputs
from .registry import SIDES
from .work import About, Work


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A half-bridge at one operating point, in base units (V, A, C, ohm, H, F).

    `side` is the switch that is driven, the other one is held off. `source` and `sink` are plateau
    gate currents; with `resistive` the driver is a resistance that gives these currents at the
    plateau; `rising` and `falling` are gate currents in steps, each with its end in s from the edge (the
    last without end). `inductance` is that of the commutation loop, `crss` the gate-drain capacitance at the
    supply, `coss` the output capacitance there and `qrr` the diode's recovery charge (0 where nobody states them).
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
    crss: float
    coss: float = 0.0
    qrr: float = 0.0
    rising: tuple[tuple[float, float], ...] = ()
    falling: tuple[tuple[float, float], ...] = ()
    resistive: bool = False
    inductance: float = 0.0

    def __post_init__(self) -> None:
        if self.side not in SIDES:
            raise CallError(f"side {self.side!r}", "high or low")
        for name in ("supply", "current", "source", "sink", "qgs", "qgd", "vth", "rdson", "crss"):
            if getattr(self, name) <= 0:
                raise CallError(f"{name} must be greater than zero for a deck")
        if not self.vth < self.plateau < self.gate_voltage:
            raise CallError("a deck needs threshold < plateau < gate voltage")

    @property
    def floor(self) -> float:
        """Gate-drain capacitance at the supply in F."""
        return float(min(self.crss, self.qgd / self.supply))

    @property
    def excess(self) -> float:
        """What the gate-drain capacitance has more at no drain voltage, in F."""
        return float(gate_drain(0.0, self.qgd, self.crss, self.supply)) - self.floor

    @property
    def cgs(self) -> float:
        """Gate-source capacitance in F, at least a tenth of Qgs / Vpl."""
        whole = self.qgs / self.plateau
        return max(whole - self.floor, whole / 10)

    @property
    def junction(self) -> float:
        """Capacitance of the body diode without voltage, in F; its exponent is 1/2, its potential 0.8 V."""
        at_supply = max(self.coss - self.floor, 0.0) or self.floor / (1 + self.supply / 0.8) ** 0.5
        return float(at_supply * (1 + self.supply / 0.8) ** 0.5)

    @property
    def k(self) -> float:
        """Transconductance parameter of the square law in A/V^2."""
        return float(self.current / (self.plateau - self.vth) ** 2)

    @property
    def drain_resistance(self) -> float:
        """Resistance beside the channel in ohm."""
        channel = channel_resistance(
            vov=self.plateau - self.vth, i=self.current, vg=self.gate_voltage, vpl=self.plateau
        )
        return float(drain_resistance(r=self.rdson, rch=channel))

    @property
    def on_time(self) -> float:
        """How long the deck keeps the switch on, in s: three times the charge to full gate."""
        return 3 * self._charge / self.source * (3 if self.resistive else 1)

    @property
    def off_time(self) -> float:
        """How long the deck watches the turn-off, in s."""
        return 3 * self._charge / self.sink * (3 if self.resistive else 1)

    @property
    def _charge(self) -> float:
        return self.qgs / self.plateau * self.gate_voltage + self.qgd


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
        "crss": end_capacitance(bench),
        "coss": bench.maybe("Coss", "stage:mosfet.coss"),
        "qrr": bench.maybe("Qrr", "stage:mosfet.qrr"),
    }
    try:
        values["source"] = gate_current(bench, "source", side)
        values["sink"] = gate_current(bench, "sink", side)
    except ImpossibleError as error:
        raise CallError(f"no deck: {error}") from None
    if bench.missing:
        raise CallError(f"no deck without {', '.join(bench.missing)}")
    numbers = {name: float(v.typ) for name, v in values.items() if v is not None}
    made = Bridge(
        side=side,
        resistive=is_resistive(bench, "source", side),
        rising=tuple(course(bench, "source", side)),
        falling=tuple(course(bench, "sink", side)),
        **numbers,
    )
    loop = inputs.find("stage:bridge.inductance", optional=True) if inductance else None
    if loop is not None and not isinstance(loop.value, (int, str)):
        made = replace(made, inductance=float(loop.value.typ))
    return made


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
        path = (item.gate_voltage - item.plateau) / item.source
        charge = f"({item.gate_voltage:.6g}-{vgs})/{path:.6g}"
        discharge = f"-{vgs}/{item.plateau / item.sink:.6g}"
    else:
        # A current source that runs out of voltage at the ends of the gate supply.
        up = "v(up)" if item.rising else f"{item.source:.6g}"
        down = "v(down)" if item.falling else f"{item.sink:.6g}"
        charge = f"{up}*tanh(({item.gate_voltage:.6g}-{vgs})/0.1)"
        discharge = f"-{down}*tanh({vgs}/0.1)"
    stairs = "".join(
        _stairs(name, steps, begin)
        for name, steps, begin in (
            ("up", item.rising, start),
            ("down", item.falling, start + item.on_time),
        )
        if steps
    )
    width = KNEE * item.supply
    loop = "Vloop dc rail 0"
    if item.inductance > 0:
        loop = f"Lloop dc rail {item.inductance:.6g}\nRdamp dc rail 1"
    return f"""* {" ".join(title.split())}
* {CAUTION}
* driven switch: {item.side} side; load {item.current:.6g} A, supply {item.supply:.6g} V
Vdc dc 0 {item.supply:.6g}
{loop}
{stairs}Iload {load} {item.current:.6g}
Vcmd cmd 0 pulse(0 1 {start:.6g} {edge:.3g} {edge:.3g} {item.on_time:.6g} 1)
Bgate {source} gate i = v(cmd)*({charge}) + (1-v(cmd))*({discharge})
Vsense {drain} dd 0
Xon dd gate {source} fet
Xoff {off} fet
.subckt fet d g s
Rd d x {item.drain_resistance:.6g}
Bch x s i = {item.k:.6g}*(max(v(g,s)-{item.vth:.6g},0)^2
+ - max(max(v(g,s)-{item.vth:.6g},0)-v(x,s),0)^2)
Cgs g s {item.cgs:.6g}
* charge of Cgd in nC, and its current
Bw w 0 v = v(d,g)+{item.plateau:.6g}
Bq q 0 v = {1e9 * item.floor:.6g}*v(d,g) + {1e9 * item.excess:.6g}*(min(v(w),0)
+ + {width:.6g}*(1-exp(-max(v(w),0)/{width:.6g})))
Cq q qs 1n
Vq qs 0 0
Fgd d g Vq 1
Dbody s d body
.ends
.model body d(is=1e-12 rs={item.rdson:.6g} n=1.05 cjo={item.junction:.6g} vj=0.8 m=0.5
+ tt={item.qrr / item.current:.6g})
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
