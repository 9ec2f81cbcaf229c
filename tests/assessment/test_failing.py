"""What fails all the same is not made worse for another one that does, and what stops the drive is not given up."""

from __future__ import annotations

from pathlib import Path

from regmap.assessment.freedom import Freedom
from regmap.assessment.propose import propose
from regmap.assessment.stage import assess, with_settings
from regmap.calc import Verdict
from regmap.chip.values import options, read
from regmap.stages.load import Stage, load_stage
from regmap.stages.whatif import with_inputs
from tests.assessment.ranks import best, margin, put, ranks, worst_first

#: A stage whose dead time is too short, and in which a short circuit heats a switch too much whatever is set.
SHORT = Path(__file__).with_name("short_deadtime.yaml")
GOALS = ["deadtime.enough", "vds.short-temperature"]
NAMES = [f"{g}.{side}" for g in GOALS for side in ("high", "low")]


def at(stage: Stage, code: int | None = None) -> dict[str, Verdict]:
    bank = stage.bank
    if code is not None:
        put(bank, {"DEADTIME.TIME": code})
    return {v.check: v for v in assess(stage, bank, NAMES).verdicts}


def codes(stage: Stage) -> list[int]:
    """Every fourth below 1 us and those around what is needed; beyond, the diodes alone heat the switches to their limit."""
    item = stage.chip.field("DEADTIME.TIME")
    assert item is not None
    found = [r.code for r in options(item, stage.bank)]
    return sorted({*found[:48:4], *found[17:22]})


def test_a_dead_time_is_made_long_enough_though_a_failing_short_circuit_heats_more() -> None:
    """The plateau asks for 373.5 ns, and the chip's dead time may come out at 88 %: 440 ns are the first that do.

    60 ns would leave the switch 6 K cooler at the end of a short circuit, which it does not survive either way.
    """
    stage = load_stage(str(SHORT))
    before = at(stage)
    assert all(v.status == "fails" for v in before.values())
    result = propose(stage, free=["DEADTIME.TIME"], goals=GOALS)
    after = at(result.stage)
    assert [n for n in NAMES if after[n].status == "fails"] == NAMES[2:]
    shortest = result.stage.bank
    put(shortest, {"DEADTIME.TIME": 0})
    hot = {v.check: margin(v) for v in assess(stage, shortest, NAMES[2:]).verdicts}
    assert all(hot[n] > margin(after[n]) + 5 / (175 - 85) for n in NAMES[2:])
    assert worst_first(ranks(after, before, result.stage.bank)) == best(
        (worst_first(ranks(at(stage, c), before, stage.bank)) for c in codes(stage)),
        worst_first(ranks(before, before, stage.bank)),
    )
    (pick,) = result.picks
    assert pick.new.band is not None
    assert pick.new.band.typ * 0.88 >= 373.5e-9


def test_a_dead_time_that_stays_too_short_is_not_shortened_for_what_fails_all_the_same() -> None:
    """No dead time of the chip covers this turn-off. Nor where the dead time is not what is asked for."""
    charges = {"mosfet.qg": "20 / 25 / 30 uC", "mosfet.qgs": "4 / 5 / 6 uC", "mosfet.qgd": "4 / 5 / 6 uC"}  # fmt: skip
    stage = with_inputs(load_stage(str(SHORT)), charges)
    longest = stage.bank
    put(longest, {"DEADTIME.TIME": 255})
    (most,) = assess(stage, longest, ["deadtime.enough.low"]).verdicts
    assert most.status == "fails"
    result = propose(stage, free=["DEADTIME.TIME"], goals=GOALS[1:])
    before, after = at(stage), at(result.stage)
    assert all(margin(after[n]) >= margin(before[n]) for n in NAMES)


# --- what stops the drive ---------------------------------------------------------------------------
def test_a_watchdog_is_not_set_shorter_than_its_service_to_meet_a_fault_tolerant_time() -> None:
    """A service each 45 ms trips a window of 25 ms in every period: a drive that cannot run is no answer.

    The window of 60 ms misses a fault tolerant time of 40 ms, and none is between: that is told as a conflict.
    """
    stage = with_inputs(
        with_settings(load_stage("coolant_pump"), {"WATCHDOG.WINDOW": "60 ms"}),
        {"watchdog.service_period": "45 ms", "safety.ftti": "40 ms"},
    )
    result = propose(stage, free=["WATCHDOG.WINDOW"], goals=["watchdog", "reaction.time.WD"])
    assert result.changes == {}
    after = {v.check: v.status for v in result.after.verdicts}
    assert (after["watchdog.late"], after["reaction.time.WD"]) == ("holds", "fails")
    (conflict,) = result.conflicts
    assert {c.goal for c in conflict.clashes} == {"watchdog.late", "reaction.time.WD"}
    loose = with_settings(stage, {"WATCHDOG.WINDOW": "25 ms"})
    tried = {v.check: v.status for v in assess(loose).verdicts}
    assert (tried["watchdog.late"], tried["reaction.time.WD"]) == ("fails", "holds")


# --- a hazard that is gone --------------------------------------------------------------------------
def retrying(power: str) -> Stage:
    """A pump whose monitor tries again after a short circuit, into a switch with this way to the air."""
    stage = with_settings(
        load_stage("coolant_pump"), {"MODE.VDS_ACT": "retry", "MODE.RETRY": "3 ms"}
    )
    return with_inputs(stage, {"mosfet.rth": power})


