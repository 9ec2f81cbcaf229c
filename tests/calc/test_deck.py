"""The deck that users are given, run in ngspice: it has what the stage states, and shows what the verdicts say of it.

ngspice is the outside judge: charges are integrated and crests read from its waveforms. The decks of the
judge itself, with another transistor, are in judge.py; what a plain deck shows is in test_ngspice.py.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from scipy import integrate

from regmap.assessment.stage import inputs_of
from regmap.calc import Inputs, run
from regmap.calc.device import DRAIN_ERROR, gate_drain
from regmap.calc.halfbridge import Bridge
from regmap.calc.plot import edge
from regmap.calc.spice import bridge, deck
from regmap.maps.load import bundled
from regmap.record import replace
from regmap.stages.load import load_stage
from tests.calc import judge
from tests.calc.conftest import BUNDLED

Given = Callable[..., Inputs]
Need = Callable[[str], str]

PLAIN = {
    "stage:supply.voltage": "48 V",
    "stage:motor.current.peak": "30 A",
    "chip:gate.voltage.high": "11 V",
    "stage:mosfet.qg": "62 nC",
    "stage:mosfet.qgs": "20 nC",
    "stage:mosfet.qgd": "10 nC",
    "stage:mosfet.crss": "120 pF",
    "stage:mosfet.vth": "2.9 V",
    "stage:mosfet.plateau": "4.5 V",
    "stage:mosfet.rdson": "3.6 mohm",
    "stage:mosfet.internal_resistance": "1.5 ohm",
    "role:gate.source": "160 mA",
    "role:gate.sink": "160 mA",
}
AROUND = {
    "stage:mosfet.coss": "650 pF",
    "stage:mosfet.qoss": "70 nC",
    "stage:mosfet.qrr": "100 nC",
    "stage:bridge.inductance": "4 nH",
    "stage:bridge.damping": "0.3",
    "stage:bridge.source_inductance": "0.2 nH",
    "stage:snubber.resistor": "2 ohm",
    "stage:snubber.capacitor": "2.2 nF",
    "stage:gate.resistor.on": "2 ohm",
    "stage:gate.resistor.off": "1 ohm",
    "role:gate.hold": "320 mA",
}
JUDGED = {
    "stage:mosfet.vth_tempco": "-6 mV/K",
    "stage:mosfet.tj_max": "175 degC",
    "stage:mosfet.vds_max": "100 V",
    "stage:diode.vf": "0.9 V",
}


def lines_of(text: str, start: str) -> list[str]:
    return [line for line in text.splitlines() if line.startswith(start)]


def test_the_deck_has_what_the_stage_states(given: Given) -> None:
    text = deck(given({**PLAIN, **AROUND}))
    assert lines_of(text, "Lloop") == ["Lloop dc rail 4e-09"]
    # damped by 0.3: Z / (2 z), Z = sqrt(L / Coss)
    (damper,) = lines_of(text, "Rdamp dc rail ")
    assert float(damper.split()[-1]) == pytest.approx(math.sqrt(4e-9 / 650e-12) / 0.6, rel=0.01)
    assert lines_of(text, "Rsnub") == ["Rsnub ph sn 2"]
    assert lines_of(text, "Csnub") == ["Csnub sn 0 2.2e-09"]
    assert lines_of(text, "Bgres") == [
        "Bgres pin gate i = (v(pin)-v(gate))/(2*v(cmd)+1*(1-v(cmd)))"
    ]
    assert lines_of(text, "Rgheld") == ["Rgheld hpin hgate 1"]
    assert lines_of(text, "Rg g gi") == ["Rg g gi 1.5"] * 2
    assert lines_of(text, "Lcs") == ["Lcs si s 2e-10"] * 2
    (hold,) = lines_of(text, "Bhold")
    assert "0.32*tanh" in hold
    (held,) = lines_of(text, "Xoff")
    assert held.split()[2] == "hgate", "the held gate is no source"
    # the set current is that of the driver; what the resistors leave of it is the circuit's business
    assert "0.16*tanh" in lines_of(text, "Bgate")[0]


def test_the_deck_leaves_out_what_is_not_stated(given: Given) -> None:
    text = deck(given(PLAIN))
    for start in ("Lloop", "Rdamp", "Rsnub", "Csnub", "Bgres", "Rgate", "Rgheld", "Lcs"):
        assert not lines_of(text, start), start
    assert lines_of(text, "Vloop") == ["Vloop dc rail 0"]
    undamped = deck(given({**PLAIN, "stage:bridge.inductance": "4 nH"}))
    assert "damping of the loop not stated" in undamped
    assert lines_of(undamped, "Lloop")
    # without a capacitor a snubber is none
    assert not lines_of(deck(given({**PLAIN, "stage:snubber.resistor": "2 ohm"})), "Rsnub")


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        ({"chip:gate.pulldown": "3 ohm"}, ("Rhold hgate ph 3", "")),
        ({"chip:gate.pulldown": "3 ohm", "stage:gate.resistor.off": "4 ohm"}, ("Rhold hpin ph 3", "Rgheld hpin hgate 4")),
        ({"role:gate.hold": "320 mA"}, ("Bhold hgate ph i = 0.32*", "")),
        ({}, ("Bhold hgate ph i = 0.16*", "")),  # the sink's current holds where no other one is stated
    ],
)  # fmt: skip
def test_the_other_gate_is_held_as_the_verdict_takes_it(
    given: Given, stated: dict[str, str], expected: tuple[str, str]
) -> None:
    text = deck(given({**PLAIN, **stated}))
    for start in filter(None, expected):
        assert lines_of(text, start), (start, text)


def test_a_shipped_stage_is_drawn_checked_and_simulated_at_its_own_conditions() -> None:
    """The invented second source states Qg, plateau and times at 50 A, 30 V and 10 V; the stage has 30 A and 24 V.

    Vth 2.3 V less 3.5 mV/K over 75 K, Vov 1.4 V sqrt(30/50) sqrt(1 + 0.005 75): the square law and the rise of
    the on-resistance; Qgd by the integral of Cgd(V) up to 24 V.
    """
    inputs = inputs_of(load_stage("fan_second_source"))
    stated = [i for n, i in inputs.known().items() if not n.startswith("stage:mosfet.test.")]
    bare = Inputs(stated, inputs.facts)
    made = bridge(inputs, "low")
    vth = 2.3 - 3.5e-3 * 75
    plateau = vth + 1.4 * math.sqrt(30 / 50) * math.sqrt(1 + 0.005 * 75)
    assert made.plateau == pytest.approx(plateau, rel=1e-3)
    assert made.qgs == pytest.approx(17e-9 * plateau / 3.7, rel=1e-3)
    charge, _ = integrate.quad(lambda v: gate_drain(v, 9e-9, 250e-12, 30.0), 0, 24)
    assert made.qgd == pytest.approx(charge, rel=1e-6)
    assert made.qgd < 0.9 * 9e-9
    assert f"Cgs gi s {made.cgs:.6g}" in deck(inputs)
    assert deck(inputs) != deck(bare)
    assert edge(inputs, "low", "on") != edge(bare, "low", "on")
    for check in ("gate.didt.low", "gate.miller.low", "gate.drive-time.low"):
        (carried,), (as_is,) = run(inputs, [check]), run(bare, [check])
        assert carried.value is not None
        assert as_is.value is not None
        assert carried.value.typ != pytest.approx(as_is.value.typ, rel=1e-3), check


def output_charge(item: Bridge, which: str, folder: Path) -> float:
    """What flows into the drain of a switch whose gate is at its source, from 0 V to the supply."""
    text = deck(item)
    found = re.search(rf"\.subckt {which} .*?\.ends\n", text, re.DOTALL)
    assert found is not None
    rise = 2e-6
    body = f"""Vd d 0 pwl(0 0 0.1u 0 {0.1e-6 + rise} {item.supply})
