"""Scripts for test stands: one step a line, all problems found before anything is sent.

    # gate current test
    expect ID = 0x161
    write GATE_HS.SOURCE = 120 mA       read back, and the script stops if it does not take
    write LOCK = 0x006
    read STATUS1
    command CLEAR_ALL
    key unlock
    wait 20 ms
    verify                              every setting written by this script, read back again

The steps are those of a map's sequences. `write` of fields keeps the register's other fields as
they are: it is read first where its word is not known.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from ..behaviour.plan import plan, read_requests
from ..behaviour.settings import expectation
from ..chip.bank import Bank
from ..chip.model import Access, Chip, Field, Joined
from ..errors import CallError, FileError, Place, Problem, nearest
from ..frames.requests import SetField, WriteWord, parse_request
from ..quantity import Band, parse_band
from . import rules
from .session import Link

STEPS = ("expect", "write", "read", "command", "key", "wait", "verify")
MOST_LINES = 10_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One step of a script, read and checked."""

    do: str
    text: str
    place: Place
    wait: Band | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LineDone:
    """One step as it went."""

    line: Line
    ok: bool
    grade: str
    detail: str


def read_script(text: str, chip: Chip, file: str = "script") -> list[Line]:
    """Every step of a script. Raises FileError with all problems."""
    lines: list[Line] = []
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
            near = nearest(word, STEPS)
            problems.append(
                Problem(
                    where,
                    f"the step {word[:40]!r}",
                    "one of " + ", ".join(STEPS),
                    near[0] if near else "",
                )
            )
            continue
        at = row.find(rest, column - 1 + len(word)) + 1 if rest else column
        try:
            lines.append(_line(word, rest, chip, where))
        except CallError as error:
            problems.append(Problem(Place(file, number, at, max(1, len(rest)), row), str(error)))
    if not lines and not problems:
        problems.append(Problem(Place(file), "no step", "one of " + ", ".join(STEPS)))
    if problems:
        raise FileError(problems)
    return lines


def _line(word: str, rest: str, chip: Chip, place: Place) -> Line:
    band: Band | None = None
    if word == "wait":
        band = parse_band(rest)
        if band.dim != parse_band("1 s").dim or band.low < 0:
            raise CallError(f"{rest[:40]!r} is no time; expected a time such as 20 ms")
    elif word == "expect":
        expectation(chip, rest)
    elif word == "write":
        request = parse_request(rest, chip.registers, chip.commands, chip.joined)
        if not isinstance(request, (SetField, WriteWord)):
            raise CallError(f"{rest[:40]!r} is no write; expected REG.FIELD = VALUE or REG = WORD")
        plan(chip, [rest])
    elif word == "verify":
        if rest:
            raise CallError(f"{rest[:40]!r} after verify; expected nothing")
    else:
        known: Sequence[str] = list(
            {"read": chip.registers, "command": chip.commands, "key": chip.keys}[word]
        )
        if rest not in known:
            near = nearest(rest, known)
            tail = f"; nearest: {near[0]}" if near else ""
            raise CallError(
                f"no {word if word != 'read' else 'register'} {rest[:40]!r} in this map{tail}"
            )
    return Line(do=word, text=rest, place=place, wait=band)


def writes(lines: Sequence[Line], chip: Chip) -> bool:
    """Whether a script changes the chip."""
    return any(
        line.do in ("write", "command", "key")
        or (line.do == "read" and bool(rules.read_hazards(chip, chip.registers[line.text])))
        for line in lines
    )


def run_script(
    link: Link, lines: Sequence[Line], on_line: Callable[[LineDone], None] | None = None
) -> list[LineDone]:
    """Run a script; stops at the first step that does not hold."""
    done: list[LineDone] = []
    written: dict[str, int] = {}
    for line in lines:
        for result in _run(link, line, written):
            done.append(result)
            link.log("script", step=f"{line.do} {line.text}", ok=result.ok, detail=result.detail)
            if on_line is not None:
                on_line(result)
        if not done[-1].ok:
            break
    return done


def _run(link: Link, line: Line, written: dict[str, int]) -> Iterator[LineDone]:
    chip = link.chip

    def end(ok: bool, grade: str, detail: str) -> LineDone:
        return LineDone(line=line, ok=ok, grade=grade, detail=detail)

    if line.do == "wait":
        assert line.wait is not None
        link.port.sleep(float(line.wait.high))
        yield end(True, "", "")
    elif line.do in ("read", "expect"):
        if line.do == "read":
            register, mask, value = chip.registers[line.text], 0, 0
        else:
            register, mask, value = expectation(chip, line.text)
        reading = link.read(register.name)
        if reading.word is None:
            yield end(False, reading.grade, reading.why)
            return
        text = f"{register.name} = 0x{reading.word:X}"
        holds = not (reading.word ^ value) & mask
        yield end(
            holds,
            reading.grade,
            text if holds else f"{text}; expected 0x{value:X} in bits 0x{mask:X}",
        )
    elif line.do == "key":
        result = link.key(line.text)
        yield end(result.good, result.result, result.why)
    elif line.do == "command":
        result = link.command(chip.commands[line.text])
        yield end(result.good, result.result, result.why)
    elif line.do == "write":
        yield from _write(link, line, written, end)
    else:
        for name, word in written.items():
            check = rules.readback(chip, chip.registers[name], 0, word)
            if check is None:
                continue
            reading = link.read(name)
            good = reading.good and ((reading.word or 0) ^ check[1]) & check[0] == 0
            shown = f"{name} = 0x{reading.word:X}" if reading.word is not None else reading.why
            yield end(good, reading.grade, shown if good else f"{shown}; expected 0x{check[1]:X}")
            if not good:
                return
        if not written:
            yield end(True, "", "nothing was written yet")


def _write(
    link: Link, line: Line, written: dict[str, int], end: Callable[[bool, str, str], LineDone]
) -> Iterator[LineDone]:
    try:
        words = words_for(link, [line.text])
    except CallError as error:
        yield end(False, "refused", str(error))
        return
    for name, word in words:
        result = link.write(name, word)
        if result.good:
            written[name] = word
        yield end(result.good, result.result, result.why or f"{name} = 0x{word:X}")
        if not result.good:
            return


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
