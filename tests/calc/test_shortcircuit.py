"""Short circuits: energy, heat and turn-off against circuits worked step by step and ngspice."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from regmap.calc import Input, Inputs, Verdict, run
from regmap.calc.device import OVERSHOOT_ERROR
from tests.calc import judge
from tests.calc.conftest import make, stage_of
from tests.calc.test_ngspice import above, figures

Build = Callable[..., Inputs]
Given = Callable[[dict[str, "str | int"]], Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def typical(inputs: Inputs, name: str) -> float:
    verdict = one(inputs, name)
    assert verdict.value is not None
    return float(verdict.value.typ)


@pytest.mark.parametrize("henry", [0.0, 10e-9, 100e-9])
def test_the_energy_is_that_of_a_switch_worked_step_by_step(build: Build, henry: float) -> None:
    """The current rises by V / L to the limit of the switch; at the end it falls within a nanosecond."""
    vs, limit = 48.0, 300.0
    inputs = build(
        () if henry else ("stage:bridge.inductance",),
        stage___supply__voltage="48 V",
        stage___mosfet__short_circuit_current="300 A",
        **({"stage___bridge__inductance": f"{henry * 1e9} nH"} if henry else {}),
    )
    value = one(inputs, "vds.short-energy.low").value
    assert value is not None
    time = float(value.args["t"].typ)
    step, i, heat = 1e-11, 0.0, 0.0
    for _ in range(round(time / step)):
        rising = i < limit and henry > 0
        di = vs / henry * step if rising else 0.0
        i = min(limit, i + di) if henry else limit
        heat += (0.0 if rising else vs) * i * step
    fall = 1e-9
    heat += vs * i * fall / 2 + henry * i * i / 2
    assert float(value.typ) == pytest.approx(heat, rel=2e-3)


def test_a_pulse_heats_the_die_as_the_root_of_time(build: Build) -> None:
    """The heat equation of a thick block in finite differences, heated at its face by a constant power."""
    alpha, k, dx = 9e-5, 150.0, 2e-6  # silicon: m2/s, W/(m K), common practice, no source
    dt = 0.4 * dx * dx / alpha
    temperature = np.zeros(400)
    seen = {}
    for n in range(1, 1001):
        flow = np.diff(temperature, prepend=temperature[0], append=0.0)
        temperature = temperature + alpha * dt / dx**2 * np.diff(flow)
        temperature[0] += 1.0 / k * alpha * dt / dx  # 1 W on 1 m2
        seen[n] = float(temperature[0])
    law = build(
        stage___mosfet__pulse__zth="0.03 K/W",
        stage___mosfet__pulse__time="10 us",
        stage___mosfet__temperature="100 degC",
    )
    verdict = one(law, "vds.short-temperature.low")
    assert verdict.value is not None
    part = {name: float(arg.typ) for name, arg in verdict.value.args.items()}
    power = part["e"] / part["t"]
    mine = (float(verdict.value.typ) - 100) / power / 0.03
    # the block says how much higher the impedance is after 4 times as long
    assert seen[1000] / seen[250] == pytest.approx(2, rel=0.03)
    assert mine == pytest.approx(math.sqrt(part["t"] / 10e-6), rel=1e-9)


def test_the_safe_area_by_hand(build: Build) -> None:
    inputs = build(
        stage___mosfet__soa__current="400 A",
        stage___mosfet__pulse_current="1 kA",
        stage___mosfet__soa__time="10 us",
        stage___mosfet__temperature="100 degC",
        stage___mosfet__tj_max="175 degC",
    )
    verdict = one(inputs, "vds.safe-area.high")
    assert verdict.upper is not None
    time = typical(inputs, "vds.withstand.high")
    # half of it is left at 100 degC of 25..175 degC
    assert float(verdict.upper.typ) == pytest.approx(200 * math.sqrt(10e-6 / time))


def test_no_pulse_is_short_enough_for_more_than_the_pulse_current(build: Build) -> None:
    """600 A at 100 us would be 3 kA at 4 us by the root of time; half of 700 A is left at 100 degC of 25..175."""
    inputs = build(
        stage___mosfet__soa__current="600 A",
        stage___mosfet__soa__time="100 us",
        stage___mosfet__pulse_current="700 A",
        stage___mosfet__short_circuit_current="1500 A",
        stage___mosfet__temperature="100 degC",
        stage___mosfet__tj_max="175 degC",
    )
    area = one(inputs, "vds.safe-area.high")
    assert area.upper is not None
    assert float(area.upper.typ) == pytest.approx(350)
    assert area.status == "fails"
    current = one(inputs, "vds.short-current")
    assert (current.status, current.margin) == ("fails", pytest.approx(-800))
    # the two points of a longer pulse end there too
    longer = one(
        inputs.with_values(
            [
                make("stage:mosfet.soa.current", "1 kA"),
                make("stage:mosfet.soa.time", "2 us"),
                make("stage:mosfet.soa.long_current", "900 A"),
                make("stage:mosfet.soa.long_time", "20 us"),
            ]
        ),
        "vds.safe-area.high",
    )
    assert longer.upper is not None
    assert float(longer.upper.typ) == pytest.approx(350)


def test_a_short_circuit_current_that_nobody_states_is_not_compared(build: Build) -> None:
    left = build(("stage:mosfet.short_circuit_current",))
    assert run(left, ["vds.short-current"]) == []
    assert one(build(), "vds.short-current").status == "holds"


@pytest.mark.parametrize("pause", [2e-3, 10e-3])
def test_a_retry_heats_by_its_mean_and_each_pulse(build: Build, pause: float) -> None:
    """A case that follows the mean slowly and a die that follows the root of time, pulse after pulse, summed up.

    The way to the air as one slow step, each pulse's own rise by the law of a thick block: superposition
    of all pulses before on the slow step, 60 of its time constants of half a second.
    """
    inputs = build(
        ("stage:bridge.inductance",),
        role___vds__mode="retry",
        role___retry__time=f"{pause * 1e3} ms",
        stage___supply__voltage="12 V",
        stage___mosfet__short_circuit_current="300 A",
        stage___mosfet__rth="5.5 K/W",
        stage___mosfet__pulse__zth="8 mK/W",
        stage___mosfet__pulse__time="10 us",
        stage___temperature__ambient="105 degC",
    )
    for side in ("high", "low"):
        verdict = one(inputs, f"vds.retry-temperature.{side}")
        assert verdict.value is not None
        t = float(verdict.value.args["t"].typ)
        tau, left = 0.5, math.exp(-(t + pause) / 0.5)
        rise = 0.0
        for _ in range(round(60 * tau / (t + pause))):
            rise = (rise + 12 * 300 * 5.5 * (1 - math.exp(-t / tau))) * left
        die = 12 * 300 * 8e-3 * math.sqrt(t / 10e-6)
        assert float(verdict.value.typ) == pytest.approx(105 + rise + die, rel=2e-3)
        alone = one(inputs, f"vds.retry.{side}")
        assert alone.value is not None
        assert float(verdict.value.typ) == pytest.approx(105 + 5.5 * float(alone.value.typ) + die)


def test_mean_and_pulse_together_fail_where_each_holds(build: Build) -> None:
    """9.8 W through 5.5 K/W are 54 K, a pulse some 56 K more: from 105 degC above 175 degC."""
    changes: dict[str, str | int] = {
        "role___vds__mode": "retry",
        "stage___temperature__ambient": "105 degC",
        "stage___motor__current__rms": "1 A",
        "stage___mosfet__rth": "5.5 K/W",
        "stage___mosfet__pulse__zth": "8 mK/W",
        "role___retry__time": "2.9..3.1 ms",
    }
    inputs = build(**changes)
    assert one(inputs, "vds.retry.high").margin > 0
    assert one(inputs, "vds.short-temperature.high").margin > 0
    assert one(inputs, "vds.retry-temperature.high").status == "fails"
    latched = inputs.with_values([Input("role:vds.mode", "latch", "test")])
    assert run(latched, ["vds.retry-temperature"]) == []


def test_a_monitor_that_is_off_ends_no_short_circuit(build: Build) -> None:
    for name in ("short-energy", "short-temperature", "safe-area"):
        verdict = one(build(role___vds__enable=0), f"vds.{name}.low")
        assert verdict.status == "fails"
        assert "nothing protects here" in verdict.reason


#: How far the drain may lie above and below the estimate when a short circuit is switched off, as shares.
SHORT_DRAIN = (above(OVERSHOOT_ERROR), -0.3)


@pytest.mark.parametrize("stage", ["12 V, 200 nC", "48 V", "24 V, resistive", "fan, 5 nC"])
def test_the_overshoot_of_the_turn_off_in_ngspice(
    given: Given, need_tool: Callable[[str], str], tmp_path: Path, stage: str
) -> None:
    """The data sheet is taken at a small load; the transistor switches off four times as much."""
    need_tool("ngspice")
    point = next(p for p in judge.points() if p.stage == stage)
    sheet = judge.data_sheet(point.part, point.supply, point.load, point.gate, tmp_path)
    table: dict[str, str | int] = dict(figures(point, sheet, 2 * sheet.rdson * point.load))
    table["stage:mosfet.short_circuit_current"] = f"{4 * point.load} A"
    inputs = given(table)
    estimate = typical(inputs, "vds.turn-off-overshoot.low")
    whole = one(inputs, "gate.drive-time.low").value
    assert whole is not None
    on = 1.6 * float(whole.typ) + 20e-9
    short = replace(point, load=4 * point.load)
    waves = judge.simulate(judge.half_bridge(short, on, on), tmp_path)
    seen = judge.measure(waves, short, on, 1.0)["drain"]
    most, least = SHORT_DRAIN
    assert max(point.supply, estimate * (1 + least)) < seen < estimate * (1 + most)
    # and it is more than what the load's current makes
    assert estimate > typical(inputs, "gate.overshoot.low")


def test_a_soft_turn_off_lowers_the_overshoot(build: Build) -> None:
    soft = typical(build(role___gate__soft_off="10 mA"), "vds.turn-off-overshoot.low")
    hard = typical(build(("role:gate.soft_off",)), "vds.turn-off-overshoot.low")
    assert soft < hard


def test_what_is_not_stated_is_not_asked(build: Build) -> None:
    names = "mosfet.short_circuit_energy mosfet.pulse.zth mosfet.soa.current"
    left = build(tuple(f"stage:{name}" for name in names.split()))
    found = {v.check.rpartition(".")[0] for v in run(left, ["vds"])}
    assert not found & {"vds.short-energy", "vds.short-temperature", "vds.safe-area"}


def test_a_soft_turn_off_that_is_switched_off_leaves_the_ordinary_one(build: Build) -> None:
    name = "vds.turn-off-overshoot.low"
    switched = Input("role:gate.soft_off", "off", "test")
    (off,) = run(build().with_values([switched]), [name])
    (without,) = run(build(("role:gate.soft_off",)), [name])
    assert off.value is not None, off.missing
    assert without.value is not None
    assert off.value.high == without.value.high


def test_a_bundled_stage_shows_a_soft_turn_off_and_the_amplifiers_slew() -> None:
    """Fixed in silicon (map kowari16, invented): the stage's own sink current does not count after a short circuit."""
    found = {v.check: v for v in run(stage_of("radiator_fan"))}
    soft = found["vds.turn-off-overshoot.high"]
    assert {"Isoft"} == {v.symbol for v in soft.inputs} & {"Isoft", "Iset,off"}
    assert soft.status == found["sense.slew"].status == "holds"
    slew = next(v for v in found["sense.slew"].inputs if v.symbol == "SR")
    assert slew.origin is not None
    assert "kowari16" in slew.origin.origin
