"""The propose command: reasons for people, JSON, files that are written whole and still are stages."""

from __future__ import annotations

import io
import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import regmap
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.stages.load import load_stage

Run = Callable[..., Any]
DEVICES = Path(regmap.__file__).parent.parent / "devices"
#: all modes together are tried in assessment/test_jointly.py, and here once
ALONE = ["--drive-mode", "as_stated"]
FEW = ["--free", "SUPPLY.UV", "--free", "SUPPLY.OV", "--free", "SENSE.OC_TH"]


@pytest.fixture
def pump(tmp_path: Path) -> Path:
    shutil.copy(DEVICES / "quoll16.yaml", tmp_path / "quoll16.yaml")
    text = (DEVICES / "coolant_pump.yaml").read_text().partition("\nmodes:")[0]
    (tmp_path / "coolant_pump.yaml").write_text(text)
    return tmp_path / "coolant_pump.yaml"


def test_each_choice_is_explained_at_80_columns(gateword: Run) -> None:
    result = gateword("propose", "coolant_pump", *ALONE)
    assert result.status == 0
    assert result.err == ""
    lines = result.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert any(" has +" in line and ", now +" in line for line in lines)
    assert "  SUPPLY.OV: 20 V -> " not in result.out
    assert "Not loosened: protections (--loosen REG.FIELD)" in lines
    assert "Verdicts with less margin than before" in lines
    assert any(line.startswith("  deadtime.duty-min: +77 % -> +") for line in lines)
    assert any("deadtime.enough.high has +" in line for line in lines)
    assert any(line.startswith("  TIMING.DEAD_TIME, VDS.THRESHOLD") for line in lines)
    assert "do not replace" in " ".join(result.out.split())
    assert "smallest margin +4.7 % (undervoltage.crank), before +4.7 %" in lines[-2] + lines[-1]


def test_conflicts_are_findings(gateword: Run, pump: Path) -> None:
    pump.write_text(
        pump.read_text()
        .replace("didt: 5 A/ns", "didt: 0.5 A/ns")
        .replace("max: 500 ns", "max: 90 ns")
    )
    few = [w for n in ("SOURCE", "SINK", "HOLD") for w in ("--free", f"GATE_HS.{n}")]
    result = gateword("propose", str(pump), *few)
    assert result.status == 1
    assert result.out.startswith("Goals in conflict")
    assert "gate.rise-time.high reaches" in result.out
    assert "No settings meet all goals" in result.out.splitlines()[-2] + result.out.splitlines()[-1]
    kept = gateword("propose", str(pump), *FEW, "-o", str(pump.parent / "new.yaml"))
    assert "not written" in kept.err
    assert not (pump.parent / "new.yaml").exists()


def test_json_is_one_object_with_a_schema_number(gateword: Run) -> None:
    made = json.loads(gateword("propose", "coolant_pump", *ALONE, *FEW, "--json").out)
    assert made["schema"] == 1
    assert made["kind"] == "propose"
    assert made["changes"] == {"SUPPLY.OV": "27 V", "SENSE.OC_TH": "47 mV"}


def test_the_written_stage_has_the_settings_and_nothing_else_changed(
    gateword: Run, pump: Path
) -> None:
    before = pump.read_text()
    target = pump.parent / "proposed.yaml"
    result = gateword("propose", str(pump), *FEW, "-o", str(target))
    assert result.status == 0
    assert f"wrote {target}" in result.err
    changed = [
        (a, b)
        for a, b in zip(before.splitlines(), target.read_text().splitlines(), strict=True)
        if a != b
    ]
    assert changed == [("    OC_TH: 27 mV", "    OC_TH: 47 mV"), ("    OV: 20 V", "    OV: 27 V")]
    assert load_stage(target).bank.code("SUPPLY.OV") == 1
    again = gateword("propose", str(target), *FEW)
    assert "settings are the best" in again.out
    assert pump.read_text() == before