def test_a_retry_that_overheats_the_switch_is_ended_by_a_latch() -> None:
    """There is nothing left to judge then: that is no verdict lost, as with a monitor that only reports."""
    stage = retrying("90 K/W")
    names = ["vds.retry.high", "vds.retry.low"]
    before = {v.check: v for v in assess(stage, names=names).verdicts}
    assert all(before[n].status == "fails" for n in names)
    result = propose(stage, free=["MODE.VDS_ACT"])
    assert result.changes == {"MODE.VDS_ACT": "latch"}
    assert not {v.check for v in result.after.verdicts} & set(names)
    assert not {w.check for w in result.worse} & set(names)
    (pick,) = result.picks
    told = {o.reading.name: (o.goal, o.margin) for o in pick.others}
    assert told["report"][1] == float("-inf")
    assert pick.if_kept is not None
    assert pick.if_kept.goal in names


def test_a_retry_that_holds_is_not_ended() -> None:
    stage = retrying("1 K/W")
    result = propose(stage, free=["MODE.VDS_ACT"])
    assert result.changes == {}
    (pick,) = result.picks
    told = {o.reading.name: o.goal for o in pick.others}
    assert told["latch"] == ""


# --- the dead time as a backstop --------------------------------------------------------------------
#: A stage of which much fails, with 1 us of the controller's; its dead time is worked out in every check that asks for it.
FAST = Path(__file__).with_name("fast_wheel.yaml")
CURRENTS = [f"{way}_{side}.CURRENT" for way in ("SRC", "SNK") for side in ("HS", "LS")]


def dead_times(stage: Stage, *loosen: str) -> tuple[float, float, bool]:
    """The shortest dead time that a search may choose, the stage's own, both in s, and whether it is guarded."""
    freedom = Freedom(stage, (), (), loosen)
    (n,) = (i for i, v in enumerate(freedom.variables) if v.name == "DEADTIME.TIME")
    found = [read(freedom.items[n], c, stage.bank).band for c in freedom.variables[n].codes]
    own = stage.bank.reading("DEADTIME.TIME")
    assert own is not None
    assert own.band is not None
    shortest = min(b.typ for b in found if b is not None)
    return float(shortest), float(own.band.typ), "DEADTIME.TIME" in freedom.guarded


def test_the_chip_s_dead_time_beside_the_controller_s_is_not_shortened_unasked() -> None:
    """With 1 us from the controller no figure moves with 920 ns of the chip: they are for when the firmware errs."""
    stage = with_settings(load_stage(str(SHORT)), {"DEADTIME.TIME": "920 ns"})
    both = with_inputs(stage, {"pwm.deadtime": "1 us"})
    assert dead_times(both) == (920e-9, 920e-9, True)
    assert dead_times(both, "DEADTIME.TIME") == (60e-9, 920e-9, False)
    # the only one is a working value, which what deadtime.enough asks for bounds
    assert dead_times(stage) == (60e-9, 920e-9, False)


def test_a_backstop_stands_among_what_is_not_loosened() -> None:
    stage = with_inputs(load_stage("coolant_pump"), {"pwm.deadtime": "1.2 us"})
    result = propose(stage, goals=["sense.settling", "deadtime"], seconds=3)
    assert "TIMING.DEAD_TIME" in result.not_loosened
    before, after = stage.bank.reading("TIMING.DEAD_TIME"), result.stage.bank.reading("TIMING.DEAD_TIME")  # fmt: skip
    assert before is not None
    assert after is not None
    assert after.code >= before.code


def hot(**changes: str) -> Stage:
    """5 us of the chip's heat the switches through their diodes beyond what they stand; the controller's are 300 ns."""
    stage = with_settings(load_stage(str(FAST)), {"DEADTIME.TIME": "5 us"})
    inputs = {"pwm.deadtime": "300 ns", "mosfet.rth": "15 K/W"}
    return with_inputs(stage, inputs | {k.replace("__", "."): v for k, v in changes.items()})


def alone(stage: Stage) -> float:
    """The least margin of the chip's dead time without the controller's."""
    verdicts = assess(with_inputs(stage, {"pwm.deadtime": "0 s"}), names=["deadtime.enough"]).verdicts  # fmt: skip
    return min(margin(v) for v in verdicts)


def test_a_backstop_is_shortened_for_a_bridge_that_fails() -> None:
    """By no more than that needs, and to no less than covers the turn-off alone, for when the firmware errs."""
    stage = hot()
    names = ["thermal.mosfet.high", "thermal.mosfet.low"]
    assert all(v.status == "fails" for v in assess(stage, names=names).verdicts)
    result = propose(stage, goals=["thermal.mosfet", "deadtime.enough"], keep=CURRENTS, seconds=4)
    assert all(v.status != "fails" for v in assess(result.stage, names=names).verdicts)
    assert "DEADTIME.TIME" in result.changes
    assert "DEADTIME.TIME" not in result.not_loosened
    assert alone(result.stage) >= 0


def test_a_backstop_is_not_shortened_below_the_turn_off_nor_for_something_milder() -> None:
    # it cannot mend the switches here: then it stands, though the diodes' loss, and a voltage, would like a shorter one
    stage = hot(mosfet__rth="60 K/W")
    result = propose(stage, goals=["thermal.mosfet", "deadtime"], keep=CURRENTS, seconds=4)
    assert "DEADTIME.TIME" not in result.changes
    assert "for a bridge that fails only" in result.not_loosened["DEADTIME.TIME"]
    assert {v.check: v.status for v in result.before.verdicts}["deadtime.diode-loss"] == "fails"


def test_behind_a_handshake_the_fixed_dead_time_is_a_backstop_too() -> None:
    stage = load_stage("radiator_fan")
    freedom = Freedom(stage, (), (), ())
    waits = {n for n in freedom.guarded if "DEAD" in n}
    assert waits
    without = with_settings(stage, {"STEPS_ON.HANDSHAKE": "off"})
    assert not {n for n in Freedom(without, (), (), ()).guarded if "DEAD" in n}
