"""Sessions that are ended from outside at random moments: the terminal as it was, the log complete up to the moment.

`GATEWORD_ENDINGS=40 pytest tests/link/test_endings.py` ends that many; a few stand in the suite. The
simulated chip counts what it saw: a frame that is not in the log belongs to the exchange under way.
"""

from __future__ import annotations

import json
import os
import pty
import random
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from regmap.maps.load import load_map
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

PROGRAM = [sys.executable, "-m", "regmap.cli.main"]
COUNT = int(os.environ.get("GATEWORD_ENDINGS", "5"))
WAYS = ("SIGINT", "SIGTERM", "SIGHUP", "unplug", "SIGKILL")
ACTIONS = (
    ["watch", "quoll16", "--period", "15 ms"],
    ["apply", "coolant_pump", "--allow-writes", "--any-state"],
    ["verify", "coolant_pump"],
)
MOST_FRAMES = 64  # of one exchange: what one transfer of the simulated adapter takes


class Counted:
    """A simulated chip at a pseudo-terminal that counts the frames that it saw."""

    def __init__(self) -> None:
        self.frames = 0
        twin = Twin(load_map("quoll16"))
        begin = twin.begin_burst

        def counted() -> None:
            self.frames += 1
            begin()

        twin.begin_burst = counted  # type: ignore[method-assign]
        self.terminal = Terminal(Adapter(twin.bus, [twin]), "quoll16")


@contextmanager
def screen() -> Iterator[tuple[int, list[str]]]:
    """A terminal for a program, and what it has shown."""
    near, far = pty.openpty()
    shown: list[str] = []
    done = threading.Event()

    def drain() -> None:
        while not done.is_set():
            ready, _, _ = select.select([near], [], [], 0.05)
            if ready:
                shown.append(os.read(near, 65536).decode(errors="replace"))

    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    try:
        yield far, shown
    finally:
        done.set()
        thread.join(5)
        os.close(near)
        os.close(far)


def events(path: Path, *, cut: bool) -> list[dict[str, Any]]:
    """The lines of a log; only the last of one that was killed may be a piece of a line."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    found = []
    for number, line in enumerate(lines, 1):
        try:
            found.append(json.loads(line))
        except ValueError:
            assert cut, line
            assert number == len(lines), line
    return found


def wait_for(condition: Any, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.01)
    return False


@pytest.mark.parametrize("number", range(COUNT))
@pytest.mark.one_in(3)
def test_a_session_that_is_ended_leaves_terminal_and_log_whole(number: int, tmp_path: Path) -> None:
    way = WAYS[number % len(WAYS)]
    action = ACTIONS[number // len(WAYS) % len(ACTIONS)]
    rng = random.Random(number)
    chip = Counted()
    log = tmp_path / "log.jsonl"
    with chip.terminal, screen() as (far, shown):
        before = termios.tcgetattr(far)
        process = subprocess.Popen(
            [*PROGRAM, "link", chip.terminal.path, *action, "--log", str(log), "--reconnect", "0.3 s"],
            stdin=far, stdout=far, stderr=far, start_new_session=True,
            env={**os.environ, "TERM": "xterm"},
        )  # fmt: skip
        try:
            assert wait_for(lambda: chip.frames > 0 or process.poll() is not None, 60)
            time.sleep(rng.uniform(0, 0.3))
            if way == "unplug":
                chip.terminal.close()
                if action[0] == "watch":  # it goes on, and tells that nothing answers
                    assert wait_for(lambda: '"lost"' in log.read_text(), 20)
                    process.send_signal(signal.SIGINT)
            else:
                process.send_signal(getattr(signal, way))
            status = process.wait(60)
            assert termios.tcgetattr(far) == before
        finally:
            process.kill()
            process.wait()
    text = "".join(shown)
    assert "Traceback" not in text
    assert "\x1b[?" not in text, "neither another screen nor a hidden cursor is asked for"
    found = events(log, cut=way == "SIGKILL")
    told = sum(len(e["asks"]) for e in found if e["event"] in ("exchange", "lost"))
    assert chip.frames - told <= (MOST_FRAMES if way == "SIGKILL" else 0)
    if way == "SIGKILL" and status == -signal.SIGKILL:
        return
    assert found[-1]["event"] == "end"
    assert "account" in found[-1]
    ended = {"SIGINT": "interrupted", "SIGTERM": "ended by SIGTERM", "SIGHUP": "ended by SIGHUP"}
    if status == 130 and way in ended:
        # Ctrl-C may also come when all is written and the interpreter is on its way out
        late = ("finished",) if way == "SIGINT" else ()
        assert found[-1]["how"] in (ended[way], *late)
    elif way != "unplug":
        # it was done before it was told to stop, and may have died on its way out
        assert status in (0, 1, 3) or (status < 0 and found[-1]["how"] == "finished")
    interrupted = [e for e in found if e["event"] == "interrupted"]
    for event in interrupted:
        # whether what was being written acted is unknown, and the account says so
        for name in event["writing"]:
            assert any(name in line for line in found[-1]["account"]), name
