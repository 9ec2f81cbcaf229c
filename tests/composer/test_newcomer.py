"""Twenty-five tasks of a newcomer, written down before the work: by keys that the screen itself suggests, keys counted.

A task is what somebody wants who has never seen the composer, the steps (what on the screen suggests each, and the key
or text), what must then be seen, and the same as lines through a pipe. What is typed stands on the screen, or is the
user's own (a value wanted, a word that was read). Where the screen is too small to show a word, `?` is asked for it and
scrolled, and those keys count, too. GATEWORD_ALL_TASKS=1 drives all sizes, and a real terminal (tmux).
"""

from __future__ import annotations

import io
import os
import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from regmap.cli.context import Context
from regmap.cli.main import main

ALL = os.environ.get("GATEWORD_ALL_TASKS") == "1"
OWN = "own "


@dataclass(frozen=True)
class Task:
    """`steps` are (suggested by, step): "key NAME", "type WORDS" that the screen shows, "own TEXT" that the user knows."""

    wants: str
    steps: tuple[tuple[str, str], ...]
    seen: str
    piped: str
    heard: str
    #: keys at 80 x 24
    keys: int


E = ("Enter", "key Enter")
TASKS = (
    Task("Where is the dead time?", (("type part of a name", "own dead"), ("enter goes to TIMING.DEAD_TIME", "key Enter")),
         "TIMING.DEAD_TIME: 1 us", "dead", "TIMING.DEAD_TIME: 1 us", 5),
    Task("Which values can it have?", (("type part of a name", "own dead"), E, ("Right: options", "key Right")),
         ">now 1 us", "options TIMING.DEAD_TIME", "1.4 us", 6),
    Task("Make it 2 us", (("type part of a name", "own dead"), E, ("type: find, set", "own 2us"), ("enter sets TIMING.DEAD_TIME to 2 us", "key Enter")),
         "1 not saved", "TIMING.DEAD_TIME = 2us", "is now 2 us (was 1 us)", 9),
    Task("No, take that back", (("type part of a name", "own dead"), E, ("type: find, set", "own 2us"), E, ("Z undo", "key ^Z")),
         "| saved", "TIMING.DEAD_TIME = 2us\nundo\nchanges", "Everything is saved", 10),
    Task("Which calculation is nearest to failing?", (("verdicts", "type verdicts"), ("enter: verdicts", "key Enter")),
         "low margin", "verdicts", "low margin", 9),
    Task("How does that one come about?", (("verdicts", "type verdicts"), E, ("enter opens", "key Enter")),
         "worst corner", "why undervoltage.crank", "how it comes about", 10),
    Task("What does the dead-time verdict depend on?", (("why CHECK", "type why "), ("opens a verdict", "own deadtime.enough.high"), E),
         "TIMING.DEAD_TIME", "why deadtime.enough.high", "TIMING.DEAD_TIME", 28),
    Task("Would a larger gate charge still do?", (("inputs", "type inputs"), E, ("enter begins", "type set mosfet.qg "), ("it is 45", "own 60 / 80 / 95 nC"), E),
         "mosfet.qg is now", "set mosfet.qg 60 / 80 / 95 nC\nverdicts", "mosfet.qg is now", 37),
    Task("We switch at 30 kHz now", (("inputs", "type inputs"), E, ("enter begins", "type set pwm.frequency "), ("type the new value", "own 30kHz"), ("now 20 kHz", "key Enter")),
         "1 not saved", "set pwm.frequency 30kHz", "pwm.frequency is now 30 kHz", 31),
    Task("What did I say of the supply?", (("inputs", "type inputs "), ("inputs [TEXT]", "own supply"), E),
         "8 V / 13.5 V / 16 V", "inputs supply", "8 V / 13.5 V / 16 V", 14),
    Task("Every dead time with what breaks", (("type part of a name", "own dead"), E, ("sweep", "type sweep"), E),
         "best now", "sweep TIMING.DEAD_TIME", "best now", 11),
    Task("Suggest something", (("propose", "type propose"), ("enter: propose", "key Enter")),
         "proposal:", "propose", "proposal:", 8),
    Task("The chip reported STATUS1 = 0x109", (("explain", "type explain"), E, ("explain STATUS1=0x...", "own STATUS1=0x109"), E),
         "STOP UV_SUPPLY", "explain STATUS1=0x109", "STOP UV_SUPPLY", 22),
    Task("What can it report at all?", (("explain", "type explain"), ("enter: explain", "key Enter")),
         "faults this chip can report", "explain", "faults this chip can report", 8),
    Task("I saw 0x25D1 on the line", (("paste", "type paste "), ("paste FRAME", "own 0x25D1"), E),
         "write GATE_HS", "paste 0x25D1", "write GATE_HS", 13),
    Task("And these two", (("paste", "type paste "), ("paste FRAME", "own 0x2291 0x2000"), E),
         "2 frames", "paste 0x2291 0x2000", "2 frames", 20),
    Task("How far is it from the reset values?", (("compare", "type compare "), ("reset", "type reset"), E),
         "draft against", "compare reset", "differ", 14),
    Task("What have I changed?", (("type part of a name", "own dead"), E, ("type: find, set", "own 2us"), E, ("changes", "type changes"), E),
         "TIMING.DEAD_TIME  1 us  ->  2 us", "TIMING.DEAD_TIME = 2us\nchanges", "1 us  ->  2 us", 21),
    Task("Show me all frames to send", (("sequence", "type sequence"), E),
         "every frame to send", "sequence", "configure", 13),
    Task("I need the frame of this register", (("copy", "type copy "), ("frame", "type frame"), E),
         "frame: 0x", "copy frame", "frame: 0x", 11),
    Task("Which register is at 0x05?", (("go NAME", "type go "), ("chooses a register", "own 0x05"), E),
         "address 0x05", "go 0x05", "GATE_LS", 12),
    Task("When does what happen in a PWM period?", (("timeline", "type timeline"), E),
         "gate charge starts", "timeline", "gate charge starts", 13),
    Task("Keep my version", (("type part of a name", "own dead"), E, ("type: find, set", "own 2us"), E, ("S save", "key ^S"), ("save my_coolant_pump.yaml", "type save my_coolant_pump.yaml"), E),
         "saved to my_coolant_pump.yaml", "TIMING.DEAD_TIME = 2us\nsave my_coolant_pump.yaml", "saved to my_coolant_pump.yaml", 36),
    Task("Away, and forget it", (("type part of a name", "own dead"), E, ("type: find, set", "own 2us"), E, ("Q leave", "key ^Q"), ("leave and forget the changes", "own d")),
         "DONE", "TIMING.DEAD_TIME = 2us\nleave drop", "is now 2 us", 11),
    Task("What can I do here?", (("? help", "own ?"),),
         "You are in the list of registers and fields", "help", "Words you can type", 1),
)  # fmt: skip


