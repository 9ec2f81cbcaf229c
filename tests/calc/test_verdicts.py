"""Verdicts: statuses, margins, missing inputs, derivations, selection, folding, isolation."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given as hypothesis_given
from hypothesis import strategies as st

import regmap.calc
from regmap.calc import (
    CAUTION,
    Facts,
    FaultTiming,
    Input,
    Inputs,
    Verdict,
    checks,
    fold_sides,
    run,
    select,
    worst_first,
)
from regmap.calc.corner import Formula, Variable, derive
from regmap.calc.inputs import chain, default
from regmap.errors import CallError
from regmap.parameters import TABLES
from regmap.quantity import parse_band
from tests.calc.conftest import BUNDLED, SHAPES, stage_of
from tests.calc.parts import Part

Build = Callable[..., Inputs]
Given = Callable[[dict[str, "str | int"]], Inputs]

RISE = {"stage:mosfet.qgd": "12 nC", "role:gate.source": "60 mA", "stage:mosfet.vth": "3 V"}


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


@pytest.mark.parametrize(
    ("limit", "status", "relative"),
    [
        # a drain that falls while the current rises may take the edge 54 % of the limit longer
        ("440 ns", "holds", 6 / 11),
        ("240 ns", "low_margin", 1 / 6),
        ("210 ns", "low_margin", 1 / 21),
        ("200 ns", "low_margin", 0.0),
        ("190 ns", "fails", -1 / 19),
    ],
)
def test_status_from_margin(given: Given, limit: str, status: str, relative: float) -> None:
    verdict = one(given({**RISE, "stage:limits.rise_time.max": limit}), "gate.rise-time.high")
    assert verdict.status == status
    assert verdict.relative == pytest.approx(relative, abs=1e-9)
    assert verdict.asked_margin == 0.1
    assert verdict.value is not None
    assert verdict.value.typ == pytest.approx(200e-9)
    assert verdict.margin == pytest.approx(relative * parse_band(limit).floats()[1], abs=1e-18)


def test_the_margin_asked_is_the_stages(given: Given) -> None:
    table = {**RISE, "stage:limits.rise_time.max": "240 ns", "stage:goals.margin": "20 %"}
    assert one(given(table), "gate.rise-time.high").status == "low_margin"


def test_the_nearer_of_two_limits_decides(given: Given) -> None:
    low = one(
        given(
            {**RISE, "stage:limits.rise_time.min": "195 ns", "stage:limits.rise_time.max": "400 ns"}
        ),
        "gate.rise-time.high",
    )
    assert (low.status, low.relation, low.worst_max) == ("low_margin", "within", False)
    assert low.limit is low.lower
    high = one(
        given(
            {**RISE, "stage:limits.rise_time.min": "100 ns", "stage:limits.rise_time.max": "205 ns"}
        ),
        "gate.rise-time.high",
    )
    assert high.limit is high.upper


def test_everything_missing_is_named_at_once(given: Given) -> None:
    verdict = one(given({"stage:mosfet.qgd": "12 nC"}), "gate.dvdt.high")
    assert verdict.status == "not_computed"
    assert verdict.missing == (
        "role:gate.source.high",
        "role:gate.sink.high",
        "stage:supply.voltage",
        "stage:limits.dvdt",
    )
    assert verdict.relative is None
    known = {item["name"] for item in verdict.json()["missing"]}
    assert known == set(verdict.missing)


def test_nothing_given_never_raises_and_never_holds() -> None:
    verdicts = run(Inputs([]))
    assert len(verdicts) > 50
    assert {v.status for v in verdicts} == {"not_computed"}
    assert all(v.missing for v in verdicts)
    json.dumps([v.json() for v in verdicts])


@pytest.mark.one_in(2)
def test_an_input_moves_only_verdicts_that_asked_for_it(part: Part, parts: dict[str, Part]) -> None:
    """What `asked` leaves out cannot matter: a search over settings relies on it.

    A stage leaves out every sixth input, the next one the ones after them. All of them in each:
    GATEWORD_EVERY_INPUT=1.
    """
    names = [check.name for check in part.checks]
    before = {v.check: v for v in run(part.inputs, names)}
    every = 1 if os.environ.get("GATEWORD_EVERY_INPUT") else 6
    turn = list(parts).index(part.name)
    known = part.inputs.known()
    for name in list(known)[turn % every :: every]:
        items = [i for n, i in known.items() if n != name]
        # the same of what is the same
        left = Inputs(items, part.inputs.facts, derived=part.inputs.derived)
        after = {v.check: v for v in run(left, names)}
        for check, old in before.items():
            if name in old.asked:
                continue
            new = after.get(check)
            assert new is not None, (name, check)
            assert (new.status, new.margin, new.missing) == (old.status, old.margin, old.missing)


def test_without_an_input_the_verdict_names_it(build: Build) -> None:
    """Taking one away gives `not_computed` with that name, or a stand-in that the origin names."""
    whole = build()
    # whole checks, as a verdict of another name may come where an input is missing
    asking: dict[str, set[str]] = {}
    for check in checks():
        for name in {n for verdict in check.work(whole) for n in verdict.asked}:
            asking.setdefault(name, set()).add(check.name)
    for name in whole.known():
        if name not in asking:
            continue
        items = [i for n, i in whole.known().items() if n != name]
        left = Inputs(items, whole.facts, derived=whole.derived)
        for verdict in run(left, asking[name]):
            if name not in verdict.asked or verdict.status != "not_computed":
                continue
            asked = {n for m in verdict.missing for n in chain(m.partition(" ")[0])}
            # A missing gate current is asked for as such, whatever the fallback was.
            assert name in asked, (name, verdict.check, verdict.missing)


def test_a_derivation_has_numbers_corner_and_origins(build: Build) -> None:
    verdict = one(build(), "gate.rise-time.high")
    assert verdict.corner == "Qgd max, Iset,on min"
    text = "\n".join(verdict.steps)
    assert "t_rise = Qgd / Isource" in text
    assert "15 nC / 48 mA = 312.5 ns" in text
    assert "<- worst" in text
    assert "must be at most" in text
    origins = {v.origin.name: v.origin.origin for v in verdict.inputs if v.origin}
    assert origins["stage:mosfet.qgd"] == "test, stage:mosfet.qgd"
    assert origins["stage:gate.resistor.on"].startswith("default of the trade (")


def test_an_irrelevant_input_is_not_in_the_corner(build: Build) -> None:
    assert "Vg" not in one(build(), "gate.rise-time.high").corner
    limited = one(build(role___gate__source="8 A"), "gate.rise-time.high").corner
    assert "Vg max" in limited
    assert "Iset" not in limited


def test_json_is_plain_and_complete(part: Part) -> None:
    for _, verdict in part.verdicts():
        plain = json.loads(json.dumps(verdict.json(), allow_nan=False))
        assert plain["check"] == verdict.check
        assert plain["caution"].startswith(CAUTION)
        assert plain["formula"]
        if plain["value"] is not None:
            assert plain["value"]["min"] <= plain["value"]["typ"] <= plain["value"]["max"]
        for item in plain["inputs"]:
            assert item["name"] or item["origin"] or item["symbol"]


def test_no_working_point_fails_with_a_reason(build: Build) -> None:
    verdict = one(build(chip___gate__voltage__high="4 / 4.5 / 5 V"), "gate.rise-time.high")
    assert verdict.status == "fails"
    assert "never turns on fully" in verdict.reason
    assert verdict.relative == -math.inf
    assert verdict.json()["relative_margin"] is None
    zero = one(build(role___gate__source="0 mA"), "gate.rise-time.high")
    assert zero.status == "fails"
    assert "Isource can be zero" in zero.reason


#: checks of protections, with the switch roles, the setting, and a number for it
PROTECTIONS = {
    "vds.protects.low": (("vds.enable", "vds.mode"), "vds.threshold"),
    "vds.withstand.high": (("vds.enable", "vds.mode"), "vds.threshold"),
    "overcurrent.protects": (
        ("overcurrent.enable", "overcurrent.mode"),
        "overcurrent.threshold",
    ),
    "overvoltage.protects": (("ov.mode",), "ov.threshold"),
    "undervoltage.protects.high": (("uv.mode",), "uv.threshold"),
    "watchdog.late": (("watchdog.enable",), "watchdog.window"),
}


@pytest.mark.parametrize("check", PROTECTIONS)
def test_a_protection_that_is_off_fails_and_says_why(build: Build, check: str) -> None:
    """Not `not_computed`: what protects nothing is a finding, until the stage waives it."""
    switches, setting = PROTECTIONS[check]
    for switch in switches:
        off = one(build().with_values([Input(f"role:{switch}", 0, "map x:1")]), check)
        assert (off.status, off.relative, off.missing) == ("fails", -math.inf, ())
        assert off.reason == "nothing protects here: switched off (map x:1)"
    for word, text in (
        ("disabled", "switched off (map x:2)"),
        ("off in X.B", "switched off (map x:2)"),
        ("reserved", "set to reserved, which is no quantity (map x:2)"),
    ):
        off = one(build().with_values([Input(f"role:{setting}", word, "map x:2")]), check)
        assert (off.status, off.reason) == ("fails", f"nothing protects here: {text}")
    unknown = one(build().with_values([Input(f"role:{setting}", "not known", "map x:2")]), check)
    assert unknown.status != "fails" or unknown.value is not None
    # the same without any other input: off is off
    alone = Inputs([Input(f"role:{setting}", "off", "map x:2")])
    assert one(alone, check).status == "fails"


@pytest.mark.parametrize("check", PROTECTIONS)
def test_a_protection_whose_fault_is_masked_fails(build: Build, check: str) -> None:
    _, setting = PROTECTIONS[check]
    faults = tuple(
        FaultTiming(name=n, decided_by=(f"role:{setting}",), masked_by="M.X == 1") for n in "AB"
    )
    base = build()
    masked = one(base.with_values([], replace(base.facts, faults=faults)), check)
    assert masked.status == "fails"
    assert masked.reason == "nothing protects here: A, B masked by M.X == 1"
    other = tuple(replace(f, decided_by=("role:retry.time",)) for f in faults)
    assert one(base.with_values([], replace(base.facts, faults=other)), check).value is not None


def test_a_short_circuit_that_is_only_reported_waits_for_the_controller(build: Build) -> None:
    """2.2 + 1.2 us seen, 0.15 us comparator, then the poll and 150 us controller, then turn-off.

    The poll: 1 ms of a clock 2 % slow, and six frames of 24 bits with lead, lag and pause.
    """
    poll = 1.02e-3 + 6 * (24 / (5e6 * 0.98) + 60e-9 + 60e-9 + 600e-9)
    base = build(role___vds__blanking="1.8 / 2 / 2.2 us")
    acting = one(base, "vds.withstand.low").value
    assert acting is not None
    for how, more in (("poll", poll + 150e-6), ("pin", 150e-6)):
        fault = FaultTiming(
            name="A",
            how=how,
            decided_by=("role:vds.threshold",),
            reported_by="M.X == 2",  # type: ignore[arg-type]
        )
        facts = replace(base.facts, faults=(fault,))
        told = one(base.with_values([], facts), "vds.withstand.low")
        assert told.value is not None
        assert told.value.high == pytest.approx(acting.high + more)
        assert told.status == "fails"
        assert "only reported while M.X == 2" in "\n".join(told.steps)
        for check in ("vds.protects.low", "vds.protects.high"):
            verdict = one(base.with_values([], facts), check)
            assert verdict.reason == "nothing protects here: only reported while M.X == 2"
    by_name = base.with_values([Input("role:vds.mode", "report", "map x:3")])
    assert one(by_name, "vds.withstand.low").value.high == pytest.approx(  # type: ignore[union-attr]
        acting.high + poll + 150e-6
    )


def test_what_only_must_stay_silent_has_nothing_to_say_of_a_monitor_that_is_off(
    build: Build,
) -> None:
    off = one(build(role___vds__enable=0), "vds.no-false-trip.low")
    assert off.status == "not_computed"
    assert "switched off" in off.missing[0]
    inputs = build().with_values([Input("role:sense.gain", "reserved", "map x:1")])
    verdict = one(inputs, "sense.step")
    assert verdict.status == "not_computed"
    assert "reserved, which is no quantity" in verdict.missing[0]


def test_what_a_check_asks_of_faults_it_declares(build: Build) -> None:
    """A search over settings relies on `watches`: other faults cannot move the check."""
    base = build()
    roles = [n.partition(":")[2] for n in base.known() if n.startswith("role:")]
    for check in regmap.calc.checks():
        if check.subject == "reaction":
            continue
        watched = {n for role in check.watches for n in chain(f"role:{role}")}
        quiet = [r for r in roles if f"role:{r}" not in watched]
        fault = FaultTiming(
            name="A", decided_by=tuple(f"role:{r}" for r in quiet), masked_by="M", reported_by="R"
        )
        facts = replace(base.facts, faults=(fault,))
        before, after = check.work(base), check.work(base.with_values([], facts))
        assert [(v.status, v.margin) for v in before] == [(v.status, v.margin) for v in after]


def test_masked_faults(build: Build) -> None:
    verdicts = {v.check: v for v in run(build(), ["reaction"])}
    assert set(verdicts) == {
        "reaction.time.VDS_UH",
        "reaction.time.OTW",
        "reaction.time.UV",
        "reaction.masked",
        "reaction.configuration",
    }
    assert verdicts["reaction.time.UV"].status == "fails"
    assert "masked by CFG.UV_M" in verdicts["reaction.time.UV"].reason
    text = "\n".join(verdicts["reaction.masked"].steps)
    assert "UV is masked by CFG.UV_M; it needs a reaction" in text
    assert "INFO is masked by CFG.INFO_M; it needs no reaction" in text
    vds = verdicts["reaction.time.VDS_UH"].value
    assert vds is not None
    assert vds.high == pytest.approx((2.2 + 1.2 + 1) * 1e-6)
    polled = verdicts["reaction.time.OTW"].value
    assert polled is not None
    # a period of a clock 2 % slow, and six frames of 24 bits with lead, lag and pause
    spi = 6 * (24 / (5e6 * 0.98) + 60e-9 + 60e-9 + 600e-9)
    assert polled.high == pytest.approx(30e-6 + 1.02e-3 + spi + 150e-6)


def test_gate_voltage_at_the_undervoltage_threshold(build: Build) -> None:
    """Worked by hand, common practice, no source: pump min(9.5 V, 5 V - 1.5 V) = 3.5 V at the
    threshold's minimum; regulator min(9.5 V, 5 V - 0.5 V) = 4.5 V."""
    pump = {"chip___high_side_supply": "charge pump"}
    high = one(build(**pump), "undervoltage.protects.high")
    low = one(build(**pump), "undervoltage.protects.low")
    assert high.value is not None
    assert low.value is not None
    assert (high.value.low, low.value.low) == (pytest.approx(3.5), pytest.approx(4.5))
    assert high.status == low.status == "fails"  # 7 V is what the on-resistance needs
    assert high.corner == "Vuv min, Vd max"
    # a bootstrap loses its diode as well: 4.5 V - 0.9 V
    boot = one(build(chip___high_side_supply="bootstrap"), "undervoltage.protects.high")
    assert boot.value is not None
    assert boot.value.low == pytest.approx(3.6)
    # just enough, and just not: 7 V + 1.5 V
    for threshold, status in (("8.5 V", "low_margin"), ("8.49 V", "fails"), ("9.4 V", "holds")):
        assert (
            one(build(**pump, role___uv__threshold=threshold), "undervoltage.protects.high").status
            == status
        )
    fixed = build(**pump, without=("role:uv.threshold",), chip___uv__threshold="8.5 V")
    assert one(fixed, "undervoltage.protects.high").status == "low_margin"


