"""Starting profiles and load dumps as courses over time, against the same course cut into small steps."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from regmap.assessment.stage import assess
from regmap.calc import Facts, Inputs, run
from regmap.stages.load import Stage, load_stage, read_stage
from tests.calc.conftest import course

Build = Callable[..., Inputs]

#: A starting profile of the kind that ISO 16750-2 draws (a dip, a plateau, a return); levels invented.
START = (("0 s", "13 V"), ("5 ms", "4 V"), ("20 ms", "4 V"), ("60 ms", "8 V"), ("1 s", "13 V"))
DUMP = (
    ("0 s", "14 V"),
    ("5 ms", "60 V"),
    ("100 ms", "35 V"),
    ("250 ms", "35 V"),
    ("400 ms", "14 V"),
)


def with_course(
    inputs: Inputs, kind: str, points: tuple[tuple[str, str], ...], **more: str
) -> Inputs:
    return inputs.with_values([], Facts(courses=(course("c", kind, *points, **more),)))


def sampled(points: tuple[tuple[str, str], ...]) -> tuple[np.ndarray, np.ndarray]:
    """The course every 10 us, by numpy's interpolation."""
    units = {"s": 1.0, "ms": 1e-3}
    times = [float(t.split()[0]) * units[t.split()[1]] for t, _ in points]
    at = np.linspace(times[0], times[-1], round((times[-1] - times[0]) / 1e-5) + 1)
    return at, np.interp(at, times, [float(u.split()[0]) for _, u in points])


def value(inputs: Inputs, name: str) -> float:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None, verdict.missing
    return float(verdict.value.typ)


#: The controller looks whether the high side's supply is charged (a bootstrap of 220 nF takes microseconds), and no setting is lost.
NO_WAIT = ("stage:startup.charge_time",)
LIVED = {"chip___supply__operating": "3..40 V"}


def test_the_pause_is_the_time_below_the_threshold_and_the_wake_up(build: Build) -> None:
    at, level = sampled(START)
    below = np.count_nonzero(level < 5.2) * 1e-5
    inputs = build(NO_WAIT, role___uv__threshold="5.2 V", chip___supply__wake_time="1 ms", **LIVED)
    found = value(with_course(inputs, "starting", START), "supply.course-pause.c")
    assert found == pytest.approx(below + 1e-3, abs=3e-5)
    assert at[-1] == 1


def test_a_course_that_interrupts_nothing_costs_no_wake_up(build: Build) -> None:
    inputs = build(
        NO_WAIT,
        **LIVED,
        role___uv__threshold="3.7 / 3.9 / 3.99 V",
        chip___supply__wake_time="1 / 1.6 / 2 ms",
    )
    (verdict,) = run(with_course(inputs, "starting", START), ["supply.course-pause.c"])
    assert verdict.value is not None
    assert (verdict.value.low, verdict.value.typ, verdict.value.high) == (0, 0, 0)
    # where only the highest threshold is reached, only then
    inputs = build(
        NO_WAIT,
        **LIVED,
        role___uv__threshold="3.7 / 3.9 / 4.4 V",
        chip___supply__wake_time="1 / 1.6 / 2 ms",
    )
    (verdict,) = run(with_course(inputs, "starting", START), ["supply.course-pause.c"])
    assert verdict.value is not None
    assert (verdict.value.low, verdict.value.typ) == (0, 0)
    at, level = sampled(START)
    assert verdict.value.high == pytest.approx(
        np.count_nonzero(level < 4.4) * 1e-5 + 2e-3, abs=3e-5
    )
    assert at[-1] == 1


def test_the_lowest_level_of_a_course_meets_the_threshold(build: Build) -> None:
    inputs = build(role___uv__threshold="4.2..4.4 V")
    (verdict,) = run(with_course(inputs, "starting", START), ["undervoltage.course"])
    assert verdict.status == "fails"
    assert verdict.margin == pytest.approx(-0.4)
    higher = tuple((t, u.replace("4 V", "4.6 V")) for t, u in START)
    (verdict,) = run(with_course(inputs, "starting", higher), ["undervoltage.course"])
    assert verdict.margin == pytest.approx(0.2)


