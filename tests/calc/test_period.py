"""The timeline of one PWM period: the checks' own variables, in order, and its picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise

import pytest

from regmap.calc import Inputs, run
from regmap.calc.corner import Variable
from regmap.calc.period import Current, Duty, Side, period, timeline
from regmap.errors import CallError

Build = Callable[..., Inputs]
NS = "{http://www.w3.org/2000/svg}"


def at(inputs: Inputs, side: Side = "low", **options: str) -> dict[str, Variable]:
    found = timeline(inputs, side, **options)  # type: ignore[arg-type]
    return {f"{i.phase}: {i.name}": i.time for i in found}


def bounds(variable: Variable | None) -> tuple[float, float, float]:
    assert variable is not None
    return variable.low, variable.typ, variable.high


def test_each_instant_is_the_variable_that_its_check_compares(shape: Inputs) -> None:
    for side in ("high", "low"):
        found = at(shape, side)  # type: ignore[arg-type]
        (blanking,) = run(shape, [f"vds.blanking.{side}"])
        assert bounds(found["on: VDS seen below threshold"]) == pytest.approx(
            bounds(blanking.lower)
        )
        if "on: filter over, may trip" in found:
            assert bounds(found["on: filter over, may trip"]) == pytest.approx(
                bounds(blanking.value)
            )


def test_the_sample_and_the_settled_amplifier_are_those_of_the_check(build: Build) -> None:
    inputs = build(chip___sense__settling="0.4..0.6 us")
    found = at(inputs)
    (verdict,) = run(inputs, ["sense.settling"])
    assert bounds(found["sense: sampling starts"]) == pytest.approx(bounds(verdict.value))
    assert bounds(found["sense: amplifier settled"]) == pytest.approx(bounds(verdict.lower))
    assert "sense: amplifier settled" not in at(inputs, "high")


def test_the_instants_by_hand(build: Build) -> None:
    exact = {"stage___controller__clock_tolerance": "0 %", "stage___pwm__frequency": "20 kHz"}
    found = {k: v.typ for k, v in at(build(**exact, role___deadtime="2 us")).items()}
    # the chip's 2 us less the controller's 0.9 us, 90 ns propagation
    assert found["on: gate charge starts"] == pytest.approx(1.19e-6)
    # 14 nC up to the plateau, of which 14 * 1.8 / 4.6 nC with the current rising; 12 nC along it
    assert found["on: current edge over"] == pytest.approx(1.19e-6 + 14e-9 / 60e-3)
    rising = 14e-9 * 1.8 / 4.6 / 60e-3
    assert found["on: current edge over"] - found["on: current edge starts"] == pytest.approx(
        rising
    )
    assert found["on: voltage edge over"] == pytest.approx(1.19e-6 + 26e-9 / 60e-3)
    # 15 % of 50 us less the controller's dead time; 105 ns propagation
    assert found["off: input edge off"] == pytest.approx(7.5e-6 - 0.9e-6)
    assert found["off: gate discharge starts"] == pytest.approx(6.6e-6 + 105e-9)
    assert found["off: voltage edge starts"] == pytest.approx(6.705e-6 + 34e-9 / 120e-3)
    gone = 6.705e-6 + (34e-9 + 12e-9 + 14e-9 * 1.8 / 4.6) / 120e-3
    assert found["off: current off"] == pytest.approx(gone)
    assert found["off: other gate charge starts"] == pytest.approx(6.6e-6 + 0.9e-6 + 1.19e-6)


@pytest.mark.parametrize(
    ("side", "duty", "share"),
    [
        ("low", "lowest", 0.97),
        ("low", "middle", 0.5),
        ("low", "highest", 0.15),
        ("high", "lowest", 0.03),
        ("high", "middle", 0.5),
        ("high", "highest", 0.85),
    ],
)
def test_the_pulse_at_each_duty(build: Build, side: Side, duty: Duty, share: float) -> None:
    inputs = build(stage___pwm__frequency="20 kHz", stage___controller__clock_tolerance="0 %")
    off = at(inputs, side, duty=duty)["off: input edge off"]
    assert off.typ == pytest.approx(share / 20e3 - 0.9e-6)


def test_instants_follow_one_another(shape: Inputs) -> None:
    for side in ("high", "low"):
        names = {i.name: i.time for i in timeline(shape, side) if i.phase == "on"}  # type: ignore[arg-type]
        order = [
            "gate charge starts",
            "current edge starts",
            "current edge over",
            "voltage edge over",
            "VDS below threshold",
            "VDS seen below threshold",
        ]
        for one, two in pairwise(order):
            for end in ("low", "typ", "high"):
                assert getattr(names[one], end) <= getattr(names[two], end) + 1e-15, (one, two)


def test_with_the_diode_carrying_the_node_has_swung_before(build: Build) -> None:
    inputs = build(stage___controller__clock_tolerance="0 %")
    soft = at(inputs, "low", current="soft")
    hard = at(inputs, "low")
    # the other side's turn-off: 105 ns propagation, 34 nC and 12 nC at 120 mA, 0.9 us before
    swung = soft["on: voltage edge over"].typ
    assert swung == pytest.approx(105e-9 + 46e-9 / 120e-3 - 0.9e-6)
    assert swung < 0 < hard["on: voltage edge over"].typ
    assert "on: current edge starts" not in soft
    assert soft["off: current off"].typ == pytest.approx(hard["off: current off"].typ)


@pytest.mark.parametrize("current", ["hard", "soft"])
def test_the_picture_shows_every_instant_with_its_band(shape: Inputs, current: Current) -> None:
    for side in ("high", "low"):
        svg = period(shape, side, current=current)  # type: ignore[arg-type]
        root = ET.fromstring(svg)
        words = [t.text or "" for t in root.iter(f"{NS}text")]
        bars = {t.text for t in root.iter(f"{NS}title")}
        for instant in timeline(shape, side, current=current):  # type: ignore[arg-type]
            if instant.name != "input edge off":
                assert instant.name in words
                assert f"{instant.name} {instant.time.text()}" in bars
        assert any("do not replace" in w or "support" in w for w in words)
        assert "nan" not in svg
        assert svg == period(shape, side, current=current)  # type: ignore[arg-type]


def test_what_is_missing_is_named(build: Build) -> None:
    with pytest.raises(CallError, match=r"no timeline without .*stage:mosfet\.qgs"):
        timeline(build(("stage:mosfet.qgs",)))
    with pytest.raises(CallError, match="never turns on fully"):
        timeline(build(chip___gate__voltage__high="4 V", chip___gate__voltage__low="4 V"))
    without = {i.name for i in timeline(build(("stage:mosfet.rdson",)))}
    assert "VDS below threshold" not in without
    assert "voltage edge over" in without


@pytest.mark.parametrize(
    ("side", "duty", "words"),
    [
        ("low", "highest", "100 % the low side is never on"),
        ("high", "highest", "100 % the high side stays on"),
        ("low", "lowest", "0 % the low side stays on"),
        ("high", "lowest", "0 % the high side is never on"),
    ],
)
def test_at_the_ends_of_the_duty_nothing_switches(
    build: Build, side: Side, duty: Duty, words: str
) -> None:
    inputs = build(
        stage___pwm__duty__min="0 %",
        stage___pwm__duty__max="100 %",
        chip___high_side_supply="charge pump",
    )
    with pytest.raises(CallError, match=words):
        timeline(inputs, side, duty=duty)
    assert timeline(inputs, side, duty="middle")


def test_the_sample_stands_in_the_middle_of_the_pulse_that_is_shown(build: Build) -> None:
    exact = {"stage___controller__clock_tolerance": "0 %", "stage___pwm__frequency": "20 kHz"}
    for duty, share in (("lowest", 0.03), ("middle", 0.5), ("highest", 0.85)):
        found = at(build(**exact), duty=duty)
        # from the low side's input edge: half of what the high side leaves, less the dead time
        assert found["sense: sampling starts"].typ == pytest.approx((1 - share) * 25e-6 - 0.9e-6)
