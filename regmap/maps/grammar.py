"""The grammar of a map: every key, its shape and its explanation, in one place.

The loader (`load`), the JSON Schema for editors and the format reference in devices/README.md
all come from these tables.
"""

from __future__ import annotations

from functools import lru_cache

from ..chip.model import ACCESS, BROKEN_BY, RAISED_BY, SEVERITIES
from ..document.schema import (
    NAME,
    OPTION,
    BitsShape,
    Bool,
    ByKind,
    ExprShape,
    Int,
    Many,
    OneOf,
    Qty,
    Record,
    Shape,
    Table,
    Text,
    Word,
    nothing_required,
)
from ..parameters import CHIP, ROLES
from .repeat import allowing
from .shapes import NumberList, OptionKey, OptionText, Params, Pattern

FORMAT = 1

TEXT = Text()
BITS = BitsShape()
EXPR = ExprShape()
BOOL = Bool()
REF = Word(r"[A-Za-z_][A-Za-z0-9_]*\.[A-Za-z_][A-Za-z0-9_]*", "a field as REG.FIELD")
TIME = Qty("time")
FREQUENCY = Qty("frequency")
WORD64 = Int(0, (1 << 64) - 1, "a word such as 0x1A5")


#: What a map's `spi:` section says already is not said again under `electrical:`.
ELECTRICAL = {name: row for name, row in CHIP.items() if not name.startswith("spi.")}


MEANING_KEYS: dict[str, tuple[Shape, bool, str]] = {
    "options": (
        Table(
            OptionKey(),
            ByKind(
                "an option's name, a value, or a mapping of them",
                scalar=OptionText(),
                mapping=Record(
                    {
                        "name": (OPTION, False, "what settings and headers call the option"),
                        "text": (TEXT, False, "what it does, for people"),
                        "forbidden": (TEXT, False, "why this code must not be set"),
                        "value": (
                            Qty(None),
                            False,
                            "its physical value, with min/typ/max where the data sheet gives them",
                        ),
                    },
                    "an option",
                ),
            ),
            "options by code",
            least=1,
        ),
        False,
        "what single codes mean: code (or codes: `6,7`, `4..7`) to a name, a value or both",
    ),
    "table": (
        Record(
            {
                "unit": (
                    Word(r"[A-Za-zΩµμ°%/0-9]+", "a unit such as mA"),
                    True,
                    "unit of every number below",
                ),
                "first": (Int(0, 65535), False, "code of the first number (0)"),
                "min": (NumberList(), False, "smallest values by code"),
                "typ": (NumberList(), False, "typical values by code"),
                "max": (NumberList(), False, "largest values by code"),
                "tolerance": (TEXT, False, "spread around typ for every row: `20 %` or `5 mV`"),
            },
            "a table of values by code",
        ),
        False,
        "physical values by code, as columns of the data sheet's table",
    ),
    "scale": (
        Record(
            {
                "step": (Qty(None), True, "value of one code step, with its unit"),
                "offset": (Qty(None), False, "value of code 0"),
                "signed": (BOOL, False, "codes are two's complement"),
                "first": (Int(-(1 << 31), 1 << 31), False, "smallest code allowed"),
                "last": (Int(-(1 << 31), 1 << 31), False, "largest code allowed"),
                "tolerance": (TEXT, False, "spread: `10 %` or `5 ns`"),
            },
            "a linear scale",
        ),
        False,
        "value = offset + step * code",
    ),
    "tolerance": (TEXT, False, "spread of every option's value that has none of its own"),
}

CASE = Record(
    {
        "when": (
            EXPR,
            False,
            "this meaning holds while the condition does; the last case may have none",
        ),
        **MEANING_KEYS,
    },
    "a case with `when`",
)

VALUE_KEYS: dict[str, tuple[Shape, bool, str]] = {
    **MEANING_KEYS,
    "cases": (
        Many(CASE, "a list of cases", single=False),
        False,
        "meanings that depend on another field or on the supply, tried in order",
    ),
    "role": (
        OneOf(dict(ROLES), "role"),
        False,
        "what the field sets, in the fixed list that the calculations understand",
    ),
    "summary": (TEXT, False, "one line for people"),
}