@pytest.mark.parametrize(("knee", "ohms"), [("24 V", 0.4), ("30 V", 0.02), ("59 V", 0.1)])
def test_the_energy_of_a_course_step_by_step(build: Build, knee: str, ohms: float) -> None:
    at, level = sampled(DUMP)
    low = float(knee.split()[0])
    current = np.maximum(0, level - low) / (2 + ohms)
    energy = float(np.trapezoid((low + ohms * current) * current, at))
    inputs = with_course(
        build(
            stage___suppressor__breakdown=knee,
            stage___suppressor__resistance=f"{ohms} ohm",
        ),
        "load dump",
        DUMP,
        resistance="2 ohm",
    )
    assert value(inputs, "supply.course-energy.c") == pytest.approx(energy, rel=1e-3)
    peak = low + ohms * (60 - low) / (2 + ohms)
    assert value(inputs, "supply.course-chip.c") == pytest.approx(peak)
    assert value(inputs, "supply.course-mosfet.c") == pytest.approx(peak)


def test_above_the_operating_range_by_hand(build: Build) -> None:
    """5.5..40 V: up from 14 to 60 V in 5 ms, down to 35 V in 95 ms."""
    inputs = with_course(build(), "load dump", DUMP)
    by_hand = 5e-3 * 20 / 46 + 95e-3 * 20 / 25
    assert value(inputs, "supply.course-duration.c") == pytest.approx(by_hand)
    (verdict,) = run(inputs, ["supply.course-energy"])
    assert verdict.status == "not_computed"  # what takes part of it is not known
    assert any("courses.c.resistance" in m for m in verdict.missing)


def test_without_courses_nothing_is_asked(build: Build) -> None:
    inputs = build().with_values([], Facts())
    assert not [v for v in run(inputs) if ".course" in v.check]


STAGE = """gateword_stage: 1
stage: {name: t, invented: yes}
map: quoll16
supply.voltage: 9 / 13 / 16 V
limits.pause: 100 ms
courses:
  cold:
    kind: starting
    points: {0 s: 12 V, 5 ms: 5.5 / 6 / 6.5 V, 1 s: 12 V}
  dump: {kind: load dump, resistance: 2 ohm, points: {0 s: 14 V, 5 ms: 60 V, 0.4 s: 14 V}}
"""


def test_a_stage_states_them(tmp_path: Path) -> None:
    file = tmp_path / "s.yaml"
    file.write_text(STAGE)
    stage = load_stage(file)
    assert [c.name for c in stage.courses] == ["cold", "dump"]
    told = {v.check: v for v in assess(stage, None, ["supply", "undervoltage"]).verdicts}
    assert told["supply.course-chip.dump"].status == "fails"  # 60 V without a suppressor
    assert "undervoltage.course.cold" in told


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("5 ms: 5.5", "-1 ms: 5.5", "time"),
        ("1 s: 12 V}", "2 ms: 12 V}", "a point before the one above it"),
        ("0 s: 12 V, 5 ms: 5.5 / 6 / 6.5 V, 1 s: 12 V", "0 s: 12 V", "less than two points"),
        ("kind: starting", "kind: stalling", "stalling"),
        ("5.5 / 6 / 6.5 V", "5 A", "current"),
    ],
)
def test_what_cannot_be_is_told_at_its_line(old: str, new: str, words: str) -> None:
    assert old in STAGE
    _, problems = read_stage("s.yaml", text=STAGE.replace(old, new))
    errors = [p for p in problems if p.severity == "error"]
    assert errors
    assert any(words in f"{p.found} {p.expected}" for p in errors), errors
    assert all(p.place.line in (8, 9) for p in errors)


def stated(tmp_path: Path, crank: str) -> Stage:
    """The stage above with a second starting profile, and with this line before the courses."""
    file = tmp_path / "s.yaml"
    warm = "  warm: {kind: starting, points: {0 s: 12 V, 5 ms: 8 V, 1 s: 12 V}}\n"
    file.write_text(STAGE.replace("courses:", f"{crank}\ncourses:") + warm)
    return load_stage(file)


def test_the_lowest_course_fills_the_starting_level(tmp_path: Path) -> None:
    """One truth: `undervoltage.crank` says of the lowest course what `undervoltage.course` says of it."""
    stage = stated(tmp_path, "")
    found = {v.check: v for v in assess(stage, None, ["undervoltage"]).verdicts}
    crank = found["undervoltage.crank"]
    assert crank.margin == pytest.approx(found["undervoltage.course.cold"].margin)
    assert crank.upper is not None
    assert crank.upper.origin is not None
    assert (crank.upper.low, crank.upper.typ, crank.upper.high) == (5.5, 6, 6.5)
    assert "courses.cold" in crank.upper.origin.origin
    assert not stage.doubts


