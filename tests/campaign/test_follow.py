"""The fall-back table as cases: every fault in every mode, what the chip makes of it and the mode that follows."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from regmap.campaign.load import Campaign, read_campaign
from regmap.campaign.matrix import campaign_matrix
from regmap.campaign.plan import new_campaign
from regmap.campaign.results import junit, plain
from regmap.campaign.run import Result, run_campaign
from regmap.expr import parse_expr
from regmap.stages.load import load_stage

DEVICES = Path(__file__).parents[2] / "devices"
MODES = """
modes:
  limp:
    after: [OT_WARN, OV_SUPPLY, SPI_ERR, controller]
    settings: {SENSE.OC_TH: 18 mV, MODE.VDS_ACT: report}
    waive: {reaction: the shunts watch here}
  rest: {driving: no, after: [OT], from: [limp], settings: {SENSE.OC_TH: 20 mV}}
"""


def stage_file(folder: Path, modes: str = MODES) -> Path:
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    path = folder / "pump.yaml"
    path.write_text(text + modes)
    return path


def campaign_of(folder: Path, cases: str, modes: str = MODES) -> Campaign:
    stage_file(folder, modes)
    text = f"gateword_campaign: 1\ncampaign: {{name: c}}\nstage: pump.yaml\n{cases}"
    campaign, problems = read_campaign(folder / "c.yaml", text)
    assert campaign is not None, [str(p) for p in problems]
    return campaign


def ran(campaign: Campaign) -> dict[str, Result]:
    return {r.case: r for r in run_campaign(campaign)}


def test_a_fault_in_a_mode_is_injected_there_and_the_mode_that_follows_is_entered(
    tmp_path: Path,
) -> None:
    campaign = campaign_of(tmp_path, "modes: all\nfaults: [OT_WARN, OT]\n")
    assert len(campaign.cases) == 6
    found = ran(campaign)
    assert {r.verdict for r in found.values()} == {"pass"}, [r.why for r in found.values()]
    # OT acts by itself and OT_WARN only reports, everywhere (devices/quoll16.yaml)
    assert [found[n].chip for n in ("OT", "limp.OT", "OT_WARN")] == ["acts", "acts", "only reports"]
    assert (found["OT_WARN"].then, found["limp.OT"].then) == ("limp", "rest")
    assert not found["limp.OT_WARN"].then  # it stays there
    late = found["OT_WARN"]
    assert late.to_mode is not None
    assert late.to_read is not None
    assert late.to_read < late.to_mode < late.limits["mode"] == 0.2  # safety.ftti
    assert plain(campaign, late)["then"] == "limp"


def test_a_removed_reaction_is_found(tmp_path: Path) -> None:
    """The plan was written from the table; then the stage loses a reaction. Each loss fails its own case."""
    path = stage_file(tmp_path)
    stage = load_stage(path)
    text = new_campaign("kept", "pump.yaml", stage.chip, stage.bank, stage)
    cases = yaml.safe_load(text)["cases"]
    assert cases["limp.OT"]["then"] == "rest"
    kept = {
        n: {"fault": "OT" if "." in n else n, "mode": m, "then": cases[n]["then"]}
        for n, m in (("OT_WARN", "as_stated"), ("limp.OT", "limp"))
    }
    told = {}
    for cut, instead in (
        ("", ""),
        ("OT_WARN, ", ""),
        ("after: [OT], from", "after: [controller], from"),
    ):
        found = ran(campaign_of(tmp_path, f"cases: {kept}\n", MODES.replace(cut, instead)))
        told[cut] = {n for n, r in found.items() if r.verdict == "fail"}
        if cut == "OT_WARN, ":
            assert "no mode follows on it" in found["OT_WARN"].why[0]
    assert told == {"": set(), "OT_WARN, ": {"OT_WARN"}, "after: [OT], from": {"limp.OT"}}


def test_settings_that_no_longer_react_fail_what_was_planned(tmp_path: Path) -> None:
    cases = "cases:\n  VDS_UH: {chip: acts}\n"
    assert ran(campaign_of(tmp_path, cases))["VDS_UH"].ok
    stage_file(tmp_path)
    path = tmp_path / "pump.yaml"
    path.write_text(path.read_text().replace("VDS_ACT: latch", "VDS_ACT: report"))
    text = f"gateword_campaign: 1\ncampaign: {{name: c}}\nstage: pump.yaml\n{cases}"
    campaign, _ = read_campaign(tmp_path / "c.yaml", text)
    assert campaign is not None
    why = ran(campaign)["VDS_UH"].why
    assert any("it is only reports; expected: acts" in w for w in why)
    assert any("no mode follows on it" in w for w in why)


def test_a_chip_that_keeps_silent_in_a_mode_is_found(tmp_path: Path) -> None:
    """A defect of the chip: it masks the fault in the very mode, whatever its map says."""
    campaign = campaign_of(tmp_path, "modes: [as_stated, limp]\nfaults: [OV_SUPPLY]\n")
    chip = campaign.chip
    deaf = replace(chip.faults["OV_SUPPLY"], masked_when=parse_expr("MODE.VDS_ACT == report"))
    import regmap.campaign.bench as bench

    class Deaf(bench.Twin):
        def __init__(self, chip, **words):  # type: ignore[no-untyped-def]
            super().__init__(replace(chip, faults={**chip.faults, "OV_SUPPLY": deaf}), **words)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bench, "Twin", Deaf)
        found = ran(campaign)
    assert {n: r.verdict for n, r in found.items()} == {
        "OV_SUPPLY": "pass",
        "limp.OV_SUPPLY": "fail",
    }
    assert "was not seen" in found["limp.OV_SUPPLY"].why[0]
    assert "limp.OV_SUPPLY" in junit(campaign, found.values())


def test_names_that_mean_nothing_have_their_places(tmp_path: Path) -> None:
    stage_file(tmp_path)
    text = (
        "gateword_campaign: 1\ncampaign: {name: c}\nstage: pump.yaml\nmodes: [lymp]\nfaults: all\n"
        "cases:\n  a: {fault: OT, mode: resst, then: limpp}\n"
    )
    campaign, problems = read_campaign(tmp_path / "c.yaml", text)
    assert campaign is None
    assert [(p.place.line, p.place.column, p.nearest) for p in problems] == [
        (4, 9, "limp"), (7, 24, "rest"), (7, 37, "limp"),
    ]  # fmt: skip


def test_modes_without_a_case_are_told_and_one_mode_can_be_run(tmp_path: Path) -> None:
    campaign = campaign_of(tmp_path, "modes: [limp]\nfaults: [OT]\n")
    assert "mode rest" in campaign.uncovered
    assert "limp.OT_WARN" in campaign.uncovered
    assert campaign.only_in("limp").cases == campaign.cases
    assert campaign.only_in("as_stated").cases == ()


def test_several_boards_side_by_side(tmp_path: Path) -> None:
    good = campaign_of(tmp_path, "faults: [OT]\ncases: {a: {fault: UV_SUPPLY}}\n")
    other = campaign_of(
        tmp_path, "faults: [OT]\ncases: {b: {fault: OT, expect: {STATUS1.UV_SUPPLY: 1}}}\n"
    )
    found = campaign_matrix([(c, list(run_campaign(c))) for c in (good, other)])
    assert {r.case: r.verdicts for r in found.rows} == {
        "b": ("", "fail"), "OT": ("pass", "pass"), "a": ("pass", ""),
    }  # fmt: skip
    assert found.rows[0].case == "b"
    assert [c["pass"] for c in found.counts] == [2, 1]


FIRMWARE = """
import sys
from regmap.campaign.follow import Following
from regmap.link.bringup import apply
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.stages.load import load_stage
from regmap.wire.ports import Reopener