FIELD = Record(
    {
        "bits": (BITS, True, "bit numbers in the register, most significant first"),
        "access": (
            OneOf(ACCESS),
            False,
            "how the field behaves on the SPI; the register's access where not given",
        ),
        "reset": (
            ByKind("a code or an option's name", scalar=OPTION),
            False,
            "code or option after power-up",
        ),
        "power_up": (
            ByKind("a code or an option's name", scalar=OPTION),
            False,
            "what a status field normally reads once after power-up, where that is not its reset",
        ),
        "shows": (
            EXPR,
            False,
            "read-only: the condition the field shows, 1 while it holds, such as a state",
        ),
        "any_of": (
            Many(
                Word(r"[A-Za-z_]\w*(\.[A-Za-z_]\w*)?", "REG or REG.FIELD"), "registers and fields"
            ),
            False,
            "read-only: the flag is 1 while any bit of these is",
        ),
        "acts": (
            Table(OPTION, Many(TEXT, "effects"), "effects by code or option", 1),
            False,
            "what a write of a code does beside setting it: reset, clear_faults, clear REG, or REG.FIELD = VALUE",
        ),
        "change_while_driving": (
            Bool(),
            False,
            "no: the data sheet allows another value only while the outputs are off (default yes)",
        ),
        **VALUE_KEYS,
    },
    "a field",
    {
        "position": "bits",
        "enum": "options",
        "values": "options",
        "description": "summary",
        "default": "reset",
    },
)

RESERVED = Table(
    Word(r"\d{1,3}(\.\.\d{1,3})?", "bits such as 7 or 7..4"),
    ByKind(
        "a value, or keep",
        scalar=Word(r"keep|0[xX][0-9a-fA-F]+|0[bB][01]+|\d+", "a value, or keep"),
    ),
    "reserved bits and how they must be written: a value, or keep",
)

REGISTER = Record(
    {
        "address": (
            Int(0, (1 << 32) - 1),
            False,
            "address in the frame; needed where the frame has a part for it",
        ),
        "operation": (
            Record(
                {
                    "read": (NAME, False, "the code that reads it"),
                    "write": (NAME, False, "the code that writes it"),
                },
                "codes that read and write it",
            ),
            False,
            "the operation codes that read and write it, where they are not `read` and `write`: "
            "an address space of its own, or a code for each register",
        ),
        "page": (Int(0, 65535), False, "page or bank, where the frame has one"),
        "width": (
            Int(1, 64),
            False,
            "bits of the register; the frame's data width where not given",
        ),
        "reset": (
            WORD64,
            False,
            "word after power-up; made from the fields' resets where not given",
        ),
        "access": (OneOf(ACCESS), False, "access of fields that say nothing of their own (rw)"),
        "reserved": (
            RESERVED,
            False,
            "bits that no field claims and that must be written in a stated way",
        ),
        "read_mask": (WORD64, False, "bits that can be read; the others read as 0"),
        "write_mask": (WORD64, False, "bits that a write reaches"),
        "writable": (EXPR, False, "condition under which a write takes, e.g. a state"),
        "frame": (
            Many(NAME, "frame names"),
            False,
            "the frame that carries this register, where it is not the usual one; of several, the "
            "one in force",
        ),
        "complement_of": (NAME, False, "the register whose bitwise complement this one must hold"),
        "reads_as": (
            NAME,
            False,
            "written, inverted, zero, or a register that is read in its place",
        ),
        "in_replies": (
            BOOL,
            False,
            "no command reaches it: its fields are shown by parts of replies that hold field, or "
            "status with a fault of it",
        ),
        "summary": (TEXT, False, "one line for people"),
        "fields": (Table(NAME, FIELD, "fields by name"), True, "the fields by name"),
    },
    "a register",
    {"addr": "address", "offset": "address", "default": "reset", "description": "summary"},
)

HOLDS = {
    "operation": "read, write or the code of a command",
    "address": "the register's address",
    "page": "the register's page",
    "data": "the register's word",
    "fixed": "always the stated value",
    "chip": "the chip's own address",
    "parity": "even or odd number of ones",
    "crc": "a checksum",
    "counter": "counts frames (one bit wide: a toggle)",
    "status": "a status bit",
    "field": "a field of a register",
    "echo": "repeats a part of the answered command",
    "ignored": "don't care",
}

