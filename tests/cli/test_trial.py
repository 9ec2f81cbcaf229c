"""What a first-time user ran into: each test is a place where the program lied, was silent or fell over."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.cli.context import Context
from regmap.cli.files import write_text
from regmap.cli.main import main
from regmap.maps.load import find_document

Run = Callable[..., Any]


def test_a_special_file_is_written_into_and_never_replaced(tmp_path: Path) -> None:
    """A rename over /dev/null or a pipe would leave a regular file in its place."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()), daemon=True)
    reader.start()
    assert write_text(pipe, "text\n")
    reader.join(5)
    assert got == ["text\n"]
    assert pipe.is_fifo()


def test_a_link_keeps_pointing_where_it_did(tmp_path: Path) -> None:
    real, link = tmp_path / "real.h", tmp_path / "link.h"
    real.write_text("old")
    link.symlink_to(real)
    write_text(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def program(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli", *arguments], text=True, check=False, timeout=60, **more
    )


@pytest.mark.skipif(
    not Path("/dev/full").is_char_device(), reason="no device here that is always full"
)
def test_a_full_disk_is_told() -> None:
    for arguments in (["show", "quoll16"], ["--help"], ["check", "--help"]):
        with Path("/dev/full").open("w") as full:
            result = program(*arguments, stdout=full, stderr=subprocess.PIPE)
        assert result.returncode == 2, arguments
        assert result.stderr.startswith("gateword: ")
        assert result.stderr.endswith("No space left on device\n")
        assert result.stderr.count("\n") == 1


def test_a_closed_output_is_no_traceback() -> None:
    line = f'"{sys.executable}" -m regmap.cli vet quoll16 >&-'
    result = subprocess.run(
        ["sh", "-c", line], capture_output=True, text=True, check=False, timeout=60
    )
    assert (result.returncode, result.stderr) == (0, "")


def test_an_unknown_option_is_told_by_its_command(gateword: Run) -> None:
    result = gateword("check", "coolant_pump", "--pot", "x")
    assert result.status == 2
    assert "usage: gateword check" in result.err
    assert "no option '--pot'; nearest: --plot" in result.err
    assert (
        "gateword show: error: 'B' is one argument too many"
        in gateword("show", "quoll16", "A", "B").err
    )


def test_no_color_may_stand_last(gateword: Run) -> None:
    assert gateword("show", "quoll16", "VDS", "--no-color").status == 0
    assert gateword("--no-color", "show", "quoll16", "VDS").status == 0


def test_what_may_be_left_out_is_not_asked_for(gateword: Run) -> None:
    assert gateword("check").err.endswith("the following arguments are required: STAGE\n")


def test_a_closed_error_stream_keeps_the_status() -> None:
    result = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m regmap.cli vet no_such 2>&-; echo $?'],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert result.stdout.endswith("2\n")


MAP = Path(__file__).parent / "trial" / "tarsier32.yaml"


def test_configure_all_does_not_serve_the_watchdog() -> None:
    """A service word written amid the configuration is a wrong or early service (common practice, no source)."""
    from regmap.behaviour.settings import setting_registers
    from regmap.maps.load import load_map

    assert [r.name for r in setting_registers(load_map(MAP))] == ["GATE", "VDS", "CSA", "WDOG"]


STAGE = MAP.with_name("my_pump.yaml")


def test_no_verdict_is_cut_and_no_line_is_too_long(gateword: Run) -> None:
    """A stage at its beginning lacks much; what it lacks is named whole, and where to state it."""
    out = gateword("check", str(STAGE)).out
    assert max(map(len, out.splitlines())) <= 80
    assert "~" not in out
    flat = " ".join(out.split())
    assert (
        "deadtime.enough 425 ns / 500 ns / 575 ns, needs propagation.off, propagation.on in the map's electrical"
        in flat
    )
    assert (
        "undervoltage.no-false-trip needs uv.threshold as a role in the map or in its electrical"
        in flat
    )


@pytest.mark.parametrize("command", ["check", "vet"])
def test_a_rounded_setting_is_told(gateword: Run, command: str) -> None:
    out = gateword(command, str(STAGE)).out
    assert "GATE.SOURCE is 130 mA: asked 120 mA, off by +8.33 %" in out
    assert "VDS.BLANK is 2 us: asked 3 us, off by -33.3 %; 4 us is as near" in out


def test_a_sweep_names_what_it_could_not_judge(gateword: Run) -> None:
    """The shortest dead time is no best value where nobody computed whether it is enough."""
    out = " ".join(gateword("sweep", str(STAGE), "GATE.DEAD").out.split())
    assert (
        "not computed: deadtime.enough, needs propagation.off, propagation.on in the map's electrical"
        in out
    )
    assert "It knows nothing of what is not computed." in out
    assert "not computed" not in gateword("sweep", "coolant_pump", "TIMING.DEAD_TIME").out


def test_folded_steps_hang_under_their_step(gateword: Run) -> None:
    lines = gateword("check", str(STAGE), "--explain", "vds.protects.high").out.splitlines()
    at = next(
        i for i, line in enumerate(lines) if line.startswith("        min: 220 mV / 4.56 mohm")
    )
    assert lines[at + 1] == "          max)"


def test_a_flag_without_a_fault_is_not_passed_over(gateword: Run) -> None:
    """Five of six flags of this register have no fault in the map; that they are set must be said."""
    out = gateword("explain", str(STAGE), "STAT2=0x3F", "STAT1=0").out
    for name in ("VDS_UL", "VDS_VH", "VDS_VL", "VDS_WH", "VDS_WL"):
        assert f"note: STAT2.{name} is set" in out
    alone = gateword("explain", str(MAP), "STAT2=0x04", "STAT1=0").out
    assert "No fault that the map names is raised in these words." in alone
    warned = " ".join(gateword("vet", str(MAP)).out.split())
    assert (
        "warning: STAT1.OV, STAT1.CP, STAT1.OT, STAT1.CRC, STAT1.WD are flags that no fault names"
        in warned
    )


def test_how_a_fault_clears_is_told_without_a_text_for_it(gateword: Run) -> None:
    assert "  clears: read STAT2\n" in gateword("explain", str(STAGE), "STAT2=0x10", "STAT1=0").out


def test_a_value_without_its_unit_is_told(gateword: Run, tmp_path: Path) -> None:
    text = MAP.read_text().replace("{0: 0.7 us, 1: 1.2 us", "{0: 0.7, 1: 1.2 us")
    (tmp_path / "bare.yaml").write_text(text)
    assert (
        "warning: VDS.FILT has the option 0.7 without a unit, which is a name and no value; expected a time with its unit"
        in gateword("vet", str(tmp_path / "bare.yaml")).out
    )
    (tmp_path / "none.yaml").write_text(
        MAP.read_text().replace(
            "{0: 27 V/V, 1: 12 V/V, 2: {name: x18, value: 18 V/V}, 3: 8 V/V}",
            "{0: 27, 1: 12, 2: 18, 3: 8}",
        )
    )
    assert (
        "expected options, a table or a scale that give a gain, with its unit, as 5 V/V"
        in gateword("vet", str(tmp_path / "none.yaml")).out
    )


def test_forbidden_writes_are_cautioned(gateword: Run) -> None:
    """Reserved bits at another value than stated are a data sheet's "write 0" (common practice, no source)."""
    text = "caution: reserved bits 13..12 are not as the map says: 0x3000 in place of 0x0 (mask 0xF000)"
    assert text in " ".join(gateword("encode", str(MAP), "GATE=0x3A5C").out.split())
    assert text in " ".join(gateword("decode", str(MAP), "0x903A5C68").out.split())
    assert (
        "caution: STAT1 is only read; a write does nothing"
        in gateword("encode", str(MAP), "STAT1=1").out
    )
    assert "caution" not in gateword("encode", str(MAP), "GATE.SOURCE=85 mA", "read:STAT1").out
    [frame] = json.loads(gateword("encode", str(MAP), "GATE=0x3A5C", "--json").out)["frames"]
    assert frame["cautions"][0].startswith("reserved bits 13..12")


def test_hints_name_the_map_as_the_command_line_must(gateword: Run) -> None:
    assert f"`gateword show {MAP} REG` tells more" in gateword("show", str(MAP)).out
    hint = gateword("decode", str(MAP), "0x000000F1:0x00800125").out
    assert f"`gateword explain {MAP} STAT1=0x8001` tells more" in hint


def test_a_reply_alone_shows_all_digits_of_its_data(gateword: Run) -> None:
    assert "reply, data 0x0000" in gateword("decode", str(MAP), "--reply", "0x00000000").out


@pytest.mark.parametrize("what", ["VDS_UH", "VDS", "VDS.THRESHOLD", "main"])
def test_show_gives_json_of_everything(gateword: Run, what: str) -> None:
    assert json.loads(gateword("show", "quoll16", what, "--json").out)["schema"] == 1


def test_show_names_fields_where_a_register_has_no_summary(gateword: Run) -> None:
    out = gateword("show", str(MAP)).out
    assert "0x10     GATE   0x0000  16    SOURCE, SINK, DEAD\n" in out
    assert not [line for line in out.splitlines() if line != line.rstrip()]


def test_new_files_are_called_after_their_file_and_find_their_map(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "stages").mkdir()
    assert gateword("new", "map", "-o", "tarsier.yaml").status == 0
    assert gateword("new", "stage", "-o", "stages/pump.yaml", "--map", "tarsier.yaml").status == 0
    assert "stage pump on tarsier, 0 settings" in gateword("vet", "stages/pump.yaml").out
    assert not [
        line
        for line in (tmp_path / "stages/pump.yaml").read_text().splitlines()
        if line.endswith("#")
    ][1:]


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_messages_fold_on_a_terminal_and_stay_whole_for_programs() -> None:
    out, folded, whole = io.StringIO(), _Terminal(), io.StringIO()
    main(["vet", "quoll16", "--against", "no_such.h"], Context(stdout=out, stderr=folded))
    main(["show", "nothing_of_that_name"], Context(stdout=out, stderr=folded))
    main(["show", "nothing_of_that_name"], Context(stdout=out, stderr=whole))
    assert len(whole.getvalue().splitlines()) == 1
    assert max(map(len, whole.getvalue().splitlines())) > 80
    assert max(map(len, folded.getvalue().splitlines())) <= 80
    assert " ".join(whole.getvalue().split()) in " ".join(folded.getvalue().split())


def test_an_interrupt_while_a_module_loads_is_no_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("regmap.cli.main.importlib.import_module", interrupted)
    err = io.StringIO()
    assert main(["show", "quoll16"], Context(stdout=io.StringIO(), stderr=err)) == 130
    assert err.getvalue() == "gateword: interrupted\n"


def test_an_interrupt_while_a_string_is_run_as_code_has_its_status_too(tmp_path: Path) -> None:
    """CPython 3.11 kills a program run by `-m` with SIGINT (status -2) where the interrupt came through `exec` of a string.

    Named tuples and data classes are made so; at the end of such a program the interpreter still remembers it.
    """
    (tmp_path / "interrupts.py").write_text(
        "import runpy, sys\n"
        "import regmap.cli.main as program\n"
        "def loading(*_): exec('raise KeyboardInterrupt')\n"
        "program.importlib.import_module = loading\n"
        "sys.argv[1:] = ['show', 'quoll16']\n"
        "runpy.run_module('regmap.cli', run_name='__main__')\n"
    )
    path = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[2])])
    ended = subprocess.run(
        [sys.executable, "-m", "interrupts"],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (ended.returncode, ended.stderr) == (130, "gateword: interrupted\n")


def test_a_pasted_word_that_lost_a_digit_is_noted(gateword: Run) -> None:
    """0x23F passes the parity of a 16-bit frame, so nothing else would tell."""
    result = gateword("decode", "quoll16", "23F")
    assert (
        result.err
        == "note: '23F' has 3 hex digits, a frame of quoll16 at least 4; read as 0x023F\n"
    )
    assert gateword("decode", "quoll16", "0x2291", "0", "0x0:0x0").err == ""
    assert (
        "is more than one word; expected each as an argument of its own"
        in gateword("decode", "quoll16", "0x2291 0x5896").err
    )


def test_a_verdict_without_a_margin_announces_none(gateword: Run) -> None:
    told = gateword("check", "coolant_pump", "--explain", "reaction.masked").out
    assert [line.strip() for line in told.splitlines() if "verdict:" in line] == ["verdict: holds"]


def test_a_document_comes_from_standard_input(gateword: Run) -> None:
    stage, chip = (Path(find_document(n)).read_bytes() for n in ("coolant_pump", "quoll16"))
    sound = gateword("vet", "-", stdin=stage)
    assert (sound.status, sound.out) == (
        0,
        "standard input: sound: stage coolant_pump on quoll16, 25 settings\n",
    )
    assert gateword("vet", "-", stdin=chip).out.startswith("standard input: sound: map quoll16: ")
    wrong = gateword("vet", "-", stdin=stage.replace(b"DEAD_TIME: 1 us", b"DEAD_TIMES: 1 us"))
    assert wrong.status == 1
    assert (
        "standard input:90:5: error: quoll16 has no field 'TIMING.DEAD_TIMES'; expected a field or value of the map; nearest: TIMING.DEAD_TIME"
        in " ".join(wrong.out.split())
    )
    for arguments in (
        ("check",),
        ("sweep", "TIMING.DEAD_TIME"),
        ("propose", "--free", "SENSE.OC_TH"),
        ("diff", "conveyor_drum"),
    ):
        command, *rest = arguments
        piped = gateword(command, "-", *rest, stdin=stage)
        named = gateword(command, "coolant_pump", *rest)
        assert (piped.status, piped.out) == (named.status, named.out)
    assert (
        gateword("show", "-", "TIMING", stdin=chip).out == gateword("show", "quoll16", "TIMING").out
    )
    assert gateword("propose", "-", "-o", "x.yaml", stdin=stage).status == 2
    assert gateword("diff", "-", "-", stdin=stage).status == 2
    assert gateword("vet", "-", stdin=b"\xff\xfe\x00").status == 2


def test_settings_without_a_value_are_named_once(gateword: Run) -> None:
    bare = " ".join(gateword("explain", "quoll16", "STATUS1=0x041").out.split())
    assert "= not known" not in bare
    assert "(their values are not known; a stage tells them)" in bare
    assert "decided by VDS.THRESHOLD = 250 mV" in " ".join(
        gateword("explain", "coolant_pump", "STATUS1=0x041").out.split()
    )
