"""`gateword link` and `gateword twin` as processes: confirmation, dry run, records, Ctrl-C, terminals."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from regmap.behaviour.effects import compare
from regmap.chip.bank import Bank
from regmap.stages.load import load_stage
from regmap.testing import gateword_port  # noqa: F401

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]


@pytest.fixture
def port() -> Iterator[str]:
    """A simulated quoll16 in a process of its own."""
    process = subprocess.Popen(
        [*PROGRAM, "twin", "quoll16"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stderr is not None
    path = process.stdout.readline().strip()
    yield path
    process.send_signal(signal.SIGINT)
    assert process.wait(10) == 130
    assert "Traceback" not in process.stderr.read()
    process.stdout.close()
    process.stderr.close()


def gateword(*words: str, text: str = "") -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        [*PROGRAM, *words], input=text, capture_output=True, text=True, timeout=60, check=False
    )
    assert "Traceback" not in done.stderr, done.stderr
    return done


def test_bring_up_from_an_unknown_state_ends_in_a_written_record(port: str, tmp_path: Path) -> None:
    record = tmp_path / "bring_up.jsonl"
    assert (
        gateword("link", port, "write", "quoll16", "VDS = 0x090", "--allow-writes").returncode == 0
    )
    done = gateword("link", port, "apply", "coolant_pump", "--allow-writes", "--log", str(record))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "8 registers read back at the end, every bit as wanted." in " ".join(done.stdout.split())
    assert "capacitors stay charged" in " ".join(done.stderr.split())
    events = [json.loads(line) for line in record.read_text().splitlines()]
    assert events[0]["stage"] == "coolant_pump"
    assert events[0]["port"] == port
    assert len(events[0]["identity"]["maps"][0]["digest"]) == 64
    found = next(e for e in events if e["event"] == "found")
    assert found["words"]["VDS"] == "0x90", "what the chip held before is in the record"
    assert next(e for e in events if e["event"] == "applied")["ok"] is True
    assert events[-1]["how"] == "finished"
    verified = gateword("link", port, "verify", "coolant_pump", "--json")
    assert verified.returncode == 0
    assert json.loads(verified.stdout)["ok"] is True
    again = gateword("link", port, "apply", "coolant_pump", "--allow-writes", "--any-state")
    assert again.returncode == 0
    assert gateword("link", port, "apply", "conveyor_drum", "--allow-writes").returncode == 3


def test_no_write_without_an_explicit_word(port: str) -> None:
    for words in (
        ["apply", "coolant_pump"],
        ["write", "quoll16", "VDS = 3"],
        ["pins", "quoll16", "--enable", "high"],
    ):
        done = gateword("link", port, *words)
        assert done.returncode == 2
        assert port in done.stderr
        assert "--allow-writes" in done.stderr
    assert "0x0A0" in gateword("link", port, "read", "quoll16", "VDS").stdout


def test_dry_run_prints_frames_and_needs_no_port() -> None:
    done = gateword("link", "/dev/nowhere", "apply", "coolant_pump", "--dry-run")
    assert done.returncode == 0
    assert "0x5896  lock: send LOCK.KEY = locked" in done.stdout
    done = gateword("link", "/dev/nowhere", "write", "quoll16", "GATE_HS = 0x284", "--dry-run")
    # the frame of the data sheet's example 2: address 4, data 0x284, odd parity
    assert done.stdout.startswith("0x2509")
    done = gateword(
        "link",
        "/dev/nowhere",
        "script",
        "quoll16",
        "-",
        "--dry-run",
        text="write LOCK = 0x04B\nread ID\n",
    )
    assert done.stdout.split() == ["0x5896", "write", "LOCK", "=", "0x04B", "0xF800", "read", "ID"]


@pytest.mark.parametrize(
    ("words", "status", "message"),
    [
        (["/dev/nowhere", "read", "quoll16"], 3, "cannot open /dev/nowhere"),
        (["/dev/nowhere", "read", "quol16"], 2, "nearest: quoll16"),
        (["/dev/nowhere", "apply", "quoll16", "--allow-writes"], 2, "is a map; expected a stage"),
        (["/dev/nowhere", "read", "quoll16", "GATEHS"], 2, "nearest: GATE_HS"),
        (
            ["/dev/nowhere", "write", "quoll16", "VDS.THRESHOLD = 9 V", "--allow-writes"],
            2,
            "outside what THRESHOLD can do",
        ),
        (["/dev/nowhere", "read", "quoll16", "--timeout", "3 V"], 2, "is no time"),
        (["/dev/nowhere"], 2, "no action"),
    ],
)
def test_wrong_use_is_one_clear_message(words: list[str], status: int, message: str) -> None:
    done = gateword("link", *words)
    assert done.returncode == status
    assert message in done.stderr


def test_script_from_a_file(port: str, tmp_path: Path) -> None:
    path = tmp_path / "stand.txt"
    path.write_text("expect ID = 0x161\nwrite VDS.THRESHOLD = 215 mV\nverify\n")
    done = gateword("link", port, "script", "quoll16", str(path), "--allow-writes", "--json")
    assert done.returncode == 0
    steps = [json.loads(line) for line in done.stdout.splitlines()]
    assert [s["ok"] for s in steps] == [True] * 3
    path.write_text("expect VDS.THRESHOLD = 1.3 V\n")
    done = gateword("link", port, "script", "quoll16", str(path))
    assert done.returncode == 1
    assert "STOP" in done.stdout


def read_until(terminal: int, wanted: str, timeout: float = 20.0) -> str:
    text = ""
    end = time.monotonic() + timeout
    while wanted not in text and time.monotonic() < end:
        ready, _, _ = select.select([terminal], [], [], 0.2)
        if ready:
            try:
                text += os.read(terminal, 65536).decode(errors="replace")
            except OSError:
                break
    assert wanted in text, text
    return text


@pytest.mark.parametrize("moment", [0.0, 0.07, 0.4])
def test_ctrl_c_leaves_the_terminal_sane_and_the_record_whole(
    port: str, tmp_path: Path, moment: float
) -> None:
    record = tmp_path / "watch.jsonl"
    near, far = pty.openpty()
    before = termios.tcgetattr(far)
    process = subprocess.Popen(
        [*PROGRAM, "link", port, "watch", "quoll16", "--period", "100 ms", "--log", str(record)],
        stdin=far,
        stdout=far,
        stderr=far,
        start_new_session=True,
        env={**os.environ, "TERM": "xterm"},
    )
    try:
        text = read_until(near, "poll 1")
        time.sleep(moment)
        process.send_signal(signal.SIGINT)
        text += read_until(near, "interrupted")
        assert process.wait(10) == 130
        after = termios.tcgetattr(far)
    finally:
        process.kill()
        process.wait()
        os.close(near)
        os.close(far)
    assert after == before
    assert "Traceback" not in text
    # neither another screen nor a hidden cursor was ever asked for
    assert "\x1b[?" not in text
    events = [json.loads(line) for line in record.read_text().splitlines()]
    assert events[-1]["event"] == "end"
    assert events[-1]["how"] == "interrupted"
    assert any(e["event"] == "sample" for e in events)


def test_confirmation_names_chip_and_port(port: str) -> None:
    near, far = pty.openpty()
    process = subprocess.Popen(
        [*PROGRAM, "link", port, "write", "quoll16", "VDS = 0x030"],
        stdin=far,
        stdout=far,
        stderr=far,
        start_new_session=True,
    )
    try:
        text = read_until(near, "to write, anything else to leave:")
        assert f"quoll16 on {port}" in text
        os.write(near, b"quoll16\n")
        read_until(near, ": write VDS = 0x030")
        assert process.wait(10) == 0
    finally:
        process.kill()
        process.wait()
        os.close(near)
        os.close(far)


def test_apply_shows_from_and_to_before_it_asks(port: str) -> None:
    near, far = pty.openpty()
    process = subprocess.Popen(
        [*PROGRAM, "link", port, "apply", "coolant_pump"],
        stdin=far,
        stdout=far,
        stderr=far,
        start_new_session=True,
    )
    try:
        text = read_until(near, "to write, anything else to leave:")
        assert " -> " in text
        stage = load_stage("coolant_pump")
        for change in compare(stage.chip, Bank.at_reset(stage.chip), stage.bank):
            if change.field.setting and change.field.access == "rw":
                assert f"{change.field.ref}: " in text, "from and to of every field"
        os.write(near, b"no\n")
        read_until(near, "not confirmed; nothing was written")
        assert process.wait(10) == 2
    finally:
        process.kill()
        process.wait()
        os.close(near)
        os.close(far)
    assert "0x0A0" in gateword("link", port, "read", "quoll16", "VDS").stdout


def test_reading_on_other_pages_is_asked_for_and_declared(
    gateword_port: Callable[..., str],  # noqa: F811
) -> None:
    port = gateword_port("potoroo40")
    done = gateword("link", port, "read", "potoroo40", "--json")
    assert done.returncode == 0
    assert "would have to be written" in " ".join(done.stderr.split())
    few = json.loads(done.stdout)["registers"]
    done = gateword("link", port, "read", "potoroo40", "--json", "--allow-writes")
    assert done.returncode == 0
    assert "put back each time" in " ".join(done.stderr.split())
    assert len(json.loads(done.stdout)["registers"]) > len(few)


def test_a_port_with_escape_bytes_reaches_no_terminal_raw() -> None:
    done = gateword("link", "/dev/\x1b[31m\x9b2Jred", "read", "quoll16")
    assert done.returncode == 3
    assert "cannot open /dev/\\x1b[31m\\x9b2Jred" in done.stderr
