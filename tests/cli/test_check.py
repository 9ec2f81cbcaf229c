"""The check command: worst first at 80 columns, whole derivations, JSON, exit status."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.stage import assess, check_names, with_settings
from regmap.stages.load import load_stage

Run = Callable[..., Any]
ALL = os.environ.get("GATEWORD_ALL") == "1"
STAGES = ("coolant_pump", "conveyor_drum", "radiator_fan", "fan_second_source")


@pytest.mark.parametrize("name", STAGES)
def test_shipped_stages_are_complete_and_do_not_fail(gateword: Run, name: str) -> None:
    result = gateword("check", name)
    assert result.status == 0
    assert load_stage(name).invented
    assert re.search(
        r"^\d+ hold, [0-6] low margin, 0 fail, 0 not computed$", result.out.splitlines()[-1]
    )
    assert "do not replace" in " ".join(result.out.split())


@pytest.mark.parametrize("name", STAGES)
def test_the_table_fits_80_columns_and_is_worst_first(gateword: Run, name: str) -> None:
    lines = gateword(
        "check", name, *(["--set", "TIMING.DEAD_TIME=600 ns"] if name == "coolant_pump" else [])
    ).out.splitlines()
    assert max(map(len, lines)) <= 80
    order = ["FAILS", "low margin", "not computed", "holds"]
    rows = [m for m in (re.match(f"({'|'.join(order)}) +([^ ]+)", x) for x in lines) if m]
    signs = [m[1] for m in rows]
    assert signs == sorted(signs, key=order.index)
    shown = {m[2] for m in rows}
    for verdict in assess(load_stage(name)).verdicts:  # both sides may share a row
        assert verdict.check in shown or verdict.check.rpartition(".")[0] in shown


def test_a_failed_verdict_is_a_finding(gateword: Run) -> None:
    result = gateword("check", "coolant_pump", "--set", "TIMING.DEAD_TIME=600 ns")
    assert result.status == 1
    assert result.out.splitlines()[-1].endswith(
        "2 fail, 0 not computed; first: deadtime.enough.high"
    )
    assert (
        gateword("check", "coolant_pump", "supply", "--set", "TIMING.DEAD_TIME=600 ns").status == 0
    )
    assert gateword("check", "coolant_pump", "--strict").status == 1
    assert gateword("check", "coolant_pump", "gate.voltage", "--strict").status == 0


def test_only_some_kinds_or_checks(gateword: Run) -> None:
    low = gateword("check", "coolant_pump", "--only", "low-margin").out.splitlines()
    assert {line[:10] for line in low[1 : low.index("")]} == {"low margin"}
    gate = gateword("check", "coolant_pump", "gate.voltage").out.splitlines()
    assert {line.split()[1] for line in gate[1:3]} == {"gate.voltage.high", "gate.voltage.low"}


def test_a_derivation_has_numbers_origins_corner_and_caution(gateword: Run) -> None:
    out = gateword("check", "coolant_pump", "--explain", "gate.dvdt.high").out
    joined = " ".join(out.split())
    for needed in (
        "formula: dV/dt",
        "stage bundled:coolant_pump.yaml:",
        "map bundled:quoll16.yaml:",
        "GATE_HS.SINK, code 9",
        "default of the trade",
        "max(374.6 V/us, 144 mA / 500 pF, 192 mA / 500 pF) = 384 V/us",
        "worst corner: Iset,off max, Crss min",
        "margin 616 V/us",
        "do not replace",
        "verdict: holds",
    ):
        assert needed in joined
    # by hand: 16 V * 192 mA / 8 nC
    assert pytest.approx(384e6) == 16 * 0.192 / 8e-9
    assert max(map(len, out.splitlines())) <= 80


def test_every_check_of_a_stage_can_be_explained(gateword: Run) -> None:
    for name in STAGES if ALL else STAGES[2:3]:
        out = gateword("check", name, *(x for c in check_names() for x in ("--explain", c))).out
        for verdict in assess(load_stage(name)).verdicts:
            assert f"{verdict.check}  " in out


def test_what_is_missing_is_named_with_where_it_belongs(gateword: Run, tmp_path: Path) -> None:
    from regmap.maps.load import find_document

    text = Path(find_document("coolant_pump")).read_text().replace("safety.ftti: 200 ms\n", "")
    for name, content in (
        ("s.yaml", text),
        ("quoll16.yaml", Path(find_document("quoll16")).read_text()),
    ):
        (tmp_path / name).write_text(content)
    result = gateword("check", str(tmp_path / "s.yaml"), "reaction.time.OT")
    assert "needs safety.ftti" in result.out
    explained = gateword("check", str(tmp_path / "s.yaml"), "--explain", "reaction.time.OT").out
    assert "missing: stage:safety.ftti, fault tolerant time interval (the stage)" in explained


def test_json_has_everything(gateword: Run) -> None:
    made = json.loads(gateword("check", "conveyor_drum", "--json").out)
    assert made["schema"] == 1
    assert made["kind"] == "check"
    verdicts = {v["check"]: v for v in made["verdicts"]}
    assert made["counts"]["holds"] == sum(v["status"] == "holds" for v in verdicts.values())
    one = verdicts["vds.protects.low"]
    assert {
        "formula",
        "value",
        "upper",
        "margin",
        "relative_margin",
        "corner",
        "inputs",
        "steps",
        "caution",
    } <= set(one)
    assert one["value"]["unit"] == "A"
    assert all(i["origin"] for i in one["inputs"])


def test_settings_of_the_command_line_are_the_same_as_in_the_stage(gateword: Run) -> None:
    made = json.loads(
        gateword("check", "coolant_pump", "--set", "VDS.THRESHOLD=200 mV", "--json").out
    )
    expected = {
        v.check: v.status
        for v in assess(
            with_settings(load_stage("coolant_pump"), {"VDS.THRESHOLD": "200 mV"})
        ).verdicts
    }
    assert {v["check"]: v["status"] for v in made["verdicts"]} == expected


@pytest.mark.parametrize(
    ("arguments", "near"),
    [
        (["coolant_pump", "gate.rise"], "gate.rise-time"),
        (["coolant_pmp"], "coolant_pump"),
        (["coolant_pump", "--set", "TIMING.DEADTIME=1 us"], "TIMING.DEAD_TIME"),
        (["coolant_pump", "--set", "TIMING"], "REG.FIELD=VALUE"),
        (["coolant_pump", "--set", "TIMING.DEAD_TIME=1 nC"], "time"),
    ],
)
def test_wrong_use_names_the_nearest(gateword: Run, arguments: list[str], near: str) -> None:
    result = gateword("check", *arguments)
    assert result.status == 2
    assert near in result.err
    assert result.out == ""


def test_deck_and_plots_are_written(gateword: Run, tmp_path: Path) -> None:
    result = gateword(
        "check",
        "coolant_pump",
        "--spice",
        str(tmp_path / "half.cir"),
        "--plot",
        str(tmp_path / "plots"),
    )
    assert result.status == 0
    assert ".end" in (tmp_path / "half.cir").read_text().lower()
    drawn = sorted(p.name for p in (tmp_path / "plots").iterdir())
    assert len(drawn) >= 3
    assert all(p.read_text().lstrip().startswith("<svg") for p in (tmp_path / "plots").iterdir())
    assert all(f"wrote {tmp_path / 'plots' / name}" in result.err for name in drawn)


def test_the_charge_of_a_battery_is_shown_in_ah_and_faults_are_counted(gateword: Run) -> None:
    lines = gateword("check", "coolant_pump", "supply.standby", "reaction.masked").out.splitlines()
    assert "holds        supply.standby  10.8 mAh   <= 1 Ah      +99 %" in lines
    assert "holds        reaction.masked 0 faults   <= 0 faults" in lines
    told = gateword("check", "coolant_pump", "--explain", "supply.standby").out
    assert "margin 989 mAh" in told
    assert " kC" not in told
    assert "t       30 d " in told
    made = json.loads(gateword("check", "coolant_pump", "supply.standby", "--json").out)[
        "verdicts"
    ][0]
    assert (made["value"]["unit"], made["upper"]["unit"]) == ("C", "C")  # numbers are in base units
    assert made["upper"]["max"] == 3600.0
    masked = gateword(
        "check", "coolant_pump", "reaction.masked", "--set", "MODE.PUMP_MUTE=ignore"
    ).out
    assert (
        "FAILS        reaction.masked 1 fault    <= 0 faults" in masked.splitlines()
    )  # and no share of nothing


def test_no_formula_takes_off_and_adds_the_same() -> None:
    """Written out as a reader takes it: no charge that is subtracted only to be added."""
    from regmap.calc import checks

    for check in checks():
        for term in re.findall(r"\(([^()]*)\)", check.formula):
            minus = set(re.findall(r"- (\w+)", term))
            plus = set(re.findall(r"(?:\+ |^)(\w+)", term))
            assert not minus & plus, check.formula


def test_doubtful_inputs_are_told_by_check_and_an_impossible_stage_is_refused(
    gateword: Run, tmp_path: Path
) -> None:
    from regmap.maps.load import find_document

    for name in ("coolant_pump", "quoll16"):
        text = Path(find_document(name)).read_text()
        (tmp_path / f"{name}.yaml").write_text(text.replace("nductance: 2 nH", "nductance: 2 uH"))
    file = str(tmp_path / "coolant_pump.yaml")
    shown = " ".join(gateword("check", file).out.split())
    assert "bridge.inductance of 2 uH; expected 100 pH to 1 uH" in shown
    assert "nearest: 2 nH" in shown
    (doubt,) = json.loads(gateword("check", file, "--json").out)["doubts"]
    assert (doubt["path"], doubt["severity"], doubt["line"]) == ("bridge.inductance", "warning", 72)
    text = Path(file).read_text()
    Path(file).write_text(text.replace("duty.max: 88 %", "duty.max: 150 %"))
    refused = gateword("check", file)
    assert refused.status == 2
    assert "pwm.duty.max of 150 %; expected at most 100 %" in refused.err


def test_explain_and_json_tell_where_each_formula_comes_from(gateword: Run) -> None:
    out = gateword("check", "coolant_pump", "--explain", "gate.dvdt.high").out
    assert "  sources" in out
    assert "TI SLLSFQ7, design table: t = V/SR, Ig = Qgd/t" in out
    verdicts = json.loads(gateword("check", "coolant_pump", "gate.dvdt", "--json").out)["verdicts"]
    found = {s["symbol"]: s["source"] for s in verdicts[0]["sources"]}
    assert found["dV/dt,mean"] == "TI SLLSFQ7, design table: t = V/SR, Ig = Qgd/t"


def test_blanking_that_the_chips_own_dead_time_uses_up_fails(gateword: Run) -> None:
    """The pump's chip adds 1 us of dead time after the input edge from which blanking counts."""
    changes = ("--set", "TIMING.BLANKING=1.2 us", "--set", "TIMING.FILTER=330 ns")
    result = gateword("check", "coolant_pump", "vds.blanking", *changes)
    assert result.status == 1
    assert "FAILS" in result.out
    assert gateword("check", "coolant_pump", "vds.blanking").status == 0
    longer = (*changes, "--set", "TIMING.DEAD_TIME=2 us")
    assert "FAILS" in gateword("check", "coolant_pump", "vds.blanking", *longer).out


