"""The full-screen face: keys and mouse to the view, the view's lines to the terminal."""

from __future__ import annotations

import asyncio
import base64
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from prompt_toolkit.application import Application
from prompt_toolkit.buffer import Buffer
from prompt_toolkit.data_structures import Point
from prompt_toolkit.document import Document
from prompt_toolkit.filters import Condition
from prompt_toolkit.key_binding import KeyBindings
from prompt_toolkit.key_binding.key_processor import KeyPressEvent
from prompt_toolkit.keys import Keys
from prompt_toolkit.layout import BufferControl, HSplit, Layout, VSplit, Window
from prompt_toolkit.layout.controls import UIContent, UIControl
from prompt_toolkit.mouse_events import MouseEvent, MouseEventType
from prompt_toolkit.output import ColorDepth
from prompt_toolkit.styles import Style

from . import paint
from .view import View

if TYPE_CHECKING:
    from prompt_toolkit.key_binding.key_bindings import NotImplementedOrNone

#: seconds without a key after which what takes long is done
PAUSE = 0.04

STYLE = Style.from_dict(
    {
        "title": "reverse",
        "cursor": "reverse",
        "head": "bold",
        "dim": "",
        "mark": "bold",
        "bad": "ansired bold",
        "good": "ansigreen",
        "warn": "ansiyellow",
    }
)


class _Canvas(UIControl):
    """Lines made anew for the size they have."""

    def __init__(
        self, make: Callable[[int, int], list[paint.Painted]], view: View, *, mouse: bool = False
    ) -> None:
        self._make, self._view, self._mouse = make, view, mouse
        self._height = 24

    def create_content(self, width: int, height: int) -> UIContent:
        lines = self._make(width, height)
        return UIContent(
            get_line=lambda i: list(lines[i]) if i < len(lines) else [],
            line_count=max(1, len(lines)),
            cursor_position=Point(0, 0),
            show_cursor=False,
        )

    def mouse_handler(self, mouse_event: MouseEvent) -> NotImplementedOrNone:
        if not self._mouse:
            return NotImplemented
        kind = mouse_event.event_type
        if kind == MouseEventType.SCROLL_UP:
            self._view.move(-1)
        elif kind == MouseEventType.SCROLL_DOWN:
            self._view.move(1)
        elif kind == MouseEventType.MOUSE_UP:
            self._view.click(mouse_event.position.x, mouse_event.position.y)
        else:
            return NotImplemented
        return None


