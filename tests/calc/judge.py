"""Decks for ngspice with a transistor of their own: the judge of the switching estimates.

Nothing here imports the library. The transistor is ngspice's VDMOS with its own curve of Cgd (arc
tangent below Vgd = 0, hyperbolic tangent above), junction capacitance, body diode and subthreshold
current. What a data sheet would print of it is measured as data sheets do (gate charge at constant
gate current with a clamped load, straight lines through the last stretch and the plateau); the
estimates get those figures, and a half-bridge with the same transistor says what really happens.
"""

from __future__ import annotations

import math
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

Array = np.ndarray[Any, Any]
OPTIONS = ".options method=gear reltol=5e-4 abstol=1e-8 vntol=1e-5 chgtol=1e-15"
START = 20e-9


@dataclass(frozen=True)
class Part:
    """A VDMOS transistor: threshold, transconductance, resistances, capacitances, curve of Cgd."""

    vto: float
    kp: float
    rd: float
    rg: float
    cgs: float
    cgdmax: float
    cgdmin: float
    a: float
    cjo: float

    def card(self) -> str:
        return (
            f".model fet vdmos(nchan vto={self.vto} kp={self.kp} rd={self.rd} rs=0 rg=0 "
            f"cgs={self.cgs} cgdmax={self.cgdmax} cgdmin={self.cgdmin} a={self.a} cjo={self.cjo} "
            f"vj=0.8 m=0.45 is=1e-11 rb={self.rd / 2} n=1.05 tt=1n lambda=0 ksubthres=0.02)"
        )

    def crss(self, volts: float) -> float:
        """Gate-drain capacitance at a drain voltage with the gate at the source."""
        share = (self.cgdmax - self.cgdmin) / (1 + math.pi / 2)
        return self.cgdmax - share - share * math.atan(self.a * volts)

    def coss(self, volts: float) -> float:
        """Output capacitance at a drain voltage: the junction's and the gate-drain one."""
        return self.cjo / (1 + volts / 0.8) ** 0.45 + self.crss(volts)

    def qoss(self, volts: float) -> float:
        """Charge of the output capacitance up to a drain voltage."""
        at = np.linspace(0, volts, 400)
        return float(np.trapezoid([self.coss(v) for v in at], at))


@dataclass(frozen=True)
class Drive:
    """A stage of a driver: a set current, or None for a resistance alone.

    `steps` are currents that flow first, each with its duration in s; then `current` flows.
    """

    current: float | None
    resistance: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()

    def text(self, rail: str, node: str, source: str = "") -> str:
        if self.current is None:
            return f"(({rail})-{node})/{self.resistance}"
        flow = f"v({source})" if self.steps else f"{self.current}"
        width = 0.2 if self.steps else 0.05  # wider where currents are large, or no start is found
        return f"{flow}*tanh((({rail})-{node})/{width})"

    def course(self, source: str, start: float) -> str:
        """A voltage source that says the current over time, each step within half a nanosecond."""
        if not self.steps or self.current is None:
            return ""
        points: list[str] = []
        at = start
        for (flow, duration), after in zip(
            self.steps, [*(c for c, _ in self.steps[1:]), self.current], strict=True
        ):
            points.append(f"{at} {flow}")
            points.append(f"{at + duration - 0.25e-9} {flow}")
            at += duration + 0.25e-9
            points.append(f"{at} {after}")
            at += 0.01e-9
        begin = f"0 {self.current}"
        if start:
            begin += f" {start - 1e-9} {self.current}"
        return f"V{source} {source} 0 pwl({begin} {' '.join(points)})\n"


