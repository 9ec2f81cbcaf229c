"""`gateword modes`: transitions frame by frame, faults without a mode that follows, exit status, mistakes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

PUMP = Path(__file__).parents[2] / "devices" / "coolant_pump.yaml"
MODES = """
modes:
  limp:
    title: half the current
    after: [OT_WARN, OV_SUPPLY, SPI_ERR, controller]
    within: 500 us
    motor.current: {rms: 10 A, peak: 18 A}
    settings: {GATE_HS: {SOURCE: 80 mA}, GATE_LS: {SOURCE: 80 mA}, TIMING: {DEAD_TIME: 1.4 us}, SENSE.OC_TH: 18 mV}
"""


@pytest.fixture
def stage(tmp_path: Path) -> Callable[[str, str], Path]:
    def make(old: str = "", new: str = "") -> Path:
        path = tmp_path / "p.yaml"
        path.write_text(PUMP.read_text().partition("\nmodes:")[0] + MODES.replace(old, new, 1))
        return path

    return make


def test_a_clean_stage_has_every_way_and_no_gap(gateword: Any, stage: Any) -> None:
    done = gateword("modes", str(stage()))
    assert done.status == 0, done.err
    assert "as stated  limp" in done.out
    assert "0 gaps" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    one = gateword("modes", str(stage()), "as_stated", "limp")
    assert one.status == 0
    lines = one.out.splitlines()
    assert "controller: the values of limp" in lines
    assert next(n.split()[1] for n in lines if n.startswith("  0x")) == "LOCK.KEY"
    assert "destroys the bridge" in one.out


def test_a_removed_reaction_is_a_gap_and_fails(gateword: Any, stage: Any) -> None:
    done = gateword("modes", str(stage("OV_SUPPLY, ", "")))
    assert done.status == 1
    assert "no mode follows on it" in done.out
    late = gateword("modes", str(stage("500 us", "5 us")))
    assert late.status == 1
    assert "must be at most" in " ".join(late.out.split())


def test_what_is_open_between_modes_fails_however_it_is_checked(
    gateword: Any, tmp_path: Path
) -> None:
    """Every check of every mode holds, but a fault leads nowhere: no form of `check` calls that good."""
    page, open_one = str(tmp_path / "page.html"), tmp_path / "p.yaml"
    open_one.write_text(PUMP.read_text().replace("OV_SUPPLY, SPI_ERR, contr", "SPI_ERR, contr"))
    forms = [[], ["--json"], ["--csv"], ["--html", page], ["conveyor_drum"], ["conveyor_drum", "--json"], ["--explain", "gate.hold"]]  # fmt: skip
    fine = [gateword("check", "coolant_pump", *words).status for words in forms]
    done = [gateword("check", str(open_one), *words) for words in forms]
    assert fine == [0] * len(forms)
    # the derivation of one check is asked for, not the stage
    assert [d.status for d in done] == [1] * (len(forms) - 1) + [0]
    told = "2 faults in a mode with nothing settled that follows"
    assert all(told in " ".join((d.out + d.err).split()) for d in (done[0], done[2], done[4]))
    assert json.loads(done[1].out)["between_modes"]["gaps"] == 2
    assert [b["gaps"] for b in json.loads(done[5].out)["between_modes"]] == [2, 0]
    assert "nothing settled that follows" in Path(page).read_text()


def test_json_says_the_same(gateword: Any, stage: Any) -> None:
    made = json.loads(gateword("modes", str(stage()), "--json").out)
    assert [(t["from"], t["to"]) for t in made["transitions"]] == [
        ("limp", "as stated"),
        ("as stated", "limp"),
    ]
    there = made["transitions"][1]
    assert there["operate_after"] == 0
    assert there["in_time"]["status"] == "holds"
    rows = {(r["mode"], r["fault"]): r for r in made["fallback"]}
    assert rows["as stated", "OT_WARN"]["then"] == "limp"
    assert rows["limp", "OT_WARN"]["gaps"] == []
    assert rows["as stated", "VDS_UH"]["chip"] == "acts"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("limp",), "the mode that is left and the one that is entered"),
        (("as_stated", "limb"), "did you mean 'limp'"),
        (("limp", "limp"), "no way from limp to limp"),
    ],
)
def test_mistakes_are_told(gateword: Any, stage: Any, words: tuple[str, ...], said: str) -> None:
    done = gateword("modes", str(stage()), *words)
    assert done.status == 2
    assert said in done.err.replace("nearest: limp", "did you mean 'limp'")


def test_a_stage_without_modes_is_told(gateword: Any, tmp_path: Path) -> None:
    path = tmp_path / "p.yaml"
    path.write_text(PUMP.read_text().partition("\nmodes:")[0])
    done = gateword("modes", str(path))
    assert done.status == 2
    assert "states no modes" in done.err


def test_names_of_modes_complete_wherever_one_is_taken(stage: Any) -> None:
    from regmap.cli.completing.offers import answer

    path = stage()
    for line in (
        "campaign {} --drive-mode", "sweep {} --drive-mode", "propose {} --drive-mode", "modes {}", "modes {} as_stated",
        "link PORT mode {}", "link PORT mode {} limp --from", "check {} --mode",
    ):  # fmt: skip
        words = [w.replace("{}", str(path)) for w in line.split()]
        assert [c.text for c in answer([*words, ""])][:2] == ["as_stated", "limp"], line
    assert list(answer(["sweep", "radiator_fan", "--drive-mode", ""])) == []
