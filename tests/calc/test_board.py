"""Heat on the board: vias and copper against the geometry cut into pieces, the driver beside the bridge."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from regmap.calc import Inputs, run
from regmap.calc.board import (
    copper_resistance,
    copper_temperature,
    spreading_resistance,
    via_resistance,
)
from regmap.calc.inputs import ImpossibleError

Build = Callable[..., Inputs]


def typ(inputs: Inputs, name: str) -> float:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None, name
    return float(verdict.value.typ)


def test_a_via_is_the_ring_of_its_plating() -> None:
    # the area of a ring counted in squares of 1 um, and R = l / (k A)
    n = np.arange(-150, 150) + 0.5
    x, y = np.meshgrid(n, n)
    r = np.hypot(x, y)
    area = np.count_nonzero((r <= 150) & (r >= 125)) * 1e-12
    told = via_resistance(l=1.6e-3, n=1, k=385.0, t=25e-6, d=300e-6)
    assert told == pytest.approx(1.6e-3 / (385 * area), rel=2e-3)
    assert via_resistance(l=1.6e-3, n=20, k=385.0, t=25e-6, d=300e-6) == pytest.approx(told / 20)


def test_a_plating_beyond_the_middle_is_no_via() -> None:
    full = via_resistance(l=1e-3, n=1, k=400.0, t=0.15e-3, d=0.3e-3)
    assert full == pytest.approx(1e-3 / (400 * math.pi * 0.15e-3**2))  # a solid rod
    with pytest.raises(ImpossibleError, match="half the hole"):
        via_resistance(l=1e-3, n=1, k=400.0, t=0.16e-3, d=0.3e-3)


def test_the_junction_through_vias_settles_where_loss_and_cooling_meet(build: Build) -> None:
    """Tj = Tsink + Rth P(Tj), stepped until nothing moves, with the loss of thermal.mosfet."""
    inputs = build()
    (free,) = run(inputs, ["thermal.mosfet.high"])
    (cooled,) = run(inputs, ["thermal.vias.high"])
    assert free.value is not None
    assert cooled.value is not None
    parts = {v.symbol: float(v.typ) for v in cooled.variables()}
    parts["Pfix"] = float(cooled.value.args["pk"].typ)
    rth = parts["Rjc"] + 1.6e-3 / (24 * 375 * math.pi * 25e-6 * 275e-6) + parts["Rtim"]
    fixed, cond, alpha = parts["Pfix"], parts["Pcond"], parts["alpha"]
    tj = 0.0
    for _ in range(200):
        tj = 40 + rth * (fixed + cond * (1 + alpha * (tj - 25)))
    assert float(cooled.value.typ) == pytest.approx(tj, rel=1e-9)
    assert float(cooled.value.typ) - 40 < float(free.value.typ) - 25


def test_copper_around_a_pad_is_thin_rings_in_a_row() -> None:
    r = np.linspace(3e-3, 8e-3, 100_001)
    middle = (r[1:] + r[:-1]) / 2
    rings = float((np.diff(r) / (2 * math.pi * middle * 385 * 70e-6)).sum())
    told = spreading_resistance(r1=3e-3, r2=8e-3, k=385.0, h=70e-6)
    assert told == pytest.approx(rings, rel=1e-8)
    # vias within the pad: the heat has nowhere to spread to
    assert spreading_resistance(r1=3e-3, r2=2e-3, k=385.0, h=70e-6) == 0


@pytest.mark.parametrize("n", [12, 24, 48])
def test_vias_apart_take_the_heat_nearly_as_a_ring_does(n: int) -> None:
    """The exact potential of n sinks on a circle about a source, by superposition, on the sinks' rims."""
    ring, rim, pad = 5e-3, 0.15e-3, 2e-3
    at = ring * np.exp(2j * np.pi * np.arange(n) / n)

    def level(z: complex) -> float:
        return float(-np.log(abs(z)) + np.log(abs(z - at)).mean())

    edge = np.mean([level(pad * np.exp(2j * np.pi * x)) for x in np.arange(500) / 500])
    sinks = np.mean([level(ring + rim * np.exp(2j * np.pi * x)) for x in np.arange(500) / 500])
    exact = (edge - sinks) / (2 * math.pi * 385 * 70e-6)
    told = spreading_resistance(r1=pad, r2=ring, k=385.0, h=70e-6)
    assert told == pytest.approx(exact, rel=0.15 if n == 12 else 0.03)