PART = Record(
    {
        "bits": (BITS, True, "bit numbers in the frame, most significant first"),
        "holds": (OneOf(HOLDS), True, "what fills the part"),
        "codes": (
            Table(NAME, Int(0, 65535), "codes by name", 1),
            False,
            "operation: codes of read, write and others",
        ),
        "value": (WORD64, False, "fixed, chip, ignored: the value sent"),
        "shared": (
            Many(WORD64, "chip addresses"),
            False,
            "chip: addresses that every chip on the select takes and none answers",
        ),
        "parity": (
            OneOf(["even", "odd"]),
            False,
            "parity: number of ones over `over` and this bit",
        ),
        "over": (
            BITS,
            False,
            "parity, crc: the bits covered, in the order they are fed; all but check bits where not given",
        ),
        "over_command": (
            BITS,
            False,
            "parity, crc of a reply: bits of the answered command, fed before those of the reply",
        ),
        "polynomial": (WORD64, False, "crc: polynomial without its top bit"),
        "init": (WORD64, False, "crc: start value"),
        "xor": (WORD64, False, "crc: final exclusive-or"),
        "reflect_in": (BOOL, False, "crc: each byte is fed least significant bit first"),
        "reflect_out": (BOOL, False, "crc: the result is bit-reversed"),
        "flush": (Int(0, 64), False, "crc: zero bits fed after the data"),
        "prefix": (
            TEXT,
            False,
            "crc: bits fed first that are not in the frame, as 0b1010 (leading zeros count)",
        ),
        "start": (WORD64, False, "counter: first value"),
        "step": (Int(1, 65535), False, "counter: step"),
        "active": (Int(0, 1), False, "status: level that means `set`"),
        "fault": (NAME, False, "status: the fault it shows"),
        "shows": (EXPR, False, "status: the condition it shows, such as a state"),
        "field": (REF, False, "field: what the part shows, whatever was asked"),
        "of": (NAME, False, "echo: the command part repeated"),
        "on_write": (
            OneOf(["old", "new", "zero", "any"]),
            False,
            "reply data: what the answer to a write carries",
        ),
        "summary": (TEXT, False, "one line for people"),
    },
    "a part of a frame",
    {"kind": "holds", "type": "holds", "poly": "polynomial", "covers": "over"},
)

PARTS = Table(NAME, PART, "parts by name", 1)

REPLY = Record(
    {
        "after": (Int(0, 16), False, "0: in the same frame, 1: in the next, n: n frames later"),
        "parts": (PARTS, False, "layout of every reply"),
        "to": (
            Table(NAME, PARTS, "layouts by what they answer"),
            False,
            "layouts that differ: read, write, any, an operation code's or a command's name",
        ),
        "cases": (
            Table(
                NAME,
                Record(
                    {
                        "when": (
                            EXPR,
                            True,
                            "the reply is laid out so while the condition holds as it goes out",
                        ),
                        "parts": (PARTS, False, "layout of every reply"),
                        "to": (
                            Table(NAME, PARTS, "layouts by what they answer"),
                            False,
                            "layouts that differ, as above",
                        ),
                    },
                    "a case of a reply",
                ),
                "cases by name",
            ),
            False,
            "layouts chosen by a field or a state, such as one that an earlier command entered",
        ),
    },
    "a reply",
)

FRAME = Record(
    {
        "length": (Int(8, 64), True, "bits in the frame, all bursts together"),
        "bursts": (
            Many(Int(1, 64), "bit counts", single=False),
            False,
            "bits of each chip-select burst, where there are several",
        ),
        "when": (EXPR, False, "condition under which this layout is in force"),
        "named_only": (
            BOOL,
            False,
            "it carries only registers and commands that name it, though its condition holds (no)",
        ),
        "command": (PARTS, True, "parts of the frame that the controller sends"),
        "reply": (REPLY, False, "what the chip answers, and when"),
        "summary": (TEXT, False, "one line for people"),
    },
    "a frame",
)

CLEARED_BY = Word(
    r"[A-Za-z_][A-Za-z0-9_]*(\.[A-Za-z_][A-Za-z0-9_]*\s*=\s*\S+)?",
    "read, write_1, write_0, condition, reset, a command, or REG.FIELD = VALUE",
)

