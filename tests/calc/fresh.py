"""Operating points of the judge that nobody has seen before: drawn from a seed around the four stages of judge.py.

Parts, supplies, loads, drives and what stands around them are drawn anew; nothing here imports the library.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from tests.calc.judge import STAGES, Drive, Part, Point

#: PWM frequency of each stage, and the gate charge that its bootstrap or pump gives.
AROUND: dict[str, tuple[float, float]] = {
    "12 V, 200 nC": (20e3, 200e-9),
    "48 V": (25e3, 45e-9),
    "24 V, resistive": (60e3, 30e-9),
    "fan, 5 nC": (40e3, 5e-9),
}


@dataclass(frozen=True)
class Bootstrap:
    vdd: float
    charge: float
    farad: float
    ohms: float
    f: float
    d: float


@dataclass(frozen=True)
class Pump:
    volts: float
    charge: float
    farad: float
    gates: int
    feed: float


@dataclass(frozen=True)
class Short:
    point: Point
    henry: float
    gate: float
    on: float


@dataclass(frozen=True)
class Link:
    amps: float
    m: float
    pf: float
    f: float
    farad: float
    esr: float


@dataclass(frozen=True)
class Fresh:
    """One draw of one stage: its edge, and what stands around it."""

    stage: str
    edge: Point
    shunt_henry: float
    bootstrap: Bootstrap
    pump: Pump
    short: Short
    link: Link
    ringing: Point  # the edge in a loop that may ring for long


def fresh_points(seed: int, count: int) -> Iterator[Fresh]:
    """`count` draws of each of the four stages."""
    for number, (name, row) in enumerate(STAGES.items()):
        random = np.random.default_rng([seed, number])
        for _ in range(count):
            yield _draw(name, row, random)


def _draw(name: str, row: tuple[object, ...], random: np.random.Generator) -> Fresh:
    part, supply, loads, gate, inductance, drives, holds = row
    assert isinstance(part, Part)
    assert isinstance(supply, (int, float))
    assert isinstance(gate, (int, float))
    assert isinstance(inductance, float)

    def between(low: float, high: float) -> float:
        """Evenly on a logarithmic scale."""
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    def span(values: object) -> float:
        assert isinstance(values, tuple)
        return between(min(values), max(values))

    made = replace(
        part,
        vto=part.vto * between(0.9, 1.1),
        **{
            key: getattr(part, key) * between(0.8, 1.25)
            for key in ("kp", "rd", "rg", "cgs", "cgdmax", "cgdmin", "a", "cjo")
        },
    )
    drive, hold = span(drives), span(holds)
    if "resistive" in name:
        stages = Drive(None, drive), Drive(None, drive / 2), Drive(None, hold)
    else:
        stages = Drive(drive), Drive(1.5 * drive), Drive(hold * drive)
    edge = Point(
        name,
        made,
        supply * between(0.85, 1.15),
        span(loads),
        gate * between(0.95, 1.1),
        inductance * between(0.6, 1.6),
        *stages,
        damping=between(0.25, 0.7),
    )
    frequency, charge = AROUND[name]
    f, q = frequency * between(0.8, 1.25), charge * between(0.7, 1.4)
    return Fresh(
        name,
        edge,
        between(0.4e-9, 2.5e-9),
        Bootstrap(
            gate + 1.5, q, q * between(10, 40) / 12, between(3, 60), f, random.uniform(0.3, 0.93)
        ),
        Pump(gate, q, q * between(8, 60), int(random.integers(1, 4)), between(4e-3, 30e-3)),
        Short(
            edge, between(15e-9, 300e-9), made.vto + random.uniform(1.5, 2.5), between(2.5e-6, 9e-6)
        ),
        Link(
            span(loads),
            random.uniform(0.15, 1.0),
            random.uniform(0.25, 0.97),
            f,
            between(10, 40) * max(loads) / f / 10,  # type: ignore[call-overload]
            between(4e-3, 40e-3),
        ),
        replace(edge, damping=between(0.05, 0.25)),
    )
