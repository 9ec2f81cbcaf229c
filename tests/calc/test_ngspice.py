"""ngspice as the judge of the switching estimates, and the deck that users are given.

The judge's decks are in judge.py, which knows nothing of the library. `-s` prints the table; the
suite runs a tenth of the points, `GATEWORD_ALL_POINTS=1` all 120. Fresh points: test_ngspice_fresh.py.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from regmap.calc import Inputs, run
from regmap.calc.device import (
    DRAIN_ERROR,
    DVDT_ERROR,
    LONGER_EDGE_ERROR,
    MILLER_ERROR,
    OFF_TIME_ERROR,
    OVERSHOOT_ERROR,
    SHORTER_EDGE_ERROR,
    SLOPE_ERROR,
    TIME_ERROR,
)
from regmap.calc.halfbridge import Bridge
from regmap.calc.spice import bridge, deck
from regmap.errors import CallError
from tests.calc import judge

ALL = os.environ.get("GATEWORD_ALL_POINTS") == "1"


def above(error: float) -> float:
    """How far a circuit may lie above the estimate where the model may err by this share of the limit.

    Where the estimate is the limit (a dead time has to be as long), it is this share itself, and no more.
    """
    return error / (1 - error)


def below(error: float) -> float:
    """How far a circuit may lie below an estimate that must be more than a limit."""
    return 1 / (1 + error) - 1


#: Per quantity: how far the simulation may lie above and below the estimate, as shares, stated
#: before the run. What is unsafe is the model's error that the verdicts are told; the other way the
#: estimates may be cautious: peaks are bounds, which damping and lags keep the circuit from reaching.
BOUNDS = {
    "VDS below threshold": (TIME_ERROR, -0.10),
    "middle of turn-on": (0.05, -0.45),
    "gate full": (TIME_ERROR, -0.12),
    "current off": (OFF_TIME_ERROR, -0.10),
    "middle of turn-off": (0.35, -0.05),
    "dV/dt": (above(DVDT_ERROR), -0.60),
    "di/dt": (above(SLOPE_ERROR), -0.40),
    "drain": (above(DRAIN_ERROR), -0.45),
    "turn-on peak": (above(OVERSHOOT_ERROR), -0.45),
    "held gate": (above(MILLER_ERROR), -0.80),
    "voltage edge on": (above(LONGER_EDGE_ERROR["source"]), below(SHORTER_EDGE_ERROR["source"])),
    "voltage edge off": (above(LONGER_EDGE_ERROR["sink"]), below(SHORTER_EDGE_ERROR["sink"])),
}


def figures(point: judge.Point, sheet: judge.Sheet, threshold: float) -> dict[str, str]:
    """The stage as its engineer would write it, from the data sheet alone."""
    table = {
        "stage:supply.voltage": f"{point.supply} V",
        "stage:motor.current.peak": f"{point.load} A",
        "chip:gate.voltage.high": f"{point.gate} V",
        "stage:mosfet.qg": f"{sheet.qg * 1e9:.6f} nC",
        "stage:mosfet.qgs": f"{sheet.qgs * 1e9:.6f} nC",
        "stage:mosfet.qgd": f"{sheet.qgd * 1e9:.6f} nC",
        "stage:mosfet.vth": f"{point.part.vto} V",
        "stage:mosfet.plateau": f"{sheet.plateau:.6f} V",
        "stage:mosfet.rdson": f"{sheet.rdson * 1e3:.6f} mohm",
        "stage:mosfet.rdson_tempco": "0.0001 %/K",
        "stage:mosfet.temperature": "25 degC",
        "stage:mosfet.tj_max": "25 degC",
        "stage:temperature.ambient": "25 degC",
        "stage:mosfet.vth_tempco": "0 mV/K",
        "stage:mosfet.internal_resistance": f"{point.part.rg} ohm",
        "stage:mosfet.crss": f"{point.part.crss(point.supply) * 1e12:.6f} pF",
        "stage:mosfet.coss": f"{point.part.coss(point.supply) * 1e12:.6f} pF",
        "stage:mosfet.qoss": f"{point.part.qoss(point.supply) * 1e9:.6f} nC",
        "stage:mosfet.qrr": f"{point.load:.6f} nC",  # the diode's transit time is 1 ns
        "stage:mosfet.pulse_current": "10000 A",
        "stage:bridge.inductance": f"{point.inductance * 1e9:.6f} nH",
        "stage:bridge.damping": f"{point.damped():.9f}",
        "stage:diode.vf": "0.9 V",
        "stage:limits.rise_time.max": "1 s",
        "stage:limits.dvdt": "1000 V/ns",
        "stage:limits.didt": "1000 A/ns",
        "stage:limits.voltage_error": "100 %",
        "stage:mosfet.vds_max": "1000 V",
        "role:gate.drive_time": "1 s",
        "role:vds.threshold": f"{threshold} V",
        "role:vds.blanking": "1 s",
        "chip:propagation.on": "0 s",
        "chip:propagation.mismatch": "0 s",
        "stage:pwm.deadtime": "0 s",
        "stage:pwm.deadtime_margin": "0 s",
        "stage:pwm.frequency": "1 kHz",
        "stage:controller.clock_tolerance": "0 %",
    }
    if point.on.steps:
        for way, drive, names in (
            (
                "source",
                point.on,
                ("precharge", "precharge_time", "source", "source_time", "after_source"),
            ),
            (
                "sink",
                point.off,
                ("predischarge", "predischarge_time", "sink", "sink_time", "after_sink"),
            ),
        ):
            (first, one), (edge, two) = drive.steps
            values = (f"{first} A", f"{one * 1e9:.9f} ns", f"{edge} A", f"{two * 1e9:.9f} ns")
            for name, text in zip(names, (*values, f"{drive.current} A"), strict=True):
                table[f"role:gate.{name}"] = text
            del way
        table["chip:gate.pulldown"] = f"{point.hold.resistance} ohm"
    elif point.on.current is None:
        table["chip:drive.resistance.source"] = f"{point.on.resistance} ohm"
        table["chip:drive.resistance.sink"] = f"{point.off.resistance} ohm"
        table["chip:gate.pulldown"] = f"{point.hold.resistance} ohm"
    else:
        for name, drive in (("source", point.on), ("sink", point.off), ("hold", point.hold)):
            assert drive.current is not None
            table[f"role:gate.{name}"] = f"{drive.current * 1e3} mA"
    return table


def told(inputs: Inputs) -> dict[str, float]:
    """The estimates of one operating point, as the verdicts give them."""
    verdicts = {v.check: v for v in run(inputs, ["gate", "deadtime", "vds.blanking"])}
    error = verdicts["deadtime.voltage-error"].value
    needed = verdicts["vds.blanking.low"].lower
    off = verdicts["deadtime.enough.low"].lower
    assert error is not None
    assert needed is not None
    assert off is not None
    found = {
        "VDS below threshold": needed.typ,
        "middle of turn-on": error.args["ton"].typ,
        "current off": off.typ,
        "middle of turn-off": error.args["toff"].typ,
    }
    for name, check in (
        ("dV/dt", "gate.dvdt.low"),
        ("di/dt", "gate.didt.low"),
        ("drain", "gate.overshoot.low"),
        ("turn-on peak", "gate.turn-on-peak.low"),
        ("held gate", "gate.miller.high"),
        ("voltage edge on", "gate.rise-time.low"),
        ("voltage edge off", "gate.fall-time.low"),
        ("drive time", "gate.drive-time.low"),
    ):
        value = verdicts[check].value
        assert value is not None, check
        found[name] = value.typ
    drive = verdicts["gate.drive-time.low"].value
    assert drive is not None
    # of both ways the turn-on; in steps it is one formula, else a sum
    found["gate full"] = drive.args["a"].typ
    return found


def errors_at(
    point: judge.Point,
    given: Callable[..., Inputs],
    sheet: Callable[..., judge.Sheet],
    folder: Path,
    names: Iterable[str],
    unstated: Iterable[str] = (),
) -> dict[str, float]:
    """Simulation over estimate less one, per quantity, at one operating point.

    `unstated` is what the engineer does not know of the stage.
    """
    data = sheet(point.part, point.supply, point.load, point.gate)
    threshold = 2 * data.rdson * point.load
    table = figures(point, data, threshold)
    for name in unstated:
        del table[name]
    estimate = told(given(table))
    on, off = 1.6 * estimate["drive time"] + 20e-9, 1.8 * estimate["drive time"] + 20e-9
    waves = judge.simulate(judge.half_bridge(point, on, off), folder)
    assert waves[0][-1] > judge.START + on + 0.9 * off, "the simulation ended early"
    seen = judge.measure(waves, point, on, threshold)
    if not point.on.steps:
        seen |= judge.voltage_edges(waves, point, on, data.plateau)
    return {n: seen[n] / estimate[n] - 1 for n in names}


@pytest.fixture(scope="module")
def compared(
    given: Callable[..., Inputs],
    need_tool: Callable[[str], str],
    tmp_path_factory: pytest.TempPathFactory,
) -> list[tuple[str, dict[str, float]]]:
    """Stage and simulation over estimate less one, per quantity, for every point."""
    need_tool("ngspice")
    folder = tmp_path_factory.mktemp("judge")
    sheet = cache(lambda *at: judge.data_sheet(*at, folder))
    # 7 has no factor in common with five drives and two hold-offs: each of them comes up
    points = list(judge.points())[:: 1 if ALL else 7]
    return [(p.stage, errors_at(p, given, sheet, folder, BOUNDS)) for p in points]


def test_no_point_lies_outside_the_told_band(compared: list[tuple[str, dict[str, float]]]) -> None:
    outside = []
    for quantity, (most, least) in BOUNDS.items():
        for stage in judge.STAGES:
            off = np.array([row[quantity] for name, row in compared if name == stage])
            sys.stdout.write(
                f"{quantity:20} {stage:16} bias {off.mean():+6.1%} spread {off.std():5.1%} "
                f"worst {off.min():+6.1%} {off.max():+6.1%} told {least:+.0%} {most:+.0%}\n"
            )
            outside += [(quantity, stage, x) for x in off if not least <= x <= most]
    assert outside == []
    assert {name for name, _ in compared} == set(judge.STAGES)
    assert len(compared) >= 17


#: The same for gate currents in steps, whose jumps the model takes as sharp.
STEP_BOUNDS = {
    "VDS below threshold": (TIME_ERROR, -0.15),
    "gate full": (TIME_ERROR, -0.15),
    "current off": (OFF_TIME_ERROR, -0.12),
    "dV/dt": (above(DVDT_ERROR), -0.65),
    "di/dt": (above(SLOPE_ERROR), -0.60),
    "drain": (above(DRAIN_ERROR), -0.45),
}


def test_currents_in_steps(
    given: Callable[..., Inputs], need_tool: Callable[[str], str], tmp_path: Path
) -> None:
    need_tool("ngspice")
    sheet = cache(lambda *at: judge.data_sheet(*at, tmp_path))
    rows: dict[str, list[float]] = {name: [] for name in STEP_BOUNDS}
    for point in list(judge.stepped_points())[:: 1 if ALL else 10]:
        for name, off in errors_at(point, given, sheet, tmp_path, STEP_BOUNDS).items():
            rows[name].append(off)
    outside = []
    for name, (most, least) in STEP_BOUNDS.items():
        off_by = np.array(rows[name])
        sys.stdout.write(
            f"steps: {name:20} bias {off_by.mean():+6.1%} spread {off_by.std():5.1%} "
            f"worst {off_by.min():+6.1%} {off_by.max():+6.1%} told {least:+.0%} {most:+.0%}\n"
        )
        outside += [(name, x) for x in off_by if not least <= x <= most]
    assert outside == []
    assert len(rows["dV/dt"]) >= 9


def test_points_are_as_many_as_promised() -> None:
    assert len(list(judge.points())) == 120
    assert len(judge.STAGES) == 4


def stage(given: Callable[..., Inputs], **changes: str) -> Inputs:
    """A 24 V stage for the deck that users are given."""
    table = {
        "stage:supply.voltage": "24 V",
        "stage:motor.current.peak": "30 A",
        "chip:gate.voltage.high": "11 V",
        "stage:mosfet.qg": "60 nC",
        "stage:mosfet.qgs": "14 nC",
        "stage:mosfet.qgd": "12 nC",
        "stage:mosfet.vth": "2.8 V",
        "stage:mosfet.plateau": "4.6 V",
        "stage:mosfet.rdson": "1.8 mohm",
        "stage:mosfet.internal_resistance": "0.1 ohm",
        "stage:limits.rise_time.max": "1 us",
        "stage:limits.dvdt": "100 V/ns",
        "role:gate.source": "100 mA",
        "role:gate.sink": "200 mA",
    }
    table.update({k.replace("___", ":").replace("__", "."): v for k, v in changes.items()})
    return given(table)


@pytest.mark.parametrize(
    ("side", "crss"), [("high", ""), ("low", "120 pF"), ("high", "300 pF"), ("low", "")]
)
def test_the_deck_shows_what_the_checks_say(
    given: Callable[..., Inputs],
    need_tool: Callable[[str], str],
    tmp_path: Path,
    side: str,
    crss: str,
) -> None:
    """One model: the deck's charges are those of the verdicts, whatever Crss is stated."""
    need_tool("ngspice")
    inputs = stage(given, **({"stage___mosfet__crss": crss} if crss else {}))
    item = bridge(inputs, side)
    t, gate, drain, *_ = judge.simulate(deck(item, data="out.data"), tmp_path)
    (verdict,) = run(inputs, [f"gate.rise-time.{side}"])
    (slope,) = run(inputs, [f"gate.dvdt.{side}"])
    assert verdict.value is not None
    assert slope.value is not None
    on = t < 0.1 * item.on_time + item.on_time
    # the plateau, as data sheets draw it: to where the straight line of the last stretch meets it
    begin = judge.crossing(t[on], drain[on], 0.97 * item.supply, rising=False)
    last = on & (gate > item.plateau + 3) & (gate < item.gate_voltage - 0.5)
    slope_up, offset = np.polyfit(t[last], gate[last], 1)
    assert (item.plateau - offset) / slope_up - begin == pytest.approx(
        verdict.value.typ, rel=TIME_ERROR
    )
    off = judge.steepest(t[~on], drain[~on], item.supply, rising=True)
    assert off == pytest.approx(slope.value.typ, rel=0.3)
    assert off <= slope.value.typ * (1 + DVDT_ERROR)


