"""The line face: the same words, one line in and some lines out; for small terminals, pipes and screen readers."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from ..context import Context, Status, wrap
from .session import Session
from .sheets import help_sheet
from .vocabulary import WORDS, Outcome, Question, Sheet

if TYPE_CHECKING:
    from prompt_toolkit.completion import Completer

_STYLES = {
    "bad": "bad",
    "good": "good",
    "warn": "warn",
    "dim": "dim",
    "head": "head",
    "mark": "mark",
}


class Lines:
    """Reads lines until `leave` or the end of input; `refused` counts those that could not be done."""

    def __init__(self, session: Session, context: Context) -> None:
        self.session = session
        self.context = context
        self.question: Question | None = None
        self.refused = 0
        session.meaning.chooses = "Tab lists them"
        self.answer_hook: Callable[[str], Outcome | None] = lambda _: None

    def run(self, question: Question | None = None) -> int:
        """Talk until the user leaves; returns the exit status."""
        interactive = self.context.stdin.isatty()
        if interactive:
            draft = self.session.draft
            counts = draft.assess().counts
            self.context.out(
                f"{self.session.keeper.document} on {draft.chip.name}: {counts['fails']} fail, {counts['low_margin']} low margin, {counts['holds']} hold. `help` lists the words; Tab completes; `leave` ends."
            )
        if question is not None:
            self.ask(question)
        for line in self._input(interactive):
            if self.enter(line):
                break
            if self.refused and not interactive:
                # what follows was written for the case that this line is done: nothing more is, least of all a save
                self._keep("stopped at a line that was refused; what follows it is not done")
                break
        else:
            self._keep("input ended")
        return Status.FINDINGS if self.refused and not interactive else Status.OK

    def _keep(self, why: str) -> None:
        if self.session.drafts.dirty:
            why += f" with changes not saved; {self.session.do('leave keep').message}"
        elif not self.refused:
            return
        self.context.err(f"gateword: {why}")

    def enter(self, line: str) -> bool:
        """One line; True when it ends the session."""
        text = line.strip()
        if self.question is not None and text:
            standing, self.question = self.question, None
            for key, words, _ in standing.answers:
                if text.casefold() == key:
                    if not words:
                        return False
                    found = self.answer_hook(words[1:]) if words.startswith("@") else None
                    return self.show(found or self.session.do(words))
        if not text or text.startswith("#"):
            return False
        if text in ("?", "help"):
            self.sheet(
                help_sheet("lines", "", self.context.width, modes=bool(self.session.drafts.names))
            )
            return False
        return self.show(self.session.do(text))

    def show(self, outcome: Outcome) -> bool:
        if outcome.mark == "bad":
            self.refused += 1
            self.context.out(self.context.style("no: ", "bad") + outcome.message)
        elif outcome.message:
            self.context.out(outcome.message)
        if outcome.sheet is not None:
            self.sheet(outcome.sheet)
        elif outcome.clip and "\n" not in outcome.clip:
            self.context.out(outcome.clip)
        if outcome.question is not None:
            self.ask(outcome.question)
        return outcome.leave

    def sheet(self, sheet: Sheet) -> None:
        self.context.out(self.context.style(sheet.title, "head"))
        for row in sheet.rows:
            text = row.text.rstrip()
            self.context.out(self.context.style(text, row.mark) if row.mark in _STYLES else text)

    def ask(self, question: Question) -> None:
        self.question = question
        for line in wrap(question.text, self.context.width).splitlines():
            self.context.out(self.context.style(line, "warn"))
        for key, words, text in question.answers:
            also = (
                f" (or `{words.replace(';;', '`, `')}`)"
                if words and not words.startswith("@")
                else ""
            )
            self.context.out(f"  {key}  {text}{also}")

    # --- input ------------------------------------------------------------------------------------
    def _input(self, interactive: bool) -> Iterator[str]:
        if not interactive:
            yield from self.context.stdin
            return
        from prompt_toolkit import PromptSession
        from prompt_toolkit.output import ColorDepth

        prompt: Any = PromptSession(
            completer=_completer(self.session),
            complete_while_typing=False,
            color_depth=None if self.context.color else ColorDepth.DEPTH_1_BIT,
            bottom_toolbar=self._toolbar if self.context.environ.get("TERM") != "dumb" else None,
        )
        self._prompt = prompt
        while True:
            try:
                mode = f"{self.session.drafts.mode} " if self.session.drafts.mode else ""
                yield prompt.prompt(f"{mode}{self.session.at} > ")
            except KeyboardInterrupt:
                continue
            except EOFError:
                return

    def _toolbar(self) -> str:
        """What Enter would do, while typing."""
        text = self._prompt.default_buffer.text
        meant = self.session.meaning.mean(text)
        if meant.kind == "nothing":
            return "type a name, a value or a word; `help` lists the words, Tab completes"
        return ("no: " if meant.kind == "refused" else "") + meant.text


def _completer(session: Session) -> Completer:
    from prompt_toolkit.completion import CompleteEvent, Completer, Completion
    from prompt_toolkit.document import Document

    class Offers(Completer):
        def get_completions(
            self, document: Document, complete_event: CompleteEvent
        ) -> Iterator[Completion]:
            del complete_event
            text = document.text_before_cursor
            offers = (
                session.meaning.offers(text) if text.strip() else session.meaning.offers("help")
            )
            for offer in offers:
                tail = " " if offer.action in WORDS else ""
                yield Completion(
                    offer.action + tail,
                    start_position=-len(text),
                    display=offer.label,
                    display_meta=offer.meaning,
                )

    return Offers()


def wants_lines(context: Context) -> bool:
    """Whether the line face is the right one here: no terminal on either side, or a dumb one."""
    tty = context.stdin.isatty() and context.stdout.isatty()
    return (
        not tty
        or context.environ.get("TERM", "dumb") in ("dumb", "unknown")
        or sys.platform == "emscripten"
    )