def test_heat_spreads_to_vias_around_the_pad(build: Build) -> None:
    ring = {
        "stage___vias__pad_radius": "2 mm",
        "stage___vias__ring_radius": "5 mm",
        "stage___vias__copper": "70 um",
        "stage___vias__conductivity": "380 W/(m K)",
    }
    more = math.log(5 / 2) / (2 * math.pi * 380 * 70e-6)
    same = {k: v for k, v in ring.items() if k.endswith("conductivity")}
    spread = typ(build(**ring, stage___vias__interface="0 K/W"), "thermal.vias.high")
    beside = typ(build(**same, stage___vias__interface=f"{more!r} K/W"), "thermal.vias.high")
    assert spread == pytest.approx(beside, rel=1e-9)
    # a ring without the rest says what it lacks
    (verdict,) = run(build(stage___vias__ring_radius="5 mm"), ["thermal.vias.high"])
    assert verdict.status == "not_computed"
    assert set(verdict.missing) == {"stage:vias.pad_radius", "stage:vias.copper"}


def test_copper_by_hand(build: Build) -> None:
    # 35 um is half a milliohm for each square at 20 degC: the trade's rule, 1 / (58e6 x 35e-6) = 0.493
    assert copper_resistance(l=1.0, w=1.0, h=35e-6, t=20.0) == pytest.approx(0.493e-3, rel=1e-3)
    # 0.393 %/K: a tenth more after 25.4 K
    assert copper_resistance(l=1.0, w=1.0, h=35e-6, t=45.4) == pytest.approx(0.542e-3, rel=1e-3)
    # 21 A in 30 mm x 10 mm x 70 um at 25 degC: three squares of a quarter milliohm each
    loss = 21**2 * 3 / (58e6 * 70e-6) * (1 + 0.00393 * 5)
    assert typ(build(), "thermal.copper-loss") == pytest.approx(loss)


@pytest.mark.parametrize(("mil", "amps"), [(10, 0.87), (50, 2.8), (100, 4.6)])
def test_the_charts_of_paths(mil: float, amps: float) -> None:
    """IPC-2221, outer layer, 1 oz (1.37 mil), 10 K, from memory: 0.9, 2.8 and 4.6 A; read off a chart to 5 %."""
    width, height = mil * 25.4e-6, 1.37 * 25.4e-6
    assert copper_temperature(t=0.0, i=amps, w=width, h=height) == pytest.approx(10, rel=0.12)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"motor__current__rms": "35 A", "copper__width": "6 mm"}, ()),
        ({"motor__current__rms": "35.1 A", "copper__width": "6 mm"}, ("35 A",)),
        ({"motor__current__rms": "20 A", "copper__width": "6.6 mm"}, ("700 square mil",)),
        ({"motor__current__rms": "20 A", "copper__width": "1 mm"}, ("100 K",)),
    ],
)
def test_copper_beyond_the_charts_is_told(
    build: Build, changes: dict[str, str], told: tuple[str, ...]
) -> None:
    """The charts of IPC-2221 end at 35 A, 700 square mil and 100 K (from memory)."""
    table: dict[str, str | int] = {f"stage___{name}": value for name, value in changes.items()}
    inputs = build(stage___copper__thickness="70 um", **table)
    (verdict,) = run(inputs, ["thermal.copper-temperature"])
    said = [str(text) for text in verdict.extra if "charts of IPC-2221" in str(text)]
    assert bool(said) == bool(told)
    for text in told:
        number, _, unit = text.partition(" ")
        assert f"{unit} of rise (they end at {number})" in said[0] or (
            f"{unit} (they end at {number})" in said[0]
        )


def test_the_driver_takes_its_share_of_the_bridge(build: Build) -> None:
    inputs = build(stage___board__coupling="1.5 K/W")
    heat = sum(3 * (typ(inputs, f"thermal.mosfet.{side}") - 25) / 16 for side in ("high", "low"))
    own = typ(build(stage___temperature__board="25 degC"), "thermal.driver") - 25
    assert typ(inputs, "thermal.driver-on-board") == pytest.approx(25 + 1.5 * heat + own)


def test_what_is_not_stated_is_not_asked(build: Build) -> None:
    names = "vias.count copper.length board.coupling limits.copper_temperature"
    left = build(tuple(f"stage:{name}" for name in names.split()))
    found = {v.check.rpartition(".")[0] or v.check for v in run(left, ["thermal"])}
    told = {v.check for v in run(left, ["thermal"])}
    assert not told & {
        "thermal.vias.high",
        "thermal.copper-loss",
        "thermal.copper-temperature",
        "thermal.driver-on-board",
    }
    assert found
