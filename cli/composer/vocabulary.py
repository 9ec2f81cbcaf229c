"""The words of the composer, the same in the full-screen view and in line mode, and what they answer with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from regmap.record import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from regmap.draft import Hit, Preview


@dataclass(frozen=True, slots=True)
class Word:
    """One word one can type: how it is used, and what it does."""

    name: str
    usage: str
    text: str


WORDS: dict[str, Word] = {
    w.name: w
    for w in (
        Word(
            "set",
            "set NAME VALUE",
            "sets a value; also NAME = VALUE, or the value alone for what is chosen",
        ),
        Word("reset", "reset [NAME]", "back to the reset value; the stage no longer sets it"),
        Word("modes", "modes", "what is not the same in all modes of the stage, side by side"),
        Word("in", "in MODE [LINE]", "edits another mode of the stage; or does a line in it"),
        Word("go", "go NAME", "chooses a register, a field or a value"),
        Word("find", "find TEXT", "what holds TEXT in its name, meaning, unit or faults"),
        Word("options", "options [NAME]", "every option of a value"),
        Word("undo", "undo [N]", "takes back the last step"),
        Word("redo", "redo [N]", "does it again"),
        Word("verdicts", "verdicts [all]", "the verdicts that do not hold, or all"),
        Word(
            "why",
            "why CHECK",
            "opens a verdict: value, limit, margin, corner, derivation, and what it depends on",
        ),
        Word(
            "inputs",
            "inputs [TEXT]",
            "the values of the power stage; `set pwm.frequency 30 kHz` changes one",
        ),
        Word("sweep", "sweep [NAME]", "every option with the verdicts that depend on it"),
        Word(
            "timeline",
            "timeline [WHICH]",
            "one PWM period (`low highest out`), a start or the way to sleep, instant by instant",
        ),
        Word("propose", "propose", "settings that meet the stage's goals, to accept or leave"),
        Word(
            "explain",
            "explain REG=WORD ...",
            "explains status words; `explain` alone lists what can trip",
        ),
        Word("paste", "paste FRAME [reply REG]", "takes a raw frame apart"),
        Word("accept", "accept", "puts into the draft what paste, compare or propose showed"),
        Word(
            "compare",
            "compare WITH",
            "with reset, saved, REG=WORD ..., or a file: stage, readback, capture",
        ),
        Word("changes", "changes", "what is not saved yet"),
        Word("sequence", "sequence", "every frame to send, in order"),
        Word("copy", "copy WHAT [to FILE]", "frame, word or sequence as text"),
        Word("connect", "connect PORT", "reads a real or simulated chip beside the draft"),
        Word("live", "live [pages]", "what the connected chip holds beside the draft"),
        Word(
            "send", "send [NAME]", "writes one register of the draft to the chip, after a question"
        ),
        Word("disconnect", "disconnect", "lets go of the port"),
        Word("save", "save [FILE]", "writes the settings into the stage file"),
        Word("leave", "leave", "ends; asks when something is not saved"),
        Word("help", "help [WORD]", "what can be done here; ? does the same"),
    )
}

#: what may follow a word, where that is a closed list
FOLLOWS: dict[str, tuple[tuple[str, str], ...]] = {
    "compare": (("reset", "the reset values"), ("saved", "the stage as saved")),
    "copy": (
        ("frame", "the frame that writes the chosen register"),
        ("word", "the chosen register's word"),
        ("sequence", "the whole write sequence"),
    ),
    "timeline": (
        ("low", "a PWM period of the low side; `low 30 % out` at a duty, the current out or in"),
        ("high", "a PWM period of the high side; `high lowest in`, `high 100 %`"),
        ("startup", "from power-on to the first PWM"),
        ("sleep", "from the last PWM edge until asleep"),
    ),
    "verdicts": (("all", "those that hold, too"),),
    "live": (("pages", "on every page: what selects one is written, and put back"),),
    "leave": (("keep", "the draft is offered next time"), ("drop", "the changes are forgotten")),
    "save": (("merge", "into a file that changed on disk meanwhile"),),
}
#: what people type to get out, besides `leave`
LEAVES = ("quit", "exit")
TAKES_NAME = ("set", "reset", "go", "options", "sweep", "send")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a sheet; `action` is the text that Enter stands for there. Marks are styles."""

    text: str
    action: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Sheet:
    """An answer of several lines. `enter` says what Enter does on a line with an action; `start` is the line to begin on."""

    title: str
    rows: Sequence[Row]
    enter: str = ""
    start: int = -1


