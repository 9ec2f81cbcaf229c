"""More decks for ngspice, of the tests' own making: what stands around one edge.

Dead-time error with both switches driven, the shunt's spike, bootstrap, pump, short circuit and the DC
link under a rotating vector. Like judge.py, nothing here imports the library.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.calc.judge import (
    OPTIONS,
    START,
    Point,
    crossing,
    half_bridge,
    simulate,
    voltage_edges,
)


def transient(body: str, step: float, stop: float, columns: str, start: float = 0.0) -> str:
    """A deck that writes these columns from `start` to `stop`, started from the sources' values."""
    return (
        f"* judge of the stage\n{body}\n{OPTIONS}\n.control\nset wr_singlescale\nset wr_vecnames\n"
        f"tran {step:.6g} {stop:.6g} {start:.6g} {step:.6g}\nwrdata out.data {columns}\n.endc\n.end\n"
    )


def dead_time_loss(point: Point, dead: float, on: float, folder: Path) -> float:
    """How much longer the node is low than commanded, in s: both switches driven, current out of the bridge.

    The low switch goes off at the command, the high one on after the dead time; then the other way round.
    """
    first, second = START, START + on
    stop = second + dead + 0.5 * on
    body = f"""Vbus bus 0 {point.supply}
Iload ph 0 {point.load}
Vhigh hc 0 pulse(0 1 {first + dead} 1n 1n {on - dead} 1)
Vlow lc 0 pwl(0 1 {first} 1 {first + 1e-9} 0 {second + dead} 0 {second + dead + 1e-9} 1)
Bh ph hpin i = v(hc)*({point.on.text(str(point.gate), "(v(hpin)-v(ph))")}) + (1-v(hc))*({point.off.text("0", "(v(hpin)-v(ph))")})
Rh hpin hgate {point.part.rg}
Mhigh bus hgate ph fet
Bl 0 lpin i = v(lc)*({point.on.text(str(point.gate), "v(lpin)")}) + (1-v(lc))*({point.off.text("0", "v(lpin)")})
Rl lpin lgate {point.part.rg}
Mlow ph lgate 0 fet
{point.part.card()}"""
    # a floating gate: the edge of the current source is wider, or no step is small enough
    body = body.replace("/0.05)", "/0.2)")
    t, node = simulate(transient(body, on / 3000, stop, "v(ph)"), folder)
    half = point.supply / 2
    early = t < second
    rise = crossing(t[early], node[early], half, rising=True)
    fall = crossing(t[~early], node[~early], half, rising=False)
    return (rise - first) - (fall - second)


def switching_energy(point: Point, on: float, off: float, on_drop: float, folder: Path) -> float:
    """Energy that a switch loses in turning on and off once, in J, less what it loses while it is on.

    What its output capacitance takes at turn-off it gives back at turn-on, and the other diode recovers through it.
    """
    t, _, drain, current, _ = simulate(half_bridge(point, on, off), folder)
    t, drain, current = (x[t >= 0.9 * START] for x in (t, drain, current))
    conducts = (t > START + crossing(t - START, drain, 2 * on_drop, rising=False)) & (
        t < START + on
    )
    settled = (t > START + 0.9 * on) & (t < START + on)
    whole = float(np.trapezoid(drain * current, t))
    return whole - float((drain * current)[settled].mean() * np.ptp(t[conducts]))


def miller_current(point: Point, on: float, off: float, plateau: float, folder: Path) -> float:
    """Mean current into the held gate, tied to its source, while the other switch moves its Qgd at turn-on."""
    text, count = re.subn(r"Bh ph hpin i = .*", "Vh hpin ph 0", half_bridge(point, on, off))
    assert count == 1
    waves = simulate(text.replace("v(hgate)-v(ph)", "i(vh)"), folder)
    lasts = voltage_edges(waves, point, on, plateau)["voltage edge on"]
    t, _, drain, _, current = waves[:, waves[0] > 0.9 * START]
    begin = crossing(t, drain, 0.97 * point.supply, rising=False)
    during = np.linspace(begin, begin + lasts, 4000)
    return float(np.interp(during, t, current).mean())


def shunt_spike(
    point: Point, ohms: float, henry: float, on: float, folder: Path
) -> tuple[float, float]:
    """Highest voltage at a shunt below the low switch while its current rises, and how long it says more than the load.

    The driver's return is at the source, so that the shunt slows no edge.
    """
    text = half_bridge(point, on, on)
    text = text.replace("v(pin)", "(v(pin)-v(s))").replace("Bg 0 pin", "Bg s pin")
    text = text.replace(
        "Mlow drain gate 0 fet", f"Mlow drain gate s fet\nRsh s sm {ohms}\nLsh sm 0 {henry}"
    )
    text = text.replace(
        "wrdata out.data v(gate) v(ph) i(vs) v(hgate)-v(ph)", "wrdata out.data v(s) i(vs)"
    )
    t, volts, current = simulate(text, folder)
    up = t < START + on
    # the current edge: until the load's current is reached, before the recovery of the other diode
    rising = up & (current < point.load) & (t < t[up][np.argmax(current[up])])
    # what a comparator set for more than the load's current would take for one
    above = rising & (volts > ohms * point.load)
    lasts = float(t[above].max() - t[above].min()) if above.any() else 0.0
    return float(volts[rising].max()), lasts