stage = load_stage("pump.yaml")
port = AdapterPort(Reopener(sys.argv[1]), stage.chip.spi)
port.open()
link = Link(stage.chip, port, move_pages=True)
assert apply(link, stage.bank, any_state=True).ok
ways = Following(stage)
mode = sys.argv[2]
if "ignores" not in sys.argv:
    ways.go(link, ways.way("", mode, driving=False))
fault = stage.chip.field(stage.chip.faults["OT"].ref)
while True:
    word = link.read(fault.register).word
    if word is not None and word >> fault.bits[0] & 1:
        port.pins(False)
        if "stays" not in sys.argv and mode == "limp":
            ways.go(link, ways.way("limp", "rest", driving=False))
            mode = "rest"
"""


@pytest.mark.parametrize(
    ("how", "failed"),
    [
        ("{mode}", ""),
        ("{mode} ignores stays", "the program has not brought the chip into limp"),
    ],
)
def test_firmware_is_led_into_the_mode_and_goes_to_the_one_that_follows(
    tmp_path: Path, how: str, failed: str
) -> None:
    (tmp_path / "firmware.py").write_text(FIRMWARE)
    campaign = campaign_of(
        tmp_path,
        f"target: {{twin: yes, ready_after: 1500 ms, firmware: '{sys.executable} firmware.py {{port}} {how}'}}\n"
        "cases: {hot: {fault: OT, mode: limp, then: rest, read_within: 1 s, reaction_within: 1 s, mode_within: 1 s}}\n",
    )
    [result] = run_campaign(campaign)
    if failed:
        assert result.verdict == "fail"
        assert any(failed in w for w in result.why), result.why
        assert any("mode rest was not seen" in w for w in result.why)
    else:
        assert (result.verdict, result.then) == ("pass", "rest"), result.why
        assert result.to_mode is not None


def test_firmware_that_is_not_told_the_mode_is_skipped(tmp_path: Path) -> None:
    campaign = campaign_of(
        tmp_path,
        "target: {twin: yes, ready_after: 10 ms, firmware: 'sleep 60'}\ncases: {hot: {fault: OT, mode: limp}}\n",
    )
    [result] = run_campaign(campaign)
    assert result.verdict == "skipped"
    assert "{mode} among its arguments" in result.why[0]
