"""Campaign files: what they say, and every problem with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.campaign.load import load_campaign, read_campaign
from regmap.errors import FileError
from regmap.maps.load import bundled

GOOD = """\
gateword_campaign: 1
campaign: {name: pump}
stage: coolant_pump
faults: [UV_SUPPLY, OT]
repeats: 3
order: random
seed: 7
cases:
  wire:
    fault: UV_SUPPLY
    disturb: uv_supply for 2 ms
    manual: lower the supply
    expect: {STATUS1.UV_SUPPLY: 1}
    pin: low
    clear: ["SERVICE.CLEAR = clear"]
    read_within: 5 ms
"""


def test_a_campaign_as_written(tmp_path: Path) -> None:
    path = tmp_path / "pump.yaml"
    path.write_text(GOOD)
    campaign = load_campaign(path)
    assert [c.name for c in campaign.cases] == ["UV_SUPPLY", "OT", "wire"]
    wire = campaign.cases[-1]
    assert wire.codes == {"STATUS1.UV_SUPPLY": 1}
    assert wire.pin_low is True
    assert wire.limits == {"read": 0.005}
    assert (campaign.repeats, campaign.order, campaign.seed) == (3, "random", 7)
    assert "VDS_UH" in campaign.uncovered
    assert "OT" not in campaign.uncovered
    assert campaign.digest != load_digest(tmp_path, GOOD.replace("seed: 7", "seed: 8"))


def test_what_the_stage_is_called_does_not_count(tmp_path: Path) -> None:
    for name in ("one", "two"):
        text = bundled("devices")["coolant_pump"].read_text("utf-8")
        (tmp_path / f"{name}.yaml").write_text(text, "utf-8")
    found = {
        load_digest(tmp_path, GOOD.replace("stage: coolant_pump", f"stage: {stage}"))
        for stage in ("coolant_pump", "one.yaml", "two.yaml")
    }
    assert len(found) == 1


def load_digest(folder: Path, text: str) -> str:
    path = folder / "other.yaml"
    path.write_text(text)
    return load_campaign(path).digest


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("stage: coolant_pump", "stage: coolant_pumpp"), "nearest: coolant_pump"),
        (("stage: coolant_pump\n", ""), "one of stage: and map:"),
        (("[UV_SUPPLY, OT]", "[UV_SUPLY, OT]"), "4:10: error: no fault 'UV_SUPLY' in quoll16; expected all"),
        (("fault: UV_SUPPLY", "fault: UVS"), "no fault 'UVS' in quoll16"),
        (("STATUS1.UV_SUPPLY: 1", "STATUS1.UVS: 1"), "13:14: error: STATUS1.UVS is no field"),
        (("pin: low", "pin: down"), "expected one of low, high"),
        (("read_within: 5 ms", "read_within: 5 mV"), "16:18: error:"),
        (("repeats: 3", "repeats: 0"), "5:10: error:"),
        (("campaign: {name: pump}", "campaign: {nam: pump}"), "nearest: name"),
        (("seed: 7", "target: {port: /dev/x, twin: yes}"), "a port beside a twin"),
    ],
)  # fmt: skip
def test_each_problem_has_its_place(change: tuple[str, str], message: str) -> None:
    text = GOOD.replace(*change)
    assert text != GOOD
    campaign, problems = read_campaign(Path("c.yaml"), text)
    assert campaign is None
    assert message in "\n".join(str(p) for p in problems)


def test_a_stage_outside_the_folder_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "secret.yaml").write_text("gateword_stage: 1\nstage: {name: x}\n")
    path = tmp_path / "in" / "c.yaml"
    path.write_text(GOOD.replace("coolant_pump", "../secret.yaml"))
    with pytest.raises(FileError, match="outside this folder"):
        load_campaign(path)
