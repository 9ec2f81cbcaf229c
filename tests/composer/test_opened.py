"""A verdict opened in the composer: all of it is there, and what it depends on can be changed from there and saved."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.stage import assess
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.draft import Draft, Journal, leftovers
from regmap.errors import CallError
from regmap.stages.inputedit import edit_document
from regmap.stages.load import load_stage, read_stage

Driver = Any


def run(document: str, state: Path, text: str) -> tuple[int, str]:
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(text), stdout=out, stderr=out, environ={"GATEWORD_STATE": str(state)}
    )
    return main(["compose", document], context), out.getvalue()


def test_enter_on_a_verdict_opens_value_limit_margin_corner_derivation_and_sources(
    driver: Driver,
) -> None:
    driver.height, driver.width = 120, 80
    driver.enter("why vds.protects.high")
    text = " ".join(driver.text.split())
    verdict = next(
        v for v in driver.session.draft.assess().verdicts if v.check == "vds.protects.high"
    )
    for part in (
        verdict.title,
        verdict.worst_value,
        verdict.worst_limit,
        f"worst corner {verdict.corner}",
        "formula: " + verdict.formula.split()[0],
        "sources",
    ):
        assert " ".join(part.split()) in text, part
    for citation in verdict.sources:
        assert citation.source.split()[0] in text


def test_the_list_of_verdicts_leads_to_each(driver: Driver) -> None:
    driver.enter("verdicts all").press("Down", "Enter")
    assert driver.view.sheet.title.split(":")[0] == driver.session.meaning.opened_verdict
    assert "how it comes about" in "\n".join(r.text for r in driver.view.sheet.rows)


def test_what_it_depends_on_is_what_the_draft_finds_by_running_the_check(driver: Driver) -> None:
    driver.enter("why deadtime.enough.high")
    settings, values = driver.session.draft.decides("deadtime.enough.high")
    actions = [r.action for r in driver.view.sheet.rows if r.action]
    assert actions == [f"try {n}" for n in settings] + [f"type set {n} " for n in values]
    assert "TIMING.DEAD_TIME" in settings
    assert "mosfet.qg" in values


def test_a_setting_is_tried_from_the_verdict_and_esc_leads_back_to_it(driver: Driver) -> None:
    driver.enter("why deadtime.enough.high")
    rows = driver.view.sheet.rows
    for _ in range(next(i for i, r in enumerate(rows) if r.action == "try TIMING.DEAD_TIME")):
        driver.press("Down")
    driver.press("Enter")
    assert driver.view.place == "options"
    before = driver.session.draft.statements
    driver.press("Up", "Up")
    assert "deadtime.enough.high" in driver.said
    assert driver.session.draft.statements == before
    driver.press("Esc")
    assert driver.view.sheet.title.startswith("deadtime.enough.high")
    driver.press(*["Down"] * 0)
    driver.view.run("try TIMING.DEAD_TIME")
    driver.press("Down", "Enter")
    assert driver.view.sheet.title.startswith("deadtime.enough.high"), "the verdict is shown anew"
    assert "TIMING.DEAD_TIME is now" in driver.said


def test_a_stage_value_is_changed_from_the_verdict_with_the_effect_before_it_is_accepted(
    driver: Driver,
) -> None:
    driver.enter("why gate.driver-power")
    rows = driver.view.sheet.rows
    driver.view.row = next(i for i, r in enumerate(rows) if r.action == "type set pwm.frequency ")
    driver.press("Enter")
    assert driver.view.text == "set pwm.frequency "
    driver.type("80 kHz")
    said = driver.said
    was = next(
        v for v in assess(load_stage("coolant_pump")).verdicts if v.check == "gate.driver-power"
    )
    assert "now 20 kHz" in said
    assert f"gate.driver-power {100 * was.relative:+.3g} % ->" in said
    assert driver.session.draft.value_text("pwm.frequency") == "20 kHz"
    driver.press("Enter")
    assert driver.session.draft.value_text("pwm.frequency") == "80 kHz"
    assert "1 not saved" in driver.text
    driver.press("^Z")
    assert driver.session.draft.value_text("pwm.frequency") == "20 kHz"


def test_the_effect_told_is_what_another_stage_file_would_say(pump: Path) -> None:
    """The same value written into the file by hand and assessed anew: the same verdicts, every one."""
    for name, text in (
        ("pwm.frequency", "40 kHz"),
        ("supply.max", "20 V"),
        ("mosfet.qg", "60 / 70 / 90 nC"),
    ):
        draft = Draft(load_stage(pump))
        seen = draft.consider_input(name, text)
        draft.set_input(name, text)
        after = {v.check: (v.status, v.relative) for v in draft.assess().verdicts}
        told = {e.verdict.check for e in seen.effects}
        now = pump.read_text()
        old = {
            "pwm.frequency": "frequency: 20 kHz",
            "supply.max": "voltage: 8 / 13.5 / 16 V",
            "mosfet.qg": "qg: 45 / 60 / 72 nC",
        }[name]
        new = {
            "pwm.frequency": "frequency: 40 kHz",
            "supply.max": "voltage: 8 / 13.5 / 20 V",
            "mosfet.qg": "qg: 60 / 70 / 90 nC",
        }[name]
        assert now.count(old) == 1
        by_hand, problems = read_stage(pump, text=now.replace(old, new))
        assert by_hand is not None, problems
        other = {v.check: (v.status, v.relative) for v in assess(by_hand).verdicts}
        assert after == other
        was = {v.check: (v.status, v.relative) for v in assess(load_stage(pump)).verdicts}
        assert {n for n in {**was, **other} if was.get(n) != other.get(n)} <= told


def test_stage_values_are_saved_into_the_file_and_nothing_else_changes(
    pump: Path, state: Path
) -> None:
    before = pump.read_text()
    status, out = run(
        str(pump),
        state,
        "set pwm.frequency 30 kHz\nsupply.max = 18 V\nTIMING.DEAD_TIME = 2 us\nsave\n",
    )
    assert status == 0, out
    assert "saved 1 setting and 2 stage values" in out
    expected = before.replace("frequency: 20 kHz", "frequency: 30 kHz").replace(
        "voltage: 8 / 13.5 / 16 V", "voltage: 8 V / 13.5 V / 18 V"
    )
    lines = [
        (a, b)
        for a, b in zip(expected.splitlines(), pump.read_text().splitlines(), strict=True)
        if a != b
    ]
    assert len(lines) == 1
    assert "DEAD_TIME" in lines[0][0]
    assert run(str(pump), state, "changes\n")[1].count("Everything is saved") == 1


@pytest.mark.parametrize(
    ("head", "name", "value", "line"),
    [
        ("pwm.frequency: 20 kHz\n", "pwm.frequency", "30 kHz", "pwm.frequency: 30 kHz"),
        ("pwm: {frequency: 20 kHz, duty.max: 80 %}\n", "pwm.frequency", "30 kHz", "pwm: {frequency: 30 kHz, duty.max: 80 %}"),
        ("pwm:\n  duty: {max: 80 %}   # most\n", "pwm.duty.max", "70 %", "  duty: {max: 70 %}   # most"),
        ("supply.voltage: {min: 8 V, max: 16 V}\n", "supply.voltage", "9 .. 18 V", "supply.voltage: 9 .. 18 V"),
        ("supply:\n  voltage:\n    min: 8 V\n    max: 16 V\n", "supply.voltage", "12 V", "  voltage: 12 V"),
        ("pwm:\n  frequency: 20 kHz\n", "pwm.deadtime", "400 ns", "  deadtime: 400 ns"),
        ("", "poll.period", "2 ms", "poll.period: 2 ms"),
        ("pwm:\n  frequency: 20 kHz\n", "pwm.frequency", None, ""),
    ],
)  # fmt: skip
def test_a_value_is_changed_however_the_file_states_it(
    head: str, name: str, value: str | None, line: str
) -> None:
    text = f"gateword_stage: 1\nstage: {{name: x}}\nmap: quoll16\n{head}settings:\n  VDS.THRESHOLD: 250 mV  # kept\n"
    stage, _ = read_stage("x.yaml", text=text)
    assert stage is not None
    new = edit_document(text, {name: value}, stage.chip)
    again, problems = read_stage("x.yaml", text=new)
    assert again is not None, (new, problems)
    assert line in new.splitlines() or not line
    assert (name in again.params) == (value is not None)
    assert "VDS.THRESHOLD: 250 mV  # kept" in new
    others = {n: p.value for n, p in stage.params.items() if n != name}
    assert {n: p.value for n, p in again.params.items() if n != name} == others


def test_a_shared_value_is_not_changed_behind_an_alias() -> None:
    text = "gateword_stage: 1\nstage: {name: x}\nmap: quoll16\npwm: &p\n  frequency: 20 kHz\nx-also: *p\n"
    with pytest.raises(CallError, match="alias"):
        edit_document(text, {"pwm.frequency": "30 kHz"}, load_stage("coolant_pump").chip)


def test_a_draft_left_behind_brings_its_stage_values_back(pump: Path, tmp_path: Path) -> None:
    stage, text = load_stage(pump), pump.read_text()
    journal = Journal(tmp_path, str(pump), text)
    draft = Draft(stage, journal)
    draft.set_input("pwm.frequency", "30 kHz")
    draft.set("TIMING.DEAD_TIME", "2 us")
    journal.keep()
    again = Draft(load_stage(pump))
    left = leftovers(tmp_path, str(pump))[0]
    assert left.replay(again.restate) == []
    assert again.value_text("pwm.frequency") == "30 kHz"
    assert again.dirty
    again.undo(2)
    assert not again.dirty


def test_undo_after_saving_a_stage_value_states_the_old_one_again(pump: Path, state: Path) -> None:
    before = pump.read_text()
    status, out = run(str(pump), state, "set pwm.frequency 30 kHz\nsave\nundo\nsave\n")
    assert status == 0, out
    assert pump.read_text() == before


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("set pwm.frequncy 30 kHz", "nearest: pwm.frequency"),
        ("set pwm.frequency 3 V", "is a voltage"),
        ("set pwm.duty.min 99 %", "expected"),
        ("why deadtime", "could be deadtime."),
        ("why dedtime.enough.high", "nearest: deadtime.enough.high"),
    ],
)
def test_what_cannot_be_is_refused_with_the_nearest(
    pump: Path, state: Path, line: str, says: str
) -> None:
    status, out = run(str(pump), state, line + "\n")
    assert status == 1
    assert says in out
    assert load_stage(pump).params["pwm.frequency"].value.typ == 20_000  # type: ignore[union-attr]


def test_a_register_is_found_by_its_address(pump: Path, state: Path) -> None:
    chip = load_stage(pump).chip
    for name, register in list(chip.registers.items())[:4]:
        _, out = run(str(pump), state, f"go 0x{register.address:02X}\n")
        assert f"{name}: address 0x{register.address:02X}" in out


def test_no_title_is_cut_without_a_way_to_read_it(driver: Driver) -> None:
    """At 60 columns every line of the list of verdicts is whole where the cursor is."""
    driver.width, driver.height = 60, 20
    driver.enter("verdicts all")
    sheet = driver.view.sheet
    for index, row in enumerate(sheet.rows[:20]):
        driver.view.row = index
        driver.view.message = ""
        title = next(
            (
                v.title
                for v in driver.session.draft.assess().verdicts
                if row.action == f"why {v.check}"
            ),
            "",
        )
        assert title in driver.said