#: every one on demand; some of each kind in the suite
SOME = TASKS if ALL else TASKS[::4]


class Person:
    """Does a task on a screen, looking before each key; counts keys."""

    def __init__(
        self, look: Callable[[], str], press: Callable[[str], None], type_: Callable[[str], None]
    ) -> None:
        self.look, self._press, self._type = look, press, type_
        self.keys = 0

    def press(self, key: str) -> None:
        self._press(key)
        self.keys += 1

    def type(self, text: str) -> None:
        self._type(text)
        self.keys += len(text)

    def sees(self, text: str) -> bool:
        return " ".join(text.split()) in " ".join(self.look().split())

    def find(self, suggested: str) -> None:
        """What suggests the next step; where it is not in sight, `?` is asked for it."""
        if self.sees(suggested):
            return
        assert self.sees("? help"), (
            f"{suggested!r} is not suggested, nor is help, by\n{self.look()}"
        )
        self.press("?")
        for _ in range(8):
            if self.sees(suggested):
                break
            self.press("PageDown")
        assert self.sees(suggested), (
            f"{suggested!r} is suggested nowhere; help shows\n{self.look()}"
        )
        self.press("Esc")

    def do(self, task: Task) -> None:
        for suggested, step in task.steps:
            self.find(suggested)
            kind, _, what = step.partition(" ")
            if kind == "key":
                self.press(what)
            elif kind == "type":
                # the words of the step stand on the screen, or in the help that was asked
                self.type(what)
            elif kind == "own":
                self.type(what)


