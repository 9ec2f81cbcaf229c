"""What a source says: registers, fields and values, each with its origin; what is not said stays None or empty.

Bit numbers are those of the sheet, the most significant first. Blocks are what readers hand over: lines of
text and tables in their order, whatever the file was.
"""

from __future__ import annotations

from collections.abc import Sequence

from regmap.record import dataclass, field

#: a cell of a table: None goes on with the cell at its left (merged), "" is empty
Cell = str | None


@dataclass(slots=True)
class TextLine:
    """One line of text between tables."""

    text: str
    origin: str


@dataclass(slots=True)
class Grid:
    """One table. `origins` has one text for each row: page, table, row."""

    rows: list[list[Cell]]
    origins: list[str]
    #: why its rows may be mixed up
    doubt: str = ""


Block = TextLine | Grid


@dataclass(frozen=True, slots=True)
class FoundDoubt:
    """Something that a person must decide: serious, open or minor; about a register (and its field), or the whole."""

    grade: str
    text: str
    register: str = ""
    field: str = ""
    origin: str = ""


@dataclass(slots=True)
class Values:
    """A table of values by code in one unit; an entry is None where the sheet gives none."""

    unit: str
    low: list[str | None]
    typ: list[str | None]
    high: list[str | None]


@dataclass(slots=True)
class FoundField:
    """A field as a source states it. `scale` is (step, offset) in words such as ("50 ns", "100 ns")."""

    name: str
    bits: tuple[int, ...]
    origin: str
    access: str = ""
    reset: int | None = None
    summary: str = ""
    reserved: bool = False
    options: dict[int, str] = field(default_factory=dict)
    scale: tuple[str, str] | None = None
    values: Values | None = None
    role: str = ""
    role_words: str = ""


@dataclass(slots=True)
class FoundRegister:
    """A register as a source states it."""

    name: str
    origin: str
    address: int | None = None
    page: int | None = None
    access: str = ""
    reset: int | None = None
    width: int | None = None
    summary: str = ""
    fields: list[FoundField] = field(default_factory=list)

    def named(self, name: str) -> FoundField | None:
        """The field of this name, or None."""
        return next((f for f in self.fields if f.name == name), None)


@dataclass(slots=True)
class FoundPart:
    """A part of a command frame: its name, its bits and what it holds ("" where the name does not tell)."""

    name: str
    bits: tuple[int, ...]
    holds: str
    origin: str


@dataclass(slots=True)
class FoundSheet:
    """All that was found, in the order of the sheet."""

    registers: list[FoundRegister] = field(default_factory=list)
    parts: list[FoundPart] = field(default_factory=list)
    reply: list[FoundPart] = field(default_factory=list)
    #: SPI limits by their key in maps: text with its unit, and origin
    limits: dict[str, tuple[str, str]] = field(default_factory=dict)
    #: electrical limits by their name in maps: value, origin, and the symbol or words that named it
    electrical: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    #: example frames: words, what stands beside them, origin
    examples: list[tuple[str, str, str]] = field(default_factory=list)
    doubts: list[FoundDoubt] = field(default_factory=list)
    sources: list[str] = field(default_factory=list)
    #: what the sheet's rows say, by their origin
    said: dict[str, str] = field(default_factory=dict)

    def named(self, name: str) -> FoundRegister | None:
        """The register of this name, or None."""
        return next((r for r in self.registers if r.name == name), None)

    def doubt(self, grade: str, text: str, *, of: Sequence[str] = (), origin: str = "") -> None:
        """Note a doubt about a register, or a register and its field."""
        register, name = (*of, "", "")[:2]
        found = FoundDoubt(grade, text, register, name, origin)
        if found not in self.doubts:
            self.doubts.append(found)
