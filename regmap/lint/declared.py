"""What declarations of a header say, as data: bit fields, rows of tables, structures that describe, arrays."""

from __future__ import annotations

from regmap.record import dataclass, field

from .defines import Define

#: what a member is called that holds a whole command
COMMANDS = {"frame", "cmd", "command", "tx"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A bit field: `low` counts from the structure's first, least significant bit."""

    name: str
    low: int
    width: int
    item: Define


@dataclass(frozen=True, slots=True, kw_only=True)
class BitFields:
    """A structure of bit fields and the names that it goes by, the outermost last."""

    names: tuple[str, ...]
    members: tuple[Member, ...]
    bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a constant table: the expression that names a register, and the word beside it."""

    key: str
    item: Define
    #: the table that it stands in
    table: str = ""
    #: the key as a number, where it is one and the word stands alone beside it
    address: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """A structure that describes a register or field: what it is called, and (member, number) of each cell."""

    key: str
    cells: tuple[tuple[str, Define], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberArray:
    """A constant array of whole numbers."""

    item: Define
    numbers: tuple[int, ...]
    #: each number at its own place
    cells: tuple[Define, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRow:
    """A row of a table of commands to send: (member, number) of each cell."""

    table: str
    cells: tuple[tuple[str, Define], ...]


@dataclass(slots=True)
class Declarations:
    constants: list[Define] = field(default_factory=list)
    layouts: list[BitFields] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    described: list[Described] = field(default_factory=list)
    arrays: list[NumberArray] = field(default_factory=list)
    #: rows of tables that are numbers alone, each called as its table is
    rows_of_numbers: list[NumberArray] = field(default_factory=list)
    steps: list[CommandRow] = field(default_factory=list)
    functions: list[Define] = field(default_factory=list)
    skipped: list[Define] = field(default_factory=list)