def test_a_level_that_its_courses_contradict_is_told(tmp_path: Path) -> None:
    (doubt,) = stated(tmp_path, "supply.crank: 7 V").doubts
    assert "7 V, while the courses go down to 5.5 V / 6 V / 6.5 V" in str(doubt)
    assert not stated(tmp_path, "supply.crank: 5.5 / 6 / 6.5 V").doubts


def test_the_way_back_counts_what_is_stated(build: Build) -> None:
    """By hand: 1 ms of wake-up; latched 2 ms of polling and 0.1 ms of reaction more; below the range the frames too.

    The pump charges 1 uF to its gate voltage at 20 mA. Each part is the difference of two runs.
    """

    def told(points: tuple[tuple[str, str], ...], **changes: str) -> float:
        inputs = build(
            role___uv__threshold="5.2 V",
            chip___supply__wake_time="1 ms",
            stage___poll__period="2 ms",
            stage___controller__reaction="100 us",
            **changes,
        )
        stated = inputs.with_values(
            [], replace(inputs.facts, courses=(course("c", "starting", *points),))
        )
        return value(stated, "supply.course-pause.c")

    below = np.count_nonzero(sampled(START)[1] < 5.2) * 1e-5
    lived = {"chip___supply__operating": "3..40 V"}
    retries, latched = (told(START, role___uv__mode=mode, **lived) for mode in ("retry", "latch"))
    assert latched - retries == pytest.approx(2.1e-3)
    assert retries >= below + 1e-3 - 3e-5
    lost = told(START, role___uv__mode="retry", chip___supply__operating="5.5..40 V")
    # 2 + 24 + 1 + 1 frames of 24 or 32 bits and more at 5 MHz, with a wait of 50 us
    bits = 22 * 24 + 6 * 32
    # 0.7 ms of the map until the first of them, and 50 us for the amplifier to wake
    assert lost - retries > 0.95 * bits / 5e6 + 50e-6 + 0.75e-3
    assert lost - retries < 2 * bits / 5e6 + 50e-6 + 0.75e-3
    settled = {"chip___sense__settling": "200 us", "stage___adc__calibration": "at zero current"}
    amplifier = told(
        START, role___uv__mode="retry", chip___supply__operating="5.5..40 V", **settled
    )
    # 200 us to settle in place of the 1 us that is taken unsaid, 64 samples with 51 us from one to the next
    assert amplifier - lost == pytest.approx(199e-6 + 64 * 51e-6)


def test_the_way_back_waits_for_the_high_side_s_supply(build: Build) -> None:
    """By hand, from empty: a bootstrap by its RC, as Microchip's section 13.24.1.6, or what the controller waits instead."""

    def told(without: tuple[str, ...] = (), **changes: str) -> tuple[float, str]:
        inputs = build(
            without, role___uv__threshold="5.2 V", role___uv__mode="retry", **LIVED, **changes
        )
        (verdict,) = run(with_course(inputs, "starting", START), ["supply.course-pause.c"])
        assert verdict.value is not None, verdict.missing
        return float(verdict.value.typ), "\n".join(verdict.steps)

    large = {
        "stage___bootstrap__capacitor": "100 uF",
        "chip___high_side_supply": "bootstrap",
        "chip___bootstrap__resistance": "10 ohm",
        "chip___bootstrap__vf": "0.7 V",
        "chip___bootstrap__uv": "4.5 V",
        "role___gate__voltage__low": "10.7 V",
    }
    small = large | {"stage___bootstrap__capacitor": "50 uF"}
    # 10 ohm, from 0 V to 4.5 V of 10 V and what one on-time takes, which is next to nothing of such capacitors
    taken = told(NO_WAIT, **large)[0] - told(NO_WAIT, **small)[0]
    assert taken == pytest.approx(10 * 50e-6 * math.log(10 / 5.5), rel=0.01)
    waits = told(**large, stage___startup__charge_time="5 ms")[0]
    assert waits - told(**small, stage___startup__charge_time="4 ms")[0] == pytest.approx(1e-3)
    untold = told((*NO_WAIT, "chip:bootstrap.resistance"), **{k: v for k, v in large.items() if "resistance" not in k})[1]  # fmt: skip
    assert "not counted, as it is not stated: charging of the bootstrap capacitors" in untold
