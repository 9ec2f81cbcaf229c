"""The composer in a real terminal (tmux): whole screens against tests/golden/compose, resizing, kill -9.

GATEWORD_UPDATE_GOLDEN=1 writes the golden screens anew; look at the difference before you commit it.
"""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

GOLDEN = Path(__file__).parents[1] / "golden" / "compose"
UPDATE = os.environ.get("GATEWORD_UPDATE_GOLDEN") == "1"


class Terminal:
    """One tmux server with one window, in which a command runs."""

    def __init__(
        self, tmux: str, folder: Path, command: str, width: int, height: int, **environ: str
    ) -> None:
        self.base = [
            tmux,
            "-L",
            f"gateword-test-{os.getpid()}-{time.monotonic_ns()}",
            "-f",
            os.devnull,
        ]
        env = {"GATEWORD_STATE": str(folder / "state"), "PYTHONDONTWRITEBYTECODE": "1", **environ}
        exports = [f"{k}={shlex.quote(v)}" for k, v in env.items()]
        line = f"cd {shlex.quote(str(folder))} && env {' '.join(exports)} {command}; echo STATUS $?; sleep 60"
        self.tmux("new-session", "-d", "-x", str(width), "-y", str(height), line)

    def tmux(self, *arguments: str) -> str:
        return subprocess.run(
            [*self.base, *arguments],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "LC_ALL": "C.UTF-8"},
        ).stdout

    def keys(self, *names: str) -> None:
        for name in names:
            self.tmux("send-keys", name)

    def type(self, text: str) -> None:
        self.tmux("send-keys", "-l", "--", text)

    def screen(self, *, styled: bool = False) -> str:
        return self.tmux("capture-pane", "-p", *(["-e"] if styled else []))

    def wait(self, *wanted: str) -> str:
        """The screen as soon as it holds all of `wanted` and rests."""
        end = time.monotonic() + 20
        last = ""
        while time.monotonic() < end:
            now = self.screen()
            if all(w in now for w in wanted) and now == last and "being found" not in now:
                return now
            last = now
            time.sleep(0.05)
        pytest.fail(f"{wanted} never came; the screen is\n{last}")

    def close(self) -> None:
        subprocess.run([*self.base, "kill-server"], check=False, capture_output=True)


Open = Callable[..., Terminal]


@pytest.fixture
def open_terminal(need_tool: Callable[[str], str], tmp_path: Path, pump: Path) -> Iterator[Open]:  # noqa: ARG001
    tmux = need_tool("tmux")
    made: list[Terminal] = []

    def make(width: int, height: int, document: str = "pump.yaml", **environ: str) -> Terminal:
        made.append(
            Terminal(
                tmux,
                tmp_path,
                f"{shlex.quote(sys.executable)} -m regmap.cli compose {document}",
                width,
                height,
                **environ,
            )
        )
        return made[-1]

    yield make
    for terminal in made:
        terminal.close()


