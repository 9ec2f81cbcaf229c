"""Start-up and the way to sleep: by hand, against a schedule of its own, each input moved, limits removed."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from fractions import Fraction

import pytest

from regmap.calc import Input, Inputs, run
from regmap.calc.plot import plots
from regmap.calc.startup import timeline
from regmap.calc.timelines import WHICH, timeline_of
from regmap.errors import CallError
from regmap.quantity import Band

Build = Callable[..., Inputs]
#: the long precharge of the fixture would hide everything else
SHORT = ("stage:precharge.time",)
PUMP = {"chip___high_side_supply": "charge pump"}
BOOTSTRAP = {"chip___high_side_supply": "bootstrap"}
CALIBRATED = {"stage___adc__calibration": "at zero current"}


def ends(inputs: Inputs, way: str = "startup") -> dict[str, float]:
    found = timeline(inputs, "startup" if way == "startup" else "sleep")
    told = {p.name: float(p.end.typ) for p in found.phases}
    return told | ({"end": float(found.end.typ)} if found.end is not None else {})


def test_a_start_with_a_charge_pump_by_hand(build: Build) -> None:
    found = ends(build(SHORT, **PUMP))
    # 1.5 ms and 4 ms; the chip takes frames after 0.4 ms, the controller waits 0.7 ms
    assert found["controller requests wake-up"] == pytest.approx(5.5e-3)
    assert found["chip takes frames"] == pytest.approx(6.2e-3)
    assert found["chip awake, outputs usable"] == pytest.approx(6.3e-3)
    # 5 MHz: 24 bits in 4.8 us, 32 in 6.4 us, each with 55 ns, 55 ns and 500 ns
    assert found["power_up: 2 frames"] == pytest.approx(6.2e-3 + 2 * 5.41e-6)
    bring_up = 6.2e-3 + 22 * 5.41e-6 + 5 * 7.01e-6 + 50e-6
    assert found["lock: 1 frame"] == pytest.approx(bring_up)
    # 1 uF to 11 V at 25 mA
    assert found["charge pump charges"] == pytest.approx(6.3e-3 + 0.44e-3)
    assert found["amplifier settles"] == pytest.approx(bring_up + 1e-6)
    enabled = bring_up + 1e-6 + 7.01e-6
    assert found["outputs on: 1 frame"] == pytest.approx(enabled)
    assert found["end"] == pytest.approx(enabled + 1e-3)


def test_a_bootstrap_charges_as_its_differential_equation_says(build: Build) -> None:
    inputs = build((*SHORT, "stage:startup.charge_time"), **BOOTSTRAP)
    found = ends(inputs)
    # typical: 11 V less 0.7 V through 8.5 ohm into 220 nF; leakage of chip, gate and pull-down
    leak = 85e-6 + 50e-9 + 11 / 100e3
    needed = 4.5 + (60e-9 + leak * 0.85 / 20e3) / 220e-9
    level, at, step = 0.0, 0.0, 1e-10
    while level < needed:
        level += (11 - 0.7 - level) / 8.5 / 220e-9 * step
        at += step
    took = found["bootstrap charges"] - found["outputs on: 1 frame"]
    assert took == pytest.approx(at, rel=1e-3)
    assert found["end"] == pytest.approx(found["bootstrap charges"])


def test_a_bootstrap_that_never_gets_there_fails_with_the_reason(build: Build) -> None:
    inputs = build(SHORT, **BOOTSTRAP, chip___bootstrap__uv="9..10 V")
    verdicts = {v.check: v for v in run(inputs, ["startup"])}
    assert verdicts["startup.first-pwm"].status in ("fails", "holds")
    bad = verdicts["startup.high-side-supply"]
    assert bad.status == "fails"
    assert "never reaches" in bad.reason
    with pytest.raises(CallError, match="never reaches"):
        timeline_of(
            build((*SHORT, "stage:startup.charge_time"), **BOOTSTRAP, chip___bootstrap__uv="12 V"),
            "startup",
        )


# --- a schedule of its own -----------------------------------------------------------------------

NAMES = [
    "stage:startup.supply_rise",
    "stage:startup.enable_delay",
    "stage:startup.calibration_period",
    "stage:startup.charge_time",
    "stage:controller.clock_tolerance",
    "stage:spi.clock",
    "chip:spi.lead",
    "chip:spi.lag",
    "chip:spi.idle",
    "chip:spi.wake_up",
    "chip:supply.wake_time",
    "chip:sense.wake_time",
    "stage:charge_pump.capacitor",
    "role:gate.voltage.high",
    "chip:charge_pump.current",
    "stage:precharge.time",
]


def schedule(at: Mapping[str, float], given: bool, calibrates: bool) -> float:
    """First PWM by a list of events that wait for each other; nothing of it is the library's."""
    tol, late = at["stage:controller.clock_tolerance"], at["wait"]
    bit = 1 / (at["stage:spi.clock"] * (1 + at["clock"]))

    def frames(count: int, bits: int) -> float:
        return count * (bits * bit + sum(at[f"chip:spi.{n}"] for n in ("lead", "lag", "idle")))

    done: dict[str, float] = {}
    waiting: dict[str, tuple[tuple[str, ...], float]] = {
        "asked": ((), at["stage:startup.supply_rise"] + at["stage:startup.enable_delay"]),
        "taking": (("asked",), max(at["chip:spi.wake_up"], late)),
        "awake": (("asked",), at["chip:supply.wake_time"]),
        "bring_up": (("taking",), frames(22, 24) + frames(5, 32) + 50e-6),
        "pump": (
            ("awake",),
            at["stage:charge_pump.capacitor"]
            * at["role:gate.voltage.high"]
            / at["chip:charge_pump.current"],
        ),
        "amplifier": (("awake",), at["chip:sense.wake_time"]),
        "settled": (("bring_up", "amplifier"), 1e-6),
        "calibrated": (
            ("settled",),
            64 * at["stage:startup.calibration_period"] * (1 + tol) if calibrates else 0.0,
        ),
        "precharged": ((), at["stage:precharge.time"]),
        "enabled": (("calibrated", "awake", "precharged"), frames(1, 32)),
        "pwm": (("enabled",), at["stage:startup.charge_time"] * (1 + tol))
        if given
        else (("enabled", "pump"), 0.0),
    }
    while waiting:
        for name, (before, takes) in list(waiting.items()):
            if all(b in done for b in before):
                done[name] = max([0.0, *(done[b] for b in before)]) + takes
                del waiting[name]
    return done["pwm"]