FAULT = Record(
    {
        "at": (REF, True, "the field that shows it"),
        "is": (
            ByKind("a code or an option's name", scalar=OPTION),
            False,
            "code that means `raised` (1)",
        ),
        "title": (TEXT, True, "short name for people"),
        "severity": (OneOf(SEVERITIES), False, "stop: torque is lost or must be; warn; note"),
        "meaning": (TEXT, False, "what the chip has seen"),
        "causes": (Many(TEXT, "texts"), False, "likely causes, most likely first"),
        "check_first": (Many(TEXT, "texts"), False, "what to look at first"),
        "effect": (TEXT, False, "what the chip does about it"),
        "clears": (TEXT, False, "how it clears, for people"),
        "cleared_by": (
            Many(CLEARED_BY, "ways"),
            False,
            "read, write_1, write_0, condition, reset, a command, or REG.FIELD = VALUE",
        ),
        "latched": (BOOL, False, "stays set after the condition is gone (yes)"),
        "follows_from": (Many(NAME, "fault names"), False, "faults that can cause this one"),
        "summary_of": (Many(NAME, "fault names"), False, "faults that this bit only sums up"),
        "masked_when": (EXPR, False, "configuration under which it is not reported"),
        "reported_only_when": (
            EXPR,
            False,
            "configuration under which the chip reports it and does nothing else: the controller has to act",
        ),
        "blocked_by": (
            Many(NAME, "fault names"),
            False,
            "faults that keep this one from being set while they show: chips that latch the first alone; `any`; of two at once the earlier one here is set",
        ),
        "pulls_pin": (BOOL, False, "whether the fault pin is low while it shows (stop: yes)"),
        "pulls_pin_when": (EXPR, False, "configuration under which it pulls the fault pin low"),
        "uses": (
            Many(OneOf(dict(ROLES)), "roles"),
            False,
            "roles of the settings that decide when it trips",
        ),
        "detect": (
            TIME,
            False,
            "time from the condition to detection, without the times that settings named in `uses` add",
        ),
        "react": (TIME, False, "time from detection to the safe reaction"),
        "handled_by": (
            OneOf({"chip": 1, "pin": 1, "poll": 1, "nobody": 1}),
            False,
            "who brings the outputs to safety: the chip itself (stop), the controller after the fault pin or "
            "after a poll (warn), or nobody because none is needed (note)",
        ),
        "normal_at_power_up": (BOOL, False, "is set after every power-up"),
        "raised_by": (
            Many(OneOf(RAISED_BY, "raised_by"), "events on the SPI"),
            False,
            "what on the SPI itself raises it: wrong check bits or clock count, a refused write ...",
        ),
    },
    "a fault",
)

STEP = Record(
    {
        "expect": (TEXT, False, "REG.FIELD = VALUE must be read"),
        "write": (TEXT, False, "REG.FIELD = VALUE, or REG = WORD"),
        "read": (NAME, False, "a register"),
        "command": (NAME, False, "a command"),
        "key": (NAME, False, "a key sequence"),
        "configure": (Many(NAME, "register names"), False, "all, or registers in their order"),
        "verify": (Many(NAME, "register names"), False, "all, or registers"),
        "wait": (TIME, False, "a time"),
        "why": (TEXT, False, "the reason, for people"),
    },
    "a step: one of expect, write, read, command, key, configure, verify, wait",
)

MONITOR_TEST = Record(
    {
        "proves": (Many(NAME, "fault names"), True, "the faults whose monitors the test proves"),
        "steps": (
            Many(STEP, "steps", single=False),
            True,
            "what forces them and what must then be read; on a configured chip, outputs off",
        ),
        "restore": (
            Many(STEP, "steps", single=False),
            True,
            "what ends the test: run whatever the test has shown",
        ),
        "summary": (TEXT, False, "one line for people"),
    },
    "a test of monitors",
)

SEQUENCES = {
    "power_up": "what must be seen before anything is written",
    "unlock": "what makes registers writable",
    "configure": "order of the configuration writes",
    "lock": "what protects them again",
    "clear_faults": "how latched faults are cleared",
}

KNOWN_FRAME = Record(
    {
        "does": (
            TEXT,
            True,
            "REG.FIELD = VALUE (several with `;`), REG = WORD, read:REG, or the name of a command or key",
        ),
        "command": (
            Many(WORD64, "frames"),
            False,
            "the frame sent, check bits included; of a key or a register with a complement, a list of them",
        ),
        "reply": (WORD64, False, "the frame answered"),
        "data": (WORD64, False, "what that reply carries"),
        "given": (
            Table(NAME, WORD64, "values by part"),
            False,
            "values of parts that are free: status bits, counters",
        ),
        "after": (
            Many(TEXT, "requests and keys"),
            False,
            "writes, commands and keys that came before and decide the layout",
        ),
        "source": (TEXT, True, "where in the data sheet this example stands"),
    },
    "a known frame",
)

