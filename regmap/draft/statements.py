"""Settings as statements (a name and the text asked for) and the register contents they settle to.

The rules are the stage loader's own: what a draft settles to is what its saved file will load as.
"""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass

from ..chip import values
from ..chip.bank import Bank, find, need
from ..chip.model import Chip, Field, Joined, Param
from ..chip.values import Choice, Reading, Valued, choose
from ..errors import CallError
from ..quantity import show
from ..stages.load import Setting, settled, supply_of

Statements = dict[str, str]


@dataclass(frozen=True, slots=True)
class Settled:
    """What a set of statements comes to. `refused` holds the reason for each that cannot be."""

    bank: Bank
    choices: Mapping[str, Choice]
    refused: Mapping[str, str]


def settle(
    chip: Chip,
    params: Mapping[str, Param],
    statements: Statements,
    known: dict[tuple[str, str], Choice] | None = None,
) -> Settled:
    """Codes for every statement, as the stage loader finds them: a meaning may hang on another setting.

    `known` keeps choices between calls, of settings whose one meaning hangs on nothing.
    """
    known = {} if known is None else known
    bank = Bank.at_reset(chip, supply=supply_of(params))
    choices: dict[str, Choice] = {}
    refused: dict[str, str] = {}
    for _ in range(2):
        choices, refused = {}, {}
        for name, text in statements.items():
            item = need(chip, name)
            choice = known.get((name, text))
            if choice is None:
                try:
                    choice = choose(item, text, bank)
                except CallError as error:
                    refused[name] = str(error)
                    continue
                if len(item.meanings) == 1 and item.meanings[0].when is None:
                    known[name, text] = choice
            bank.put(item, choice.code)
            choices[name] = choice
    made = settings_of(chip, statements, choices)
    return Settled(settled(chip, made, params), choices, refused)


def settings_of(
    chip: Chip, statements: Statements, choices: Mapping[str, Choice]
) -> tuple[Setting, ...]:
    """The statements as the stage holds them."""
    del chip
    return tuple(
        Setting(name=n, asked=t, choice=choices[n], origin="draft")
        for n, t in statements.items()
        if n in choices
    )


def label_of(reading: Reading) -> str:
    """An option as one writes it: its name, or its value with a blank before the unit."""
    value = show(reading.band.typ, reading.band.dim) if reading.band is not None else ""
    if reading.name and reading.name != value.replace(" ", ""):
        return reading.name
    return value or str(reading.code)


def text_of(item: Valued, code: int, bank: Bank) -> str:
    """The text that states this code: a name or a value where that leads back to it, else the code."""
    reading = values.read(item, code, bank)
    if reading.defined and (reading.name or reading.band is not None):
        for text in (label_of(reading), reading.name):
            if text and _leads_to(item, text, code, bank):
                return text
    return f"0x{code:X}" if code > 9 else str(code)


def wish_of(item: Valued, choice: Choice, bank: Bank) -> str:
    """The text that states a choice: the wish as typed where it says more than the code, else the code's own."""
    return choice.asked if choice.kept else text_of(item, choice.code, bank)


def _leads_to(item: Valued, text: str, code: int, bank: Bank) -> bool:
    try:
        return choose(item, text, bank).code == code
    except CallError:
        return False


def ref(item: Valued) -> str:
    """The full name of a field, joined or external value."""
    return str(getattr(item, "ref", item.name))


def cells(item: Valued) -> frozenset[str]:
    """The fields that hold an item: itself, or the fields of a joined value."""
    if isinstance(item, Joined):
        return frozenset(f"{r}.{f}" for r, f in item.fields)
    return frozenset((ref(item),))


def joined_of(chip: Chip, name: str) -> Joined | None:
    """The joined value that a field is a part of."""
    return next((j for j in chip.joined.values() if name in cells(j)), None)


def setting(chip: Chip, name: str) -> Valued:
    """The item of this name if it holds a setting. Raises CallError with the nearest, or why not."""
    item = need(chip, name)
    if isinstance(item, Field) and not item.setting:
        raise CallError(f"{name} is {item.access} and holds no setting")
    if isinstance(item, Field) and chip.registers[item.register].complement_of:
        other = chip.registers[item.register].complement_of
        raise CallError(f"{name} follows from {other}, whose complement it is; set it there")
    return item


def stated(chip: Chip, statements: Statements, name: str, text: str, bank: Bank) -> Statements:
    """The statements with `name` stated as `text`.

    A joined value and its fields are never both stated: the parts that are not meant keep their code.
    """
    item = setting(chip, name)
    mine = cells(item)
    new = dict(statements)
    for other in list(new):
        if other == name:
            continue
        theirs = find(chip, other)
        if theirs is None or not cells(theirs) & mine:
            continue
        del new[other]
        for part in sorted(cells(theirs) - mine):
            rest = chip.field(part)
            assert rest is not None
            code = bank.field_code(rest)
            new[part] = text_of(rest, code if code is not None else rest.reset, bank)
    new[name] = text
    return new


def stepped(item: Valued, code: int | None, step: int, bank: Bank) -> int:
    """The code `step` options on from this one, in the order of codes. Raises CallError at the ends."""
    if not item.meanings:
        codes: list[int] | range = range(1 << item.width)
    else:
        codes = [r.code for r in values.options(item, bank)]
    if not len(codes):
        raise CallError(f"{ref(item)} has no options to step through")
    here = code if code is not None else codes[0]
    if here in codes:
        index = codes.index(here) + step
    else:
        # between two options: the next one up or down is one step
        above = next((i for i, c in enumerate(codes) if c > here), len(codes))
        index = above + step - (step > 0)
    if not 0 <= index < len(codes):
        end = codes[-1 if step > 0 else 0]
        word = "last" if step > 0 else "first"
        raise CallError(
            f"{step:+d} goes past the {word} option of {ref(item)}, {label_of(values.read(item, end, bank))}"
        )
    return codes[index]