def test_arguments_stand_in_any_order(gateword: Run) -> None:
    first = gateword("check", "coolant_pump", "deadtime.enough", "--set", "TIMING.DEAD_TIME=2 us")
    for order in (
        ("coolant_pump", "--set", "TIMING.DEAD_TIME=2 us", "deadtime.enough"),
        ("--set", "TIMING.DEAD_TIME=2 us", "coolant_pump", "deadtime.enough"),
    ):
        assert gateword("check", *order) == first
    wrong = gateword(
        "sweep", "coolant_pump", "--json", "TIMING.DEAD_TIME", "one", "two", "three", "more"
    )
    assert wrong.status == 2
    assert "one argument too many" in wrong.err


def test_what_was_asked_stands_beside_what_the_chip_has(gateword: Run) -> None:
    text = " ".join(
        gateword("check", "coolant_pump", "--set", "TIMING.DEAD_TIME=800 ns").out.split()
    )
    assert "TIMING.DEAD_TIME is 1 us: asked 800 ns, off by +25 %; up and not to 600 ns" in text
    [row] = json.loads(
        gateword("check", "coolant_pump", "--json", "--set", "TIMING.DEAD_TIME=>= 700 ns").out
    )["rounded"]
    assert (row["setting"], row["wanted"]) == ("TIMING.DEAD_TIME", ">= 700 ns")


