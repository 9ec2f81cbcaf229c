"""The program's promises: exit statuses, one clear message, JSON with a schema number, README that cannot drift."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.cli.main import COMMANDS

Run = Callable[..., Any]
ROOT = Path(__file__).parents[2]


def console_examples() -> list[tuple[list[str], str]]:
    """Every `$ gateword ...` of README.md with the output shown under it."""
    import shlex

    found = []
    for block in re.findall(r"```console\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL):
        for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = piece.partition("\n")
            found.append((shlex.split(command)[1:], output.strip("\n")))
    return found


@pytest.mark.parametrize(
    ("arguments", "output"), console_examples(), ids=lambda x: x[0] if isinstance(x, list) else ""
)
def test_readme_shows_what_the_program_prints(
    gateword: Run, arguments: list[str], output: str
) -> None:
    assert gateword(*arguments).out.strip("\n") == output


def test_readme_has_examples() -> None:
    assert len(console_examples()) >= 2


def test_help_names_every_command_and_the_caution(gateword: Run) -> None:
    result = gateword("--help")
    assert result.status == 0
    for name in COMMANDS:
        assert re.search(rf"^ +{name}\b", result.out, re.MULTILINE)
    assert "do not replace" in " ".join(result.out.split())


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help(gateword: Run, name: str) -> None:
    result = gateword(name, "--help")
    assert result.status == 0
    assert f"usage: gateword {name}" in result.out


def test_the_readmes_daily_use_runs_from_the_first_line_to_the_last(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a map and a stage as `new` writes them, and a bundled capture of another chip."""
    import shlex

    section = (ROOT / "README.md").read_text().partition("### Daily use")[2]
    lines = section.partition("```sh\n")[2].partition("```")[0].splitlines()
    assert 8 <= len(lines) <= 14
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bench.vcd").write_bytes((ROOT / "captures" / "pump_short.vcd").read_bytes())
    for line in lines:
        result = gateword(*shlex.split(line, comments=True)[1:])
        assert result.status in (0, 1), (
            line,
            result,
        )  # 1: findings, as the capture is of another chip
        assert "Traceback" not in result.err
    assert {p.name for p in tmp_path.iterdir()} == {
        "bench.vcd",
        "driver.yaml",
        "pump.yaml",
        "pump.h",
        "pump.html",
    }


def test_the_readmes_stage_is_sound(gateword: Run) -> None:
    text = (ROOT / "README.md").read_text().partition("```yaml\n")[2].partition("```")[0]
    assert (
        gateword("vet", "-", stdin=text.encode()).out
        == "standard input: sound: stage my_pump on quoll16, 2 settings\n"
    )


def test_no_command_is_wrong_use(gateword: Run) -> None:
    result = gateword()
    assert result.status == 2
    assert "usage" in result.err


def test_a_mistyped_command_gets_the_nearest(gateword: Run) -> None:
    result = gateword("enocde", "quoll16")
    assert result.status == 2
    assert "nearest: encode" in result.err


BAD: list[tuple[list[str], str]] = [
    (["vet", "nothere.yaml"], "nothere.yaml: error: no such file"),
    (["vet", "quol16"], "nearest: quoll16"),
    (["show", "."], "a directory"),
    (["show", "quoll16", "GATE_HX"], "nearest: GATE_HS"),
    (["show", "quoll16", "GATE_HS", "--word", "0x400"], "does not fit the 10 bits"),
    (["encode", "quoll16", "GATE_HS.SOURCE=3 V"], "is a voltage; SOURCE is a current"),
    (["encode", "quoll16", "GATE_HS.SOURCE=red"], "is not a"),
    (["encode", "quoll16", "GATE_HS=0x400"], "does not fit the 10 bits of GATE_HS"),
    (["encode", "quoll16", "read:GATEHS"], "nearest: GATE_HS"),
    (["encode", "quoll16", "read:ID", "--from", "GATE_HS"], "is not REG=WORD"),
    (["decode", "quoll16", "0x12345"], "frames of quoll16 have at most 16"),
    (["decode", "quoll16", "12G4"], "'G' is no hex digit"),
    (["decode", "quoll16", "--reply", "--to", "STATS1", "FFFF"], "nearest: STATUS1"),
    (["explain", "quoll16", "STATUS1"], "is not REG=WORD"),
    (["explain", "quoll16", "STATUS9=1"], "nearest: STATUS"),
    (["explain", "quoll16", "STATUS1=0x800"], "does not fit the 10 bits of STATUS1"),
    (["check", "quoll16"], "a map; expected a stage"),
    (["show", "coolant_pump"], "a stage; expected a map"),
    (["check", "coolant_pump", "gaet"], "nearest: gate"),
    (["check", "coolant_pump", "--set", "TIMING.DEAD_TIME"], "is not REG.FIELD=VALUE"),
    (["sweep", "coolant_pump", "STATUS1.OT"], "holds no setting"),
    (["sweep", "coolant_pump", "TIMING.DEADTIME"], "nearest: TIMING.DEAD_TIME"),
]


@pytest.mark.parametrize(
    ("arguments", "says"), BAD, ids=lambda x: " ".join(x) if isinstance(x, list) else ""
)
def test_bad_input_is_one_clear_message_and_exit_2(
    gateword: Run, arguments: list[str], says: str
) -> None:
    result = gateword(*arguments)
    assert result.status == 2, result
    assert says in result.err + result.out
    assert "Traceback" not in result.err