def test_no_verdict_on_an_undervoltage_threshold_that_the_map_does_not_have(build: Build) -> None:
    assert not run(build(without=("role:uv.threshold",)), ["undervoltage.protects"])


@pytest.mark.parametrize(("bridges", "share"), [("1", 1), ("2", 2), ("3", 3)])
def test_charge_pump_load_by_half_bridges(build: Build, bridges: str, share: int) -> None:
    verdict = one(
        build(
            stage___pwm__half_bridges=bridges,
            without=("stage:gate.resistor.pulldown",),
            chip___high_side_supply="charge pump",
        ),
        "gate.supply.high",
    )
    assert verdict.value is not None
    assert verdict.value.typ == pytest.approx(share * 60e-9 * 20e3)
    text = "\n".join(verdict.steps)
    for count in ("1 half-bridge s", "2 half-bridges s", "3 half-bridges s"):
        assert count in text


def test_deadtime_joined_as_max_or_sum(build: Build) -> None:
    def chosen(how: str) -> float:
        verdict = one(build(chip___deadtime_with_controller=how), "deadtime.enough.high")
        assert verdict.value is not None
        return float(verdict.value.typ)

    assert chosen("max") == pytest.approx(900e-9)
    assert chosen("sum") == pytest.approx(1750e-9)


