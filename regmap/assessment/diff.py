"""What differs between two configurations: register words, fields, figures of the stage, verdicts.

    difference = diff_stages(load_stage("a.yaml"), load_stage("b.yaml"))
    difference = diff_words(stage, {"TIMING": 0x166}, "bench.json")      what a chip was read to hold
    difference = diff_bank(stage, bank, "pump.vcd")                      what is known of a chip

Only settings are compared. What is not known on one side is named and counts as no difference.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.record import dataclass

from ..behaviour.settings import setting_registers
from ..chip import values
from ..chip.bank import Bank
from ..chip.model import Access, Chip, Field, Register
from ..chip.values import Reading
from ..document.source import display_name
from ..errors import CallError
from ..quantity import Band
from ..stages.load import Stage
from .stage import assess, role_inputs

if TYPE_CHECKING:
    from ..calc import Verdict


@dataclass(frozen=True, slots=True)
class FieldDiff:
    """One field that differs. `change` is the physical change as a share of the first value."""

    name: str
    old: Reading
    new: Reading

    @property
    def change(self) -> float | None:
        a, b = self.old.band, self.new.band
        if a is None or b is None or a.dim != b.dim or not a.typ:
            return None
        return float((b.typ - a.typ) / abs(a.typ))


@dataclass(frozen=True, slots=True)
class RegisterDiff:
    """One register with settings that differ. A word of which a setting is not known is None."""

    name: str
    width: int
    old: int | None
    new: int | None
    fields: tuple[FieldDiff, ...]


@dataclass(frozen=True, slots=True)
class FigureDiff:
    """A figure of the stage, or of a role where the chips differ; None: not stated."""

    name: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True)
class VerdictDiff:
    """A verdict that changes its status or its margin; None: the check does not apply."""

    check: str
    title: str
    old: Verdict | None
    new: Verdict | None

    @property
    def turned(self) -> bool:
        """Whether the status changes, not only the margin."""
        return status_of(self.old) != status_of(self.new)


def status_of(verdict: Verdict | None) -> str:
    return "does not apply" if verdict is None else verdict.status


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Everything that differs between `a` and `b`.

    `joined` are values held by several fields, whose parts stand in `registers`; `unknown` are
    registers not wholly known on one side.
    """

    a: str
    b: str
    registers: tuple[RegisterDiff, ...] = ()
    joined: tuple[FieldDiff, ...] = ()
    externals: tuple[FigureDiff, ...] = ()
    figures: tuple[FigureDiff, ...] = ()
    roles: tuple[FigureDiff, ...] = ()
    verdicts: tuple[VerdictDiff, ...] = ()
    unknown: tuple[str, ...] = ()
    compared: int = 0
    chips: tuple[str, str] = ("", "")

    @property
    def same(self) -> bool:
        return not (
            self.registers
            or self.externals
            or self.figures
            or self.roles
            or self.verdicts
            or self.chips[0] != self.chips[1]
        )

    def json(self) -> dict[str, object]:
        """A plain object for `--json`."""

        def reading(r: Reading) -> dict[str, Any]:
            return {"code": r.code, "value": r.label}

        def verdict(v: Verdict | None) -> dict[str, Any]:
            share = v.json()["relative_margin"] if v is not None else None
            return {"status": status_of(v), "relative_margin": share}

        def figure(f: FigureDiff) -> dict[str, Any]:
            return {"name": f.name, "from": _text(f.old), "to": _text(f.new)}

        return {
            "from": self.a,
            "to": self.b,
            "same": self.same,
            "chips": list(self.chips),
            "registers": [
                {
                    "register": r.name,
                    "from": r.old,
                    "to": r.new,
                    "fields": [
                        {
                            "field": f.name,
                            "from": reading(f.old),
                            "to": reading(f.new),
                            "change": f.change,
                        }
                        for f in r.fields
                    ],
                }
                for r in self.registers
            ],
            "joined": [
                {"name": f.name, "from": reading(f.old), "to": reading(f.new), "change": f.change}
                for f in self.joined
            ],
            "external": [figure(f) for f in self.externals],
            "parameters": [figure(f) for f in self.figures],
            "roles": [figure(f) for f in self.roles],
            "verdicts": [
                {"check": v.check, "title": v.title, "from": verdict(v.old), "to": verdict(v.new)}
                for v in self.verdicts
            ],
            "not_known": list(self.unknown),
            "registers_compared": self.compared,
        }


def _text(value: Any) -> Any:
    return value.label if isinstance(value, Reading) else None if value is None else str(value)


def diff_stages(a: Stage, b: Stage) -> Difference:
    """Two stages: settings, figures and verdicts; by role where they are of different chips."""
    same_chip = a.chip.name == b.chip.name
    registers, unknown, compared = _registers(a.chip, a.bank, b.bank) if same_chip else ((), (), 0)
    names = dict.fromkeys([*a.params, *b.params])
    figures = tuple(
        FigureDiff(n, _value(a, n), _value(b, n)) for n in names if _value(a, n) != _value(b, n)
    )
    called = (a.name, b.name)
    if (
        a.name == b.name and a.file != b.file
    ):  # two files of one stage: only their paths tell them apart
        called = (display_name(Path(a.file)), display_name(Path(b.file)))
    return Difference(
        a=called[0],
        b=called[1],
        chips=(a.chip.name, b.chip.name),
        registers=registers,
        unknown=unknown,
        compared=compared,
        joined=_joined(a.chip, a.bank, b.bank) if same_chip else (),
        externals=_externals(a.chip, a.bank, b.bank) if same_chip else (),
        figures=figures,
        roles=() if same_chip else _roles(a, b),
        verdicts=_verdicts((first := assess(a)).verdicts, assess(b, beside=first).verdicts),
    )