def golden(name: str, screen: str) -> None:
    path = GOLDEN / f"{name}.txt"
    text = "\n".join(line.rstrip() for line in screen.splitlines()) + "\n"
    if UPDATE:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    assert path.is_file(), f"{path} is missing; GATEWORD_UPDATE_GOLDEN=1 writes it"
    assert text == path.read_text(), (
        f"the screen differs from {path}; GATEWORD_UPDATE_GOLDEN=1 writes it anew"
    )


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
def test_screens(open_terminal: Open, width: int, height: int, pump: Path) -> None:
    terminal = open_terminal(width, height)
    size = f"{width}x{height}"
    golden(f"{size}-opened", terminal.wait("pump.yaml on quoll16", "words: "))
    terminal.type("dead")
    golden(
        f"{size}-finding",
        terminal.wait("what fits what you type", "enter goes to TIMING.DEAD_TIME"),
    )
    terminal.keys("Enter", "Right", "Up", "Up")
    golden(
        f"{size}-trying", terminal.wait("verdicts that change", "Enter accept", "450 ns, code 3")
    )
    terminal.keys("Escape")
    terminal.type("9 V")
    golden(f"{size}-refused", terminal.wait("no: '9 V' is a voltage"))
    terminal.keys("Escape")
    terminal.type("2us")
    terminal.keys("Enter")
    golden(f"{size}-set", terminal.wait("TIMING.DEAD_TIME is now 2 us", "1 not saved"))
    terminal.type("sweep")
    terminal.keys("Enter")
    golden(f"{size}-sweep", terminal.wait("sweep of TIMING.DEAD_TIME", "enter"))
    terminal.keys("Escape")
    terminal.type("STATUS1=0x109")
    terminal.keys("Enter")
    golden(f"{size}-explain", terminal.wait("what these words say"))
    terminal.keys("Escape")
    terminal.type("0x25D1")
    terminal.keys("Enter")
    golden(f"{size}-pasted", terminal.wait("write GATE_HS = 0x2E8"))
    terminal.keys("Escape")
    terminal.type("?")
    golden(f"{size}-help", terminal.wait("You are in the list"))
    terminal.keys("Escape", "C-q")
    golden(f"{size}-leaving", terminal.wait("1 change is not saved."))
    terminal.type("s")
    golden(f"{size}-left", terminal.wait("STATUS 0", "the same without the composer"))
    assert "DEAD_TIME: 2 us" in pump.read_text()


def test_kill_9_resize_and_no_colour(open_terminal: Open, pump: Path, tmp_path: Path) -> None:
    before = pump.read_text()
    terminal = open_terminal(80, 24, NO_COLOR="1")
    terminal.wait("words: ")
    terminal.type("GATE_HS.SOURCE = 150 mA")
    terminal.keys("Enter")
    terminal.wait("GATE_HS.SOURCE is now 150 mA")
    terminal.type("VDS.THRESHOLD = 1.3 V")
    terminal.keys("Enter")
    terminal.wait("VDS.THRESHOLD is now 1.3 V", "FAIL")
    # no colour is sent: only reverse (7) and bold (1)
    codes = {
        c
        for part in terminal.screen(styled=True).split("\x1b[")[1:]
        for c in part.split("m")[0].split(";")
    }
    assert codes <= {"0", "1", "7", "22", "27", "39", "49", ""}, codes
    for width, height in ((46, 14), (120, 40), (30, 8), (80, 24)):
        terminal.tmux("resize-window", "-x", str(width), "-y", str(height))
        screen = terminal.wait("too small" if width < 40 else "2 not saved")
        assert len(screen.splitlines()) == height
        assert all(len(line) <= width for line in screen.splitlines())
    # in the middle of typing, without any warning
    terminal.type("TIMING.DEAD_TIME = 4")
    terminal.wait("> TIMING.DEAD_TIME = 4")
    found = subprocess.run(
        ["pgrep", "-f", f"^{sys.executable} -m regmap.cli compose pump.yaml"],
        capture_output=True,
        text=True,
        check=True,
    )
    mine = [
        int(p)
        for p in found.stdout.split()
        if Path(f"/proc/{p}/cwd").resolve() == tmp_path.resolve()
    ]
    for pid in mine:
        os.kill(pid, signal.SIGKILL)
    terminal.wait("STATUS 137")
    assert pump.read_text() == before
    again = open_terminal(80, 24)
    again.wait("A draft of this was left behind with 2 steps not saved", "r  take it up")
    again.type("r")
    again.wait("took up the draft: 2 changes not saved")
    again.keys("C-s")
    again.wait("saved 2 settings to pump.yaml")
    again.keys("C-q")
    again.wait("STATUS 0")
    after = pump.read_text()
    assert after == before.replace("SOURCE: 120 mA", "SOURCE: 150 mA", 1).replace(
        "VDS.THRESHOLD: 250 mV", "VDS.THRESHOLD: 1.3 V"
    )