Xone d 0 0 {which}
{found[0]}"""
    waves = judge.simulate(judge.deck(body, 1e-9, 0.1e-6 + rise, "i(vd)"), folder)
    return float(-np.trapezoid(waves[1], waves[0]))


@pytest.mark.parametrize(
    ("coss", "qoss", "crss"),
    [
        ("650 pF", "70 nC", "120 pF"),
        ("650 pF", "45 nC", "120 pF"),
        ("300 pF", "60 nC", "30 pF"),
        ("2 nF", "160 nC", ""),
        ("", "70 nC", "120 pF"),
        ("650 pF", "", "120 pF"),
    ],
)
@pytest.mark.parametrize("which", ["driven", "held"])
def test_the_output_charge_is_the_stated_one(
    given: Given, need_tool: Need, tmp_path: Path, coss: str, qoss: str, crss: str, which: str
) -> None:
    need_tool("ngspice")
    table = {k: v for k, v in PLAIN.items() if k != "stage:mosfet.crss"}
    for name, value in (("coss", coss), ("qoss", qoss), ("crss", crss)):
        table |= {f"stage:mosfet.{name}": value} if value else {}
    item = bridge(given(table), "low")
    # without Qoss that of a depletion layer through Coss, as the checks take it
    stated = float(qoss.split()[0]) * 1e-9 if qoss else 2 * 650e-12 * 48
    assert item.qoss == pytest.approx(stated)
    assert output_charge(item, which, tmp_path) == pytest.approx(stated, rel=0.03)
    if (
        coss and "300" not in coss
    ):  # which would need a junction steeper than ngspice has: the charge is kept
        number, unit = coss.split()
        end = float(number) * {"pF": 1e-12, "nF": 1e-9}[unit]
        assert item.ends_with == pytest.approx(end, rel=0.02)


class Shown(NamedTuple):
    """What the user's deck shows: held gate at turn-on and drain at turn-off in V, steepest slopes in V/s and A/s."""

    held: float
    drain: float
    dvdt: float
    didt: float


