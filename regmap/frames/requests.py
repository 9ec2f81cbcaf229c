"""What a person asks of a chip, as text: the one notation of shell line, maps and stages.

GATE_HS.SOURCE = 60 mA      set a field, joined or external value
GATE_HS = 0x1A5             write a whole register
read:STATUS1                read a register
CLEAR_FAULTS                send a command; CLEAR = 0x3 with its data
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from regmap.record import dataclass

from ..document.schema import read_int, read_word
from ..errors import CallError, closest


@dataclass(frozen=True, slots=True)
class SetField:
    """Set `REG.FIELD` (or a joined value, without a dot) to what `value` says."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class WriteWord:
    """Write a register's whole word."""

    register: str
    word: int


@dataclass(frozen=True, slots=True)
class ReadRegister:
    """Read a register."""

    register: str


@dataclass(frozen=True, slots=True)
class SendCommand:
    """Send a command that is no register access."""

    command: str
    data: int | None = None


Request = SetField | WriteWord | ReadRegister | SendCommand

# compiled where they are first used: a map alone has no request
_ASSIGN = r"(?s)\s*([A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)?)\s*=(?!=)\s*(.*?)\s*"
_READ = r"(?i)\s*read\s*:\s*([A-Za-z_][A-Za-z0-9_]*)\s*"
_NAME = r"\s*([A-Za-z_][A-Za-z0-9_]*)\s*"


def parse_request(
    text: str,
    registers: Mapping[str, object],
    commands: Mapping[str, object],
    joined: Mapping[str, object],
) -> Request:
    """Read one request; names are checked against the map, values are not. Raises CallError."""
    match = re.fullmatch(_READ, text)
    if match:
        _known(match[1], registers, "register")
        return ReadRegister(match[1])
    match = re.fullmatch(_ASSIGN, text)
    if match:
        name, value = match[1], match[2]
        if not value:
            raise CallError(f"{text.strip()[:60]!r} has no value after =", part=text.strip()[:60])
        if "." in name:
            _known(name.partition(".")[0], registers, "register")
            return SetField(name, value)
        if name in joined:
            return SetField(name, value)
        if name in commands:
            return SendCommand(name, _word(value, name))
        _known(name, registers, "register")
        read_word(value)  # refuses what is one number in hex and another in decimal
        return WriteWord(name, _word(value, name))
    match = re.fullmatch(_NAME, text)
    if match and match[1] in commands:
        return SendCommand(match[1])
    if match and match[1] in registers:
        raise CallError(
            f"{match[1]!r} alone says neither read nor write; write read:{match[1]} or {match[1]}=WORD",
            part=match[1],
        )
    near = closest(text.strip(), [*commands, *registers])
    raise CallError(
        f"{text.strip()[:60]!r} is not a request",
        "REG.FIELD=VALUE, REG=WORD, read:REG or a command",
        nearest=near,
        part=text.strip()[:60],
    )


def _word(text: str, name: str) -> int:
    value = read_int(text)
    if value is None or value < 0:
        raise CallError(
            f"{text[:40]!r} is not a word for {name}", "a number such as 0x1A5", part=text[:40]
        )
    return value


def _known(name: str, registers: Mapping[str, object], kind: str) -> None:
    if name not in registers:
        near = closest(name, registers)
        raise CallError(f"no {kind} {name[:60]!r} in this map", nearest=near, part=name[:60])