def bootstrap_low(
    vdd: float,
    vf: float,
    ohms: float,
    farad: float,
    charge: float,
    leak: float,
    f: float,
    d: float,
    td: float,
    folder: Path,
) -> float:
    """Lowest voltage of a bootstrap in its periodic state: the gate's charge in 200 ns, the leak always."""
    period, gulp = 1 / f, 200e-9
    low = (1 - d) * period - td
    body = f"""Vdd dd 0 {vdd - vf}
Sref dd a c 0 sw
.model sw sw(vt=0.5 vh=0 ron={max(ohms, 1e-3)} roff=1e12)
Vc c 0 pulse(0 1 {period - low} 1n 1n {low - 2e-9} {period})
Cb a 0 {farad} ic={vdd - vf}
Ileak a 0 {leak}
Igate a 0 pulse(0 {charge / gulp} 1n 1n 1n {gulp - 1e-9} {period})"""
    count = max(12, math.ceil(6 * ohms * farad / low) + 6)
    text = transient(body, period / 800, count * period, "v(a)", (count - 2) * period)
    text = text.replace("tran ", "tran ").replace(
        f" {period / 800:.6g}\nwrdata", f" {period / 800:.6g} uic\nwrdata"
    )
    _, volts = simulate(text, folder)
    return float(volts.min())


def pump_sag(
    volts: float, farad: float, charge: float, gates: int, feed: float, folder: Path
) -> float:
    """How far a pump's capacitor sags while that many gates take their charge, at one event.

    The pump feeds all along, less the nearer it is to its voltage.
    """
    gulp = 300e-9
    body = f"""Bfeed 0 a i = {feed}*max(0, min(1, ({volts}-v(a))/0.2))
Cp a 0 {farad} ic={volts}
Igate a 0 pulse(0 {gates * charge / gulp} 1u 1n 1n {gulp - 1e-9} 1)"""
    text = transient(body, 2e-9, 3e-6, "v(a)").replace("2e-09\nwrdata", "2e-09 uic\nwrdata")
    _, level = simulate(text, folder)
    return volts - float(level.min())


def short_circuit(
    point: Point, henry: float, gate: float, on: float, folder: Path
) -> tuple[float, float]:
    """Energy in a switch that turns on into a short behind an inductance, and the current that it lets through."""
    body = f"""Vbus bus 0 {point.supply}
Lloop bus d {henry}
Vs d drain 0
Vg g 0 pulse(0 {gate} 20n 5n 5n {on} 1)
Rg g gate 0.5
Mlow drain gate 0 fet
{replace(point.part, rg=0.5).card()}"""
    t, volts, current = simulate(
        transient(body, on / 2000, 20e-9 + 1.5 * on, "v(drain) i(vs)"), folder
    )
    settled = float(np.interp(20e-9 + 0.98 * on, t, current))
    return float(np.trapezoid(volts * current, t)), settled


def dc_link(
    amps: float, m: float, power_factor: float, f: float, farad: float, esr: float, folder: Path
) -> tuple[float, float]:
    """Rms current of a DC-link capacitor and its highest ripple within a PWM period.

    Three ideal half-bridges with sine modulation and triangle; the supply gives the mean current alone.
    """
    fe = f / 50
    phi = math.acos(power_factor)
    mean = 0.75 * m * amps * power_factor
    shape = []
    for k in range(3):
        lag = 2 * math.pi * k / 3
        angle = f"6.283185307*{fe}*time-{lag:.9f}"
        shape.append(f"u(0.5*{m}*sin({angle})+0.5-v(tri))*{amps}*sin({angle}-{phi:.9f})")
    body = f"""Vtri tri 0 pulse(0 1 0 {0.5 / f:.9g} {0.5 / f:.9g} 1p {1 / f:.9g})
Isup 0 link {mean}
Bbridge link 0 i = {" + ".join(shape)}
Vs link cap 0
Resr cap c {esr}
Clink c 0 {farad} ic=48"""
    text = transient(body, 1 / f / 400, 1 / fe, "v(link) i(vs)").replace(
        "\nwrdata", " uic\nwrdata", 1
    )
    t, volts, current = simulate(text, folder)
    even = np.linspace(t[0], t[-1], 400_000)
    flow, level = np.interp(even, t, current), np.interp(even, t, volts)
    rms = float(np.sqrt(np.mean((flow - flow.mean()) ** 2)))
    blocks = np.array_split(level, 50)
    # less the drift over the period, which is no ripple of the switching
    ripple = max(float(np.ptp(b - np.linspace(b[0], b[-1], len(b)))) for b in blocks)
    return rms, ripple


__all__: Sequence[str] = (
    "bootstrap_low",
    "dc_link",
    "dead_time_loss",
    "miller_current",
    "pump_sag",
    "short_circuit",
    "shunt_spike",
    "switching_energy",
)