def test_deck_text(given: Callable[..., Inputs]) -> None:
    inputs = stage(given)
    text = deck(inputs)
    assert text == deck(bridge(inputs, "low"))
    assert text.splitlines()[0].startswith("* ")
    assert "do not replace" in text
    assert max(map(len, text.splitlines())) < 132
    assert text.isascii()
    high = deck(bridge(inputs, "high"), data="other.data", title="a\nb")
    assert "Xon dd gate ph driven" in high
    assert "wrdata other.data" in high
    assert high.startswith("* a b\n")
    with pytest.raises(CallError, match="file name"):
        deck(inputs, data="x y;quit")


def test_deck_without_its_inputs(given: Callable[..., Inputs]) -> None:
    with pytest.raises(CallError, match=r"no deck without .*stage:mosfet\.qgd"):
        bridge(given({"role:gate.source": "60 mA"}))
    fine = {
        "side": "low",
        "supply": 24.0,
        "current": 10.0,
        "gate_voltage": 11.0,
        "source": 0.1,
        "sink": 0.1,
        "qgs": 1e-8,
        "qgd": 1e-8,
        "vth": 3.0,
        "plateau": 5.0,
        "rdson": 1e-3,
        "crss": 1e-10,
    }
    Bridge(**fine)  # type: ignore[arg-type]
    with pytest.raises(CallError, match="threshold < plateau < gate voltage"):
        Bridge(**{**fine, "gate_voltage": 4.0})  # type: ignore[arg-type]
    with pytest.raises(CallError, match="expected high or low"):
        Bridge(**{**fine, "side": "middle"})  # type: ignore[arg-type]
    with pytest.raises(CallError, match="crss must be greater than zero"):
        Bridge(**{**fine, "crss": 0.0})  # type: ignore[arg-type]