def diff_words(stage: Stage, words: Mapping[str, int], name: str) -> Difference:
    """A stage against words that were read (name to word as it came over the SPI)."""
    bank = Bank(stage.chip, supply=stage.bank.supply)
    for register, word in words.items():
        bank.learn_read(register, word)
    return diff_bank(stage, bank, name)


def diff_bank(stage: Stage, bank: Bank, name: str) -> Difference:
    """A stage against what is known of a chip. Verdicts take the stage's settings for the rest.

    Raises CallError where no setting is known: that would be no comparison.
    """
    wanted = stage.bank
    registers, unknown, compared = _registers(stage.chip, wanted, bank)
    if not compared:
        raise CallError(f"nothing of the settings of {stage.chip.name} is known from {name}")
    there = wanted.copy()
    for register in setting_registers(stage.chip):
        known = bank.known.get(register.name, 0) & register.settings
        if known:
            there.learn(register.name, bank.words[register.name], known)
    verdicts: tuple[VerdictDiff, ...] = ()
    if registers:
        as_wanted = assess(stage, wanted)
        verdicts = _verdicts(as_wanted.verdicts, assess(stage, there, beside=as_wanted).verdicts)
    return Difference(
        a=stage.name,
        b=name,
        chips=(stage.chip.name, stage.chip.name),
        registers=registers,
        joined=_joined(stage.chip, wanted, bank),
        unknown=unknown,
        compared=compared,
        verdicts=verdicts,
    )


def _registers(
    chip: Chip, a: Bank, b: Bank
) -> tuple[tuple[RegisterDiff, ...], tuple[str, ...], int]:
    """(registers that differ, registers not wholly known on one side, registers compared)."""
    found: list[RegisterDiff] = []
    unknown: list[str] = []
    compared = 0
    for register in setting_registers(chip):
        fields: list[FieldDiff] = []
        seen = lacking = 0
        for field in register.fields:
            if not field.setting:
                continue
            old, new = a.field_code(field), b.field_code(field)
            if old is None or new is None:
                lacking += field.access is not Access.WO  # what cannot be read is no omission
                continue
            seen += 1
            if old != new:
                fields.append(FieldDiff(field.ref, _read(field, old, a), _read(field, new, b)))
        if lacking:
            unknown.append(register.name)
        compared += bool(seen)
        if fields:
            found.append(
                RegisterDiff(
                    register.name,
                    register.width,
                    _word(register, a),
                    _word(register, b),
                    tuple(fields),
                )
            )
    return tuple(found), tuple(unknown), compared


def _read(field: Field, code: int, bank: Bank) -> Reading:
    return values.read(field, code, bank)


def _word(register: Register, bank: Bank) -> int | None:
    mask = register.settings
    return bank.words[register.name] if bank.known.get(register.name, 0) & mask == mask else None


def _joined(chip: Chip, a: Bank, b: Bank) -> tuple[FieldDiff, ...]:
    found = []
    for name in chip.joined:
        old, new = a.reading(name), b.reading(name)
        if old is not None and new is not None and old.code != new.code:
            found.append(FieldDiff(name, old, new))
    return tuple(found)


def _externals(chip: Chip, a: Bank, b: Bank) -> tuple[FigureDiff, ...]:
    return tuple(
        FigureDiff(n, a.reading(n), b.reading(n)) for n in chip.externals if a.code(n) != b.code(n)
    )


def _value(stage: Stage, name: str) -> Band | str | int | None:
    param = stage.params.get(name)
    return param.value if param is not None else None


def _roles(a: Stage, b: Stage) -> tuple[FigureDiff, ...]:
    """What the settings mean, role by role: all that two different chips can be compared by."""
    left = {i.name: i.value for i in role_inputs(a.chip, a.bank)}
    right = {i.name: i.value for i in role_inputs(b.chip, b.bank)}
    return tuple(
        FigureDiff(n.removeprefix("role:"), left.get(n), right.get(n))
        for n in dict.fromkeys([*left, *right])
        if left.get(n) != right.get(n) and isinstance(left.get(n, right.get(n)), Band)
    )


def _verdicts(old: tuple[Verdict, ...], new: tuple[Verdict, ...]) -> tuple[VerdictDiff, ...]:
    """Verdicts that change status or margin: those that turn first, then by the margin they end with."""
    left, right = {v.check: v for v in old}, {v.check: v for v in new}
    found = []
    for check in dict.fromkeys([*left, *right]):
        a, b = left.get(check), right.get(check)
        if _mark(a) != _mark(b):
            some = b or a
            assert some is not None
            found.append(VerdictDiff(check, some.title, a, b))

    def rank(item: VerdictDiff) -> tuple[bool, float, str]:
        share = item.new.relative if item.new is not None else None
        return not item.turned, float("inf") if share is None else share, item.check

    return tuple(sorted(found, key=rank))


def _mark(verdict: Verdict | None) -> object:
    if verdict is None:
        return None
    # twelve digits: the last ones are rounding, not a difference
    return verdict.status, None if verdict.relative is None else f"{verdict.relative:.12g}"
