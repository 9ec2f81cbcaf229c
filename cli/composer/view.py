"""The full-screen view as a state: what keys do to it. Draws nothing and knows no terminal."""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator
from functools import partial

from regmap.calc import Verdict
from regmap.chip.bank import find
from regmap.chip.values import Reading
from regmap.draft import Preview, label_of
from regmap.errors import GatewordError
from regmap.record import dataclass

from ..context import hexword
from .session import Session
from .vocabulary import WORDS, Meant, Offer, Outcome, Question, Sheet

IDLE = "type part of a name, meaning, fault or unit to find it, or a value to set it"
SHOWN = (
    "find",
    "verdicts",
    "inputs",
    "sweep",
    "propose",
    "explain",
    "paste",
    "compare",
    "copy",
    "save",
    "leave",
)

NOTHING_BACK = "nothing to go back from; Esc again or Ctrl-Q leaves, ? tells what can be done"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the list: a register, a field, or a value beside the registers."""

    name: str
    label: str
    value: str
    kind: str
    changed: bool = False
    #: whether it is not the same in all modes of the stage
    differs: bool = False


class View:
    """What is on the screen. `place` is list, options or sheet; a text being typed covers them all."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.place = "list"
        self.text = ""
        self.meant = Meant("nothing")
        self.offers: list[Offer] = []
        self.offer = -1
        self.option = 0
        self.sheet: Sheet | None = None
        #: the line whose sheet the options were stepped into from, for the way back
        self.above = ""
        self.row = 0
        self.message = ""
        self.mark = ""
        self.question: Question | None = None
        self.done = False
        self.clip = ""
        self.page = 10
        self.targets: list[tuple[int, int, int, str, int]] = []
        #: whether what takes long is left for a pause between keys; `wanted` is what waits for it
        self.patient = False
        self._hopeless: set[tuple[str, int]] = set()
        self._differing: Container[str] = ()
        self.wanted = ""
        #: answers a question that is not about words: a draft left behind
        self.take_up: Callable[[str], Outcome | None] = lambda _: None

    # --- what there is to see ---------------------------------------------------------------------
    @property
    def mode(self) -> str:
        return "typing" if self.text.strip() else self.place

    def lines(self) -> list[Line]:
        """The list: every register with its fields, then joined and external values."""
        draft, chip = self.session.draft, self.session.chip
        changed = {c.name for c in draft.changes()} if draft.dirty else set()
        self._differing = self.session.drafts.differing()
        found = []
        for register in chip.registers.values():
            word = draft.bank.word(register.name)
            shown = (
                hexword(word, register.width)
                if word is not None and register.holds_settings
                else ""
            )
            moved = any(n.startswith(f"{register.name}.") for n in changed)
            found.append(Line(register.name, register.name, shown, "register", moved))
            for field in register.fields:
                found.append(
                    self._line(
                        field.ref,
                        field.name,
                        "field" if self.session.meaning.settable(field.ref) else "status",
                        changed,
                    )
                )
        for item in (*chip.joined, *chip.externals):
            found.append(self._line(item, item, "value", changed))
        return found

    def _line(self, name: str, label: str, kind: str, changed: set[str]) -> Line:
        reading = self.session.draft.reading(name)
        shown = label_of(reading) if reading is not None else "?"
        return Line(
            name,
            label,
            shown if kind != "status" else "",
            kind,
            name in changed,
            name in self._differing,
        )

    def options(self) -> list[Reading]:
        return self.session.draft.options(self.session.at)

    def shown(self) -> str:
        """The name that the right side tells of."""
        if self.mode == "typing":
            if 0 <= self.offer < len(self.offers) and self.offers[self.offer].target:
                return self.offers[self.offer].target
            return self.meant.name or self.session.at
        return self.session.at

    def preview(self) -> Preview | None:
        """The value that is being considered, by typing or by the cursor, and not accepted."""
        if self.mode == "typing":
            if self.offer >= 0:
                return self.session.meaning.mean(self.offers[self.offer].action).preview
            return self.meant.preview
        if self.place == "options":
            options = self.options()
            if 0 <= self.option < len(options):
                return self._considered(options[self.option].code)
        return None

    def depending(self, name: str) -> list[Verdict] | None:
        """The verdicts that depend on a setting; None where finding them waits for a pause."""
        if self.patient:
            found = self.session.draft.known_depending(name)
            if found is None:
                self.wanted = name
            return found
        return self.session.draft.depending(name)

    def pause(self) -> bool:
        """A pause between keys: finds what the screen waits for, else what the next keys will ask for.

        True where the screen says more now.
        """
        draft = self.session.draft
        if self.wanted:
            name, self.wanted = self.wanted, ""
            draft.depending(name)
            return True
        step = next(self._ahead(), None)
        if step is not None:
            step()
        return False

    @property
    def busy(self) -> bool:
        """Whether a pause has something left to do."""
        return bool(self.wanted) or next(self._ahead(), None) is not None

    def _ahead(self) -> Iterator[Callable[[], object]]:
        """What the next keys will ask for and is not known yet, the nearest first."""
        session, draft = self.session, self.session.draft
        if self.place == "options" and self.mode != "typing":
            options, name = self.options(), session.at
            for at in (self.option + 1, self.option - 1, self.option + 2):
                if 0 <= at < len(options) and not (
                    draft.has_considered(name, options[at].code)
                    or (name, options[at].code) in self._hopeless
                ):
                    yield partial(self._try, name, options[at].code)
        if self.mode == "list":
            names = [line.name for line in self.lines()]
            here = names.index(session.at) if session.at in names else 0
            for name in names[here : here + 4] + names[max(0, here - 3) : here][::-1]:
                if session.meaning.settable(name) and draft.known_depending(name) is None:
                    yield partial(draft.depending, name)

    def _try(self, name: str, code: int) -> None:
        try:
            self.session.draft.consider(name, code)
        except GatewordError:
            self._hopeless.add((name, code))

    def _considered(self, code: int) -> Preview | None:
        if code == self.session.draft.bank.code(self.session.at):
            return None
        try:
            return self.session.draft.consider(self.session.at, code)
        except GatewordError as error:
            self.message, self.mark = str(error), "bad"
            return None

    def hint(self) -> tuple[str, str]:
        """The sentence above the typing line, and its mark."""
        if self.mode == "typing" and not self.message:
            meant = (
                self.session.meaning.mean(self.offers[self.offer].action)
                if self.offer >= 0
                else self.meant
            )
            return (
                "no: " if meant.kind == "refused" else ""
            ) + meant.text, "bad" if meant.kind == "refused" else ""
        if self.message:
            return self.message, self.mark
        if self.place == "options":
            seen = self.preview()
            return (
                (self.session.meaning.describe(seen), "")
                if seen is not None
                else ("the option in force; Up and Down try the others", "")
            )
        if self.place == "sheet" and self.sheet is not None:
            return self._sheet_hint(), ""
        return IDLE, "dim"

    def _sheet_hint(self) -> str:
        assert self.sheet is not None
        row = self.sheet.rows[self.row] if self.sheet.rows else None
        more = (
            "; `accept` puts what is shown into the draft"
            if self.session.meaning.can_accept
            and any(r.action == "accept" for r in self.sheet.rows)
            else ""
        )
        # a line that the screen cuts is told whole where the cursor is
        whole = row.text.strip() if row is not None and len(row.text) > self.session.width else ""
        if row is None or not row.action:
            return (whole or "Esc goes back") + more
        if row.action.startswith("try "):
            return (
                f"enter tries the options of {row.action[4:]}; this verdict and all others are shown for each"
                + more
            )
        if row.action.startswith("type "):
            return (
                f"enter begins `{row.action[5:].strip()} ...`: type the new value, its effect is shown before Enter accepts it"
                + more
            )
        if row.action.startswith("set "):
            return self.session.meaning.mean(row.action).text
        if row.action == "accept":
            return "enter accepts it"
        return self.session.meaning.mean(row.action).text + more

    def second_hint(self) -> str:
        """The words, where there is room for them below the hint."""
        first = "words: in modes " if self.session.drafts.names else "words: "
        return first + " ".join(SHOWN) if self.mode in ("list", "sheet") else ""

    def keys(self, width: int = 80) -> str:
        if self.question is not None:
            return (
                "press one of " + " ".join(k for k, _, _ in self.question.answers) + "   Esc: stay"
            )
        if width < 78:
            return {
                "list": "Right: options  type: find, set  ? help  ^S save  ^Q leave",
                "options": "Enter accept  Esc back  ? help",
                "typing": "Enter do it  Down choose  Esc clear",
                "sheet": "Enter accept or go  Esc back",
            }[self.mode]
        return {
            "list": "Up/Down  Right: options  type: find, set  ? help  Ctrl: Z undo  S save  Q leave",
            "options": "Up/Down try  Enter accept  Esc back  type a value  ? help  Ctrl: Z undo  S save",
            "typing": "Enter do it  Down choose from the list  Tab complete  Esc clear",
            "sheet": "Up/Down scroll  Enter accept or go  Esc back  type: find, set  ? help",
        }[self.mode]

    # --- keys -------------------------------------------------------------------------------------
    def typed(self, text: str) -> None:
        """The typing line changed."""
        self.text = " ".join(text.splitlines())
        self.message = self.mark = ""
        self.offer = -1
        self.meant = self.session.meaning.mean(self.text)
        self.offers = self.session.meaning.offers(self.text) if self.text.strip() else []

    def move(self, by: int) -> None:
        """Up and down, by lines."""
        self.message = self.mark = ""
        if self.mode == "typing":
            self.offer = max(-1, min(self.offer + by, len(self.offers) - 1))
        elif self.place == "options":
            self.option = max(0, min(self.option + by, len(self.options()) - 1))
        elif self.place == "sheet" and self.sheet is not None:
            self.row = max(0, min(self.row + by, len(self.sheet.rows) - 1))
        else:
            names = [line.name for line in self.lines()]
            here = names.index(self.session.at) if self.session.at in names else 0
            self.session.at = names[max(0, min(here + by, len(names) - 1))]

    def right(self) -> None:
        self.message = self.mark = ""
        if self.place == "list":
            if self.session.meaning.settable(self.session.at):
                self.place = "options"
                code = self.session.draft.bank.code(self.session.at)
                self.option = next((i for i, r in enumerate(self.options()) if r.code == code), 0)
            elif self.session.at in self.session.chip.registers:
                self.move(1)
            else:
                self.message, self.mark = (
                    f"{self.session.at} holds no setting; `explain` explains words that were read",
                    "",
                )

    def back(self) -> None:
        """Esc and Left: one step back, nothing lost."""
        if self.question is not None:
            self.question = None
        elif self.mode == "typing":
            self.typed("")
        elif self.place == "options" and self.above:
            self.run(self.above)
            self.above = ""
        elif self.place != "list":
            self.place, self.sheet, self.above = "list", None, ""
        else:
            if self.message == NOTHING_BACK:
                self.run("leave")
                return
            self.message = NOTHING_BACK
            return
        self.message = self.mark = ""

    def enter(self) -> None:
        if self.question is not None:
            return
        if self.mode == "typing":
            chosen = self.offers[self.offer].action if self.offer >= 0 else self.text
            if (
                self.offer >= 0
                and chosen in WORDS
                and WORDS[chosen].usage != chosen
                and not WORDS[chosen].usage.startswith(f"{chosen} [")
            ):
                self.typed(f"{chosen} ")
                return
            self.run(chosen)
        elif self.place == "options":
            options = self.options()
            if 0 <= self.option < len(options):
                above, self.above = self.above, ""
                self.run(f"set {self.session.at} 0x{options[self.option].code:X}")
                self.reopen(above)
        elif self.place == "sheet" and self.sheet is not None and self.sheet.rows:
            action = self.sheet.rows[self.row].action
            if action:
                self.run(action)
        else:
            self.right()

    def run(self, line: str) -> None:
        """Enter a line; what it answers is shown."""
        if line.startswith("type "):
            self.typed(line[5:])
            return
        if line.startswith("try "):
            self.above = f"why {self.session.meaning.opened_verdict}"
            self.session.at = line[4:]
            self.place, self.sheet = "list", None
            self.right()
            return
        outcome = self.session.do(line, self.place)
        if outcome.mark != "bad":
            self.typed("")
        self.show(outcome)

    def reopen(self, line: str) -> None:
        """The sheet that a change was made from, anew, with what the change said still to be read."""
        if line and self.mark != "bad":
            message, mark, row = self.message, self.mark, self.row
            self.run(line)
            self.message, self.mark, self.row = message, mark, row

    def show(self, outcome: Outcome) -> None:
        self.message, self.mark = outcome.message, outcome.mark
        self.question = outcome.question
        self.clip = outcome.clip
        self.done = self.done or outcome.leave
        if outcome.sheet is not None:
            self.place, self.sheet = "sheet", outcome.sheet
            takes = [i for i, r in enumerate(outcome.sheet.rows) if r.action == "accept"]
            acts = [i for i, r in enumerate(outcome.sheet.rows) if r.action]
            over = takes if outcome.sheet.enter.startswith("accepts it") else []
            start = [outcome.sheet.start] if outcome.sheet.start >= 0 else []
            self.row = next(iter([*start, *over, *acts]), 0)
        elif outcome.mark != "bad" and outcome.question is None and not outcome.clip:
            self.place, self.sheet = "list", None

    def answer(self, key: str) -> None:
        """A key pressed while a question stands."""
        if self.question is None:
            return
        for known, line, _ in self.question.answers:
            if key.casefold() == known:
                self.question = None
                self.message = self.mark = ""
                if line.startswith("@"):
                    self.show(self.take_up(line[1:]) or Outcome())
                elif line:
                    self.run(line)
                return

    def complete(self) -> str:
        """Tab: the line as the first offer (or the chosen one) would have it."""
        if not self.offers:
            return self.text
        offer = self.offers[max(self.offer, 0)]
        return offer.action + (" " if offer.action in WORDS else "")

    # --- mouse ------------------------------------------------------------------------------------
    def click(self, x: int, y: int) -> None:
        for line, left, right, kind, index in self.targets:
            if line == y and left <= x < right:
                self._clicked(kind, index)
                return

    def _clicked(self, kind: str, index: int) -> None:
        self.message = self.mark = ""
        if kind == "list" and self.place != "sheet":
            self.place = "list"
            names = [line.name for line in self.lines()]
            again = self.session.at == names[index]
            self.session.at = names[index]
            if again:
                self.right()
        elif kind == "option":
            again = self.place == "options" and self.option == index
            if self.place == "list":
                self.right()
            self.option = index
            if again:
                self.enter()
        elif kind in ("row", "offer"):
            again = (self.row if kind == "row" else self.offer) == index
            if kind == "row":
                self.row = index
            else:
                self.offer = index
            if again:
                self.enter()


def summary_of(session: Session, name: str) -> str:
    """A field's, register's or value's own words."""
    if name in session.chip.registers:
        return session.chip.registers[name].summary
    return str(getattr(find(session.chip, name), "summary", ""))
