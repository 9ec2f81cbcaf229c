"""The log of a session: never overwritten, whole to the last event, going on in a next file."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from regmap.errors import CallError
from regmap.link.log import SessionLog, wall_time
from regmap.testing import gateword_port  # noqa: F401

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]
needs_terminals = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def events(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()]


def test_a_log_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    first = SessionLog(path, {})
    first({"event": "one"})
    with pytest.raises(
        CallError, match=f"a.jsonl is in use: process {os.getpid()} writes this log"
    ):
        SessionLog(path, {})
    first({"event": "two"})
    first.close("finished")
    with pytest.raises(CallError, match="exists, and a log is never overwritten"):
        SessionLog(path, {})
    assert [e["event"] for e in events(path)] == ["begin", "one", "two", "end"]


@pytest.mark.parametrize("last", ["", "{", "[" * 5000, '{"event": "read"}', "3", "\ud800"])
def test_a_log_whose_session_was_killed_is_named_as_such(tmp_path: Path, last: str) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(b'{"event": "begin"}\n' + last.encode("utf-8", "surrogatepass") + b"\n")
    before = path.read_bytes()
    with pytest.raises(CallError, match="exists, left by a session that did not end, and a log"):
        SessionLog(path, {})
    assert path.read_bytes() == before


def test_every_line_is_on_the_disk_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    log = SessionLog(path, {})
    for number in range(5):
        log({"event": str(number)})
        assert [e["event"] for e in events(path)][1:] == [str(n) for n in range(number + 1)]
    log.close("x")


def test_lines_have_the_time_of_day(tmp_path: Path) -> None:
    """RFC 3339, section 5.8: 1985-04-12T23:20:50.52Z is 20 minutes and 50.52 s after the 23rd hour."""
    seconds = 482196050.52  # of that example, by `date --date=1985-04-12T23:20:50.52Z +%s.%N`
    assert wall_time(seconds) == "1985-04-12T23:20:50.520Z"
    path = tmp_path / "a.jsonl"
    SessionLog(path, {}, wall=lambda: seconds).close("finished")
    assert {e["at"] for e in events(path)} == {"1985-04-12T23:20:50.520Z"}


def test_a_log_goes_on_in_a_next_file(tmp_path: Path) -> None:
    path = tmp_path / "long.jsonl"
    log = SessionLog(path, {"chip": "x"}, most_bytes=2000)
    for number in range(200):
        log({"event": "sample", "number": number})
    log.close("finished")
    assert [p.name for p in log.paths[:3]] == ["long.jsonl", "long.2.jsonl", "long.3.jsonl"]
    assert {p.name for p in tmp_path.iterdir()} == {p.name for p in log.paths}
    parts = [events(p) for p in log.paths]
    assert all(p.stat().st_size < 2300 for p in log.paths)
    for number, (part, following) in enumerate(zip(parts, log.paths[1:], strict=False), 1):
        assert part[-1] == {"at": part[-1]["at"], "event": "continued", "in": following.name}
        assert part[0]["event"] == "begin"
        assert part[0]["chip"] == "x"
        assert part[0].get("part", 1) == number
    assert parts[-1][-1]["event"] == "end"
    numbers = [e["number"] for part in parts for e in part if e["event"] == "sample"]
    assert numbers == list(range(200))


def test_a_next_file_overwrites_nothing_either(tmp_path: Path) -> None:
    (tmp_path / "long.2.jsonl").write_text("somebody's")
    log = SessionLog(tmp_path / "long.jsonl", {}, most_bytes=100)
    for number in range(5):
        log({"event": str(number)})
    log.close("finished")
    assert (tmp_path / "long.2.jsonl").read_text() == "somebody's"
    assert log.paths[1].name == "long.3.jsonl"


# --- processes ---------------------------------------------------------------------------------------
def watching(port: str, path: Path) -> subprocess.Popen[str]:
    words = ["link", port, "watch", "quoll16", "--period", "20 ms", "--log", str(path)]
    process = subprocess.Popen(
        [*PROGRAM, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    end = time.monotonic() + 20
    while time.monotonic() < end and not (path.exists() and '"sample"' in path.read_text()):
        time.sleep(0.02)
    return process


def gateword(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, *words], capture_output=True, text=True, timeout=60, check=False
    )


@needs_terminals
def test_a_second_session_on_port_or_file_is_refused(gateword_port: Any, tmp_path: Path) -> None:  # noqa: F811
    port = gateword_port("quoll16")
    path = tmp_path / "first.jsonl"
    process = watching(port, path)
    try:
        second = gateword("link", port, "read", "quoll16", "--log", str(path))
        assert second.returncode == 2
        assert f"first.jsonl is in use: process {process.pid} writes this log" in second.stderr
        third = gateword("link", port, "read", "quoll16", "--log", str(tmp_path / "b.jsonl"))
        assert third.returncode == 3
        assert f"cannot open {port}: process {process.pid} uses this port" in third.stderr
        assert not (tmp_path / "b.jsonl").exists()
        before = len(events(path))
        time.sleep(0.3)
        assert len(events(path)) > before, "the first session goes on"
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)
    assert events(path)[-1]["how"] == "interrupted"


@needs_terminals
@pytest.mark.parametrize(
    ("number", "how"),
    [
        (signal.SIGINT, "interrupted"),
        (signal.SIGTERM, "ended by SIGTERM"),
        (signal.SIGHUP, "ended by SIGHUP"),
        (signal.SIGKILL, None),
    ],
)
def test_however_it_ends_the_account_is_left(
    gateword_port: Any,  # noqa: F811
    tmp_path: Path,
    number: signal.Signals,
    how: str | None,
) -> None:
    path = tmp_path / "log.jsonl"
    process = watching(gateword_port("quoll16"), path)
    process.send_signal(number)
    _, error = process.communicate(timeout=20)
    found = events(path)
    if how is None:
        assert found[-1]["event"] in ("sample", "exchange", "reading")
        return
    assert process.returncode == 130
    assert "Traceback" not in error
    assert found[-1]["event"] == "end"
    assert found[-1]["how"] == how
    assert found[-1]["account"]