def test_selection_and_its_errors(build: Build) -> None:
    assert [c.name for c in select(["gate.rise-time"])] == [
        "gate.rise-time.high",
        "gate.rise-time.low",
    ]
    assert {c.subject for c in select(["vds", "spi"])} == {"vds", "spi"}
    only = run(build(), ["reaction.time.OTW"])
    assert [v.check for v in only] == ["reaction.time.OTW"]
    with pytest.raises(
        CallError, match=r"unknown check 'gate\.risetime'; nearest: gate\.rise-time"
    ):
        select(["gate.risetime"])
    with pytest.raises(CallError, match="nearest: deadtime"):
        select(["dead-time"])


def test_worst_first_and_folding(build: Build) -> None:
    ordered = worst_first(run(build()))
    order = ["fails", "low_margin", "not_computed", "holds"]
    ranks = [order.index(v.status) for v in ordered]
    assert ranks == sorted(ranks)
    rows = fold_sides(ordered)
    names = [name for name, _, _ in rows]
    assert "gate.rise-time" in names
    assert "gate.rise-time.low" not in names
    different = fold_sides(run(build(role___gate__source__high="50 mA"), ["gate.rise-time"]))
    assert [name for name, _, _ in different] == ["gate.rise-time.high", "gate.rise-time.low"]