SPI = Record(
    {
        "mode": (Int(0, 3), True, "clock polarity * 2 + clock phase"),
        "bit_order": (
            OneOf({"msb_first": True, "lsb_first": False}),
            False,
            "which bit travels first (msb_first)",
        ),
        "extra_clocks": (
            OneOf({"rejected": 1, "last_count": 1, "first_count": 1}),
            False,
            "what the chip does with more clocks than a frame has: the frame is rejected; the last bits "
            "count, as in a shift register; or the first, and the rest is ignored",
        ),
        "select": (
            OneOf({"active_low": True, "active_high": False}),
            False,
            "level of chip select during a frame (active_low)",
        ),
        "clock_max": (FREQUENCY, False, "fastest clock"),
        "clock_min": (FREQUENCY, False, "slowest clock"),
        "clock_high": (TIME, False, "shortest high time of the clock"),
        "clock_low": (TIME, False, "shortest low time of the clock"),
        "lead": (TIME, False, "chip select to first clock edge, at least"),
        "lag": (TIME, False, "last clock edge to end of chip select, at least"),
        "idle": (TIME, False, "chip select inactive between frames, at least"),
        "wake_up": (TIME, False, "supply or enable to first frame, at least"),
        "select_flag": (
            NAME,
            False,
            "fault shown on SDO between chip select and the first clock",
        ),
        "select_flag_active": (Int(0, 1), False, "level of that flag that means `set` (1)"),
    },
    "SPI limits",
)

EVENTS = Many(TEXT, "events: reset, a key, a command, or REG.FIELD = VALUE")