class Screen:
    """The application. `run` returns when the user has left."""

    def __init__(self, view: View, *, color: bool = True) -> None:
        self.view = view
        self.buffer = Buffer(multiline=False, on_text_changed=lambda b: self._typed(b))
        keys = Window(
            _Canvas(lambda w, _: [[("class:dim", paint.cut(" " + view.keys(w), w))]], view),
            height=1,
        )
        top = Window(_Canvas(self._paint, view, mouse=True))
        entry = VSplit(
            [
                Window(_Canvas(lambda _, __: [[("class:head", " > ")]], view), width=3, height=1),
                Window(BufferControl(self.buffer), height=1),
            ]
        )
        self.app: Application[None] = Application(
            layout=Layout(HSplit([top, entry, keys]), focused_element=self.buffer),
            key_bindings=self._bindings(),
            style=STYLE,
            full_screen=True,
            mouse_support=True,
            color_depth=None if color else ColorDepth.DEPTH_1_BIT,
        )
        # Esc alone must act at once, and still be told from the start of an arrow key
        self.app.ttimeoutlen = 0.05
        self.app.timeoutlen = 0.05
        self._said = 0.0
        self._keys = 0
        view.session.say = self._say
        view.session.on_screen = True

    def run(self) -> None:
        self.view.patient = True
        self.app.run(pre_run=self._pause_soon)

    def _pause_soon(self) -> None:
        """Between keys there is time for what the screen waits for; a key that comes goes first."""
        self._keys += 1
        if self.app.is_running:
            self.app.create_background_task(self._pauses(self._keys))

    async def _pauses(self, keys: int) -> None:
        await asyncio.sleep(PAUSE)
        while keys == self._keys and self.view.busy and not self.view.done:
            if self.view.pause():
                self.app.invalidate()
            await asyncio.sleep(0.005)

    def _paint(self, width: int, height: int) -> list[paint.Painted]:
        """The screen above the typing line; sheets made from now on fold to fit beside their mark."""
        self.view.session.width = width - 2
        painted = paint.compose(self.view, width, height)
        if self.view.wanted and self.app.is_running:
            # painted after the pause of the last key was over: what is missing gets one of its own
            self.app.create_background_task(self._pauses(self._keys))
        return painted

    def _say(self, text: str) -> None:
        """How far something slow is; drawn at once, as no key is handled meanwhile."""
        now = time.monotonic()
        if self.app.is_running and now - self._said > 0.1:
            self._said = now
            kept = self.view.text, self.view.message
            self.view.text, self.view.message = "", text
            self.app.renderer.render(self.app, self.app.layout)
            self.view.text, self.view.message = kept

    def _typed(self, buffer: Buffer) -> None:
        if buffer.text != self.view.text:
            self.view.typed(buffer.text)

    def _after(self) -> None:
        """Bring the typing line and the terminal in step with the view."""
        view = self.view
        if self.buffer.text != view.text:
            self.buffer.document = Document(view.text)
        if view.clip:
            data = base64.b64encode(view.clip.encode()).decode()
            # the terminal's own clipboard (OSC 52); terminals that do not know it ignore it
            self.app.output.write_raw(f"\x1b]52;c;{data}\x07")
            view.clip = ""
        if view.done and self.app.is_running:
            self.app.exit()
        elif view.patient:
            self._pause_soon()

    def _bindings(self) -> KeyBindings:
        bindings = KeyBindings()
        view = self.view
        asking = Condition(lambda: view.question is not None)
        empty = Condition(lambda: not self.buffer.text)

        def bind(
            *keys: str, when: Any = ~asking, eager: bool = False
        ) -> Callable[[Callable[[], None]], None]:
            def add(action: Callable[[], None]) -> None:
                def handler(event: KeyPressEvent) -> None:
                    del event
                    action()
                    self._after()

                bindings.add(*keys, filter=when, eager=eager)(handler)

            return add

        bind("up")(lambda: view.move(-1))
        bind("down")(lambda: view.move(1))
        bind("pageup")(lambda: view.move(-view.page))
        bind("pagedown")(lambda: view.move(view.page))
        bind("home", when=~asking & empty)(lambda: view.move(-100_000))
        bind("end", when=~asking & empty)(lambda: view.move(100_000))
        bind("right", when=~asking & empty)(view.right)
        bind("left", when=~asking & empty)(view.back)
        bind("enter")(view.enter)
        # eager: Esc acts at once, and what is typed next is typed, not taken for Alt and a letter
        bind("escape", when=Condition(lambda: True), eager=True)(view.back)
        bind("tab")(self._complete)
        bind("s-tab")(lambda: view.move(-1))
        bind("?", when=~asking & empty)(lambda: view.run("?"))
        bind("f1")(lambda: view.run("?"))
        bind("f2")(lambda: view.run("in next"))
        for key, line in (
            ("c-z", "undo"),
            ("c-y", "redo"),
            ("c-s", "save"),
            ("c-r", "sweep"),
            ("c-k", "copy frame"),
        ):
            bind(key)(lambda line=line: view.run(line))  # type: ignore[misc]
        bind("c-q")(lambda: view.run("leave"))
        bind("c-c")(lambda: view.back() if view.text else view.run("leave"))
        bind("c-d", when=~asking & empty)(lambda: view.run("leave"))
        bindings.add("c-l")(lambda event: event.app.renderer.clear())

        @bindings.add(Keys.Any, filter=asking)
        def answered(event: KeyPressEvent) -> None:
            view.answer(event.data)
            self._after()

        @bindings.add(Keys.BracketedPaste, filter=~asking)
        def pasted(event: KeyPressEvent) -> None:
            self.buffer.insert_text(" ".join(event.data.split()))

        return bindings

    def _complete(self) -> None:
        text = self.view.complete()
        if text != self.buffer.text:
            self.view.typed(text)
            self.buffer.document = Document(text)