def band_of(inputs: Inputs, name: str) -> Band:
    item = inputs.find(name, optional=True)
    assert item is not None
    assert isinstance(item.value, Band)
    return item.value


def point(inputs: Inputs, at: Mapping[str, float]) -> Inputs:
    changed = []
    for name, drawn in at.items():
        dim, value = band_of(inputs, name).dim, Fraction(drawn)
        changed.append(Input(name, Band(value, value, value, dim), "drawn"))
    return inputs.with_values(changed)


@pytest.mark.parametrize("calibrates", [False, True])
@pytest.mark.parametrize("given", [False, True])
def test_draws_are_the_schedules_and_stay_inside(
    build: Build, given: bool, calibrates: bool
) -> None:
    gone = () if given else ("stage:startup.charge_time",)
    inputs = build(
        gone, **PUMP, **(CALIBRATED if calibrates else {}), stage___precharge__time="5..8 ms"
    )
    whole, rng = timeline(inputs, "startup").end, random.Random(18)
    assert whole is not None
    reached = []
    for _ in range(40):
        at = {
            n: rng.choice([rng.uniform(*ends_of(inputs, n)), *ends_of(inputs, n)])
            for n in NAMES
            if n not in gone
        }
        fixed = {**at, "wait": 0.7e-3, "clock": at["stage:controller.clock_tolerance"]}
        end = timeline(point(inputs, at), "startup").end
        assert end is not None
        assert float(end.typ) == pytest.approx(schedule(fixed, given, calibrates), rel=1e-9)
        assert whole.low - 1e-12 <= end.low <= end.high <= whole.high + 1e-12
        reached.append(float(end.typ))
    assert max(reached) - min(reached) > 0.4 * (whole.high - whole.low)


def ends_of(inputs: Inputs, name: str) -> tuple[float, float]:
    band = band_of(inputs, name)
    return float(band.low), float(band.high)


@pytest.mark.parametrize("name", NAMES)
def test_each_input_moves_what_the_schedule_says(build: Build, name: str) -> None:
    """Also one that moves nothing, as it is hidden behind what takes longer."""
    inputs = build((), **PUMP, **CALIBRATED, stage___precharge__time="9 ms")
    base = {n: float(band_of(inputs, n).typ) for n in NAMES}
    base["stage:controller.clock_tolerance"] = 0.01
    for factor in (0.3, 1.5, 8.0):
        at = {**base, name: base[name] * factor}
        end = timeline(point(inputs, at), "startup").end
        assert end is not None
        fixed = {**at, "wait": 0.7e-3, "clock": at["stage:controller.clock_tolerance"]}
        assert float(end.typ) == pytest.approx(schedule(fixed, True, True), rel=1e-9), factor


# --- the way to sleep ----------------------------------------------------------------------------


def test_the_way_to_sleep_by_hand(build: Build) -> None:
    inputs = build()
    found = ends(inputs, "sleep")
    # 100 ms, two frames of 32 bits, a wait of 15 us, 55 us until only the sleep current flows
    asleep = 0.1 + 2 * 7.01e-6 + 15e-6 + 55e-6
    assert found["end"] == pytest.approx(asleep)
    charge = next(v for v in run(inputs, ["sleep.charge"]))
    assert charge.value is not None
    assert float(charge.value.typ) == pytest.approx((10e-3 + 15e-3) * asleep)
    # at most: 13 mA and 20 mA for 120 ms and a little more
    assert float(charge.value.high) == pytest.approx(33e-3 * 0.12, rel=2e-3)
    assert charge.status == "holds"