@lru_cache(maxsize=1)
def map_shape() -> Record:
    """The shape of a whole map."""
    return Record(
        {
            "gateword_map": (
                Int(FORMAT, FORMAT, f"{FORMAT}, the version of this format"),
                True,
                "version of this format",
            ),
            "extends": (TEXT, False, "another map in the same folder tree, which this one changes"),
            "without": (
                Many(Word(r"[A-Za-z_][\w.]*", "REG, REG.FIELD, faults.NAME ..."), "names"),
                False,
                "entries of the extended map to leave out: REG, REG.FIELD, section.NAME, or a key such as watchdog",
            ),
            "chip": (
                Record(
                    {
                        "name": (
                            Word(
                                r"[A-Za-z][A-Za-z0-9_\-]*",
                                "a chip name of letters, digits, - and _",
                            ),
                            True,
                            "short name",
                        ),
                        "title": (TEXT, False, "what the chip is"),
                        "invented": (BOOL, False, "the chip does not exist"),
                        "source": (
                            TEXT,
                            False,
                            "data sheet and revision that the map was written from",
                        ),
                        "summary": (TEXT, False, "a few lines for people"),
                    },
                    "the chip's name and title",
                ),
                True,
                "the chip's name and where its facts come from",
            ),
            "spi": (SPI, True, "mode, limits and timing of the SPI"),
            "frames": (
                Table(NAME, FRAME, "frames by name", 1),
                True,
                "layouts of commands and replies",
            ),
            "commands": (
                Table(
                    NAME,
                    Record(
                        {
                            "frame": (
                                Many(NAME, "frame names"),
                                False,
                                "the frame used (the first where not given); of several, the one in force",
                            ),
                            "parts": (
                                Table(NAME, Pattern(), "values by part"),
                                True,
                                "values of parts of the command; in 0b1x0x the bits x are sent as 0 "
                                "and may be anything",
                            ),
                            "data": (BOOL, False, "the command takes a data word"),
                            "effects": (
                                Many(TEXT, "effects"),
                                False,
                                "reset, clear_faults, clear REG (every field 0), or REG.FIELD = VALUE",
                            ),
                            "carries": (NAME, False, "the register that takes its data word"),
                            "returns": (NAME, False, "the register whose content its reply has"),
                            "summary": (TEXT, False, "one line for people"),
                        },
                        "a command",
                    ),
                    "commands by name",
                ),
                False,
                "frames that are no register access",
            ),
            "registers": (
                Table(NAME, REGISTER, "registers by name", 1),
                True,
                "the registers by name",
            ),
            "joined": (
                Table(
                    NAME,
                    Record(
                        {
                            "fields": (
                                Many(REF, "fields as REG.FIELD", single=False),
                                True,
                                "the fields, most significant first",
                            ),
                            **VALUE_KEYS,
                        },
                        "a joined value",
                    ),
                    "joined values by name",
                ),
                False,
                "values split over several fields or registers",
            ),
            "external": (
                Table(
                    NAME,
                    Record(
                        {
                            "default": (OPTION, False, "option where the stage says nothing"),
                            **VALUE_KEYS,
                        },
                        "an external value",
                    ),
                    "external values by name",
                ),
                False,
                "values set outside the frame, by a pin or a resistor",
            ),
            "states": (
                Table(
                    NAME,
                    Record(
                        {
                            "when": (EXPR, False, "holds exactly while the condition does"),
                            "entered_by": (EVENTS, False, "events that enter the state"),
                            "left_by": (EVENTS, False, "events that leave it"),
                            "initially": (BOOL, False, "holds after power-up"),
                            "summary": (TEXT, False, "one line for people"),
                        },
                        "a state",
                    ),
                    "states by name",
                ),
                False,
                "named conditions of the chip, for `writable` and `when`",
            ),
            "keys": (
                Table(
                    NAME,
                    Record(
                        {
                            "steps": (
                                Many(TEXT, "writes", single=False),
                                True,
                                "writes in their order",
                            ),
                            "broken_by": (
                                OneOf(BROKEN_BY),
                                False,
                                "what starts the sequence over, beside what stands below it in the list: "
                                + "; ".join(f"{n}: {d}" for n, d in BROKEN_BY.items()),
                            ),
                            "uninterrupted": (
                                BOOL,
                                False,
                                "yes as `broken_by: frames`, no as `broken_by: own_writes`",
                            ),
                            "summary": (TEXT, False, "one line for people"),
                        },
                        "a key sequence",
                    ),
                    "key sequences by name",
                ),
                False,
                "key sequences that unlock or confirm something",
            ),
            "faults": (
                Table(NAME, FAULT, "faults by name"),
                False,
                "what status bits mean and what to do",
            ),
            "sequences": (
                Record(
                    {
                        n: (Many(STEP, "steps", single=False), False, d)
                        for n, d in SEQUENCES.items()
                    },
                    "sequences",
                ),
                False,
                "the bring-up sequence in its parts, and recovery: ordered steps",
            ),
            "monitor_tests": (
                Table(NAME, MONITOR_TEST, "tests by name"),
                False,
                "how monitors are tested at start-up, by faults that are forced (self-test bits)",
            ),
            "rules": (
                Table(
                    NAME,
                    Record(
                        {
                            "require": (EXPR, True, "what every configuration must meet"),
                            "because": (TEXT, True, "the reason, shown when it is broken"),
                            "severity": (
                                OneOf(["error", "warning"]),
                                False,
                                "error where not given",
                            ),
                        },
                        "a rule",
                    ),
                    "rules by name",
                ),
                False,
                "conditions across fields",
            ),
            "known_frames": (
                Many(KNOWN_FRAME, "known frames", single=False),
                False,
                "examples of the data sheet that `vet` proves",
            ),
            "identity": (
                Table(NAME, WORD64, "words by register", 1),
                False,
                "registers that always read one word: what proves which chip answers",
            ),
            "electrical": (Params(ELECTRICAL), False, "electrical parameters for the calculations"),
            "watchdog": (
                Word(r"[A-Za-z_][\w.]*", "REG or REG.FIELD"),
                False,
                "what must be written (or read) in time",
            ),
            "page_select": (
                REF,
                False,
                "the field that selects the page, where frames do not carry it",
            ),
            "chain": (
                Record(
                    {
                        "headers": (
                            Many(
                                Record(
                                    {
                                        "length": (Int(1, 64), True, "bits"),
                                        "value": (WORD64, True, "fixed bits"),
                                        "count": (
                                            BITS,
                                            False,
                                            "bits that hold the number of chips",
                                        ),
                                        "commands": (
                                            Table(NAME, Int(0, 63), "bits by command"),
                                            False,
                                            "bits that are 1 to give every chip a command of this map",
                                        ),
                                    },
                                    "a header",
                                ),
                                "headers",
                                single=False,
                            ),
                            False,
                            "header frames sent first",
                        ),
                        "split": (
                            Int(0, 64),
                            False,
                            "frames are cut into pieces of this many bits",
                        ),
                        "reply_headers": (
                            OneOf(["start", "between", "none"]),
                            False,
                            "where the headers come back on SDO (start); between: after "
                            "the first piece of every chip",
                        ),
                    },
                    "daisy chain",
                ),
                False,
                "how several chips share one chip select",
            ),
        },
        "a map",
    )


def json_schema() -> dict[str, object]:
    """The JSON Schema (draft 2020-12) of a map, from the same tables that the loader reads by.

    What a map must hold is only asked of one that extends no other.
    """
    whole = allowing(map_shape().json())
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "gateword map",
        **nothing_required(whole),
        "if": {"not": {"required": ["extends"]}},
        "then": whole,
    }