def test_there_are_twenty_five_and_each_wants_something_else() -> None:
    assert len(TASKS) == 25
    assert len({t.wants for t in TASKS}) == 25


@pytest.mark.parametrize("task", SOME, ids=lambda t: t.wants)
@pytest.mark.parametrize(("width", "height"), [(80, 24), *([(120, 40), (60, 20)] if ALL else [])])
def test_by_keys_that_the_screen_suggests(
    new_driver: Any,
    state: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    task: Task,
    width: int,
    height: int,
) -> None:
    monkeypatch.chdir(tmp_path)
    driver = new_driver("coolant_pump", state, width, height)
    driver.session.on_screen = True
    person = Person(
        lambda: driver.text, lambda key: driver.press(key), lambda text: driver.type(text)
    )
    person.do(task)
    if task.seen == "DONE":
        assert driver.view.done
    else:
        assert person.sees(task.seen), driver.text
    if (width, height) == (80, 24):
        assert person.keys == task.keys, f"{task.wants}: {person.keys} keys"


@pytest.mark.parametrize("task", SOME, ids=lambda t: t.wants)
def test_the_same_through_a_pipe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, task: Task
) -> None:
    monkeypatch.chdir(tmp_path)
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(task.piped + "\n"),
        stdout=out,
        stderr=out,
        environ={"GATEWORD_STATE": str(tmp_path / "s")},
    )
    assert main(["compose", "coolant_pump"], context) == 0, out.getvalue()
    assert " ".join(task.heard.split()) in " ".join(out.getvalue().split())


@pytest.mark.skipif(not ALL, reason="GATEWORD_ALL_TASKS=1 drives a real terminal")
@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40), (60, 20)])
def test_in_a_real_terminal(
    need_tool: Callable[[str], str], tmp_path: Path, width: int, height: int
) -> None:
    """tmux: the same tasks, the same keys."""
    import time

    sys.path.insert(0, str(Path(__file__).parent))
    from test_terminal import Terminal

    names = {"Esc": "Escape", "PageDown": "PageDown", "^Z": "C-z", "^S": "C-s", "^Q": "C-q"}
    for number, task in enumerate(TASKS):
        folder = tmp_path / str(number)
        folder.mkdir()
        command = f"{shlex.quote(sys.executable)} -m regmap.cli compose coolant_pump"
        terminal = Terminal(need_tool("tmux"), folder, command, width, height)
        try:
            terminal.wait("coolant_pump on quoll16")

            def look(terminal: Terminal = terminal) -> str:
                last = ""
                for _ in range(80):
                    now = terminal.screen()
                    if now == last and "being found" not in now:
                        return now
                    last = now
                    time.sleep(0.05)
                return last

            def press(key: str, terminal: Terminal = terminal) -> None:
                terminal.keys(names.get(key, key))
                time.sleep(0.12)

            def type_(text: str, terminal: Terminal = terminal) -> None:
                terminal.type(text)
                time.sleep(0.12)

            person = Person(look, press, type_)
            person.do(task)
            end = time.monotonic() + 30
            wanted = "STATUS 0" if task.seen == "DONE" else task.seen
            while not person.sees(wanted) and time.monotonic() < end:
                time.sleep(0.2)
            assert person.sees(wanted), f"{task.wants}\n{look()}"
        finally:
            terminal.close()
