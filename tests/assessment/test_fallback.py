"""The fall-back table against an independent reading of the map's text; a removed reaction is found."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml

from regmap.assessment.fallback import FallbackRow, between_modes, fallback
from regmap.assessment.matrix import matrix
from regmap.assessment.stage import Assessment, assess
from regmap.maps.load import bundled
from regmap.quantity import parse_band
from regmap.stages.load import Stage, read_stage

DEVICES = Path(__file__).parents[2] / "devices"
CASES = {
    "coolant_pump": """
modes:
  limp:
    after: [OT_WARN, controller]
    settings: {SENSE.OC_TH: 18 mV, MODE.VDS_ACT: off}
  calm:
    after: [OV_SUPPLY, SPI_ERR]
    settings: {MODE.OC_ACT: report, SUPPLY.OV_MUTE: ignore}
  rest: {driving: no, after: [OT_WARN], from: [limp]}
""",
    "conveyor_drum": """
modes:
  near:
    after: [controller]
    settings: {REACTION: {VDS: report, OC: report}, MASK.GD: ignore}
  stand: {driving: no, after: [OT_WARN]}
""",
}


def stage_of(folder: Path, name: str, modes: str) -> Stage:
    text = (DEVICES / f"{name}.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    stage, problems = read_stage(folder / f"{name}.yaml", text=text + modes)
    assert stage is not None, [str(p) for p in problems]
    return stage


#: devices/README.md, `handled_by`
HANDLED = {"stop": "chip", "warn": "poll", "note": "nobody"}


# --- an independent reading: YAML and Python's own eval of a condition, nothing of the library -------
def plain(name: str) -> dict[str, Any]:
    return yaml.safe_load(bundled("devices")[name].read_text(encoding="utf-8"))


def options(field: dict[str, Any]) -> dict[str, int]:
    found = {}
    for code, text in (field.get("options") or {}).items():
        label = text.get("name", "") if isinstance(text, dict) else text
        found[{True: "on", False: "off"}.get(label, str(label))] = int(code)
    return found


def holds(condition: Any, chip: dict[str, Any], stage: Stage) -> bool:
    """`A.B == off` (with `or`, `and`, `not`) by the codes of the options and the words wanted."""
    if not condition:
        return False
    text = str(condition)
    names = set(re.findall(r"[A-Z][A-Z0-9_]*\.[A-Z][A-Z0-9_]*", text))
    for name in sorted(names, key=len, reverse=True):
        register, _, field = name.partition(".")
        told = chip["registers"][register]["fields"][field]
        high, _, low = str(told["bits"]).partition("..")
        low = low or high
        word = stage.bank.words.get(register, 0)
        code = word >> int(low) & (1 << int(high) - int(low) + 1) - 1
        codes = options(told)
        text = re.sub(
            rf"{re.escape(name)}\s*(==|!=)\s*(\w+)",
            lambda m, code=code, codes=codes: f"{code} {m[1]} {codes.get(m[2], m[2])}",
            text,
        )
    assert not re.search(r"[A-Z]{2}", text), text
    return bool(eval(text))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.one_in(2)
def test_the_table_is_what_the_text_of_the_map_says(tmp_path: Path, name: str) -> None:
    stage = stage_of(tmp_path, name, CASES[name])
    chip = plain(stage.chip.name)
    rows = {(r.mode, r.fault): r for r in fallback(stage)}
    modes = {"as stated": stage, **stage.modes}
    faults = {n: f for n, f in chip["faults"].items() if not f.get("summary_of")}
    assert set(rows) == {(m, f) for m in modes for f in faults}
    told = yaml.safe_load(CASES[name])["modes"]
    for (mode, fault), row in rows.items():
        text, here = faults[fault], modes[mode]
        if holds(text.get("masked_when"), chip, here):
            expected = "masked"
        elif (
            holds(text.get("reported_only_when"), chip, here)
            or text.get("handled_by", HANDLED[text.get("severity", "stop")]) != "chip"
            or text.get("normal_at_power_up")
        ):
            expected = "only reports"
        else:
            expected = "acts"
        assert row.seen == expected, (mode, fault)
        leads = [
            m
            for m, t in told.items()
            if fault in t.get("after", ())
            and m != mode
            and (not t.get("from") or mode in t["from"])
        ]
        stays = mode if fault in told.get(mode, {}).get("after", ()) else ""
        assert row.then == (leads[0] if len(leads) == 1 else stays), (mode, fault)


def gaps(rows: list[FallbackRow]) -> set[tuple[str, str]]:
    return {(r.mode, r.fault) for r in rows if r.gaps}


def test_a_removed_reaction_is_found(tmp_path: Path) -> None:
    clean = """
