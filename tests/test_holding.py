"""Two processes on one stage, recording, log or port: the second is told by whom it is held; a crash lets go."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

import regmap
from regmap.draft.state import Draft
from regmap.errors import CallError
from regmap.files import _locks
from regmap.holding import HeldError, hold, state_folder
from regmap.maps.load import load_map
from regmap.stages.load import load_stage
from regmap.stages.save import StageChangedError, read_stage_text, save_stage
from regmap.twin.record import Recorder

pytestmark = pytest.mark.skipif(_locks is None, reason="no such locks on this system")

HOME = Path(regmap.__file__).parents[1]
HOLDER = """
import sys
from regmap.holding import hold
held = hold(sys.argv[1], "composes it")
print("held", flush=True)
sys.stdin.read()
"""


def holder(path: Path) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(HOME)},
    )  # fmt: skip
    assert process.stdout
    assert process.stdout.readline() == "held\n"
    return process


def gateword(folder: Path, *words: str, text: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *words],
        cwd=folder, input=text, capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": str(HOME)},
    )  # fmt: skip


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, None])
def test_the_second_is_told_who_and_a_crash_lets_go(
    tmp_path: Path, how: signal.Signals | None
) -> None:
    path = tmp_path / "pump.yaml"
    path.write_text("x")
    (tmp_path / "link.yaml").symlink_to(path)
    process = holder(path)
    for name in (path, tmp_path / "link.yaml", tmp_path / "." / "pump.yaml"):
        with pytest.raises(HeldError, match=rf"process {process.pid} composes it, since 20\d\d-"):
            hold(name, "saves it")
    hold(tmp_path / "other.yaml", "saves it").close()
    if how is None:
        process.communicate("")
    else:
        process.send_signal(how)
        process.communicate(timeout=20)
    for _ in range(3):
        with hold(path, "saves it"), pytest.raises(HeldError, match=f"process {os.getpid()} saves"):
            hold(path, "saves it")


def test_whatever_stands_in_the_file_of_a_holder(tmp_path: Path) -> None:
    for text in (
        "",
        "{",
        "[" * 3000,
        '{"pid": "\\u001b[2J"}',
        '{"pid": 1e400, "doing": 1}',
        "\udcff",
    ):
        held = hold(tmp_path / "x", "holds it")
        assert held.path is not None
        held.path.write_bytes(text.encode("utf-8", "surrogateescape"))
        with pytest.raises(HeldError, match="is in use: another process holds it"):
            hold(tmp_path / "x", "holds it")
        held.close()
        held.close()


def test_where_nothing_can_be_kept_nothing_is_held(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    environ = {"GATEWORD_STATE": str(tmp_path / "state")}
    with hold("x", "holds it", environ) as one, hold("x", "holds it", environ) as two:
        assert one.path is two.path is None
    assert state_folder({"XDG_STATE_HOME": "/x"}) == Path("/x/gateword")
    assert state_folder({"LOCALAPPDATA": "/y"}) == Path("/y/gateword")
    assert state_folder({"HOME": "/z"}) == Path("/z/.local/state/gateword")


def test_a_hundred_at_once_are_never_two(tmp_path: Path) -> None:
    """Taken and let go by threads as fast as they can: who holds is alone."""
    inside: list[int] = []
    most: list[int] = []

    def work() -> None:
        for _ in range(40):
            try:
                with hold(tmp_path / "x", "works"):
                    inside.append(1)
                    most.append(len(inside))
                    inside.pop()
            except HeldError:
                continue

    threads = [threading.Thread(target=work) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert max(most) == 1


def test_the_second_composer_of_a_stage_is_told(tmp_path: Path) -> None:
    stage = (HOME / "devices" / "coolant_pump.yaml").read_text(encoding="utf-8")
    (tmp_path / "pump.yaml").write_text(stage, encoding="utf-8")
    process = holder(tmp_path / "pump.yaml")
    try:
        second = gateword(tmp_path, "compose", "pump.yaml", "--lines", text="leave\n")
        told = f"note: {tmp_path / 'pump.yaml'} is in use: process {process.pid} composes it"
        assert told.replace(f"{tmp_path}/", "") in second.stderr.replace(f"{tmp_path}/", "")
    finally:
        process.kill()
        process.communicate()
    assert "is in use" not in gateword(tmp_path, "compose", "pump.yaml", "--lines", text="leave\n").stderr  # fmt: skip


def test_two_saves_at_once_lose_none(tmp_path: Path) -> None:
    """Both begin on the same text: one is saved, the other is asked."""
    path = tmp_path / "pump.yaml"
    path.write_text((HOME / "devices" / "coolant_pump.yaml").read_text(encoding="utf-8"))
    base, chip = read_stage_text(path), load_map("quoll16")
    saved: list[str] = []
    refused: list[str] = []

    def save(value: str) -> None:
        try:
            save_stage(path, base, {"GATE_HS.SOURCE": value}, chip)
            saved.append(value)
        except StageChangedError:
            refused.append(value)

    threads = [threading.Thread(target=save, args=(v,)) for v in ("51 mA", "75 mA", "62 mA")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(saved), len(refused)) == (1, 2)
    assert Draft(load_stage(path)).statements["GATE_HS.SOURCE"] == saved[0]


def test_a_recording_has_one_writer(tmp_path: Path) -> None:
    first = Recorder(tmp_path / "a.vcd")
    with pytest.raises(CallError, match=f"a.vcd is in use: process {os.getpid()} records it"):
        Recorder(tmp_path / "a.vcd")
    second = gateword(tmp_path, "twin", "quoll16", "--stdio", "--vcd", "a.vcd")
    assert second.returncode == 2
    assert f"a.vcd is in use: process {os.getpid()} records it" in second.stderr
    first.close()
    third = gateword(tmp_path, "twin", "quoll16", "--stdio", "--vcd", "a.vcd")
    assert third.returncode == 2
    assert "exists, and a recording is never overwritten" in third.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["a.vcd"]


def test_results_of_a_campaign_have_one_writer(tmp_path: Path) -> None:
    process = holder(tmp_path / "results.jsonl")
    try:
        done = gateword(tmp_path, "campaign", "quoll16", "-o", "results.jsonl")
        assert done.returncode == 2
        assert f"results.jsonl is in use: process {process.pid} composes it" in done.stderr
    finally:
        process.kill()
        process.communicate()
