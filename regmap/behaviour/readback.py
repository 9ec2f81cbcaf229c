"""Register words as a person or the link wrote them down: `REG=WORD` lines, or JSON.

    words = load_readback("bench.json", chip)        name -> word; FileError with every problem

Read are: lines `REG=WORD` (also `REG 0x1F`, `REG: 0x1F`; from # on a comment), one JSON object
with `registers` as `gateword link read --json` writes it, a plain JSON object of names and words,
and JSON lines of either. Words are whole numbers, or text such as "0x1F".
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..chip.bank import full_name
from ..chip.model import Chip
from ..document.jsontext import read_json
from ..document.schema import read_int, read_word
from ..document.source import display_name, read_text
from ..errors import CallError, FileError, Place, Problem, closest

_LINE = re.compile(r"\s*([A-Za-z_][A-Za-z0-9_]*|0[xX][0-9A-Fa-f]+)\s*(?:=|:|\s)\s*(\S+)\s*")


def looks_like_readback(text: str) -> bool:
    """Whether a text may hold register words: its first line that says anything does."""
    for line in text.splitlines():
        line = line.partition("#")[0].strip()
        if line:
            match = _LINE.fullmatch(line)
            return line[0] in "{[" or (match is not None and read_int(match[2]) is not None)
    return False


def load_readback(path: Path, chip: Chip) -> dict[str, int]:
    """The words of a file. Raises FileError with every problem found."""
    return parse_readback(read_text(path), chip, display_name(path))


def parse_readback(text: str, chip: Chip, name: str) -> dict[str, int]:
    """The words of a text; of a register given twice the last counts. `name` is for messages."""
    words: dict[str, int] = {}
    problems: list[Problem] = []
    for line, register, value in _pairs(text, name, problems):

        def complain(found: str, expected: str, near: str = "", line: int = line) -> None:
            problems.append(Problem(Place(name, line, 1), found, expected, near))

        register = full_name(chip, register)
        if register not in chip.registers:
            complain(
                f"no register {register[:60]!r} in {chip.name}",
                "a register of the map",
                closest(register, chip.registers),
            )
            continue
        number = value if isinstance(value, int) and not isinstance(value, bool) else None
        if number is None:
            try:
                number = read_word(str(value))
            except CallError as error:
                complain(error.found, error.expected, error.nearest)
                continue
        width = chip.registers[register].width
        if number is None or number < 0:
            complain(f"{str(value)[:40]!r} for {register}", "a word such as 0x1F")
        elif number >> width:
            complain(
                f"0x{number:X} for {register}, which has {width} bits",
                f"at most 0x{(1 << width) - 1:X}",
            )
        else:
            words[register] = number
    if not words and not problems:
        problems.append(Problem(Place(name, 1, 1), "no register word", "lines REG=WORD, or JSON"))
    if problems:
        raise FileError(problems)
    return words


def _pairs(text: str, name: str, problems: list[Problem]) -> Iterator[tuple[int, str, Any]]:
    stripped = text.lstrip("\ufeff \t\r\n")
    if stripped[:1] in ("{", "["):
        try:
            yield from _of_json(read_json(text), 1, name, problems)
            return
        except json.JSONDecodeError as error:
            whole = error
        for number, line in enumerate(text.splitlines(), 1):
            if line.strip():
                try:
                    value = read_json(line)
                except json.JSONDecodeError:
                    problems.append(
                        Problem(
                            Place(name, whole.lineno, whole.colno),
                            f"no JSON ({whole.msg})",
                            "one JSON object, or one a line",
                        )
                    )
                    return
                yield from _of_json(value, number, name, problems)
        return
    for number, line in enumerate(text.splitlines(), 1):
        bare = line.partition("#")[0].strip()
        if bare:
            match = _LINE.fullmatch(bare)
            if match is None:
                problems.append(
                    Problem(Place(name, number, 1), f"{bare[:40]!r}", "REG=WORD, as in MODE=0x008")
                )
            else:
                yield number, match[1], match[2]


def _of_json(
    value: Any, line: int, name: str, problems: list[Problem]
) -> Iterator[tuple[int, str, Any]]:
    """Pairs of one JSON value; a register whose word is null was not read, and is left out."""
    if isinstance(value, list):
        for item in value:
            yield from _of_json(item, line, name, problems)
    elif isinstance(value, dict) and "register" in value:
        if value.get("word") is not None:
            yield line, str(value["register"]), value["word"]
    elif isinstance(value, dict) and isinstance(value.get("registers"), (list, dict)):
        yield from _of_json(value["registers"], line, name, problems)
    elif isinstance(value, dict):
        for key, word in value.items():
            if isinstance(word, (int, str)) and key not in ("schema", "kind", "chip"):
                yield line, key, word
    else:
        problems.append(
            Problem(
                Place(name, line, 1),
                f"the JSON value {str(value)[:40]!r}",
                "an object of registers and words",
            )
        )
