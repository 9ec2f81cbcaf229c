"""Plots: well-formed, deterministic, small, and drawn from the calculated figures."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise

import pytest

from regmap.calc import Inputs, run
from regmap.calc.plot import deadtime, edge, plots, sampling, trip, voltage_loss
from regmap.calc.svg import Panel, picture, scale_for, ticks
from regmap.errors import CallError

Build = Callable[..., Inputs]
NS = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return [t.text or "" for t in ET.fromstring(svg).iter(f"{NS}text")]


def test_all_plots(shape: Inputs) -> None:
    reasons: list[str] = []
    drawn = plots(shape, reasons)
    assert len(drawn) == 24
    assert not reasons
    for name, svg in drawn.items():
        root = ET.fromstring(svg)
        assert root.tag == f"{NS}svg"
        assert len(svg) < 13_000, name
        words = texts(svg)
        assert any("do not replace" in w for w in words), name
        assert "nan" not in svg
        assert "inf" not in svg
        width, height = float(root.get("width", 0)), float(root.get("height", 0))
        for item in root.iter(f"{NS}text"):
            assert -1 <= float(item.get("x", 0)) <= width
            assert -1 <= float(item.get("y", 0)) <= height
    assert plots(shape) == drawn, "the same input gives the same bytes"


def test_the_period_is_drawn_at_each_duty_and_for_both_directions(build: Build) -> None:
    names = {n for n in plots(build()) if n.startswith("period-")}
    assert names == {
        f"period-{side}-{duty}-{way}"
        for side in ("high", "low")
        for duty in ("lowest", "middle", "highest")
        for way in ("out", "in")
    }
    chosen = plots(build(), duty="30 %", current="in")
    assert {n for n in chosen if n.startswith("period-")} == {
        "period-high-30-percent-in",
        "period-low-30-percent-in",
    }
    whole = plots(build(stage___pwm__duty__max="100 %"), duty="highest", current="out")
    assert "never on" in texts(whole["period-low-highest-out"])
    assert "on all the time" in texts(whole["period-high-highest-out"])
    with pytest.raises(CallError, match="0 % to 100 %"):
        plots(build(), duty="101 %")


@pytest.mark.parametrize(
    ("way", "figure"), [("on", "gate.rise-time.low"), ("off", "gate.fall-time.low")]
)
def test_edge_shows_the_calculated_plateau(build: Build, way: str, figure: str) -> None:
    svg = edge(build(), "low", way)
    (verdict,) = run(build(), [figure])
    assert verdict.value is not None
    assert any(verdict.value.text() in w for w in texts(svg))
    assert {"Vgs, V", "Vds, V", "Id, A"} <= set(texts(svg))
    lines = [p.get("points", "") for p in ET.fromstring(svg).iter(f"{NS}polyline")]
    # Read the typical VDS line back: its slanted part lasts as long as the calculated edge.
    vds = [tuple(map(float, p.split(","))) for p in lines[5].split()]
    sloped = [(a, b) for a, b in pairwise(vds) if abs(a[1] - b[1]) > 5]
    assert len(sloped) == 1
    ((start, stop),) = sloped
    box, span = 680 - 84, max(float(p.split()[-1].split(",")[0]) for p in lines) - 64
    assert span == pytest.approx(box, abs=0.1)
    whole = _time_at_right_edge(svg)
    assert (stop[0] - start[0]) / box * whole == pytest.approx(verdict.value.typ, rel=0.02)


def _time_at_right_edge(svg: str) -> float:
    """The time axis' end in s, from two of its tick labels."""
    root = ET.fromstring(svg)
    unit = next(w for w in texts(svg) if w.startswith("time from")).rpartition(" ")[2]
    marks = [
        (float(t.get("x", 0)), float(t.text or ""))
        for t in root.iter(f"{NS}text")
        if re.fullmatch(r"[\d.]+", t.text or "") and t.get("text-anchor") == "middle"
    ]
    (x0, v0), (x1, v1) = marks[0], marks[-1]
    per = (v1 - v0) / (x1 - x0)
    return (v0 + (660 - x0) * per) * {"ns": 1e-9, "us": 1e-6}[unit]


def test_trip_band_ends_at_the_verdicts_extremes(build: Build) -> None:
    svg = trip(build(), "high")
    (verdict,) = run(build(), ["vds.protects.high"])
    assert verdict.value is not None
    polygon = next(ET.fromstring(svg).iter(f"{NS}polygon")).get("points", "")
    ys = [float(p.split(",")[1]) for p in polygon.split()]
    # 400 A (the limit) is the top of the scale times 1 / 1.08, so the band's ends follow.
    zero, full = 64 + 300, 300 / (400 * 1.08)
    assert (zero - min(ys)) / full == pytest.approx(verdict.value.high, rel=2e-3)
    assert (zero - max(ys)) / full == pytest.approx(verdict.value.low, rel=2e-3)
    assert "peak current 50 A" in " ".join(texts(svg))


