"""The model: what a map says, as frozen dataclasses. No reading, no arithmetic, no I/O.

Bit numbers are those of the data sheet: bit 0 is the least significant of a word. A tuple of bit
numbers lists the most significant first, so a value scattered over a word is read from left to
right:

    bits (9, 3, 2, 1) of 0b10_0000_0110 hold 0b1011
          |  |  |  |       ^      ^ ^^
          9  3  2  1       9      2 1

Times are seconds, as exact `Band`s (min, typ, max). `origin` is "file:line" of the entry.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from enum import Enum
from fractions import Fraction
from typing import Any, Literal, TypeVar

from regmap.record import dataclass, field

from ..expr import Env, Expr, evaluate
from ..quantity import Band, Dim
from .bits import mask_of
from .guard import Crc

Bits = tuple[int, ...]
T = TypeVar("T")


class Access(str, Enum):
    """How a field behaves under frames; its value is the word used in maps."""

    RW = "rw"
    RO = "ro"
    WO = "wo"
    W1C = "w1c"
    W0C = "w0c"
    RC = "rc"
    ONCE = "once"
    SC = "sc"

    #: Whether a write does something to it.
    writable: bool
    #: Whether a write puts a value there that stays: a setting.
    stores: bool
    #: Whether a read shows what it holds.
    shown: bool
    #: Whether a write clears some of its bits and sets none.
    clears: bool

    def __init__(self, word: str) -> None:
        # answered once: they are asked for every field, again and again
        self.writable = word not in ("ro", "rc")
        self.stores = word in ("rw", "wo", "once")
        self.shown = word not in ("wo", "sc")
        self.clears = word in ("w1c", "w0c")

    def __str__(self) -> str:
        return str(self.value)

    @property
    def at_rest(self) -> int | None:
        """The bit that a write carries so as to do nothing there; None: what the field holds."""
        return {Access.W1C: 0, Access.SC: 0, Access.W0C: 1}.get(self)


#: What each access means; key: the word used in maps.
ACCESS: dict[str, str] = {
    Access.RW.value: "read and write",
    Access.RO.value: "read-only",
    Access.WO.value: "write-only: reads back as stated by `reads_as`, else unknown",
    Access.W1C.value: "write 1 to clear",
    Access.W0C.value: "write 0 to clear",
    Access.RC.value: "clear on read",
    Access.ONCE.value: "write-once after power-up",
    Access.SC.value: "self-clearing: reads 0 again once the chip has acted",
}

SEVERITIES = ("stop", "warn", "note")

#: What on the SPI itself raises a fault; key: word used in maps, value: what it means.
RAISED_BY: dict[str, str] = {
    "check_bits": "a frame whose parity or checksum is wrong",
    "clocks": "a frame with too few or too many clocks",
    "address": "an access to an address that does not exist",
    "operation": "a frame that asks for nothing the chip knows",
    "counter": "a frame whose counter is out of step",
    "locked_write": "a write that a lock refused",
    "read_only_write": "a write to a register that only reads",
    "watchdog": "watchdog service missing, too early or wrong",
}

#: What starts a key sequence over, each beside what stands below it; key: word used in maps.
BROKEN_BY: dict[str, str] = {
    "bad_frames": "a frame that is rejected, too",
    "frames": "any other sound frame (where nothing is said)",
    "writes": "any other write; reads and commands may come between",
    "own_writes": "only a wrong write of a register of the sequence",
    "nothing": "nothing: whatever is no step is passed over",
}

PartKind = Literal[
    "operation",
    "address",
    "page",
    "data",
    "fixed",
    "chip",
    "parity",
    "crc",
    "counter",
    "status",
    "field",
    "echo",
    "ignored",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One named piece of a frame.

    kind        what fills it                         uses
    operation   read, write or a command's code       codes
    address     the register's address
    page        the register's page
    data        the register's word, low end aligned  on_write (reply): old, new, zero, any
    fixed       always `value`
    chip        the chip's own address, `value`       shared (addresses that all chips take)
                unless the stage says otherwise
    parity      even or odd number of ones            even, over, over_command
    crc         checksum over `over`, in that order   crc, prefix (bits fed first), over_command
                                                      (bits of the answered command, fed before)
    counter     counts frames up, modulo its width    start, step; a toggle bit is one bit wide
    status      a status bit of the reply             active, fault
    field       a register's field, whatever is asked field ("REG.FIELD")
    echo        repeats a part of the answered command  of
    ignored     sent as `value`, ignored when received
    """

    name: str
    kind: PartKind
    bits: Bits
    codes: Mapping[str, int] = field(default_factory=dict)
    value: int = 0
    even: bool = True
    shared: tuple[int, ...] = ()
    over: Bits = ()
    over_command: Bits = ()
    crc: Crc | None = None
    prefix: tuple[int, int] = (0, 0)
    start: int = 0
    step: int = 1
    active: int = 1
    fault: str = ""
    shows: Expr | None = None
    field: str = ""
    of: str = ""
    on_write: Literal["old", "new", "zero", "any"] = "any"
    summary: str = ""
    origin: str = ""

    @property
    def width(self) -> int:
        return len(self.bits)


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The parts of one word of `length` bits, command or reply; they cover every bit once."""

    length: int
    parts: tuple[Part, ...]

    def of_kind(self, kind: str) -> Part | None:
        """The first part of this kind, or None."""
        for part in self.parts:
            if part.kind == kind:
                return part
        return None

    def named(self, name: str) -> Part | None:
        for part in self.parts:
            if part.name == name:
                return part
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """A command layout with the reply layouts that answer it.

    `bursts` are the bit counts of the chip-select bursts that carry one frame, usually one.
    `replies` is keyed by what was asked: "read", "write", an operation code's or command's name, or
    "any"; behind a case's name and a dot while the case's condition in `cases` holds.
    `after` is how many frames later the reply comes: 0 in the same, 1 in the next.
    `when` is the condition on fields or states under which this layout is in force.
    `named_only`: it carries only the registers and commands that name it.
    """

    name: str
    length: int
    command: Layout
    replies: Mapping[str, Layout]
    after: int = 0
    bursts: tuple[int, ...] = ()
    when: Expr | None = None
    named_only: bool = False
    cases: Mapping[str, Expr] = field(default_factory=dict)
    origin: str = ""

    def reply_to(self, kind: str) -> Layout | None:
        """Layout of the reply to `kind`, falling back to "any"; None where there is no reply."""
        return self.replies.get(kind) or self.replies.get("any")


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One option or table row: a code, its name, and the physical value where it has one.

    `forbidden` is why the code must not be set.
    """

    code: int
    name: str = ""
    text: str = ""
    band: Band | None = None
    forbidden: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """value = offset + step * code for first <= code <= last; two's complement when signed."""

    step: Fraction
    offset: Fraction
    dim: Dim
    first: int
    last: int
    signed: bool = False
    tolerance: Fraction = Fraction(0)
    absolute: Fraction = Fraction(0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Meaning:
    """What codes mean under a condition: entries by code, or a scale, or both (entries win)."""

    entries: Mapping[int, Entry] = field(default_factory=dict)
    scale: Scale | None = None
    dim: Dim | None = None
    when: Expr | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """A named group of bits of one register. `meanings` is tried in order; the last may have no `when`.

    `any_of` names registers and fields: the flag is 1 while any bit of them is. `acts` are the effects
    of a write of one of these codes, as those of a command. Where `change_while_driving` is False it may
    be set to another value only while the outputs are off.
    """

    name: str
    register: str
    bits: Bits
    access: Access
    reset: int
    meanings: tuple[Meaning, ...] = ()
    role: str = ""
    summary: str = ""
    power_up: int | None = None
    shows: Expr | None = None
    any_of: tuple[str, ...] = ()
    acts: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    change_while_driving: bool = True
    origin: str = ""

    @property
    def width(self) -> int:
        return len(self.bits)

    @property
    def ref(self) -> str:
        return f"{self.register}.{self.name}"

    @property
    def mask(self) -> int:
        """Its bits in the register."""
        return mask_of(self.bits)

    @property
    def writable(self) -> bool:
        return self.access.writable

    @property
    def setting(self) -> bool:
        """Whether the field holds a setting: it can be written and keeps what was written."""
        return self.access.stores


@dataclass(frozen=True, slots=True, kw_only=True)
class Joined:
    """One value held by several fields, most significant first, possibly in several registers."""

    name: str
    fields: tuple[tuple[str, str], ...]
    width: int
    meanings: tuple[Meaning, ...] = ()
    role: str = ""
    summary: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class External:
    """A value set outside the frame: a pin strap or a resistor; the stage says which."""

    name: str
    meanings: tuple[Meaning, ...]
    width: int
    default: int | None = None
    role: str = ""
    summary: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Register:
    """One register. `reserved` maps reserved bits (a mask) to how they must be written:

    `reserved_write` holds the value each reserved bit must be written with, and `reserved_keep`
    the reserved bits that must be written back as they were read.
    `reads_as`: "written", "inverted", "zero", or "REG" whose word is read in its place.
    `complement_of`: a register that must always hold the bitwise complement of this one.
    `operations`: the operation codes that read and write it, where they are not "read" and "write".
    `frames`: the layouts that carry it, where not every register's do. `address` is 0 where its layout
    has no part for it. `in_replies`: no command reaches it; parts of replies show its fields.
    """

    name: str
    address: int
    width: int
    reset: int
    fields: tuple[Field, ...]
    page: int | None = None
    access: Access = Access.RW
    reserved: int = 0
    reserved_write: int = 0
    reserved_keep: int = 0
    read_mask: int = -1
    write_mask: int = -1
    writable: Expr | None = None
    frames: tuple[str, ...] = ()
    operations: Mapping[str, str] = field(default_factory=dict)
    complement_of: str = ""
    reads_as: str = "written"
    in_replies: bool = False
    summary: str = ""
    origin: str = ""

    @property
    def frame(self) -> str:
        """The first layout named, "" where none is."""
        return self.frames[0] if self.frames else ""

    @property
    def mask(self) -> int:
        """All bits of the register."""
        return (1 << self.width) - 1

    @property
    def readable(self) -> bool:
        """Whether a command reads it."""
        if self.in_replies:
            return False
        if not self.fields:
            return self.access is not Access.WO
        return any(f.access is not Access.WO for f in self.fields)

    @property
    def takes_writes(self) -> bool:
        """Whether a write does anything to it; else it only reports."""
        return any(f.writable for f in self.fields)

    @property
    def holds_settings(self) -> bool:
        return any(f.setting for f in self.fields)

    @property
    def write_once(self) -> tuple[Field, ...]:
        """Its fields that can be written once only after power-up."""
        return tuple(f for f in self.fields if f.access is Access.ONCE)

    # --- which bits: the one answer to each question ---------------------------------------------
    @property
    def settings(self) -> int:
        """The bits that hold settings: what a stage states and a write puts there."""
        return sum(f.mask for f in self.fields if f.setting) & self.write_mask

    @property
    def shows(self) -> int:
        """The bits of which a read of this register (or replies, where none reads it) shows what they hold."""
        if self.reads_as not in ("written", "inverted") or not (self.readable or self.in_replies):
            return 0
        hidden = sum(f.mask for f in self.fields if not f.access.shown)
        return self.mask & self.read_mask & ~hidden

    @property
    def read_back(self) -> int:
        """The bits that hold settings and that a read shows: what a readback can prove."""
        return self.settings & self.shows

    @property
    def stated(self) -> int:
        """The reserved bits that must be written as `reserved_write` says."""
        return self.reserved & ~self.reserved_keep

    @property
    def kept(self) -> int:
        """The reserved bits that must be written back as they were read."""
        return self.reserved & self.reserved_keep & self.write_mask

    def held(self, data: int) -> int:
        """What the bits in `shows` hold where a read showed `data`."""
        return ~data & self.mask if self.reads_as == "inverted" else data

    def shown(self, word: int) -> int:
        """What a read shows of a register that holds `word`; bits that it does not show read 0."""
        return self.held(word) & self.shows

    def field(self, name: str) -> Field | None:
        for item in self.fields:
            if item.name == name:
                return item
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """A frame that is no register access: given values for named parts of the command layout.

    `frames` are the layouts that carry it. `care` has the bits that count of a part's value, where
    not all do; the others are sent as 0 and may be anything. `carries` is the register that takes its
    data, `returns` the one whose content its reply has. Effects are "reset", "clear_faults",
    "clear REG" (every field 0), or "REG.FIELD = VALUE".
    """

    name: str
    frames: tuple[str, ...]
    parts: Mapping[str, int]
    care: Mapping[str, int] = field(default_factory=dict)
    takes_data: bool = False
    carries: str = ""
    returns: str = ""
    summary: str = ""
    effects: tuple[str, ...] = ()
    origin: str = ""

    @property
    def frame(self) -> str:
        """The first layout that carries it."""
        return self.frames[0]

    def holds(self, part: str, value: int) -> bool:
        """Whether a part of a word holds what this command has there."""
        return not (self.parts[part] ^ value) & self.care.get(part, -1)


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """A named condition of the chip: by expression, or entered and left by events.

    Events are "reset", the name of a key sequence, of a command, or a write such as "LOCK.KEY = lock".
    """

    name: str
    when: Expr | None = None
    entered_by: tuple[str, ...] = ()
    left_by: tuple[str, ...] = ()
    initially: bool = False
    summary: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """A sequence of writes that must arrive in this order; `broken_by` says what starts it over."""

    name: str
    steps: tuple[str, ...]
    broken_by: str = "frames"
    summary: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """What one status bit (or one code of a status field) means, and what to do about it."""

    name: str
    register: str
    field: str
    code: int
    title: str
    severity: str = "stop"
    meaning: str = ""
    causes: tuple[str, ...] = ()
    check_first: tuple[str, ...] = ()
    effect: str = ""
    clears: str = ""
    cleared_by: tuple[str, ...] = ()
    latched: bool = True
    follows_from: tuple[str, ...] = ()
    masked_when: Expr | None = None
    reported_only_when: Expr | None = None
    summary_of: tuple[str, ...] = ()
    #: while one of these shows this one is not set; "any": any other
    blocked_by: tuple[str, ...] = ()
    pulls_pin: bool = True
    pulls_pin_when: Expr | None = None
    uses: tuple[str, ...] = ()
    detect: Band | None = None
    react: Band | None = None
    handled_by: Literal["chip", "pin", "poll", "nobody"] = "chip"
    normal_at_power_up: bool = False
    raised_by: tuple[str, ...] = ()
    origin: str = ""

    @property
    def ref(self) -> str:
        return f"{self.register}.{self.field}"

    def on_pin(self, env: Env) -> bool | None:
        """Whether it pulls the fault pin low while it shows; None where an unknown setting decides."""
        if self.pulls_pin_when is None:
            return self.pulls_pin
        return evaluate(self.pulls_pin_when, env)


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One step of a sequence.

    do         target
    expect     "REG.FIELD = VALUE": read it and compare
    write      "REG.FIELD = VALUE" or "REG = WORD"
    read       "REG"
    command    a command's name
    key        a key sequence's name
    configure  registers to write with the wanted settings ("all", or names in order)
    verify     registers to read back and compare ("all", or names)
    wait       a time
    """

    do: str
    targets: tuple[str, ...] = ()
    time: Band | None = None
    why: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MonitorTest:
    """How a data sheet lets a monitor be tested: a fault that is forced must be shown.

    name     of the test
    proves   the faults whose monitors the test proves
    steps    force and expect, on a configured chip whose outputs are off
    restore  what leaves the test and brings the chip back, whatever the test has shown
    """

    name: str
    proves: tuple[str, ...]
    steps: tuple[Step, ...]
    restore: tuple[Step, ...]
    summary: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A condition across fields that every configuration must meet."""

    name: str
    require: Expr
    because: str
    severity: str = "error"
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFrame:
    """A frame copied from the data sheet, and what the data sheet says that it does.

    `after` are requests and keys that came before and decide the layout (a checksum switched on).
    `place` is (index, count) where the data sheet shows several frames, as for a key or a complement.
    """

    does: str
    command: int | None
    reply: int | None = None
    data: int | None = None
    given: Mapping[str, int] = field(default_factory=dict)
    after: tuple[str, ...] = ()
    place: tuple[int, int] = (0, 1)
    source: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """A header word of a daisy chain: fixed bits, the bits that hold the number of chips, and bits that
    are commands to every chip: a command's name to its bit, 1 to give it."""

    length: int
    value: int
    count_bits: Bits = ()
    commands: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """How several chips share one chip select.

    The stream starts with `headers`; then every frame is cut into pieces of `split` bits (0: not
    cut), and piece by piece the words follow, the chip farthest from the controller's output first.
    `reply_headers` is where they come back on SDO: at its "start", "between" the first
    piece of every chip and the others, or "none".
    """

    headers: tuple[Header, ...] = ()
    split: int = 0
    reply_headers: str = "start"
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spi:
    """Electrical and framing limits of the SPI; times in seconds, frequencies in hertz.

    `extra_clocks` is what the chip does with more clocks than a frame has: "rejected", "last_count" (a
    shift register: the last bits before chip select ends are the frame), "first_count" (what follows
    the frame is ignored), "" where the map does not say (taken as rejected).
    """

    mode: int
    msb_first: bool = True
    extra_clocks: str = ""
    select_active_low: bool = True
    clock_max: Band | None = None
    clock_min: Band | None = None
    clock_high: Band | None = None
    clock_low: Band | None = None
    lead: Band | None = None
    lag: Band | None = None
    idle: Band | None = None
    wake_up: Band | None = None
    select_flag: str = ""
    select_flag_active: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Param:
    """An electrical parameter of the chip with where it was stated; a choice is text, a count a number."""

    name: str
    value: Band | str | int
    note: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chip:
    """Everything a map says about one chip. Mappings keep the order of the file."""

    name: str
    title: str
    spi: Spi
    frames: Mapping[str, Frame]
    registers: Mapping[str, Register]
    commands: Mapping[str, Command] = field(default_factory=dict)
    joined: Mapping[str, Joined] = field(default_factory=dict)
    externals: Mapping[str, External] = field(default_factory=dict)
    states: Mapping[str, State] = field(default_factory=dict)
    keys: Mapping[str, Key] = field(default_factory=dict)
    faults: Mapping[str, Fault] = field(default_factory=dict)
    sequences: Mapping[str, tuple[Step, ...]] = field(default_factory=dict)
    monitor_tests: Mapping[str, MonitorTest] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()
    known_frames: tuple[KnownFrame, ...] = ()
    identity: Mapping[str, int] = field(default_factory=dict)
    electrical: Mapping[str, Param] = field(default_factory=dict)
    chain: Chain | None = None
    watchdog: str = ""
    page_select: str = ""
    invented: bool = False
    summary: str = ""
    source: str = ""
    files: tuple[str, ...] = ()
    #: of what its documents say, whatever their files are called
    digest: str = ""
    #: what carries each role, sought once
    _of_role: dict[str, tuple[Field | Joined | External, ...]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    #: what else follows from the chip alone and is worked out once, by what it is
    _once: dict[str, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def field(self, ref: str) -> Field | None:
        """The field called "REG.FIELD", or None."""
        register, _, name = ref.partition(".")
        found = self.registers.get(register)
        return found.field(name) if found else None

    def once(self, what: str, work_out: Callable[[Chip], T]) -> T:
        """What `work_out` makes of this chip, made once and shared by all who ask for `what`, a name of its own.

        It holds only what follows from the chip: a table may be filled as it is asked, nothing else is changed in it.
        """
        found: T = self._once[what] if what in self._once else work_out(self)
        self._once[what] = found
        return found

    def with_role(self, role: str) -> tuple[Field | Joined | External, ...]:
        """Everything that carries this role, in the order of the map."""
        found = self._of_role.get(role)
        if found is None:
            hits: list[Field | Joined | External] = [
                f for r in self.registers.values() for f in r.fields if f.role == role
            ]
            hits += [j for j in self.joined.values() if j.role == role]
            hits += [e for e in self.externals.values() if e.role == role]
            found = self._of_role[role] = tuple(hits)
        return found

    def default_frame(self, register: Register | None = None) -> Frame:
        """The frame of a register where no state is known: its own, else the first."""
        if register is not None and register.frame:
            return self.frames[register.frame]
        return next(iter(self.frames.values()))

    def addressed(self, register: Register) -> bool:
        """Whether the register is told by its address; else by its operation codes or its frame."""
        return self.default_frame(register).command.of_kind("address") is not None

    def place_of(self, register: Register) -> str:
        """Where the register stands, in words: "address 0x02, page 1", or what tells it instead."""
        if register.in_replies:
            return "in replies only"
        page = f", page {register.page}" if register.page is not None else ""
        codes = ", ".join(f"{k} by {n}" for k, n in register.operations.items())
        told = f"address 0x{register.address:02X}{page}" if self.addressed(register) else ""
        return (
            ", ".join(filter(None, (told, codes))) or f"frame {self.default_frame(register).name}"
        )
