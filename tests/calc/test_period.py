"""The timeline of one PWM period: the checks' own variables, in order, and its picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise

import pytest

from regmap.calc import Inputs, run
from regmap.calc.corner import Variable
from regmap.calc.duty import DIRECTIONS, DUTIES, SIDES, Direction, Side
from regmap.calc.period import EDGE_OFF, timeline
from regmap.calc.periodplot import period
from regmap.calc.timelines import timeline_of
from regmap.errors import CallError

Build = Callable[..., Inputs]
NS = "{http://www.w3.org/2000/svg}"


def at(inputs: Inputs, side: Side = "low", **options: str) -> dict[str, Variable]:
    found = timeline(inputs, side, **options)  # type: ignore[arg-type]
    return {f"{i.phase}: {i.name}": i.time for i in found.instants}


def bounds(variable: Variable | None) -> tuple[float, float, float]:
    assert variable is not None
    return variable.low, variable.typ, variable.high


def test_each_instant_is_the_variable_that_its_check_compares(shape: Inputs) -> None:
    for side in ("high", "low"):
        found = at(shape, side, duty="middle")  # type: ignore[arg-type]
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
def test_the_pulse_at_each_duty(build: Build, side: Side, duty: str, share: float) -> None:
    inputs = build(stage___pwm__frequency="20 kHz", stage___controller__clock_tolerance="0 %")
    off = at(inputs, side, duty=duty)["off: input edge off"]
    assert off.typ == pytest.approx(share / 20e3 - 0.9e-6)


def test_instants_follow_one_another(shape: Inputs) -> None:
    for side in SIDES:
        names = {
            i.name: i.time for i in timeline(shape, side, duty="middle").instants if i.phase == "on"
        }
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
    soft = at(inputs, "low", current="out")
    hard = at(inputs, "low")
    # the other side's turn-off: 105 ns propagation, 34 nC and 12 nC at 120 mA, 0.9 us before
    swung = soft["on: voltage edge over"].typ
    assert swung == pytest.approx(105e-9 + 46e-9 / 120e-3 - 0.9e-6)
    assert swung < 0 < hard["on: voltage edge over"].typ
    assert "on: current edge starts" not in soft
    assert soft["off: current off"].typ == pytest.approx(hard["off: current off"].typ)


@pytest.mark.parametrize("current", DIRECTIONS)
def test_the_picture_shows_every_instant_with_its_band(shape: Inputs, current: Direction) -> None:
    for side in SIDES:
        svg = period(shape, side, current=current)
        root = ET.fromstring(svg)
        words = [t.text or "" for t in root.iter(f"{NS}text")]
        bars = {t.text for t in root.iter(f"{NS}title")}
        for instant in timeline(shape, side, current=current).instants:
            if instant.name != EDGE_OFF:
                assert instant.name in words
                assert f"{instant.name} {instant.time.text()}" in bars
        assert any("do not replace" in w or "support" in w for w in words)
        assert "nan" not in svg
        assert svg == period(shape, side, current=current)


def test_what_is_missing_is_named(build: Build) -> None:
    with pytest.raises(CallError, match=r"no timeline without .*stage:mosfet\.qgs"):
        timeline(build(("stage:mosfet.qgs",)))
    with pytest.raises(CallError, match="never turns on fully"):
        timeline(build(chip___gate__voltage__high="4 V", chip___gate__voltage__low="4 V"))
    found = timeline(build(("stage:mosfet.rdson",)))
    without = {i.name for i in found.instants}
    assert "VDS below threshold" not in without
    assert "stage:mosfet.rdson" in found.missing
    assert "voltage edge over" in without


@pytest.mark.parametrize(
    ("side", "duty", "words"),
    [
        ("low", "highest", "100 % the low side is never on"),
        ("high", "highest", "100 % the high side stays on"),
        ("low", "lowest", "0 % the low side stays on"),
        ("high", "lowest", "0 % the high side is never on"),
        ("low", "100 %", "100 % the low side is never on"),
        ("high", "0 %", "0 % the high side is never on"),
        ("low", "", "100 % the low side is never on"),
        ("high", "", "0 % the high side is never on"),
        ("high", "1 %", "1 % the high side is never on, as the dead time is longer"),
    ],
)
@pytest.mark.parametrize("current", DIRECTIONS)
def test_at_the_ends_of_the_duty_nothing_switches(
    build: Build, side: Side, duty: str, words: str, current: Direction
) -> None:
    """The duty that was asked for is the one that is told; where nothing switches that is the answer."""
    inputs = build(
        stage___pwm__duty__min="0 %",
        stage___pwm__duty__max="100 %",
        chip___high_side_supply="charge pump",
    )
    found = timeline(inputs, side, duty=duty, current=current)
    assert words in found.idle
    assert not found.instants
    told = timeline_of(inputs, side, duty=duty, current=current)
    assert any(words in note for note in told.notes)
    assert (told.period or found).json()["edges"] is False
    svg = period(inputs, side, duty=duty, current=current)
    drawn = [t.text or "" for t in ET.fromstring(svg).iter(f"{NS}text")]
    assert any(words in w for w in drawn)
    assert "never on" in drawn or "on all the time" in drawn
    assert not timeline(inputs, side, duty="middle").idle


@pytest.mark.parametrize("duty", ["130 %", "-1 %", "30", "half", "3 kHz", "", "nan %"])
def test_what_is_no_duty_is_refused(build: Build, duty: str) -> None:
    if duty:
        with pytest.raises(CallError, match="lowest, middle, highest, or a duty of 0 % to 100 %"):
            timeline(build(), duty=duty)
    else:
        assert timeline(build(), duty=duty).duty == "highest"


@pytest.mark.parametrize("current", DIRECTIONS)
@pytest.mark.parametrize("duty", [*DUTIES, "30 %"])
@pytest.mark.parametrize("side", SIDES)
def test_text_says_which_duty_and_which_direction(
    build: Build, side: Side, duty: str, current: Direction
) -> None:
    found = timeline_of(build(), side, duty=duty, current=current)
    share = {"lowest": "3 %", "middle": "50 %", "highest": "85 %", "30 %": "30 %"}[duty]
    assert share in found.title
    assert duty in found.title
    assert f"{side} side" in found.title
    assert ("out of the bridge" if current == "out" else "into the bridge") in found.title
    assert any(("takes the current over" in n) == ((side == "high") == (current == "out")) for n in found.notes[:1])  # fmt: skip
    svg = period(build(), side, duty=duty, current=current)
    title = next(ET.fromstring(svg).iter(f"{NS}title")).text
    assert title == found.title[0].upper() + found.title[1:]


def test_limits_stand_as_far_as_the_checks_say(shape: Inputs) -> None:
    """Read back from the picture: the dashed line lies beyond its band by the margin of the verdict."""
    for side in SIDES:
        found = timeline(shape, side, duty="middle")
        (blanking, enough) = run(shape, [f"vds.blanking.{side}", f"deadtime.enough.{side}"])
        by_name = {limit.name: limit for limit in found.limits}
        assert by_name["dead time over"].spare == pytest.approx(enough.margin)
        svg = period(shape, side, duty="middle")
        lines = dashed(svg)
        if "VDS monitor may trip" in by_name:
            assert by_name["VDS monitor may trip"].spare == pytest.approx(blanking.margin)
        off = next(i for i in found.instants if i.name == "current off")
        assert off.since_off is not None
        stands = float(off.since_off.high) + by_name["dead time over"].spare
        key = "limit of current off: dead time over"
        assert lines[key] == pytest.approx(stands, rel=0.02, abs=3e-9)
        drawn = [p.get("stroke-dasharray") for p in ET.fromstring(svg).iter(f"{NS}polyline")]
        assert len({d for d in drawn if d}) == len(lines), "each limit has a dash of its own"


def test_the_settling_limit_is_that_of_the_check(build: Build) -> None:
    inputs = build(chip___sense__settling="0.4..0.6 us")
    limits = {limit.of: limit for limit in timeline(inputs).limits}
    (verdict,) = run(inputs, ["sense.settling"])
    assert limits["amplifier settled"].spare == pytest.approx(verdict.margin)
    ended = build(chip___sense__settling="0.4..0.6 us", stage___adc__trigger="end")
    limits = {limit.of: limit for limit in timeline(ended).limits}
    (verdict,) = run(ended, ["sense.settling"])
    assert limits["amplifier settled"].spare == pytest.approx(verdict.margin)


@pytest.mark.parametrize(("side", "duty"), [("high", "lowest"), ("low", "highest")])
def test_the_next_edge_is_that_of_the_check(build: Build, side: Side, duty: str) -> None:
    check = "deadtime.duty-min" if side == "high" else "deadtime.duty-max"
    (verdict,) = run(build(), [check])
    limits = {limit.of: limit for limit in timeline(build(), side, duty=duty).limits}
    assert limits["gate full"].spare == pytest.approx(verdict.margin)


def test_a_limit_that_is_broken_stands_before_its_band(build: Build) -> None:
    short = build(stage___pwm__deadtime="800 ns", role___deadtime="750 / 780 / 800 ns")
    found = timeline(short)
    (limit,) = [x for x in found.limits if x.name == "dead time over"]
    assert limit.spare < 0
    assert "lacking" in limit.told
    off = next(i.since_off for i in found.instants if i.name == "current off")
    assert off is not None
    assert dashed(period(short))["limit of current off: dead time over"] < off.high


def test_at_the_middle_of_both_directions_a_switch_of_the_other_side_is_the_mirror(
    build: Build,
) -> None:
    """Equal switches: what the high side does with the current out, the low side does with it in."""
    for one, two in (("out", "in"), ("in", "out")):
        high, low = at(build(), "high", duty="50 %", current=one), at(build(), "low", duty="50 %", current=two)  # fmt: skip
        for name, time in high.items():
            assert bounds(time) == pytest.approx(bounds(low[name])), name


def test_the_diode_s_current_is_in_the_shunt_before_the_gate_is_on(build: Build) -> None:
    """The low side's shunt carries a current out of the bridge from the other side's turn-off on."""
    inputs = build(chip___sense__settling="0.4..0.6 us", stage___controller__clock_tolerance="0 %")
    soft, hard = at(inputs, current="out"), at(inputs, current="in")
    carried = soft["on: diode carries the current"]
    # the other side's turn-off by hand as above, 0.9 us before; blanking of the amplifier as stated
    assert carried.typ == pytest.approx(105e-9 + (46e-9 + 14e-9 * 1.8 / 4.6) / 120e-3 - 0.9e-6)
    assert soft["sense: amplifier settled"].typ - carried.typ == pytest.approx(
        hard["sense: amplifier settled"].typ - hard["on: voltage edge over"].typ
    )


def test_above_the_duty_that_is_reconstructed_nothing_is_sampled(build: Build) -> None:
    inputs = build(
        chip___sense__settling="0.4..0.6 us",
        stage___adc__reconstruction="two of three",
        stage___shunt__arrangement="one per phase",
    )
    assert "sense: sampling starts" not in at(inputs, duty="highest")
    assert any("not sampled at this duty" in n for n in timeline(inputs, duty="highest").notes)
    assert "sense: sampling starts" in at(inputs, duty="middle")


def dashed(svg: str) -> dict[str, float]:
    """Each limit by its words in the key, and where its line stands, in s."""
    root = ET.fromstring(svg)
    found: dict[str, float] = {}
    keys = {}
    items = list(root)
    for line, text in pairwise(items):
        if line.tag == f"{NS}line" and line.get("stroke-dasharray") and text.tag == f"{NS}text":
            keys[line.get("stroke", ""), line.get("stroke-dasharray", "")] = text.text or ""
    marks: list[tuple[float, float]] = []
    lines: list[tuple[str, float]] = []
    for item in items:
        if item.tag == f"{NS}polyline" and item.get("stroke-dasharray"):
            key = item.get("stroke", ""), item.get("stroke-dasharray", "")
            lines.append((keys[key], float(item.get("points", "").split(",")[0])))
        elif item.tag == f"{NS}text" and item.get("text-anchor") == "middle":
            words = item.text or ""
            if words.startswith("time after"):
                unit = {"ns": 1e-9, "us": 1e-6}[words.partition(", ")[2].partition(";")[0]]
                (x0, v0), (x1, v1) = marks[0], marks[-1]
                for name, x in lines:
                    found[name] = (v0 + (x - x0) * (v1 - v0) / (x1 - x0)) * unit
                marks, lines = [], []
            elif item.get("font-size") is None:
                marks.append((float(item.get("x", 0)), float(words)))
    return found


def test_the_sample_stands_in_the_middle_of_the_pulse_that_is_shown(build: Build) -> None:
    exact = {"stage___controller__clock_tolerance": "0 %", "stage___pwm__frequency": "20 kHz"}
    for duty, share in (("lowest", 0.03), ("middle", 0.5), ("highest", 0.85)):
        found = at(build(**exact), duty=duty)
        # from the low side's input edge: half of what the high side leaves, less the dead time
        assert found["sense: sampling starts"].typ == pytest.approx((1 - share) * 25e-6 - 0.9e-6)