def judged(inputs: Inputs, side: str, folder: Path) -> Shown:
    item = bridge(inputs, side)
    t, _, drain, current, held = judge.simulate(deck(item, data="out.data"), folder)
    end = 1.1 * item.on_time
    on, off = (t >= 0.09 * item.on_time) & (t < end), t >= end
    # beyond the load's current it is the other diode's recovery, which no slope of the channel is
    carried = np.clip(current, 0, item.current)
    ways = ((on, False), (off, True))
    return Shown(
        float(held[on].max()),
        float(drain[off].max()),
        max(judge.steepest(t[x], drain[x], item.supply, rising=up) for x, up in ways),
        max(judge.steepest(t[x], carried[x], item.current, rising=not up) for x, up in ways),
    )


def driving() -> list[str]:
    """Every shipped stage as it stands, and its modes in which an output switches, as `stage mode`."""
    found = []
    for name in bundled("devices"):
        if "gateword_stage:" in bundled("devices")[name].read_text(encoding="utf-8"):
            modes = load_stage(name).modes.items()
            found += [name, *(f"{name} {mode}" for mode, stage in modes if stage.entry.driving)]
    return found


def inputs_at(given: Given, name: str) -> Inputs:
    if name not in ("", "resistive"):
        stage, _, mode = name.partition(" ")
        return inputs_of(load_stage(stage, mode))
    table = {**PLAIN, **AROUND, **JUDGED}
    del table["stage:bridge.source_inductance"]  # no part of the estimate of a held gate
    if name:
        table = {k: v for k, v in table.items() if not k.startswith("role:")}
        table |= {"chip:drive.resistance.source": "30 ohm", "chip:drive.resistance.sink": "12 ohm"}
    table |= {"stage:limits.dvdt": "10 V/ns", "stage:limits.didt": "10 A/ns"}
    return given(table)