@pytest.mark.parametrize(
    ("item", "text"),
    [
        (Input("stage:mosfet.qgdd", parse_band("1 nC"), ""), "nearest: stage:mosfet.qgd"),
        (Input("steg:mosfet.qgd", parse_band("1 nC"), ""), "expected chip:, stage: or role:"),
        (Input("stage:mosfet.qgd", parse_band("1 ns"), ""), "is a charge, not a time"),
        (Input("stage:adc.trigger", "center", ""), "nearest: centre"),
        (Input("stage:adc.bits", "12", ""), "expected a whole number"),
        (Input("stage:mosfet.qgd", 3, ""), "bare number 3; expected a charge"),
    ],
)
def test_wrong_inputs_are_refused(item: Input, text: str) -> None:
    with pytest.raises(CallError, match=text):
        Inputs([item])


def test_lookup_follows_the_tables(given: Given) -> None:
    inputs = given(
        {
            "role:gate.source": "60 mA",
            "role:gate.source.low": "70 mA",
            "chip:vds.filter": "1 us",
            "stage:supply.voltage": "12 V",
        }
    )
    for name, found in (
        ("role:gate.source.low", "role:gate.source.low"),
        ("role:gate.source.high", "role:gate.source"),
        ("role:vds.filter", "chip:vds.filter"),
        ("stage:supply.driver", "stage:supply.voltage"),
    ):
        item = inputs.find(name)
        assert item is not None
        assert item.name == found
    assert inputs.find("stage:mosfet.qg") is None
    assert list(inputs.missing) == ["stage:mosfet.qg"]
    changed = inputs.with_values([Input("role:gate.source", parse_band("80 mA"), "sweep")])
    item = changed.find("role:gate.source.high")
    assert item is not None
    assert item.origin == "sweep"
    assert not changed.missing