# --- what is not stated, and what fails ----------------------------------------------------------


@pytest.mark.parametrize(
    ("gone", "check"),
    [
        ("stage:limits.startup", "startup.first-pwm"),
        ("stage:limits.sleep_time", "sleep.time"),
        ("stage:sleep.charge_budget", "sleep.charge"),
        ("stage:startup.supply_rise", "startup.first-pwm"),
        ("stage:sleep.run_down", "sleep.charge"),
        ("chip:spi.wake_up", "startup.first-pwm"),
        ("chip:supply.sleep_time", "sleep.time"),
    ],
)
def test_what_is_removed_is_named(build: Build, gone: str, check: str) -> None:
    whole = {v.check: v.status for v in run(build(**PUMP), ["startup", "sleep"])}
    assert set(whole.values()) == {"holds"}, whole
    (verdict,) = run(build((gone,), **PUMP), [check])
    assert verdict.status == "not_computed"
    assert gone in verdict.missing


def test_calibration_asks_for_its_samples(build: Build) -> None:
    gone = "stage:startup.calibration_samples"
    (verdict,) = run(build((gone,), **PUMP, **CALIBRATED), ["startup.first-pwm"])
    assert verdict.missing == (gone,)
    (without,) = run(build((gone,), **PUMP), ["startup.first-pwm"])
    assert without.status == "holds"


def test_a_pump_that_starts_too_slowly_is_found(build: Build) -> None:
    slow = build(SHORT, **PUMP, stage___charge_pump__capacitor="10 uF")
    verdicts = {v.check: v for v in run(slow, ["startup"])}
    assert verdicts["startup.first-pwm"].status == "holds", (
        "the controller counts a time of its own"
    )
    assert verdicts["startup.high-side-supply"].status == "fails"
    # the controller that looks whether it is charged is late instead
    looking = build(
        (*SHORT, "stage:startup.charge_time"),
        **PUMP,
        stage___charge_pump__capacitor="100 uF",
        stage___limits__startup="40 ms",
    )
    verdicts = {v.check: v for v in run(looking, ["startup"])}
    assert list(verdicts) == ["startup.first-pwm"]
    # 100 uF to 12 V at 20 mA alone takes 60 ms
    assert verdicts["startup.first-pwm"].status == "fails"
    assert verdicts["startup.first-pwm"].value.high > 60e-3  # type: ignore[union-attr]


def test_a_stage_that_states_nothing_is_not_asked(build: Build) -> None:
    inputs = build()
    gone = [
        n
        for n in inputs.known()
        if n.startswith(
            ("stage:startup.", "stage:sleep.", "stage:limits.startup", "stage:limits.sleep_time")
        )
    ]
    assert len(gone) == 10
    assert run(build(tuple(gone)), ["startup", "sleep"]) == []
    for way, first in (("startup", "supply_rise"), ("sleep", "run_down")):
        with pytest.raises(CallError, match=rf"without stage:{way}\.{first}"):
            timeline(build(tuple(gone)), way)  # type: ignore[arg-type]


def test_wake_up_is_one_instant_for_all_that_ask_for_it(build: Build) -> None:
    inputs = build(SHORT, **PUMP, chip___supply__wake_time="30..50 ms")
    (alone,) = run(inputs, ["supply.wake-time"])
    awake = next(
        p for p in timeline(inputs, "startup").phases if p.name == "chip awake, outputs usable"
    )
    assert alone.value is awake.span


# --- told and drawn ------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["startup", "sleep"])
def test_the_picture_shows_every_phase_and_the_limit(build: Build, which: str) -> None:
    inputs = build(**PUMP)
    drawn = plots(inputs)["start-up" if which == "startup" else which]
    found = timeline_of(inputs, "startup" if which == "startup" else "sleep")
    for entry in found.groups[0].entries:
        assert f">{entry.name}<" in drawn
        assert f"until {entry.time.text()}" in drawn
        assert entry.span is not None
        assert f"takes {entry.span.text()}" in drawn
    assert f"limit {found.limit.text()}" in drawn  # type: ignore[union-attr]
    assert 'stroke-dasharray="7 4"' in drawn
    assert plots(inputs)["sleep"] == plots(inputs)["sleep"]


def test_every_timeline_is_told_as_a_plain_object(build: Build) -> None:
    inputs = build(**PUMP)
    for which in WHICH:
        told = timeline_of(inputs, which).json()
        for each in told["instants"]:  # type: ignore[attr-defined]
            assert each["time_s"]["min"] <= each["time_s"]["typ"] <= each["time_s"]["max"]
            assert each["comes_from"]
            assert math.isfinite(each["time_s"]["max"])
    assert timeline_of(inputs, "startup").json()["limit_s"] == {
        "min": 0.06,
        "typ": 0.06,
        "max": 0.06,
    }
    left = timeline_of(build(("chip:supply.wake_time",), **PUMP), "startup")
    assert left.end is None
    assert left.missing == ("chip:supply.wake_time",)