modes:
  limp: {after: [OT_WARN, OV_SUPPLY, SPI_ERR, controller], settings: {SENSE.OC_TH: 18 mV}}
"""
    assert gaps(fallback(stage_of(tmp_path, "coolant_pump", clean))) == set()
    for fault in ("OT_WARN", "OV_SUPPLY", "SPI_ERR"):
        cut = clean.replace(f"{fault}, ", "")
        found = gaps(fallback(stage_of(tmp_path, "coolant_pump", cut)))
        assert found == {("as stated", fault), ("limp", fault)}


def test_every_kind_of_gap(tmp_path: Path) -> None:
    def told(modes: str) -> dict[tuple[str, str], str]:
        rows = fallback(stage_of(tmp_path, "coolant_pump", "\nmodes:\n" + modes))
        return {(r.mode, r.fault): "; ".join(r.gaps) for r in rows if r.gaps}

    every = "after: [OT_WARN, OV_SUPPLY, SPI_ERR]"
    masked = told(f"  limp: {{{every}, settings: {{MODE.VDS_ACT: off, SUPPLY.OV_MUTE: ignore}}}}\n")
    assert "nobody sees it" in masked["limp", "VDS_UH"]
    assert "masked in limp, while its cause may last" in masked["as stated", "OV_SUPPLY"]
    two = told(f"  a: {{{every}}}\n  b: {{after: [OT_WARN]}}\n")
    assert "a and b both follow on it" in two["as stated", "OT_WARN"]
    slow = told(f"  limp: {{{every}, safety.ftti: 1.2 ms, settings: {{SENSE.OC_TH: 18 mV}}}}\n")
    assert slow == {}  # the time of the mode that is left counts
    short = stage_of(
        tmp_path,
        "coolant_pump",
        f"\nmodes:\n  limp: {{{every}, settings: {{SENSE.OC_TH: 18 mV}}}}\n",
    )
    tight = dict(short.params)
    tight["safety.ftti"] = replace(tight["safety.ftti"], value=parse_band("1.16 ms"))
    rows = fallback(replace(short, params=tight))
    late = next(r for r in rows if (r.mode, r.fault) == ("as stated", "OT_WARN"))
    assert any("only without the frames into limp" in g for g in late.gaps)


def test_a_stage_without_modes_only_tells(tmp_path: Path) -> None:
    rows = fallback(stage_of(tmp_path, "coolant_pump", "\n"))
    assert rows
    assert not any(r.gaps or r.then for r in rows)


def test_a_waiver_closes_a_gap_and_is_told(tmp_path: Path) -> None:
    modes = """
modes:
  limp:
    after: [OT_WARN, OV_SUPPLY, SPI_ERR]
    settings: {MODE.VDS_ACT: off}
    waive: {reaction: the shunts watch here}
"""
    rows = {(r.mode, r.fault): r for r in fallback(stage_of(tmp_path, "coolant_pump", modes))}
    assert rows["limp", "VDS_UH"].gaps == ()
    assert rows["limp", "VDS_UH"].waived == "the shunts watch here"


@pytest.mark.parametrize("name", CASES)
@pytest.mark.one_in(2)
def test_a_mode_beside_the_stage_is_judged_as_if_alone(tmp_path: Path, name: str) -> None:
    """What modes have in common is worked once; each still says its own, with where its figures came from."""

    def told(found: Assessment) -> list[object]:
        return [
            (v.json(), v.corner, [(i.symbol, i.text(), i.origin) for i in v.inputs], v.steps)
            for v in (*found.verdicts, *(v for v, _ in found.waived))
        ]

    stage = stage_of(tmp_path, name, CASES[name])
    beside = matrix([stage]).of(stage)
    assert len({str(told(r)) for r in beside.values()}) > 1
    for mode in (stage, *stage.modes.values()):
        alone = stage_of(tmp_path, name, CASES[name])
        alone = alone.modes[mode.mode] if mode.mode else alone
        assert told(beside[mode.mode or "as stated"]) == told(assess(alone))


@pytest.mark.parametrize("name", CASES)
def test_what_the_checks_say_is_not_asked_twice(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage = stage_of(tmp_path, name, CASES[name])
    alone, found = between_modes(stage), matrix([stage]).of(stage)

    for room in ("fallback", "transition"):  # who calls it now has nothing to call
        monkeypatch.delattr(f"regmap.assessment.{room}.assess")
    between = between_modes(stage, found)
    assert between.json() == alone.json()
    assert [w.json() for w in between.ways] == [w.json() for w in alone.ways]
    assert [r.json() for r in between.rows] == [r.json() for r in alone.rows]