def test_defaults_say_where_they_come_from() -> None:
    for kind, table in TABLES.items():
        for name, row in table.items():
            item = default(f"{kind}:{name}")
            assert (item is None) == (row.default is None)
            if item is not None:
                assert row.note in item.origin


@hypothesis_given(
    st.sampled_from(["stage:motor.current.peak", "stage:limits.dvdt"]), st.floats(1.01, 3)
)
def test_a_looser_limit_never_worsens(name: str, by: float) -> None:
    band = {
        "stage:motor.current.peak": parse_band("50 A"),
        "stage:limits.dvdt": parse_band("100 V/us"),
    }
    table = {
        **band,
        "stage:supply.voltage": parse_band("12 V"),
        "stage:mosfet.qgd": parse_band("12 nC"),
        "role:gate.source": parse_band("60 mA"),
        "role:gate.sink": parse_band("90 mA"),
        "role:vds.threshold": parse_band("0.3 V"),
        "stage:mosfet.rdson": parse_band("2 mohm"),
        "stage:mosfet.temperature": parse_band("25..150 degC"),
    }
    check = "gate.dvdt.high" if name.endswith("dvdt") else "vds.no-false-trip.low"
    base = Inputs([Input(n, b, "") for n, b in table.items()])
    limit = table[name]
    factor = type(limit.typ)(by) if name.endswith("dvdt") else 1 / type(limit.typ)(by)
    easy = type(limit)(limit.low * factor, limit.typ * factor, limit.high * factor, limit.dim)
    looser = base.with_values([Input(name, easy, "")])
    before, after = one(base, check).relative, one(looser, check).relative
    assert before is not None
    assert after is not None
    assert after > before


