"""kill -9 at random moments of every writing command: nothing lost, nothing half-written.

`GATEWORD_KILLS=500 pytest tests/cli/test_killed.py` kills that many in all; a few stand in the suite.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import regmap
from regmap.stages.load import read_stage

HOME = Path(regmap.__file__).parents[1]
KILLS = int(os.environ.get("GATEWORD_KILLS", "18"))
OLD = "what stood there before\n"

#: command and the file it writes
WRITERS = {
    "header": ("header pump.yaml -o pump.h", "pump.h"),
    "pair": ("header pump.yaml -o pair.h --source pair.c --depfile pair.d", "pair.c"),
    "record": ("report pump.yaml -o pump.html", "pump.html"),
    "deck": ("check pump.yaml --spice pump.cir", "pump.cir"),
    "propose": ("propose pump.yaml -o pump.yaml", "pump.yaml"),
    "other": ("propose pump.yaml -o other.yaml --force", "other.yaml"),
    "new": ("new stage fresh.yaml --map quoll16 --force", "fresh.yaml"),
    "compose": ("compose pump.yaml --lines", "pump.yaml"),
    "twin": ("twin quoll16 --stdio --vcd twin.vcd", "twin.vcd"),
}
KEYS = "set GATE_HS.SOURCE = 51 mA\nsave\nset GATE_HS.SOURCE = 75 mA\nsave\nquit\n"
#: names that a killed run may leave, as the documents say
PARTS = re.compile(r"\.?[\w.]+\.[0-9a-f]{8}\.part")


def start(folder: Path, line: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "regmap.cli.main", *line.split()],
        cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONPATH": str(HOME), "GATEWORD_STATE": str(folder / "state")},
    )  # fmt: skip


def lay(folder: Path) -> None:
    folder.mkdir()
    stage = (HOME / "devices" / "coolant_pump.yaml").read_text(encoding="utf-8")
    (folder / "pump.yaml").write_text(stage, encoding="utf-8")
    for name in (
        "pump.h",
        "pair.h",
        "pair.c",
        "pair.d",
        "pump.html",
        "pump.cir",
        "other.yaml",
        "fresh.yaml",
    ):
        (folder / name).write_text(OLD, encoding="utf-8")


def feed(process: subprocess.Popen[str], name: str) -> None:
    assert process.stdin
    try:
        process.stdin.write(KEYS if name == "compose" else "")
        process.stdin.close()
    except BrokenPipeError:
        pass


@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.one_in(7)
def test_a_killed_command_leaves_the_old_or_the_new_file(tmp_path: Path, name: str) -> None:
    line, output = WRITERS[name]
    lay(tmp_path / "whole")
    began = time.monotonic()
    process = start(tmp_path / "whole", line)
    feed(process, name)
    process.wait(60)
    length = time.monotonic() - began
    new = {
        p.name: p.read_text(encoding="utf-8") for p in (tmp_path / "whole").iterdir() if p.is_file()
    }
    assert new[output] != OLD
    rng = random.Random(name)
    for number in range(max(1, KILLS // len(WRITERS))):
        folder = tmp_path / str(number)
        lay(folder)
        before = {p.name: p.read_text(encoding="utf-8") for p in folder.iterdir()}
        process = start(folder, line)
        feed(process, name)
        time.sleep(rng.uniform(0, length * 1.1))
        process.send_signal(signal.SIGKILL)
        process.wait(60)
        for path in folder.iterdir():
            if path.name == "state":
                continue
            if path.name == output and path.name not in before:
                assert path.read_text(encoding="utf-8") == new[output]
                path.unlink()  # a recording is never overwritten
                continue
            if path.name not in before:
                assert PARTS.fullmatch(path.name), path.name
                continue
            text = path.read_text(encoding="utf-8")
            if path.name == "pump.yaml" and text not in (before["pump.yaml"], new["pump.yaml"]):
                assert read_stage(path)[0] is not None, "the first of two saves"
                assert "51 mA" in text
            elif path.name == "pump.yaml" or text == before[path.name]:
                continue
            else:
                assert text == new[path.name], f"{path.name} is half-written"
        # and the same command runs afterwards as if nothing had been
        if name not in ("compose", "propose") and number % 5 == 0:
            process = start(folder, line)
            feed(process, name)
            process.wait(60)
            assert (folder / output).read_text(encoding="utf-8") == new[output]