def test_deadtime_budget_says_what_the_verdict_says(build: Build) -> None:
    short = build(stage___pwm__deadtime="800 ns", role___deadtime="750 / 780 / 800 ns")
    (verdict,) = run(short, ["deadtime.enough.low"])
    assert verdict.lower is not None
    assert verdict.status == "fails"
    words = " ".join(texts(deadtime(short, "low")))
    lacking = verdict.lower.high - 784e-9  # 800 ns less 2 % of the clock
    assert f"needed {verdict.lower.text('max')}, set 784 ns at least: " in words
    assert f"{lacking * 1e9:.3g} ns lacking" in words
    # the parts stand at one corner, so that they add up to what is needed
    figures = [
        float(w.rpartition(" ")[0]) for w in texts(deadtime(short, "low")) if w.endswith(" ns")
    ]
    assert sum(figures[:5]) == pytest.approx(verdict.lower.high * 1e9, rel=1e-3)
    assert "spare" in " ".join(texts(deadtime(build(stage___pwm__deadtime="2 us"), "low")))


def test_missing_inputs_are_named(build: Build) -> None:
    with pytest.raises(CallError, match=r"no switching edge without stage:mosfet\.qgs"):
        edge(build(without=("stage:mosfet.qgs",)), "high")
    left: list[str] = []
    drawn = plots(build(without=("stage:mosfet.qgs",)), left)
    assert set(drawn) == {"trip-current-high", "trip-current-low", "start-up", "sleep"}
    assert len(left) == 20
    with pytest.raises(CallError):
        plots(Inputs([]))
    with pytest.raises(CallError, match="never turns on fully"):
        edge(build(chip___gate__voltage__high="4 V"), "high")


@pytest.mark.parametrize(
    ("low", "high", "want"),
    [
        (0, 10, [0, 2, 4, 6, 8, 10]),
        (-40, 175, [0, 50, 100, 150]),
        (0, 0.9, [0, 0.2, 0.4, 0.6, 0.8]),
    ],
)
def test_ticks(low: float, high: float, want: list[float]) -> None:
    assert ticks(low, high) == pytest.approx(want)


def test_scales_and_escaping() -> None:
    assert scale_for(2.5e-7, "s") == (1e-9, "ns")
    assert scale_for(1.5e-6, "s") == (1e-6, "us")
    panel = Panel((10, 10, 100, 50), (0, 1), (0, 1), "a < b", "c & d")
    ET.fromstring(picture(200, 100, 'x "quoted" <y>', [panel], ["<note>"]))


def test_the_error_bends_where_the_current_turns_the_node_over(build: Build) -> None:
    """Read back: at the knee the line reaches its height, and the compensation takes off what it states."""
    svg = voltage_loss(
        build(
            stage___mosfet__qoss="900 nC",
            stage___motor__current__peak="50 A",
            stage___pwm__compensation="500 ns",
            stage___pwm__compensation_current="10 A",
        )
    )
    (knee,) = run(
        build(stage___mosfet__qoss="900 nC", stage___pwm__compensation_current="10 A"),
        ["deadtime.compensation-knee"],
    )
    (error,) = run(build(), ["deadtime.voltage-error"])
    assert knee.value is not None
    assert error.value is not None
    raw, left = [
        [tuple(map(float, p.split(","))) for p in line.get("points", "").split()]
        for line in ET.fromstring(svg).iter(f"{NS}polyline")
    ]
    width, height = 680 - 84, 300.0
    amps = [(x - 64) / width * 100 - 50 for x, _ in raw]
    top = abs(raw[0][1] - raw[-1][1]) / 2
    at = next(a for a, (_, y) in zip(amps, raw, strict=True) if abs(y - raw[-1][1]) < 0.02)
    assert at == pytest.approx(float(knee.value.typ), abs=0.2)
    rest = abs(left[0][1] - left[-1][1]) / 2
    whole = float(error.value.typ)
    assert rest / top == pytest.approx(abs(whole - 500e-9 * 20e3) / whole, rel=0.02)
    assert height > top > rest


def test_the_sampling_window_is_that_of_the_check(build: Build) -> None:
    """Read back: at the highest duty the typical line stands at the check's window."""
    inputs = build(stage___pwm__duty__max="80 %")
    (verdict,) = run(inputs, ["sense.settling"])
    assert verdict.value is not None
    assert verdict.lower is not None
    svg = sampling(inputs)
    lines = [
        [tuple(map(float, p.split(","))) for p in line.get("points", "").split()]
        for line in ET.fromstring(svg).iter(f"{NS}polyline")
    ]
    middle = lines[0]
    assert len(middle) == 26
    (x, y) = next(p for p in middle if p[0] >= 64 + 0.8 * (680 - 84) - 0.01)
    least, most = lines[1][0][1], lines[2][0][1]  # levels of what is needed
    span = (verdict.lower.high - verdict.lower.low) / (least - most)
    told = verdict.lower.low + (least - y) * span
    assert x == pytest.approx(64 + 0.8 * (680 - 84), abs=0.02)
    assert told == pytest.approx(float(verdict.value.typ), rel=0.03)