def test_a_foreign_file_is_not_overwritten_and_the_own_one_is(gateword: Run, pump: Path) -> None:
    other = pump.parent / "other.yaml"
    other.write_text("mine")
    result = gateword("propose", str(pump), *FEW, "-o", str(other))
    assert result.status == 2
    assert "--force" in result.err
    assert other.read_text() == "mine"
    assert gateword("propose", str(pump), *FEW, "-o", str(pump)).status == 0
    assert "OV: 27 V" in pump.read_text()


@pytest.fixture
def blind(pump: Path) -> Path:
    """The pump without the gate charges that the dead time hangs on, and without the service period."""
    lines = pump.read_text().splitlines(keepends=True)
    pump.write_text(
        "".join(
            line
            for line in lines
            if not line.lstrip().startswith(("qgs2:", "qgs:", "qgd:", "watchdog.service_period:"))
        )
    )
    return pump


def test_a_field_whose_check_lacks_an_input_is_kept_and_named(gateword: Run, blind: Path) -> None:
    checked = gateword("check", str(blind), "deadtime.enough", "watchdog.late").out
    assert checked.count("needs") == 2
    assert (
        "verdict: not computed" in gateword("check", str(blind), "--explain", "watchdog.late").out
    )
    result = gateword("propose", str(blind))
    made = json.loads(gateword("propose", str(blind), "--json").out)
    fields = {"TIMING.DEAD_TIME", "GATE_HS.SINK", "WATCHDOG.ENABLE", "WATCHDOG.WINDOW"}
    assert not fields & set(made["changes"])
    assert not fields & {c["field"] for c in made["choices"]}
    told = {u["check"]: u for u in made["not_computed"]}
    assert "TIMING.DEAD_TIME" in told["deadtime.enough.high"]["kept"]
    assert told["watchdog.late"]["kept"] == ["WATCHDOG.WINDOW"]
    assert "not loosened unasked" in made["kept"]["WATCHDOG.ENABLE"]
    assert "kept: not computed by deadtime.enough.high" in made["kept"]["TIMING.DEAD_TIME"]
    text = " ".join(result.out.split())
    assert "deadtime.enough.high: needs mosfet.qg" in text
    assert "watchdog.late: needs watchdog.service_period in the stage" in text
    assert "TIMING.DEAD_TIME: 1 us; deadtime.enough" in text
    assert max(map(len, result.out.splitlines())) <= 80