def test_a_limit_without_quotes_in_yaml_is_told_how_to_write_it(
    gateword: Run, tmp_path: Path
) -> None:
    path = tmp_path / "s.yaml"
    path.write_text(
        "gateword_stage: 1\nstage: {name: x}\nmap: quoll16\nsettings:\n  GATE_HS.SOURCE: >= 100 mA # c\n"
    )
    done = gateword("vet", str(path))
    assert '; expected quotes around a value that begins with >=: ">= 100 mA"' in " ".join(
        (done.out + done.err).split()
    )
    for good in ('">= 100 mA"', "at least 100 mA"):
        path.write_text(
            f"gateword_stage: 1\nstage: {{name: x}}\nmap: quoll16\nsettings:\n  GATE_HS.SOURCE: {good}\n"
        )
        assert gateword("vet", str(path)).status == 0


def test_explain_tells_what_the_verdict_depends_on(gateword: Any) -> None:
    """As the draft finds it by running the check; text and JSON say the same."""
    import json

    from regmap.draft import Draft
    from regmap.stages.load import load_stage

    name = "deadtime.enough.high"
    settings, inputs = Draft(load_stage("coolant_pump")).decides(name)
    out = gateword("check", "coolant_pump", "--explain", name, "--json").out
    found = json.loads(out)["verdicts"][0]["depends_on"]
    assert (list(found["settings"]), list(found["inputs"])) == (settings, inputs)
    assert found["settings"]["TIMING.DEAD_TIME"] == "1 us"
    text = " ".join(gateword("check", "coolant_pump", "--explain", name).out.split())
    assert "depends on settings: " in text
    assert all(f"{n} ({v})" in text for n, v in {**found["settings"], **found["inputs"]}.items())


