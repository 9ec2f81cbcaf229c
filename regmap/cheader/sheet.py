"""What the sections write on: one header, or a header and a source, from the same calls.

table      constant data: `static const` in a header alone, `extern` and defined once in a pair
function   `GD_INLINE` (static inline, but for one compiler) in a header alone, declared and defined once in a pair
inline     always so: helpers of a line or two
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from regmap.record import dataclass, field, fields, replace

from ..chip.model import Chip, Frame, MonitorTest, Register
from ..errors import CallError
from ..frames.codec import Codec
from ..frames.recogniser import Recogniser
from ..quantity import Band
from .names import Namer, word
from .text import block, heading, string

if TYPE_CHECKING:
    from ..behaviour.settings import Action
    from ..stages.load import Setting, Stage


@dataclass(frozen=True, slots=True)
class ModeWay:
    """The frames from one mode of a stage to another, `before` them those that led to the first.

    `about` is what the table's comment says, `reads_as` the mode whose registers are read back after it (None:
    no table of that).
    """

    source: str
    target: str
    actions: tuple[Action, ...]
    before: tuple[Action, ...]
    about: str = ""
    reads_as: Stage | None = None


@dataclass(frozen=True, slots=True)
class ModeFollows:
    """In this mode, on this fault: the mode that follows; "" where the controller stops the drive."""

    mode: str
    fault: str
    then: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Derived:
    """What is worked out of a stage and goes into its header: `Options` says what each is."""

    figures: tuple[tuple[str, str, Band], ...] = ()
    ways: tuple[ModeWay, ...] = ()
    follows: tuple[ModeFollows, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Options(Derived):
    """What to generate and how.

    prefix    start of every identifier; "" takes the name of the stage or chip
    sections  names out of `SECTIONS`; what they need comes along
    split     header plus source instead of a header alone
    include   the name under which the source includes the header (split only)
    crc       "table": 256 entries in flash, quick; "loop": a bit at a time, small
    figures   what follows from the settings, (name, title, band): see `assessment.figures`
    version   the tool's version, part of the content hash; "" takes this library's
    chain     chips of the map on one chip select, as a daisy chain; 0: as the stage says
    ways      the ways between the modes of the stage; `follows`: what follows on its faults; `left_out`: the ways that
              have no table, with why
    of_variants  figures, ways, follows and left_out of each variant, in their order
    """

    prefix: str = ""
    sections: tuple[str, ...] | None = None
    split: bool = False
    include: str = ""
    crc: str = "table"
    version: str = ""
    chain: int = 0
    of_variants: tuple[Derived, ...] = ()

    def __post_init__(self) -> None:
        if self.sections is not None and not self.sections:
            raise CallError("no section is left to generate", "one at least, or None for all")
        if not 0 <= self.chain <= 64:
            raise CallError(f"a chain of {self.chain} chips", "1 to 64")
        if self.crc not in ("table", "loop"):
            raise CallError(f"crc is 'table' or 'loop', not {self.crc!r}")


def with_worked_out(
    options: Options, derived: Derived, variants: tuple[Derived, ...] = ()
) -> Options:
    """The options with what was worked out of a stage, and of its variants."""
    own = {f.name: getattr(derived, f.name) for f in fields(Derived)}
    return replace(options, of_variants=variants, **own)


@dataclass(frozen=True, slots=True)
class Steps:
    """One table of steps before it becomes text: what it is in `about`, the names of the table and of its size."""

    actions: list[Action]
    by_setting: dict[str, list[Setting]]
    about: str
    table: str
    size: str


@dataclass(frozen=True, slots=True)
class PlannedTest:
    """A start-up test of monitors, and its place in the table of steps: the first, those of the test, and those that restore."""

    test: MonitorTest
    first: int
    steps: int
    restore: int


@dataclass(frozen=True, slots=True)
class Variant:
    """One of several boards in a header: the macro of its number, and by their names its tables (identifier, macro of the size)."""

    stage: Stage
    number: str
    derived: Derived
    tables: Mapping[str, tuple[str, str]]


@dataclass(slots=True, kw_only=True)
class Sheet:
    """The chip, the names and the two texts that grow; `tables` names the step tables
    written so far, `hazards` what their frames do that can hurt, `used` the kinds of their steps.
    Of the configured chip: `format_at_end` is the layout in force, `readback_frames` what reading it
    back takes, `reset_told` whether replies would tell that it was reset. `plans` are the step tables before they
    became text, by name, `written` their rows by the table's identifier, `kept` the registers with bits that must be
    written as they were read, in the order of the places for them; `verify_rows` what `regmap.cheader.readback.verify_rows` gave."""

    chip: Chip
    stage: Stage | None
    options: Options
    names: Namer
    sections: frozenset[str]
    head: list[str] = field(default_factory=list)
    body: list[str] = field(default_factory=list)
    asserts: list[tuple[str, str]] = field(default_factory=list)
    tables: set[str] = field(default_factory=set)
    hazards: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    format_at_end: str = ""
    readback_frames: int = 0
    #: register -> the step that reads it back
    readback_at: dict[str, int] = field(default_factory=dict)
    #: steps of the bring-up, and the first of them that a chip takes which has not just been reset
    init_steps: int = 0
    after_power_up: int = 0
    reset_told: bool = False
    #: whether no check bits cover the flag that tells it
    reset_doubted: bool = False
    plans: dict[str, Steps] = field(default_factory=dict)
    written: dict[str, list[str]] = field(default_factory=dict)
    kept: list[str] = field(default_factory=list)
    #: how many boards the header is for
    boards: int = 1
    #: all of its stages, those of the positions of a chain too
    stages: list[Stage] = field(default_factory=list)
    #: tables that are the same for all of them
    alike: set[str] = field(default_factory=set)
    #: routines of the board that is chosen when the header is compiled: (signature, body, what it says)
    chosen: list[tuple[str, list[str], str]] = field(default_factory=list)
    #: the boards of the header by number, the stage itself the first; empty where it is the only one
    variants: list[Variant] = field(default_factory=list)
    verify_rows: list[tuple[Register, int, int, Frame, int]] = field(default_factory=list)
    #: of a daisy chain: how many chips, and by position the step tables that the stage there has
    chips: int = 0
    positions: dict[int, dict[str, Steps]] = field(default_factory=dict)
    #: registers that cannot be read back as a whole, and what a configured chip holds (None for a map alone)
    shadowed: list[Register] = field(default_factory=list)
    shadow_words: Mapping[str, int] | None = None
    shadows: list[Mapping[str, int] | None] = field(default_factory=list)  # of the other boards
    monitor_tests: list[PlannedTest] = field(default_factory=list)
    recogniser: Recogniser = field(init=False)

    def __post_init__(self) -> None:
        self.recogniser = Codec(self.chip).recogniser

    @property
    def chained(self) -> bool:
        return self.chips > 0

    def has(self, section: str) -> bool:
        return section in self.sections

    @property
    def prefix(self) -> str:
        """Lower-case prefix with its underscore, for functions and types."""
        return f"{self.names.lower_prefix}_"

    @property
    def macro(self) -> str:
        """Upper-case prefix with its underscore, for macros."""
        return f"{self.names.macro_prefix}_"

    @property
    def inlined(self) -> str:
        """The macro ahead of a routine that stands in the header."""
        return f"{self.macro}INLINE"

    @property
    def flash(self) -> str:
        """The macro that keeps a table out of RAM where a compiler has to be told."""
        return f"{self.macro}FLASH"

    def fetch(self, target: str, place: str) -> str:
        """A statement that copies one element of a table, which may lie outside the data space."""
        return f"{self.macro}FETCH(&{target}, &{place});"

    def section(self, title: str, about: str | Sequence[str] = "") -> None:
        self.head += heading(title)
        if about:
            self.head += block(about)

    def lines(self, *lines: str) -> None:
        self.head += lines

    def table(self, kind: str, name: str, rows: Sequence[str], size: str, about: str) -> None:
        """A constant table of `size` (a macro) elements; `rows` are its lines, comments included."""
        text = [*rows]
        if self.options.split:
            self.head += ["", *block(about), f"extern const {kind} {name}[{size}] {self.flash};"]
            self.body += ["", f"const {kind} {name}[{size}] {self.flash} = {{", *text, "};"]
        else:
            self.head += [
                "",
                *block(about),
                f"static const {kind} {name}[{size}] {self.flash} = {{",
                *text,
                "};",
            ]

    def hidden_table(self, kind: str, name: str, rows: Sequence[str], size: int) -> None:
        """A table only the routines here use: static in the source of a pair."""
        target = self.body if self.options.split else self.head
        target += ["", f"static const {kind} {name}[{size}] {self.flash} = {{", *rows, "};"]

    def hidden_text(self, name: str, text: str) -> str:
        """A constant text beside the tables, where they lie; its name."""
        target = self.body if self.options.split else self.head
        target.append(f"static const char {name}[] {self.flash} = {string(text)};")
        return name

    def function(self, signature: str, lines: Sequence[str], about: str | Sequence[str]) -> None:
        """A routine: `signature` without storage class; `lines` are its body."""
        text = ["{", *(f"    {line}" if line else "" for line in lines), "}"]
        if self.options.split:
            self.head += ["", *block(about), f"{signature};"]
            self.body += ["", signature, *text]
        else:
            self.head += ["", *block(about), f"{self.inlined} {signature}", *text]

    def hidden_function(self, signature: str, lines: Sequence[str], about: str) -> None:
        """A routine only the routines here use: static in the source of a pair."""
        text = ["{", *(f"    {line}" if line else "" for line in lines), "}"]
        if self.options.split:
            self.body += ["", *block(about), f"static {signature}", *text]
        else:
            self.head += ["", *block(about), f"{self.inlined} {signature}", *text]

    def inline(self, signature: str, lines: Sequence[str], about: str = "") -> None:
        """A helper of a line or two that belongs in the header in any case."""
        head = self.head
        head.append("")
        if about:
            head += block(about)
        # one piece of text: most of a header are helpers
        body = "\n    ".join(lines)
        head.append(f"{self.inlined} {signature}\n{{\n    {body}\n}}")

    def check(self, condition: str, text: str) -> None:
        """A compile-time assertion; `text` says what is wrong where it fails."""
        self.asserts.append((condition, text))

    def stem(self, register: Register, *more: str) -> tuple[str, ...]:
        """The pieces of an identifier that belongs to a register."""
        return (word(register.name), *(word(m) for m in more))
