"""What a word does that can hurt: outputs enabled, a motor braked, a fault masked, a protection off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ..cautions import CAUTION
from ..chip.bank import find
from ..chip.bits import extract
from ..chip.model import Chip, Field, Register
from ..chip.values import choose, read
from ..frames.requests import SetField, WriteWord, parse_request
from ..parameters import OFF_WORDS, ON_WORDS, REPORT_WORDS, switched_on
from .settings import Action, oddities

#: role -> what it switches, of protections
PROTECTIONS = {
    "vds": "the VDS monitor",
    "overcurrent": "the overcurrent protection",
    "uv": "the undervoltage protection",
    "ov": "the overvoltage protection",
    "temperature": "the overtemperature protection",
    "watchdog": "the watchdog",
    "spi": "the check bits of the SPI",
}


def hazard(field: Field, code: int) -> str:
    """What this code does that can hurt, as a sentence; "" where it does nothing of the kind."""
    names = [m.entries[code].name for m in field.meanings if code in m.entries]
    reading = read(field, code)
    label = reading.label
    name = names[0].casefold() if names else ""
    subject, _, what = field.role.partition(".")
    off = not switched_on(name, code, field.role)
    said = f"{field.ref} = {label}"
    if not field.writable:
        return ""
    if reading.forbidden:
        return f"{said} must not be set: {reading.forbidden}"
    if "brake" in f"{field.name} {name}".casefold():
        return "" if off else f"{said} brakes the motor"
    if field.role == "drive.enable":
        return "" if off else f"{said} enables the outputs"
    if field.role == "fault.mask":
        masks = name in OFF_WORDS or (code != 0 and name not in ON_WORDS)
        return (
            f"{said} masks a fault{f' ({field.summary})' if field.summary else ''}" if masks else ""
        )
    if subject in PROTECTIONS and what in ("enable", "check_bits", "mode"):
        if name in OFF_WORDS or (off and what != "mode"):
            return f"{said} switches off {PROTECTIONS[subject]}"
        if name in REPORT_WORDS:
            return f"{said} makes {PROTECTIONS[subject]} report and not act"
    return ""


def hazards(register: Register, word: int) -> list[str]:
    """What a write of this word does that can hurt, field by field."""
    found = [hazard(f, extract(word, f.bits)) for f in register.fields]
    found += [
        f"{f.ref} can be written once only after power-up; this write spends it, at "
        f"{read(f, extract(word, f.bits)).label}"
        for f in register.write_once
    ]
    return [text for text in found if text]


def cautions_of(register: Register, word: int) -> list[str]:
    """What to mind before this word is written: what the map forbids, and what can hurt."""
    return [*oddities(register, word), *hazards(register, word)]


def hazards_of(actions: Iterable[Action]) -> list[str]:
    """The same for a bring-up sequence, each once."""
    found: list[str] = []
    for action in actions:
        sent = action.sent
        if sent is not None and sent.kind == "write" and sent.register and sent.data is not None:
            found += hazards(sent.register, sent.data)
    return list(dict.fromkeys(found))


def hazards_asked(chip: Chip, requests: Sequence[str]) -> list[str]:
    """The same for requests as people write them; only of the fields that they name."""
    found: list[str] = []
    for text in requests:
        request = parse_request(text, chip.registers, chip.commands, chip.joined)
        if isinstance(request, WriteWord):
            found += hazards(chip.registers[request.register], request.word)
        elif isinstance(request, SetField):
            item = find(chip, request.name)
            if isinstance(item, Field):
                found.append(hazard(item, choose(item, request.value).code))
    return list(dict.fromkeys(t for t in found if t))


def warned(found: Iterable[str]) -> list[str]:
    """These sentences with the caution that belongs to them; nothing where there is none."""
    lines = list(dict.fromkeys(found))
    return [*lines, CAUTION] if lines else []
