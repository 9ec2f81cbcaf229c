"""Requests to frames: what to send for what a person asked, and why each word is what it is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from .bank import Bank, need
from .codec import Codec, Sent
from .errors import CallError
from .model import Chip, Field, Joined
from .requests import ReadRegister, Request, SendCommand, SetField, WriteWord, parse_request
from .values import Choice, choose


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One frame to send; `choices` are the settings that made its word, `before` the word it builds on."""

    sent: Sent
    choices: tuple[tuple[str, Choice], ...] = ()
    before: int | None = None
    requests: tuple[str, ...] = ()


def read_requests(chip: Chip, texts: Iterable[str]) -> list[tuple[str, Request]]:
    """Every request of `texts`, each text possibly several separated by `;`. Raises CallError."""
    found = []
    for text in texts:
        for piece in text.split(";"):
            if piece.strip():
                found.append(
                    (
                        piece.strip(),
                        parse_request(piece, chip.registers, chip.commands, chip.joined),
                    )
                )
    return found


def plan(
    chip: Chip,
    texts: Iterable[str],
    bank: Bank | None = None,
    given: Mapping[str, int] | None = None,
) -> list[Planned]:
    """The frames for these requests, in order; settings of one register in a row share one write.

    Fields that are not asked for keep what `bank` knows, the reset value where it knows nothing;
    `bank` is left as it was. Raises CallError for what the chip cannot do.
    """
    codec = Codec(chip)
    now = bank.copy() if bank is not None else Bank.at_reset(chip)
    frames: list[Planned] = []
    pending: dict[str, list[tuple[str, Choice, str]]] = {}
    bases: dict[str, int] = {}

    def flush() -> None:
        for name, made in pending.items():
            register = chip.registers[name]
            word = now.word(name)
            assert word is not None
            sent = codec.write(register, word_to_write(chip, name, now), now, given)
            frames.append(
                Planned(
                    sent=sent,
                    choices=tuple((n, c) for n, c, _ in made),
                    before=bases[name],
                    requests=tuple(dict.fromkeys(t for _, _, t in made)),
                )
            )
        pending.clear()

    for text, request in read_requests(chip, texts):
        if isinstance(request, SetField):
            item = need(chip, request.name)
            choice = choose(item, request.value, now)
            touched = _registers_of(item)
            for field in _fields_of(chip, item):
                if not field.writable:
                    raise CallError(f"{field.ref} cannot be written ({field.access})")
            if any(name not in pending for name in touched) and pending:
                flush()
            for name in touched:
                _complete(now, name)
                bases.setdefault(name, now.words[name])
                pending.setdefault(name, []).append((request.name, choice, text))
            now.put(item, choice.code)
            continue
        flush()
        if isinstance(request, WriteWord):
            register = chip.registers[request.register]
            _complete(now, register.name)
            sent = codec.write(register, request.word, now, given)
            frames.append(Planned(sent=sent, before=now.words[register.name], requests=(text,)))
            now.learn(register.name, request.word)
        elif isinstance(request, ReadRegister):
            frames.append(
                Planned(
                    sent=codec.read(chip.registers[request.register], now, given), requests=(text,)
                )
            )
        elif isinstance(request, SendCommand):
            sent = codec.command(chip.commands[request.command], request.data, now, given)
            frames.append(Planned(sent=sent, requests=(text,)))
    flush()
    return frames


def word_to_write(chip: Chip, name: str, bank: Bank) -> int:
    """The register's known word with reserved bits as the map says that they must be written."""
    register = chip.registers[name]
    word = bank.words.get(name, register.reset)
    stated = register.reserved & ~register.reserved_keep
    return word & ~stated | register.reserved_write & stated if stated else word


def _complete(bank: Bank, name: str) -> None:
    """Bits nobody knows are taken at reset: a write needs all of them."""
    register = bank.chip.registers[name]
    unknown = register.mask & ~bank.known.get(name, 0)
    if unknown:
        bank.learn(name, register.reset, unknown)


def _registers_of(item: object) -> tuple[str, ...]:
    if isinstance(item, Field):
        return (item.register,)
    if isinstance(item, Joined):
        return tuple(dict.fromkeys(register for register, _ in item.fields))
    raise CallError(
        f"{getattr(item, 'name', item)} is set outside the frame, by a pin or a resistor; state it in the stage"
    )


def _fields_of(chip: Chip, item: object) -> list[Field]:
    if isinstance(item, Field):
        return [item]
    assert isinstance(item, Joined)
    return [f for r, n in item.fields if (f := chip.registers[r].field(n)) is not None]