FILES = {
    "empty.yaml": (b"", "an empty file"),
    "binary.yaml": (b"\x00\x01\x02", "a binary file"),
    "latin.yaml": (b"chip: {name: \xe4}", "byte 0xE4 is not UTF-8"),
    "syntax.yaml": (b"a: [1, 2\nb: 3\n", "not YAML"),
    "tab.yaml": (b"a:\n\tb: 1\n", "not YAML"),
    "double.yaml": (b"gateword_map: 1\ngateword_stage: 1\nmap: a\nmap: b\n", "error: "),
    "bomb.yaml": (
        b"a: &a [x,x,x,x,x,x,x,x,x]\n"
        + b"".join(
            b"%c: &%c [%s]\n" % (c + 1, c + 1, b",".join([b"*%c" % c] * 9))
            for c in range(ord("a"), ord("k"))
        ),
        "more than 60000 values",
    ),
    "list.yaml": (b"- 1\n", "a list"),
    "tag.yaml": (b"a: !!python/object:os.system x\n", "the tag"),
}


@pytest.mark.parametrize("name", sorted(FILES))
@pytest.mark.parametrize("command", ["show", "check"])
def test_unreadable_files(gateword: Run, tmp_path: Path, name: str, command: str) -> None:
    data, says = FILES[name]
    path = tmp_path / name
    path.write_bytes(data)
    result = gateword(command, str(path))
    assert result.status == 2
    assert says in result.err
    if b"\n" in data:
        assert re.search(rf"{re.escape(str(path))}:\d+:\d+: error: ", result.err)


JSON = [
    ["vet", "quoll16", "--json"],
    ["show", "quoll16", "--json"],
    ["show", "quoll16", "GATE_HS", "--json"],
    ["show", "quoll16", "GATE_HS.SOURCE", "--json"],
    ["encode", "quoll16", "GATE_HS.SOURCE=56 mA", "--json"],
    ["decode", "quoll16", "0x2000", "--json"],
    ["explain", "quoll16", "STATUS1=0x109", "--json"],
    ["check", "coolant_pump", "--json"],
    ["sweep", "coolant_pump", "VDS.THRESHOLD", "--json"],
]


@pytest.mark.parametrize("arguments", JSON, ids=" ".join)
def test_json_is_one_object_with_a_schema_number(gateword: Run, arguments: list[str]) -> None:
    document = json.loads(gateword(*arguments).out)
    assert document["schema"] == 1
    assert document["kind"]


TEXT = [a[:-1] for a in JSON]


@pytest.mark.parametrize("arguments", TEXT, ids=" ".join)
def test_text_fits_80_columns_and_has_no_colour_when_piped(
    gateword: Run, arguments: list[str]
) -> None:
    result = gateword(*arguments)
    assert "\x1b" not in result.out
    assert result.out
    assert max(map(len, result.out.splitlines())) <= 80


def test_encode_agrees_with_decode(gateword: Run) -> None:
    word = json.loads(
        gateword("encode", "numbat24", "read:" + first_register("numbat24"), "--json").out
    )["frames"][0]["hex"]
    decoded = json.loads(gateword("decode", "numbat24", word, "--json").out)["words"][0]
    assert decoded["register"] == first_register("numbat24")
    assert decoded["errors"] == []


def first_register(chip: str) -> str:
    from regmap.maps.load import load_map

    return next(iter(load_map(chip).registers))


def test_encode_shows_asked_and_error(gateword: Run) -> None:
    assert (
        "(asked 55 mA, off by +1.82 %)" in gateword("encode", "quoll16", "GATE_HS.SOURCE=55 mA").out
    )


def test_decode_rejects_a_flipped_bit_and_says_so(gateword: Run) -> None:
    result = gateword("decode", "quoll16", "0x2290")
    assert result.status == 1
    assert "rejected: parity 'parity' is 0; odd parity wants 1" in result.out
    assert "SOURCE =" not in result.out


def test_decode_recognises_a_dead_bus(gateword: Run) -> None:
    result = gateword("decode", "quoll16", "--reply", "FFFF", "FFFF")
    assert result.status == 1
    assert "\nwiring: every reply is all ones" in result.out


def test_check_exit_status_follows_the_verdicts(gateword: Run) -> None:
    assert gateword("check", "coolant_pump").status == 0
    result = gateword("check", "coolant_pump", "--set", "TIMING.DEAD_TIME=150 ns")
    assert result.status == 1
    assert result.out.splitlines()[1].startswith("FAILS        deadtime.enough ")
    assert result.out.splitlines()[-1].endswith("first: deadtime.enough.high")


def test_new_map_and_stage_vet_clean(gateword: Run, tmp_path: Path) -> None:
    for kind in ("map", "stage"):
        path = tmp_path / f"{kind}.yaml"
        assert gateword("new", kind, str(path)).status == 0
        result = gateword("vet", "--strict", str(path))
        assert result.status == 0, result.out
        again = gateword("new", kind, str(path))
        assert again.status == 2
        assert "is there already" in again.err


def test_vet_schema_is_that_of_schema(gateword: Run) -> None:
    for kind in ("map", "stage"):
        told = gateword("vet", "--schema", kind).out
        assert json.loads(told) == json.loads(gateword("schema", kind).out)


def test_a_closed_pipe_is_no_error() -> None:
    command = f"{sys.executable} -m regmap.cli show quoll16 | head -1; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(
        ["bash", "-c", command], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0
    assert done.stderr == ""