@pytest.mark.parametrize("side", ["low", "high"])
@pytest.mark.parametrize("duty", ["lowest", "middle", "highest", "30%", "0 %", "100%"])
@pytest.mark.parametrize("current", ["out", "in"])
def test_the_period_at_a_duty_and_for_a_direction(
    gateword: Run, side: str, duty: str, current: str
) -> None:
    """The text says which side, duty and direction it shows; at the ends of the duty what the switch does then."""
    words = "check", "coolant_pump", "--timeline", side, "--duty", duty, "--current", current
    result = gateword(*words)
    assert result.status == 0
    text = " ".join(result.out.split())
    share = {"lowest": "5 %", "middle": "50 %", "highest": "88 %"}.get(
        duty, duty.replace("%", " %")
    )
    assert f"{side} side" in text
    assert re.search(rf"\b{share.replace('  ', ' ')}", text)
    assert f"current {'out of' if current == 'out' else 'into'} the bridge" in text
    assert max(map(len, result.out.splitlines())) <= 80
    shown = json.loads(gateword(*words, "--json").out)
    period = shown["period"]
    assert (period["side"], period["load_current"]) == (side, current)
    assert period["duty"]["wanted"] == duty
    if duty in ("0 %", "100%"):
        always = (duty == "100%") == (side == "high")
        assert f"the {side} side {'stays on' if always else 'is never on'}" in text
        assert period["edges"] is False
        assert shown["instants"] == []
        return
    assert period["edges"] is True
    assert period["takes_current_over"] == ((side == "high") == (current == "out"))
    assert {x["name"] for x in period["limit_times"]} >= {"VDS monitor may trip", "dead time over"}
    for limit in period["limit_times"]:
        assert limit["instant"] in {i["name"] for i in shown["instants"]}
        assert f"{limit['instant']}, limit {limit['name']}" in text


def test_the_stage_s_own_ends_of_the_duty_are_not_replaced_by_another(gateword: Run) -> None:
    for side, change, told in (
        ("low", "pwm.duty.max=100 %", "100 % the low side is never on"),
        ("high", "pwm.duty.min=0 %", "0 % the high side is never on"),
    ):
        out = gateword("check", "coolant_pump", "--timeline", side, "--set", change).out
        assert told in " ".join(out.split())
        assert "50 %" not in out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--timeline", "low", "--duty", "130 %"], "a duty of 0 % to 100 %"),
        (["--timeline", "low", "--duty", "half"], "lowest, middle, highest"),
        (["--timeline", "startup", "--duty", "lowest"], "--duty without a PWM period"),
        (["--current", "in"], "--current without a PWM period"),
    ],
)
def test_a_period_that_cannot_be_asked_for(gateword: Run, words: list[str], told: str) -> None:
    result = gateword("check", "coolant_pump", *words)
    assert result.status == 2
    assert told in result.err
    assert result.out == ""


def test_plots_of_a_period_at_a_duty(gateword: Run, tmp_path: Path) -> None:
    words = "--plot", str(tmp_path / "p"), "--duty", "100%", "--current", "in"
    assert gateword("check", "coolant_pump", *words).status == 0
    names = {p.name for p in (tmp_path / "p").glob("period-*")}
    assert names == {"period-high-100-percent-in.svg", "period-low-100-percent-in.svg"}
    assert "never on" in (tmp_path / "p" / "period-low-100-percent-in.svg").read_text()