def test_a_stage_that_says_nothing_yet_is_not_called_the_best(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for arguments in (("map", "m.yaml"), ("stage", "s.yaml", "--map", "m.yaml")):
        assert gateword("new", *arguments).status == 0
    text = " ".join(gateword("propose", "s.yaml").out.split())
    assert "settings are the best" not in text
    assert text.endswith(
        "No change to what could be computed, 3 fields kept with checks not computed: nothing has a margin"
    )


def test_nothing_is_called_as_good_while_its_check_is_not_judged(
    gateword: Run, blind: Path
) -> None:
    freed = gateword(
        "propose", str(blind), "--free", "WATCHDOG.WINDOW", "--free", "TIMING.FULL_DRIVE"
    ).out
    text = " ".join(freed.split())
    window = text[text.index("WATCHDOG.WINDOW") :].partition("Not judged")[0]
    assert "watchdog.late, watchdog.early are not computed" in window
    assert "as good" not in window.partition("TIMING.")[0]


@pytest.mark.parametrize(
    ("arguments", "near"),
    [
        (["--free", "SUPLY.UV"], "SUPPLY.UV"),
        (["--keep", "SUPPLY.UX"], "SUPPLY.U"),
        (["--goal", "gate.rise"], "gate.rise-time"),
        (["--free", "STATUS1.ANY"], ""),
    ],
)
def test_wrong_names_get_the_nearest(gateword: Run, arguments: list[str], near: str) -> None:
    result = gateword("propose", "coolant_pump", *ALONE, *arguments)
    assert result.status == 2
    assert near in result.err
    assert "Traceback" not in result.err


def test_progress_is_drawn_on_a_terminal_and_wiped() -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    out, err = io.StringIO(), Terminal()
    context = Context(
        stdin=io.StringIO(), stdout=out, stderr=err, environ={**os.environ, "TERM": "xterm"}
    )
    assert main(["propose", "coolant_pump", *ALONE, "--json"], context) == 0
    assert "searching, group" in err.getvalue()
    assert err.getvalue().endswith(" " * 78 + "\r")
    json.loads(out.getvalue())


def test_an_interrupt_gives_the_best_so_far_and_writes_nothing(
    gateword: Run, pump: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import regmap.cli.propose as command
    from regmap.assessment.propose import propose

    def stop(at: object) -> None:
        del at
        raise KeyboardInterrupt

    pump.write_text(pump.read_text().replace("OC_TH: 27 mV", "OC_TH: 82 mV"))
    before = pump.read_text()
    monkeypatch.setattr(
        command, "propose", lambda stage, **given: propose(stage, **{**given, "progress": stop})
    )
    result = gateword("propose", str(pump), "-o", str(pump))
    assert result.status == 130
    assert "stopped early: something better may exist" in " ".join(result.out.split())
    assert "interrupted: these are the best settings so far; nothing is written" in result.err
    assert pump.read_text() == before


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
def test_a_terminal_shows_the_search_and_ctrl_c_ends_it_with_the_best_so_far() -> None:
    screen, end = os.openpty()
    command = [sys.executable, "-m", "regmap.cli", "propose", "conveyor_drum", "--seconds", "600"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=end, env={**os.environ, "TERM": "xterm"}
    )
    os.close(end)
    shown = b""
    # a margin in the line: there is something to give
    while not re.search(rb"smallest margin [+-]\d", shown):
        shown += os.read(screen, 4096)
    process.send_signal(signal.SIGINT)
    out = process.communicate()[0].decode()
    shown += os.read(screen, 4096)
    os.close(screen)
    assert process.returncode == 130
    lines = shown.decode().split("\r")
    assert lines[1].startswith("searching, group 1 of ")
    assert max(map(len, lines)) <= 80
    assert lines[-3].strip() == ""  # wiped before anything is said
    assert "interrupted: these are the best settings so far; nothing is written" in lines[-2]
    assert "stopped early:" in " ".join(out.split())
    assert "smallest margin" in out


def test_a_hazard_that_a_latch_removes_is_told_as_such(gateword: Run) -> None:
    hot = ["--set", "MODE.VDS_ACT=retry", "--set", "MODE.RETRY=3ms", "--set", "mosfet.rth=90K/W"]
    result = gateword("propose", "coolant_pump", *ALONE, *hot, "--free", "MODE.VDS_ACT")
    told = " ".join(result.out.split())
    assert "MODE.VDS_ACT: retry -> latch at retry vds.retry.high fails" in told
    assert "now nothing to judge" in told


def test_a_protection_is_loosened_when_asked_and_time_is_a_number_above_0(gateword: Run) -> None:
    kept = json.loads(gateword("propose", "coolant_pump", *ALONE, "--json").out)
    assert kept["changes"].keys() & {"SENSE.OC_TH", "SUPPLY.OV"} == set()
    assert "SENSE.OC_TH" in kept["not_loosened"]
    asked = gateword("propose", "coolant_pump", *ALONE, "--loosen", "SENSE.OC_TH", "--json")
    made = json.loads(asked.out)
    assert made["changes"]["SENSE.OC_TH"] == "47 mV"
    assert {w["check"] for w in made["worse"]} >= {"overcurrent.protects"}
    assert {w["consequence"] for w in made["worse"]} <= {
        "destroys the bridge",
        "leaves a protection without effect",
        "stops the drive in normal running",
        "costs performance",
        "costs comfort",
    }
    assert gateword("propose", "coolant_pump", *ALONE, "--seconds", "0").status == 2
    assert gateword("propose", "coolant_pump", *ALONE, "--loosen", "SENSE.OC_XY").status == 2