@dataclass(frozen=True, slots=True)
class Question:
    """Something to be decided first: each answer is a key, the words it stands for, and what it means."""

    text: str
    answers: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a line of text did. `mark` is good, bad or empty."""

    message: str = ""
    mark: str = ""
    sheet: Sheet | None = None
    question: Question | None = None
    leave: bool = False
    clip: str = ""


@dataclass(frozen=True, slots=True)
class Meant:
    """What a line of text would do if entered now.

    kind      "nothing", "set", "go", "find", "word" (of the vocabulary), "paste", "explain" or "refused"
    text      a sentence for people
    """

    kind: str
    text: str = ""
    name: str = ""
    value: str = ""
    preview: Preview | None = None
    hits: tuple[Hit, ...] = ()


@dataclass(frozen=True, slots=True)
class Offer:
    """Something that what is typed may become: shown as `label` with `meaning`, entered as `action`."""

    label: str
    meaning: str
    action: str
    target: str = ""


@dataclass(frozen=True, slots=True)
class Help:
    """A topic of the help: what one sees and which keys do what."""

    title: str
    lines: tuple[str, ...]


PLACES: dict[str, Help] = {
    "list": Help(
        "You are in the list of registers and fields",
        (
            "Up and Down move; PageUp, PageDown, Home and End jump. The right side tells of the line you are on.",
            "Right or Enter steps into the options of a field.",
            "Just type to find something by part of its name, its meaning, a fault or a unit (dead, vds_uh, mA),",
            "or to give the chosen field a value as you would write it: 60mA, 0x1F, 0b101, an option's name, max, +1.",
            "The line above the one you type in always says what Enter will do, before you press it.",
            "A * marks what is not saved yet.",
        ),
    ),
    "options": Help(
        "You are trying the options of a field",
        (
            "Up and Down move over the options; the frame and the verdicts below are those of the option under the",
            "cursor, while nothing is accepted yet. Enter accepts it, Left or Esc goes back and changes nothing.",
            "The option marked `now` is the one in force. Typing a value works here, too.",
        ),
    ),
    "typing": Help(
        "You are typing",
        (
            "The line above says what Enter will do. Down steps into the list of what fits; Tab completes to the first.",
            "Esc clears the line.",
        ),
    ),
    "lines": Help(
        "You are in the line mode",
        (
            "Type one thing a line; what stands before > is what is chosen.",
            "Part of a name, a meaning, a fault or a unit (dead, vds_uh, mA) finds it and chooses the first.",
            "A value as you would write it sets what is chosen: 60mA, 0x1F, 0b101, an option's name, max, +1; so does NAME = VALUE.",
            "Tab lists what fits. The end of the input keeps what is not saved, to be offered next time.",
        ),
    ),
    "sheet": Help(
        "You are reading an answer",
        (
            "Up and Down, PageUp and PageDown scroll. Where a line can be accepted, Enter accepts it. Esc goes back.",
        ),
    ),
}

#: what can be done with a stage that states modes, beside all else
MODE_HELP = (
    "The title tells which mode is edited: `in MODE` or F2 (the next) edits another, `in MODE LINE` does a line in one,",
    "`modes` shows what is not the same in all, side by side; a ~ marks it in the list. What the stage states goes into",
    "every mode that does not state it itself; `reset` in a mode takes its own value out. `save` writes all modes.",
)
MODE_WORDS = ("modes", "in")

KEYS = (
    "Ctrl-Z undo    Ctrl-Y redo    Ctrl-S save    Ctrl-Q leave    Ctrl-R sweep    Ctrl-K copy frame",
    "Tab complete   Esc back, twice from the list leaves   ? help (on an empty line; F1 at any time)",
    "The mouse chooses with one click and takes with a second; its wheel scrolls.",
)