@dataclass(frozen=True)
class Point:
    """One operating point of a half-bridge."""

    stage: str
    part: Part
    supply: float
    load: float
    gate: float
    inductance: float
    on: Drive
    off: Drive
    hold: Drive
    #: how the loop's ringing is damped, as a ratio
    damping: float = 0.7

    def impedance(self) -> float:
        """Characteristic impedance of the loop with the output capacitance of the switch that is off."""
        return math.sqrt(self.inductance / self.part.coss(self.supply))

    def damper(self) -> float:
        """The resistor beside the inductance; a smaller one would carry the load's current past it."""
        wanted = self.impedance() / (2 * self.damping)
        return max(2.0, wanted, 0.3 * self.supply / self.load)

    def damped(self) -> float:
        """The damping ratio that this resistor gives."""
        return self.impedance() / (2 * self.damper())


@dataclass(frozen=True)
class Sheet:
    """What a data sheet prints of a part at one supply, load and gate voltage."""

    qg: float
    qgs: float
    qgd: float
    plateau: float
    rdson: float


def simulate(text: str, folder: Path) -> Array:
    """Columns of the file that the deck writes; where the integration gets stuck, by trapezoids, and then more coarsely."""
    written = folder / "out.data"
    for method in (
        "",
        ".options method=trap trtol=1 reltol=3e-4\n",
        ".options method=trap reltol=1e-3 abstol=1n chgtol=1e-13\n",
    ):
        (folder / "deck.cir").write_text(
            text.replace(".control\n", method + ".control\n", 1), encoding="ascii"
        )
        written.unlink(missing_ok=True)
        done = subprocess.run(
            ["ngspice", "-b", "deck.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        if written.exists() and "aborted" not in done.stderr:
            break
    assert written.exists(), done.stdout[-800:] + done.stderr[-800:]
    assert "aborted" not in done.stderr
    return np.asarray(np.loadtxt(written, skiprows=1).T)


def deck(body: str, step: float, stop: float, columns: str) -> str:
    return (
        f"* judge\n{body}\n{OPTIONS}\n.control\nset wr_singlescale\nset wr_vecnames\n"
        f"tran {step:.6g} {stop:.6g} 0 {step:.6g}\nwrdata out.data {columns}\n.endc\n.end\n"
    )


def data_sheet(part: Part, supply: float, load: float, gate: float, folder: Path) -> Sheet:
    """Gate charge measured as on a data sheet: slow constant gate current, clamped load."""
    current = ((part.cgs + part.cgdmax) * gate + part.cgdmin * supply) / 20e-6
    t, g, d = simulate(
        deck(
            f"""Vbus bus 0 {supply}
Iload bus d {load}
Dclamp d bus ideal
.model ideal d(is=1e-9 n=0.1 rs=1e-4)
Vc c 0 pulse(0 1 100n 1n 1n 1 2)
Bg 0 g i=v(c)*{current}*tanh(({gate}-v(g))/0.02)-(1-v(c))*v(g)
M1 d g 0 fet
{part.card()}""",
            20e-9,
            60e-6,
            "v(g) v(d)",
        ),
        folder,
    )
    after = t > 100.5e-9
    t, g, d = t[after], g[after], d[after]
    flow = current * np.tanh((gate - (g[1:] + g[:-1]) / 2) / 0.02)
    charge = np.concatenate([[0], np.cumsum(flow * np.diff(t))])
    plateau = float(g[np.argmax(d < 0.5 * supply)])
    qgs = float(charge[np.argmax(d < 0.97 * supply)])
    last = (g > plateau + 0.5 * (gate - plateau)) & (g < gate - 0.1)
    slope, offset = np.polyfit(charge[last], g[last], 1)
    end = (plateau - offset) / slope
    rdson = float(d[np.argmax(g > gate - 0.02)]) / load
    return Sheet((gate - offset) / slope, qgs, float(end) - qgs, plateau, rdson)


def half_bridge(point: Point, on: float, off: float) -> str:
    """Low switch on for `on`, then off for `off` seconds; the high one is held off all the time."""
    loop = "Vloop bus rail 0"
    if point.inductance:
        loop = f"Lloop bus rail {point.inductance}\nRdamp bus rail {point.damper()}"
    body = f"""Vbus bus 0 {point.supply}
{loop}
Iload rail ph {point.load}
Vcmd cmd 0 pulse(0 1 {START} 1n 1n {on} 1)
{point.on.course("up", START)}{point.off.course("down", START + on)}Bg 0 pin i = v(cmd)*({point.on.text(str(point.gate), "v(pin)", "up")}) + (1-v(cmd))*({point.off.text("0", "v(pin)", "down")})
Rg pin gate {point.part.rg}
Vs ph drain 0
Mlow drain gate 0 fet
Bh ph hpin i = {point.hold.text("0", "(v(hpin)-v(ph))")}
Rh hpin hgate {point.part.rg}
Mhigh rail hgate ph fet
{point.part.card()}"""
    columns = "v(gate) v(ph) i(vs) v(hgate)-v(ph)"
    return deck(body, min(on, off) / 1500, START + on + off, columns)


def crossing(t: Array, v: Array, level: float, *, rising: bool) -> float:
    """First time at which `v` has passed `level`, interpolated; NaN if it never does."""
    past = (v > level) if rising else (v < level)
    if not past.any():
        return math.nan
    k = int(np.argmax(past))
    if k == 0:
        return float(t[0])
    return float(t[k - 1] + (level - v[k - 1]) / (v[k] - v[k - 1]) * (t[k] - t[k - 1]))


def steepest(t: Array, v: Array, top: float, *, rising: bool) -> float:
    """Steepest slope over any 12 % of the swing."""
    at = [crossing(t, v, share * top, rising=rising) for share in np.linspace(0.02, 0.98, 25)]
    spans = np.abs(np.array(at[3:]) - np.array(at[:-3]))
    return float(0.12 * top / np.nanmin(spans))


def measure(waves: Array, point: Point, on: float, threshold: float) -> dict[str, float]:
    """What an oscilloscope would read: times in s from the driver's edge, V/s, A/s, V."""
    # before the command nothing is read: in the first picoseconds the simulator brings the charge of a
    # diode that carries a large current into balance, and the node jumps where nothing switches
    t, gate, drain, current, held = waves[:, waves[0] >= 0.9 * START]
    first = t < START + on
    up, down = t[first] - START, t[~first] - START - on
    vs, load = point.supply, point.load
    carried = np.clip(current, 0, load)
    return {
        "VDS below threshold": crossing(up, drain[first], threshold, rising=False),
        "middle of turn-on": crossing(up, drain[first], vs / 2, rising=False),
        "gate full": crossing(up, gate[first], 0.95 * point.gate, rising=True),
        "gate down": crossing(down, gate[~first], 1.0, rising=False),
        "current off": crossing(down, current[~first], 0.03 * load, rising=False),
        "middle of turn-off": crossing(down, drain[~first], vs / 2, rising=True),
        "dV/dt": max(
            steepest(up, drain[first], vs, rising=False),
            steepest(down, drain[~first], vs, rising=True),
        ),
        "di/dt": max(
            steepest(up, carried[first], load, rising=True),
            steepest(down, carried[~first], load, rising=False),
        ),
        "drain": float(drain[~first].max()),
        "turn-on peak": float(current[first].max()),
        "held gate": float(held[first].max()),
    }


def voltage_edges(waves: Array, point: Point, on: float, plateau: float) -> dict[str, float]:
    """How long Qgd is moved at turn-on and turn-off, as data sheets draw it, in s.

    From VDS at 97 % of the supply to where the gate's last stretch meets the plateau, and back: straight
    lines at a constant current, exponentials behind a resistance.
    """
    t, gate, drain = waves[0], waves[1], waves[2]
    first, full = t < START + on, point.gate
    middle = plateau + 0.5 * (full - plateau)
    up, down = t[first] - START, t[~first] - START - on
    rising, falling = gate[first], gate[~first]
    last = (up > 0) & (rising > middle) & (rising < full - 0.4)
    begin = np.cumsum(falling < middle) == 0
    begin &= falling < full - 0.4

    def meets(at: Array, volts: Array, rail: float, drive: Drive) -> float:
        level, span = volts, plateau
        if drive.current is None:
            level, span = np.log(np.abs(rail - volts)), math.log(abs(rail - plateau))
        slope, offset = np.polyfit(at, level, 1)
        return float((span - offset) / slope)

    starts = crossing(up, drain[first], 0.97 * point.supply, rising=False)
    ends = crossing(down, drain[~first], 0.97 * point.supply, rising=True)
    return {
        "voltage edge on": meets(up[last], rising[last], full, point.on) - starts,
        "voltage edge off": ends - meets(down[begin], falling[begin], 0.0, point.off),
    }


_A = Part(2.4, 110, 0.6e-3, 1.0, 11e-9, 5e-9, 0.35e-9, 0.5, 6e-9)
_B = Part(3.0, 22, 2.5e-3, 1.5, 2.6e-9, 1.2e-9, 0.04e-9, 0.3, 2.5e-9)
_C = Part(2.2, 20, 4e-3, 1.2, 1.6e-9, 0.9e-9, 0.05e-9, 0.4, 1.2e-9)
_D = Part(1.6, 5, 20e-3, 3.0, 0.28e-9, 0.18e-9, 0.012e-9, 0.5, 0.25e-9)

#: name -> (part, supply, loads, gate voltage, loop inductance, drives, hold-offs)
#: A drive is a current with 1.5 times as much for off, or a resistance with half for off; a hold-off
#: is a multiple of the current, or a resistance.
STAGES: dict[str, tuple[Any, ...]] = {
    "12 V, 200 nC": (_A, 13.5, (30, 80, 140), 10.5, 3e-9, (0.2, 0.35, 0.5, 0.7, 1.0), (1.2, 2.5)),
    "48 V": (_B, 48, (6, 15, 30), 11, 8e-9, (0.08, 0.15, 0.25, 0.35, 0.5), (1.2, 2.5)),
    "24 V, resistive": (
        _C,
        24,
        (3, 8, 16),
        10,
        10e-9,
        (20.0, 33.0, 47.0, 68.0, 100.0),
        (3.0, 12.0),
    ),
    "fan, 5 nC": (_D, 12, (0.5, 1.5, 3), 8, 15e-9, (0.005, 0.01, 0.015, 0.025, 0.04), (1.2, 2.5)),
}


def points() -> Iterator[Point]:
    """All operating points: four stages, three loads, five drives, two hold-offs each."""
    for name, (part, supply, loads, gate, inductance, drives, holds) in STAGES.items():
        for load in loads:
            for drive in drives:
                for hold in holds:
                    if "resistive" in name:
                        stages = Drive(None, drive), Drive(None, drive / 2), Drive(None, hold)
                    else:
                        stages = Drive(drive), Drive(1.5 * drive), Drive(hold * drive)
                    yield Point(name, part, supply, load, gate, inductance, *stages)


def stepped_points() -> Iterator[Point]:
    """Points whose gate currents come in steps: pre-charge, edge, after the edge; on and off apart.

    The pre-charge moves about half of what lies before the edge, or a little, or none of it.
    """
    for name, (part, supply, loads, gate, inductance, drives, _) in STAGES.items():
        if "resistive" in name:
            continue
        for load in loads:
            for drive in drives[::2]:
                for share, factor in ((0.5, 3.0), (0.2, 2.0), (0.4, 0.5)):
                    before = part.cgs * 3.0
                    on = (factor * drive, share * before / (factor * drive))
                    off = (factor * drive, 2 * share * before / (factor * drive))
                    edge = 0.7 * before / drive + supply * part.cgdmax / drive / 3
                    yield Point(
                        name,
                        part,
                        supply,
                        load,
                        gate,
                        inductance,
                        Drive(2.0 * drive, steps=(on, (drive, edge))),
                        Drive(1.5 * drive, steps=(off, (1.2 * drive, edge))),
                        Drive(None, 2.0),
                    )
