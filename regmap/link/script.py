"""Scripts for test stands: one step a line, all problems found before anything is sent.

    # gate current test
    expect ID = 0x161
    write GATE_HS.SOURCE = 120 mA       read back, and the script stops if it is refused
    write LOCK = 0x006
    read STATUS1
    command CLEAR_ALL
    key unlock
    wait 20 ms
    until STATUS1.OT = 1 within 50 ms   read again and again; also `until pin fault low within 5 ms`
    assert pin fault high               also `assert elapsed < 5 ms`, since the last disturbance
    pin enable low                      the adapter's enable pin
    loop 100                            the steps down to `end`, so many times
    end
    disturb uv_supply for 1 ms          what goes wrong in a simulated chip with a control port, as
    clear uv_supply                     `regmap.twin.control` says: also power, brown-out
    verify                              every setting written by this script, read back again

The steps are those of a map's sequences. `write` of fields keeps the register's other fields as
they are: it is read first where its word is not known.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from regmap.record import dataclass, replace

from ..behaviour.plan import plan, read_requests
from ..behaviour.settings import expectation
from ..chip.bank import Bank
from ..chip.model import Access, Chip, Field, Joined
from ..errors import CallError, FileError, Place, Problem, closest
from ..frames.requests import SetField, WriteWord, parse_request
from ..quantity import Band, count_of, parse_band
from . import rules
from .session import Link

CONTROL_STEPS = ("disturb", "clear", "power", "brown-out")
STEPS = (
    *("expect", "write", "read", "command", "key", "wait", "until", "assert", "pin"),
    *("loop", "end", "verify", *CONTROL_STEPS),
)
PIN_LEVELS = ("pin fault low", "pin fault high", "pin enable low", "pin enable high")
MOST_LINES = 10_000
MOST_LOOPS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class ScriptLine:
    """One step of a script, read and checked. `wait` is its time; a loop has a `count` and a `body`."""

    do: str
    text: str
    place: Place
    wait: Band | None = None
    count: int = 0
    body: tuple[ScriptLine, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDone:
    """One step as it went. Times in seconds: since the script began, what it took, since the last disturbance."""

    line: ScriptLine
    ok: bool
    grade: str
    detail: str
    time: float = 0.0
    took: float = 0.0
    elapsed: float | None = None


def read_script(
    text: str,
    chip: Chip,
    file: str = "script",
    *,
    control: Callable[[str, Chip], None] | None = None,
) -> list[ScriptLine]:
    """Every step of a script. Raises FileError with all problems.

    `control` says what is wrong with a step for a simulated chip, by a CallError.
    """
    lines: list[ScriptLine] = []
    open_loops: list[tuple[ScriptLine, list[ScriptLine]]] = []
    problems: list[Problem] = []
    rows = text.splitlines()
    if len(rows) > MOST_LINES:
        raise FileError.at(file, f"{len(rows)} lines", f"{MOST_LINES} lines at most")
    for number, row in enumerate(rows, 1):
        code = row.partition("#")[0].rstrip()
        word = code.strip().partition(" ")[0]
        if not word:
            continue
        rest = code.strip()[len(word) :].strip()
        column = row.index(word) + 1
        where = Place(file, number, column, len(word), row)
        if word not in STEPS:
            near = closest(word, STEPS)
            problems.append(
                Problem(
                    where,
                    f"the step {word[:40]!r}",
                    "one of " + ", ".join(STEPS),
                    near,
                )
            )
            continue
        at = row.find(rest, column - 1 + len(word)) + 1 if rest else column
        try:
            line = _line(word, rest, chip, where)
            if control is not None and word in CONTROL_STEPS:
                control(f"{word} {rest}", chip)
            if word == "loop":
                open_loops.append((line, lines))
                lines = []
            elif word == "end":
                if not open_loops:
                    raise CallError("`end` without a `loop` above it")
                head, before = open_loops.pop()
                lines = [*before, replace(head, body=tuple(lines))]
            else:
                lines.append(line)
        except CallError as error:
            spot = Place(file, number, at, max(1, len(rest)), row)
            problems.append(Problem(spot, error.found, error.expected, error.nearest))
    for head, _ in open_loops:
        problems.append(Problem(head.place, "a `loop` without its `end`", "a line `end` below it"))
    if not lines and not problems:
        problems.append(Problem(Place(file), "no step", "one of " + ", ".join(STEPS)))
    if problems:
        raise FileError(problems)
    return lines


def _line(word: str, rest: str, chip: Chip, place: Place) -> ScriptLine:
    band: Band | None = None
    count = 0
    if word == "wait":
        band = _time(rest)
    elif word == "until":
        what, within, limit = rest.rpartition(" within ")
        if not within:
            raise CallError("`until` without a limit", "until REG.FIELD = VALUE within 50 ms")
        band, rest = _time(limit), what.strip()
        _condition(rest, chip)
    elif word == "assert":
        if rest.startswith("elapsed"):
            match = re.fullmatch(r"elapsed\s*(<=?)\s*(.+)", rest)
            if match is None:
                raise CallError(f"{rest[:40]!r}", "elapsed < TIME", part=rest[:40])
            band = _time(match[2])
        else:
            _condition(rest, chip)
    elif word == "pin":
        if rest not in ("enable low", "enable high"):
            raise CallError(f"pin {rest[:40]!r}", "enable low or enable high", part=rest[:40])
    elif word == "loop":
        rounds = count_of(rest)
        if rounds is None or not 1 <= rounds <= MOST_LOOPS:
            raise CallError(f"loop {rest[:40]!r}", f"a count, 1 to {MOST_LOOPS}", part=rest[:40])
        count = rounds
    elif word in CONTROL_STEPS:
        if not rest:
            raise CallError(f"`{word}` of nothing")
    elif word == "expect":
        expectation(chip, rest)
    elif word == "write":
        request = parse_request(rest, chip.registers, chip.commands, chip.joined)
        if not isinstance(request, (SetField, WriteWord)):
            raise CallError(
                f"{rest[:40]!r} is no write", "REG.FIELD = VALUE or REG = WORD", part=rest[:40]
            )
        plan(chip, [rest])
    elif word in ("verify", "end"):
        if rest:
            raise CallError(f"{rest[:40]!r} after {word}", "nothing", part=rest[:40])
    else:
        known: Sequence[str] = list(
            {"read": chip.registers, "command": chip.commands, "key": chip.keys}[word]
        )
        if rest not in known:
            near = closest(rest, known)
            raise CallError(
                f"no {word if word != 'read' else 'register'} {rest[:40]!r} in this map",
                nearest=near,
                part=rest[:40],
            )
    return ScriptLine(do=word, text=rest, place=place, wait=band, count=count)


def _time(text: str) -> Band:
    band = parse_band(text)
    if band.dim != parse_band("1 s").dim or band.low < 0:
        raise CallError(f"{text[:40]!r} is no time", "a time such as 20 ms", part=text[:40])
    return band


def _condition(text: str, chip: Chip) -> None:
    """Raises CallError where this is no expectation and no level of a pin."""
    if text.split()[:1] != ["pin"]:
        expectation(chip, text)
    elif text not in PIN_LEVELS:
        raise CallError(f"{text[:40]!r}", f"one of {', '.join(PIN_LEVELS)}", part=text[:40])


def writes(lines: Sequence[ScriptLine], chip: Chip) -> bool:
    """Whether a script changes the chip."""
    return any(
        line.do in ("write", "command", "key", "pin")
        or (line.do == "loop" and writes(line.body, chip))
        or (line.do == "read" and bool(rules.read_hazards(chip, chip.registers[line.text])))
        for line in lines
    )


def words_for(link: Link, requests: Sequence[str]) -> list[tuple[str, int]]:
    """The register words for writes, built on what each register holds now; it is read where that is not known.

    Raises CallError where a register's word is needed and cannot be found out: a setting that no read
    shows is never written at a value that nobody asked for.
    """
    chip = link.chip
    for name, asked in _touched(chip, requests).items():
        register = chip.registers[name]
        bits = register.settings & ~register.shows & ~link.machine.bank.known.get(name, 0)
        blind = [f for f in register.fields if f.mask & bits and f.name not in asked]
        if blind:
            refs = ", ".join(f.ref for f in blind)
            raise CallError(
                f"{name} is written as a whole, and what {refs} holds cannot be read and was not written "
                f'in this session; give it in the same request, as in "{blind[0].ref} = VALUE"'
            )
        others = [f for f in register.fields if f.setting and f.access is not Access.WO]
        if link.known.word(name) is None and others and rules.readback(chip, register, 0, 0):
            reading = link.read(name)
            if not reading.good:
                raise CallError(
                    f"{name} is written as a whole, and what its other fields hold cannot be read: {reading.why}"
                )
    bank = Bank.at_reset(chip)
    for name, known in link.machine.bank.known.items():
        bank.learn(name, link.machine.bank.words[name], known)
    words = []
    for planned in plan(chip, requests, bank):
        sent = planned.sent
        pager = not planned.requests
        if sent.kind == "write" and sent.register is not None and not pager:
            words.append((sent.register.name, sent.data or 0))
    return words


def _touched(chip: Chip, requests: Sequence[str]) -> dict[str, set[str]]:
    """Registers of which some fields are set and the others must be kept: the names of those set."""
    found: dict[str, set[str]] = {}
    for _, request in read_requests(chip, requests):
        if isinstance(request, SetField):
            item: Field | Joined | None = chip.field(request.name) or chip.joined.get(request.name)
            if isinstance(item, Field):
                found.setdefault(item.register, set()).add(item.name)
            elif isinstance(item, Joined):
                for register, name in item.fields:
                    found.setdefault(register, set()).add(name)
    return found
