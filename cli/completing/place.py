"""Which argument the cursor is at: the program's own parsers, read word by word as argparse would."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from regmap.record import dataclass, field


@dataclass
class Place:
    """Where the cursor is.

    command   the command, with its action ("link read"); "" before there is one
    action    the argument that the word is for; None where no further one is taken
    options   the options that may stand here
    typed     the word so far, without the `--option=` before it
    before    that `--option=`
    known     what stands already, by the name of its argument
    """

    command: str
    action: argparse.Action | None
    options: list[argparse.Action]
    typed: str
    before: str = ""
    known: dict[str, list[str]] = field(default_factory=dict)
    #: the word may be an option's value or, as that is optional, something else
    positional: argparse.Action | None = None


def find_place(parser: argparse.ArgumentParser, words: Sequence[str]) -> Place:
    """The place of the last of `words`, which follow the parser's own name."""
    return _Walk(parser).to(list(words))


class _Walk:
    def __init__(self, parser: argparse.ArgumentParser) -> None:
        self.command: list[str] = []
        self.known: dict[str, list[str]] = {}
        self.used: list[argparse.Action] = []
        self.dashes = False
        self.enter(parser)

    def enter(self, parser: argparse.ArgumentParser) -> None:
        self.parser = parser
        self.left = [a for a in parser._actions if not a.option_strings]

    def to(self, words: list[str]) -> Place:
        *done, last = words
        waiting: argparse.Action | None = None
        for text in done:
            if waiting is not None and not (waiting.nargs == "?" and text.startswith("-")):
                self.note(waiting, text)
                waiting = None
                continue
            waiting = None
            if text == "--" and not self.dashes:
                self.dashes = True
            elif self.is_option(text):
                waiting = self.take_option(text)
            else:
                self.take_positional(text)
        return self.here(last, waiting)

    def here(self, last: str, waiting: argparse.Action | None) -> Place:
        place = Place(" ".join(self.command), None, self.options(), last, known=self.known)
        if waiting is not None and not (waiting.nargs == "?" and last.startswith("-")):
            place.action, place.options = waiting, []
            if waiting.nargs == "?":
                place.positional = self.left[0] if self.left else None
            return place
        if not self.dashes and last.startswith("--") and "=" in last:
            name, _, value = last.partition("=")
            place.action = next(
                (a for a in self.parser._actions if name in a.option_strings and a.nargs != 0), None
            )
            place.before, place.typed = name + "=", value
            place.options = []
            return place
        place.positional = place.action = self.left[0] if self.left else None
        if self.dashes or not last.startswith("-"):
            place.options = [] if place.action is not None or last else place.options
        else:
            place.action = place.positional = None
        return place

    def is_option(self, text: str) -> bool:
        return text.startswith("-") and text != "-" and not self.dashes

    def take_option(self, text: str) -> argparse.Action | None:
        """The option whose value is still to come."""
        name, equals, value = text.partition("=")
        action = next((a for a in self.parser._actions if name in a.option_strings), None)
        if action is None:
            return None
        self.used.append(action)
        if equals:
            self.note(action, value)
            return None
        return action if action.nargs != 0 else None

    def take_positional(self, text: str) -> None:
        if not self.left:
            return
        action = self.left[0]
        if isinstance(action, argparse._SubParsersAction):
            sub = action.choices.get(text)
            if sub is not None:
                self.command.append(text)
                self.enter(sub)
            else:
                self.left = []
            return
        self.note(action, text)
        if action.nargs in (None, "?"):
            self.left.pop(0)

    def note(self, action: argparse.Action, text: str) -> None:
        self.known.setdefault(action.dest, []).append(text)

    def options(self) -> list[argparse.Action]:
        """Options that may still be given: not twice what counts once, none that excludes one given."""
        barred = {
            id(other)
            for group in self.parser._mutually_exclusive_groups
            for one in self.used
            if one in group._group_actions
            for other in group._group_actions
        }
        repeatable = (argparse._AppendAction, argparse._CountAction)
        return [
            a
            for a in self.parser._actions
            if a.option_strings
            and a.help is not argparse.SUPPRESS
            and id(a) not in barred
            and (a not in self.used or isinstance(a, repeatable))
        ]
