"""A half-bridge at one operating point, as a circuit simulator needs it: numbers alone (see `spice`)."""

from __future__ import annotations

from math import exp

from regmap.record import dataclass

from ..errors import CallError
from .device import KNEE, channel_resistance, drain_resistance, gate_drain
from .registry import SIDES

#: potential of the body diode's junction in V; damping ratio of a loop of which none is stated, so that its ringing ends
POTENTIAL, HARDLY_DAMPED = 0.8, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Bridge:
    """A half-bridge at one operating point, in base units (V, A, C, ohm, H, F).

    `side` is the switch that is driven, the other one is held off. `source` and `sink` are plateau
    gate currents; with `resistive` the driver is a resistance that gives these currents at the
    plateau; `rising` and `falling` are gate currents in steps, each with its end in s from the edge (the
    last without end). `gate_on` and `gate_off` are resistors at the gates, `internal` lies inside the MOSFETs; with them a
    set current is `set_source` and `set_sink`, of which the resistors may leave less along the plateau. The other
    switch's gate is held by the current `hold`, or by the resistance `pull`, or tied to its source where both are 0.
    `inductance` is that of the commutation loop, `damping` its ratio, `source_inductance` shared with the gates' paths, `snubber` an RC from the node to ground, `crss`
    the gate-drain capacitance at the supply, `coss` the output capacitance there, `qoss` its charge and `qrr` the
    diode's recovery charge (0 where nobody states them).
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
    qoss: float = 0.0
    qrr: float = 0.0
    rising: tuple[tuple[float, float], ...] = ()
    falling: tuple[tuple[float, float], ...] = ()
    resistive: bool = False
    gate_on: float = 0.0
    gate_off: float = 0.0
    internal: float = 0.0
    set_source: float = 0.0
    set_sink: float = 0.0
    hold: float = 0.0
    pull: float = 0.0
    inductance: float = 0.0
    damping: float = 0.0
    source_inductance: float = 0.0
    snubber: tuple[float, float] = (0.0, 0.0)

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

    def junction(self, shift: float) -> tuple[float, float]:
        """(capacitance of the body diode without voltage in F, its exponent); its potential is 0.8 V.

        `shift` is the gate voltage at which the drain voltage counts in Cgd (see `_fet`).
        """
        width = KNEE * self.supply
        if not self.qoss and not self.coss:
            return self.floor, 0.5
        by_gate = self.floor * self.supply + self.excess * width * (
            exp(-shift / width) - exp(-(shift + self.supply) / width)
        )
        end = max(self.coss - self.floor, 0.0)
        if not self.qoss:
            return (end or self.floor) * (1 + self.supply / POTENTIAL) ** 0.5, 0.5
        charge = max(self.qoss - by_gate, self.qoss / 10)
        low, high = 0.02, 0.9  # ngspice takes no exponent above
        wanted = charge / (end * self.supply) if end else _mean_over_end(0.5, self.supply)
        for _ in range(40):  # the mean over the end value grows with the exponent
            middle = (low + high) / 2
            if _mean_over_end(middle, self.supply) < wanted:
                low = middle
            else:
                high = middle
        return charge / (_mean_over_end(low, self.supply) * self.supply) * (
            1 + self.supply / POTENTIAL
        ) ** low, low

    @property
    def ends_with(self) -> float:
        """Output capacitance at the supply in F, as the deck has it."""
        cjo, m = self.junction(0.0)
        return self.floor + float(cjo / (1 + self.supply / POTENTIAL) ** m)

    @property
    def damper(self) -> float:
        """Resistance beside the loop's inductance that gives its damping ratio."""
        return float(
            (self.inductance / self.ends_with) ** 0.5 / (2 * (self.damping or HARDLY_DAMPED))
        )

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


def _mean_over_end(m: float, supply: float) -> float:
    """Mean of (1 + V / 0.8 V)^-m from 0 V to the supply over what it is at the supply."""
    x = 1 + supply / POTENTIAL
    return float((x ** (1 - m) - 1) * x**m * POTENTIAL / ((1 - m) * supply))
