"""Operating points of the judge that nobody has seen before: drawn from a seed around the four stages of judge.py.

Parts, supplies, loads, drives and what stands around them are drawn anew; nothing here imports the library.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

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
    for number, name in enumerate(STAGES):
        random = np.random.default_rng([seed, number])
        for _ in range(count):
            yield _draw(name, random)


class Random(Protocol):
    """What draws: a generator of numpy, or `Chosen`."""

    def uniform(self, low: float, high: float) -> float: ...

    def integers(self, low: int, high: int) -> int: ...


class Chosen:
    """Draws that fall where they are told to: shares of their ranges, in the order in which they are asked for."""

    def __init__(self, shares: Sequence[float]) -> None:
        self.left = list(shares)

    def uniform(self, low: float, high: float) -> float:
        return low + (high - low) * self.left.pop(0)

    def integers(self, low: int, high: int) -> int:
        return low + min(int((high - low) * self.left.pop(0)), high - low - 1)


def _between(random: Random, low: float, high: float) -> float:
    """Evenly on a logarithmic scale."""
    return float(np.exp(random.uniform(np.log(low), np.log(high))))


def _span(random: Random, values: object) -> float:
    assert isinstance(values, tuple)
    return _between(random, min(values), max(values))


#: shares that an edge takes
EDGE_SHARES = 16


def edge_at(name: str, shares: Sequence[float], damping: float) -> Point:
    """The edge of a stage of which each draw falls at a share of its range, in a loop damped so."""
    return replace(_edge(name, Chosen(shares)), damping=damping)


def _edge(name: str, random: Random) -> Point:
    part, supply, loads, gate, inductance, drives, holds = STAGES[name]
    assert isinstance(part, Part)
    assert isinstance(supply, (int, float))
    assert isinstance(gate, (int, float))
    assert isinstance(inductance, float)
    made = replace(
        part,
        vto=part.vto * _between(random, 0.9, 1.1),
        **{
            key: getattr(part, key) * _between(random, 0.8, 1.25)
            for key in ("kp", "rd", "rg", "cgs", "cgdmax", "cgdmin", "a", "cjo")
        },
    )
    drive, hold = _span(random, drives), _span(random, holds)
    if "resistive" in name:
        stages = Drive(None, drive), Drive(None, drive / 2), Drive(None, hold)
    else:
        stages = Drive(drive), Drive(1.5 * drive), Drive(hold * drive)
    return Point(
        name,
        made,
        supply * _between(random, 0.85, 1.15),
        _span(random, loads),
        gate * _between(random, 0.95, 1.1),
        inductance * _between(random, 0.6, 1.6),
        *stages,
        damping=_between(random, 0.25, 0.7),
    )


def _draw(name: str, random: Random) -> Fresh:
    edge = _edge(name, random)
    _, _, loads, gate, *_ = STAGES[name]
    assert isinstance(gate, (int, float))
    frequency, charge = AROUND[name]
    f, q = frequency * _between(random, 0.8, 1.25), charge * _between(random, 0.7, 1.4)
    return Fresh(
        name,
        edge,
        _between(random, 0.4e-9, 2.5e-9),
        Bootstrap(
            gate + 1.5,
            q,
            q * _between(random, 10, 40) / 12,
            _between(random, 3, 60),
            f,
            random.uniform(0.3, 0.93),
        ),
        Pump(
            gate,
            q,
            q * _between(random, 8, 60),
            int(random.integers(1, 4)),
            _between(random, 4e-3, 30e-3),
        ),
        Short(
            edge,
            _between(random, 15e-9, 300e-9),
            edge.part.vto + random.uniform(1.5, 2.5),
            _between(random, 2.5e-6, 9e-6),
        ),
        Link(
            _span(random, loads),
            random.uniform(0.15, 1.0),
            random.uniform(0.25, 0.97),
            f,
            _between(random, 10, 40) * max(loads) / f / 10,  # type: ignore[call-overload]
            _between(random, 4e-3, 40e-3),
        ),
        replace(edge, damping=_between(random, 0.05, 0.25)),
    )