def test_every_check_has_texts_and_a_caution() -> None:
    every = checks()
    assert len(every) > 65
    assert len({c.name for c in every}) == len(every)
    for check in every:
        assert check.title
        assert check.formula
        assert check.caution.startswith(CAUTION)
        assert len(check.name) < 32
        assert "{" not in check.title + check.formula


def test_import_and_run_stay_light() -> None:
    code = (
        "import sys\nfrom regmap.calc import Inputs, run\nrun(Inputs([]))\n"
        "bad = {'numpy', 'scipy', 'yaml', 'serial', 'construct'} & set(sys.modules)\n"
        "assert not bad, bad\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=30)
    only = "import sys, regmap.calc\nassert 'regmap.calc.gate' not in sys.modules\n"
    subprocess.run([sys.executable, "-c", only], check=True, timeout=30)


def test_facts_default_to_unknown() -> None:
    verdict = one(Inputs([], Facts()), "spi.poll-time")
    assert "number of status registers (map)" in verdict.missing


@pytest.mark.one_in(2)
def test_every_formula_of_a_derivation_is_shown_with_its_source(part: Part) -> None:
    for _, verdict in part.verdicts():
        used = {v.formula.name: v for v in verdict.variables() if v.formula is not None}
        by_text = {source.formula: source for source in verdict.sources}
        for variable in used.values():
            assert variable.formula is not None
            written = variable.formula.write({n: a.symbol for n, a in variable.args.items()})
            shown = by_text[written]
            assert shown.symbol
            assert shown.source == variable.formula.source
        assert [s["source"] for s in verdict.json()["sources"]] == [
            s.source for s in verdict.sources
        ]


#: Below pico nothing of this trade has a figure: it is what rounding left of terms that cancel.
RESIDUE = re.compile(r"\d [fazyrq](?:A|V|s|W|J|ohm|Hz|C|F|H)\b|\de-\d\d")


@pytest.mark.parametrize("name", [*SHAPES, *BUNDLED])
@pytest.mark.one_in(2)
def test_no_rounding_residue_is_shown_as_a_value(name: str) -> None:
    """In each verdict's derivation, at its typical values too: 30 A less 30 A is 0 A, not 3.6 fA."""
    told = 0
    for verdict in run(stage_of(name)):
        for line in verdict.steps:
            assert not RESIDUE.search(line), (verdict.check, line)
            told += 1
    assert told > 500


def test_what_cancels_is_zero_and_what_is_small_is_not() -> None:
    amps = {n: Variable(n, v, v, v, "current") for n, v in (("a", 0.1), ("b", 0.2), ("c", 0.3))}
    rule = Formula(
        "left", "{a} + {b} - {c}", "current", lambda a, b, c: a + b - c,
        frozenset("ab"), frozenset("c"), frozenset(), "made up for this test",
    )  # fmt: skip
    assert derive("d", rule, amps).typ == derive("d", rule, amps).high == 0
    tiny = Formula(
        "part", "{a} * {b} / {c}", "current", lambda a, b, c: a * b * 1e-16 / c,
        frozenset("ab"), frozenset("c"), frozenset(), "made up for this test",
    )  # fmt: skip
    assert derive("d", tiny, amps).typ == 0.1 * 0.2 * 1e-16 / 0.3