def test_all_shipped_stages_are_judged() -> None:
    assert {n.partition(" ")[0] for n in driving()} >= set(BUNDLED)
    assert len(driving()) > len(BUNDLED) + 1


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize("name", [*driving(), "", "resistive"])
def test_the_deck_shows_what_the_verdicts_tell(
    given: Given, need_tool: Need, tmp_path: Path, name: str, side: str
) -> None:
    """Where the loop is stated nothing lies above its verdict by more than the verdict says that it may err.

    Below, an estimate may be cautious: the bounds are those of the comparison with the other transistor.
    """
    need_tool("ngspice")
    inputs = inputs_at(given, name)
    other = "high" if side == "low" else "low"
    checks = [f"gate.{n}.{side}" for n in ("overshoot", "dvdt", "didt")]
    verdicts = {v.check: v for v in run(inputs, [f"gate.miller.{other}", *checks])}
    shown, supply = judged(inputs, side, tmp_path), bridge(inputs, side).supply
    miller = verdicts[f"gate.miller.{other}"]
    assert miller.value is not None
    assert miller.limit is not None
    allowed = float(miller.value.typ) + miller.model_error * float(miller.limit.typ)
    assert 0.5 * float(miller.value.typ) <= shown.held <= allowed
    over = verdicts[f"gate.overshoot.{side}"]
    assert over.value is not None
    told = float(over.value.typ)
    assert shown.drain - supply <= (told - supply) * (1 + 2 * DRAIN_ERROR)
    assert shown.drain - supply >= (told - supply) * 0.4
    for check, seen in (("dvdt", shown.dvdt), ("didt", shown.didt)):
        slope = verdicts[f"gate.{check}.{side}"]
        assert slope.value is not None
        told = float(slope.value.typ)
        assert 0.5 * told <= seen <= told / (1 - slope.model_error), check


def test_a_weaker_hold_lets_the_gate_rise_further(
    given: Given, need_tool: Need, tmp_path: Path
) -> None:
    need_tool("ngspice")
    rises = []
    for hold in ("40 mA", "320 mA", "2 A"):
        inputs = given({**PLAIN, **AROUND, "role:gate.hold": hold})
        rises.append(judged(inputs, "low", tmp_path).held)
    assert rises[0] > 1.3 * rises[1] > 1.3 * rises[2] > 0


def test_the_loop_rings_and_is_damped_as_stated(
    given: Given, need_tool: Need, tmp_path: Path
) -> None:
    """After turn-off each crest is exp(-2 pi z / sqrt(1 - z^2)) of the one before, at 1 / (2 pi sqrt(L Coss)).

    Logarithmic decrement of a second-order circuit: K. Ogata, Modern Control Engineering (from memory).
    """
    need_tool("ngspice")
    table = {**PLAIN, **AROUND, "stage:bridge.damping": "0.05"}
    for name in ("stage:snubber.resistor", "stage:snubber.capacitor", "stage:bridge.source_inductance"):  # fmt: skip
        del table[name]
    item = replace(bridge(given(table), "low"), qrr=0.0)
    t, gate, drain, *_ = judge.simulate(deck(item, data="out.data"), tmp_path)
    late = (t > 1.1 * item.on_time) & (gate < 0.8 * item.vth) & (drain > 0.9 * item.supply)
    t, swing = t[late], drain[late] - np.mean(drain[late][-200:])
    tops = [k for k in range(1, len(t) - 1) if swing[k - 1] < swing[k] >= swing[k + 1] and swing[k] > 0.05]  # fmt: skip
    assert len(tops) >= 4
    periods = np.diff(t[tops])
    whole = 2 * math.pi * math.sqrt(4e-9 * 650e-12)
    assert float(np.median(periods)) == pytest.approx(whole, rel=0.1)
    decays = swing[tops][1:] / swing[tops][:-1]
    expected = math.exp(-2 * math.pi * 0.05 / math.sqrt(1 - 0.05**2))
    assert float(np.median(decays)) == pytest.approx(expected, rel=0.15)
