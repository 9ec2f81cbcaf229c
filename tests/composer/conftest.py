"""Driving the composer without a terminal: keys through its own key bindings, the screen as text."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.application.current import set_app
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.key_binding.key_processor import KeyPress
from prompt_toolkit.keys import Keys
from prompt_toolkit.output import DummyOutput

from regmap.cli.compose import open_session
from regmap.cli.composer import paint
from regmap.cli.composer.screen import Screen
from regmap.cli.composer.view import View
from regmap.cli.context import Context
from regmap.maps.load import find_document
from regmap.testing import gateword_port  # noqa: F401

KEYS = {
    "Up": Keys.Up,
    "Down": Keys.Down,
    "Left": Keys.Left,
    "Right": Keys.Right,
    "Enter": Keys.ControlM,
    "Esc": Keys.Escape,
    "Tab": Keys.ControlI,
    "PageUp": Keys.PageUp,
    "PageDown": Keys.PageDown,
    "Home": Keys.Home,
    "End": Keys.End,
    "Backspace": Keys.ControlH,
    "Delete": Keys.Delete,
    "F2": Keys.F2,
    **{f"^{c.upper()}": Keys(f"c-{c}") for c in "abcdefghjklnopqrstuvwxyz"},
}


class Driver:
    """A composer on a screen of `width` x `height`; `press` named keys, `type` text, look at `text`."""

    every: ClassVar[list[Driver]] = []

    def __init__(self, document: str, state: Path, width: int = 80, height: int = 24) -> None:
        self.out = io.StringIO()
        self.context = Context(
            stdin=io.StringIO(),
            stdout=self.out,
            stderr=self.out,
            environ={"GATEWORD_STATE": str(state)},
        )
        self.session, question, take_up = open_session(document, self.context)
        self.view = View(self.session)
        self.view.question, self.view.take_up = question, take_up
        self.screen = Screen(self.view)
        # no event loop runs here: a key that could begin a longer one is not waited for
        self.screen.app.key_processor._start_timeout = lambda: None
        self.width, self.height = width, height
        self.every.append(self)

    def press(self, *names: str) -> Driver:
        for name in names:
            key = KEYS.get(name, name)
            with set_app(self.screen.app):
                self.screen.app.key_processor.feed(KeyPress(key, name if len(name) == 1 else ""))
                self.screen.app.key_processor.process_keys()
        return self

    def type(self, text: str) -> Driver:
        return self.press(*text)

    def enter(self, text: str) -> Driver:
        return self.type(text).press("Enter")

    @property
    def lines(self) -> list[str]:
        """The whole screen as the terminal would show it."""
        painted = paint.compose(self.view, self.width, self.height - 2)
        top = ["".join(text for _, text in line) for line in painted]
        assert len(top) <= self.height - 2
        assert all(len(line) == self.width for line in top), (
            "every line fills the width, none is longer"
        )
        top += [" " * self.width] * (self.height - 2 - len(top))
        return [*top, f" > {self.screen.buffer.text}", " " + self.view.keys(self.width)]

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    @property
    def said(self) -> str:
        """The lines between the rule and the typing line, as one."""
        lines = self.lines
        rule = max(i for i, line in enumerate(lines[:-2]) if line == "-" * self.width)
        return " ".join(" ".join(lines[rule + 1 : -2]).split())


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
def pump(tmp_path: Path) -> Path:
    """The example stage as a user's own file."""
    return Path(shutil.copy(find_document("coolant_pump"), tmp_path / "pump.yaml"))


@pytest.fixture
def terminal() -> Iterator[None]:
    """No terminal: input from a pipe, output to nowhere."""
    with create_pipe_input() as pipe, create_app_session(input=pipe, output=DummyOutput()):
        yield
    for driver in Driver.every:
        driver.session.keeper.journal.keep()
    Driver.every.clear()


@pytest.fixture
def new_driver(terminal: None) -> type[Driver]:  # noqa: ARG001
    """Drivers for tests that open several, or in a place of their own."""
    return Driver


@pytest.fixture
def driver(pump: Path, state: Path, terminal: None) -> Driver:  # noqa: ARG001
    return Driver(str(pump), state)
