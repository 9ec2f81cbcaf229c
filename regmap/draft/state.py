"""The editable state behind the composer: statements, undo without limit, live verdicts, frames.

    draft = Draft(load_stage("pump.yaml"))
    seen = draft.consider("GATE_HS.SOURCE", "60mA")     nothing changes yet: seen.effects, seen.bank
    draft.set("GATE_HS.SOURCE", "60mA")                 accepted; draft.undo() takes it back
    draft.set("GATE_HS.SOURCE", "+1")                   the next option
    draft.changes()                                     what differs from the stage as saved

No terminal and no printing here. Whatever is accepted is told to the journal before the call
returns, so a program that dies loses nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from typing import TYPE_CHECKING, TypeVar

from regmap.record import dataclass, replace

from ..assessment.depends import Dependence, near_values
from ..assessment.stage import assess, inputs_of
from ..assessment.sweep import sweep
from ..behaviour.settings import Action, bring_up_sequence, setting_registers
from ..calc import worst_first
from ..chip import values
from ..chip.bank import Bank, find, unknown
from ..chip.model import Chip, Rule
from ..chip.values import Choice, Reading, Valued
from ..errors import CallError
from ..expr import evaluate
from ..stages.load import Stage
from ..stages.whatif import input_of, is_input, stated_as, with_inputs
from .statements import (
    Settled,
    Statements,
    cells,
    label_of,
    ref,
    setting,
    settings_of,
    settle,
    stated,
    stepped,
    text_of,
    wish_of,
)
from .steps import Changed, Edit, Effect, InputPreview, Preview, effects_of

if TYPE_CHECKING:
    from ..assessment.depends import Dependence
    from ..assessment.stage import Assessment
    from ..assessment.sweep import Sweep
    from ..calc import Inputs, Verdict
    from .journal import Journal, ModeJournal

_STEP = re.compile(r"\s*([+-]\s*\d{1,6})\s*")
_CACHE = 256
#: where a stage value that the draft changed comes from
ORIGIN = "draft"
#: options tried for what depends on a setting, evenly spread where it has more
_TRIED = 16
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class _Point:
    """One step: the settings as stated, what they come to, stage values that differ from the file's, the stage with them."""

    statements: Statements
    settled: Settled
    inputs: Statements
    stage: Stage


class Draft:
    """Settings of one stage in the making. Every accepted step is one entry of the history."""

    def __init__(self, stage: Stage, journal: Journal | ModeJournal | None = None) -> None:
        #: the stage as opened; what the draft changed is laid over it
        self._opened = stage
        #: the stage as its file has it
        self.saved = stage
        self.chip: Chip = stage.chip
        self.journal = journal
        first = {s.name: s.asked for s in stage.settings}
        self._saved: Statements = first
        self._saved_inputs: Statements = {}
        self._choices: dict[tuple[str, str], Choice] = {}
        self._history: list[_Point] = [
            _Point(first, settle(self.chip, stage.params, first), {}, stage)
        ]
        self._at = 0
        self._assessed: dict[object, Assessment] = {}
        self._plans: dict[object, list[Action] | CallError] = {}
        self._dependences: dict[object, Dependence] = {}
        self._depending: dict[object, list[Verdict]] = {}
        self._around: dict[object, list[Inputs]] = {}
        self._considered: dict[object, Preview] = {}
        self._inputs_considered: dict[object, InputPreview] = {}
        self._options: dict[object, list[Reading]] = {}

    # --- what is now --------------------------------------------------------------------------
    @property
    def _now(self) -> _Point:
        return self._history[self._at]

    @property
    def stage(self) -> Stage:
        """The stage with the draft's stage values; its settings are `statements`."""
        return self._now.stage

    @property
    def statements(self) -> Statements:
        """Every setting that is stated, as text; a copy."""
        return dict(self._now.statements)

    @property
    def inputs(self) -> Statements:
        """The stage values that the draft changed since the stage was opened, as text; a copy."""
        return dict(self._now.inputs)

    @property
    def bank(self) -> Bank:
        """The register contents that the statements come to; not to be changed."""
        return self._now.settled.bank

    @property
    def refused(self) -> Mapping[str, str]:
        """Statements that cannot be, with the reason; empty for a stage that loads."""
        return self._now.settled.refused

    @property
    def dirty(self) -> bool:
        """Whether a setting or a stage value differs from what was saved."""
        return self._now.statements != self._saved or self._now.inputs != self._saved_inputs

    @property
    def depth(self) -> tuple[int, int]:
        """How many steps can be undone and redone."""
        return self._at, len(self._history) - 1 - self._at

    def stage_now(self) -> Stage:
        """The stage with the draft's settings, for whatever works on stages."""
        point = self._now
        return replace(
            self.stage, settings=settings_of(self.chip, point.statements, point.settled.choices)
        )

    def reading(self, name: str, bank: Bank | None = None) -> Reading | None:
        """What a field, joined or external value means now (or in `bank`)."""
        return (bank or self.bank).reading(name)

    def options(self, name: str, limit: int = 4096) -> list[Reading]:
        """The options of a value at the present settings, in the order of codes; not to be changed."""

        def make() -> list[Reading]:
            item = find(self.chip, name)
            return list(values.options(item, self.bank, limit)) if item is not None else []

        return _kept(self._options, (self._at, name, limit), make)

    def changes(self) -> list[Changed]:
        """What differs from the stage as it was opened or last saved."""
        stage = self._with(self._saved_inputs)
        saved = settle(self.chip, stage.params, self._saved)
        return self._changed(_Point(self._saved, saved, self._saved_inputs, stage), self._now)

    def unsaved(self) -> dict[str, str | None]:
        """The settings and stage values to save: a text, or None for one to take out."""
        found = {c.name: c.new for c in self.changes()}
        for name, text in found.items():
            if text is None and self.is_input(name) and name in self._opened.params:
                found[name] = stated_as(name, self._opened.params[name].value)
        return found

    # --- considering --------------------------------------------------------------------------
    def choose(self, name: str, text: str) -> Choice:
        """The choice that `text` names for a setting, `+1` and `-1` included. Raises CallError."""
        item = setting(self.chip, name)
        step = _STEP.fullmatch(text)
        if step:
            code = stepped(item, self.bank.code(name), int(step[1].replace(" ", "")), self.bank)
            return Choice(code, text.strip(), values.read(item, code, self.bank))
        return values.choose(item, text, self.bank)

    def consider(self, name: str, text: str | int) -> Preview:
        """What accepting a value (text, or a code) would do; nothing changes. Raises CallError."""
        key = (self._at, name, text)
        return _kept(self._considered, key, lambda: self._consider(name, text))

    def has_considered(self, name: str, text: str | int) -> bool:
        """Whether `consider` would answer at once."""
        return (self._at, name, text) in self._considered

    def _consider(self, name: str, text: str | int) -> Preview:
        item = setting(self.chip, name)
        if isinstance(text, int):
            choice = Choice(text, str(text), values.read(item, text, self.bank))
        else:
            choice = self.choose(name, text)
        canonical = wish_of(item, choice, self.bank)
        point, notes = self._settle(
            stated(self.chip, self._now.statements, name, canonical, self.bank), {name}
        )
        bank = point.settled.bank
        return Preview(
            name,
            point.statements[name],
            choice,
            values.read(item, choice.code, bank),
            bank,
            point.statements,
            self.effects(bank),
            self.broken_rules(bank),
            notes,
        )

    def _settle(
        self, statements: Statements, meant: Collection[str], inputs: Statements | None = None
    ) -> tuple[_Point, tuple[str, ...]]:
        """The point of these statements; what they move beside `meant` is said, never silent."""
        notes: list[str] = []
        inputs = self._now.inputs if inputs is None else inputs
        stage = self.stage if inputs == self._now.inputs else self._with(inputs)
        point = _Point(
            statements, settle(self.chip, stage.params, statements, self._choices), inputs, stage
        )
        for name, why in point.settled.refused.items():
            if name in meant:
                raise CallError(why)
            item = find(self.chip, name)
            code = self.bank.code(name)
            if item is None or code is None or name in self._now.settled.refused:
                continue
            # its text means nothing under the new settings: the bits stay, and that is said
            point.statements[name] = f"0x{code:X}"
            notes.append(f"{name} cannot be {statements[name]} with this; it keeps its code {code}")
        if notes:
            point = replace(
                point, settled=settle(self.chip, stage.params, point.statements, self._choices)
            )
        for name, choice in point.settled.choices.items():
            old = self._now.settled.choices.get(name)
            same_text = self._now.statements.get(name) == point.statements.get(name)
            if name not in meant and old is not None and same_text and old.code != choice.code:
                notes.append(
                    f"{name} stays {choice.asked}: its code goes from {old.code} to {choice.code}"
                )
        return point, tuple(notes)

    # --- accepting ----------------------------------------------------------------------------
    def set(self, name: str, text: str | int) -> Edit:
        """Accept a value. Raises CallError with the reason and the nearest choice, and changes nothing."""
        seen = self.consider(name, text)
        if (
            name in self._now.statements
            or seen.choice.kept
            or seen.choice.code != self.bank.code(name)
        ):
            return self._accept(seen.statements, {name})
        return Edit((), (f"{name} is {seen.reading.label} already",))

    def drop(self, name: str) -> Edit:
        """State a setting no longer: it goes back to its reset value."""
        item = setting(self.chip, name)
        gone = [n for n in self._now.statements if n == name or n in cells(item)]
        if not gone:
            return Edit((), (f"{name} is not stated; it is at its reset value",))
        kept = {n: t for n, t in self._now.statements.items() if n not in gone}
        return self._accept(kept, {name})

    def apply(self, changes: Mapping[str, str | None]) -> Edit:
        """Accept several values as one step: all of them, or none. Raises CallError."""
        new = self.statements
        for name, text in changes.items():
            if text is None:
                new.pop(name, None)
                continue
            item = setting(self.chip, name)
            try:
                canonical = wish_of(item, self.choose(name, text), self.bank)
            except CallError:
                canonical = text  # possible only under another setting of the same step
            new = stated(self.chip, new, name, canonical, self.bank)
        return self._accept(new, {*changes})

    def restate(self, changes: Mapping[str, str | None]) -> Edit:
        """Statements exactly as they were journalled, as one step. Raises CallError."""
        new, inputs = self.statements, dict(self._now.inputs)
        for name, text in changes.items():
            held = inputs if self.is_input(name) else new
            if held is new:
                setting(self.chip, name)
            if text is None:
                held.pop(name, None)
            else:
                held[name] = text
        return self._accept(new, {n for n, t in changes.items() if t is not None}, inputs)

    def take_words(self, words: Mapping[str, int]) -> Edit:
        """Take whole register words over: every field in them that holds a setting. Raises CallError."""
        target = self.bank.copy()
        for name, word in words.items():
            if name not in self.chip.registers:
                raise unknown(self.chip, name)
            register = self.chip.registers[name]
            if word < 0 or word >> register.width:
                raise CallError(f"0x{word:X} does not fit the {register.width} bits of {name}")
            target.learn(name, word)
        changes: dict[str, str | None] = {}
        for name in words:
            register = self.chip.registers[name]
            for field in register.fields:
                code = target.field_code(field)
                if (
                    field.setting
                    and not register.complement_of
                    and code != self.bank.field_code(field)
                ):
                    assert code is not None
                    changes[field.ref] = text_of(field, code, target)
        return self.apply(changes) if changes else Edit((), ("these words are held already",))

    def _accept(
        self, statements: Statements, meant: Collection[str], inputs: Statements | None = None
    ) -> Edit:
        point, notes = self._settle(statements, meant, inputs)
        changed = self._changed(self._now, point)
        if not changed:
            return Edit((), notes or ("nothing changes",))
        if self.journal is not None:
            self.journal.step({c.name: c.new for c in changed})
        del self._history[self._at + 1 :]
        self._history.append(point)
        self._at += 1
        self._considered.clear()
        self._inputs_considered.clear()
        self._options.clear()
        self._dependences.clear()
        self._depending.clear()
        self._around.clear()
        return Edit(tuple(changed), notes)

    def _changed(self, old: _Point, new: _Point) -> list[Changed]:
        found = []
        for name in {**old.statements, **new.statements}:
            a, b = old.statements.get(name), new.statements.get(name)
            if a != b:
                before, after = (_label(p.settled.bank.reading(name)) for p in (old, new))
                found.append(Changed(name, a, b, before, after))
        for name in {**old.inputs, **new.inputs}:
            a, b = old.inputs.get(name), new.inputs.get(name)
            if a != b:
                before, after = (value_text(p.stage, name) for p in (old, new))
                found.append(Changed(name, a, b, before, after))
        return found

    def undo(self, steps: int = 1) -> Edit | None:
        """Go back; None where there is nothing left to undo."""
        return self._move(-steps)

    def redo(self, steps: int = 1) -> Edit | None:
        """Go forward again; None where nothing was undone."""
        return self._move(steps)

    def _move(self, steps: int) -> Edit | None:
        to = min(max(self._at + steps, 0), len(self._history) - 1)
        if to == self._at:
            return None
        changed = tuple(self._changed(self._now, self._history[to]))
        if self.journal is not None:
            self.journal.step({c.name: c.new for c in changed})
        self._at = to
        return Edit(changed)

    def saved_as(self, stage: Stage) -> None:
        """The draft was written: `stage` is what the file holds now."""
        held = {s.name: s.asked for s in stage.settings}
        if _values(stage) != _values(self.stage):
            # the file brought stage values of its own (a merge): what came before has no meaning over them
            self._opened = stage
            self._history = [_Point(held, settle(self.chip, stage.params, held), {}, stage)]
            self._at = 0
        elif held != self._now.statements:
            # the file brought settings of its own (a merge): that is a step like any other
            self._history.insert(
                self._at + 1,
                replace(self._now, statements=held, settled=settle(self.chip, stage.params, held)),
            )
            del self._history[self._at + 2 :]
            self._at += 1
        self.saved = stage
        self._saved, self._saved_inputs = held, self._now.inputs
        self._assessed.clear()
        self._considered.clear()
        self._inputs_considered.clear()
        self._options.clear()
        self._dependences.clear()
        self._depending.clear()
        self._around.clear()

    # --- stage values -------------------------------------------------------------------------
    def is_input(self, name: str) -> bool:
        """Whether a name means a value of the stage (`pwm.frequency`, `supply.max`) and nothing of its chip."""
        return is_input(name) and find(self.chip, name) is None

    def input_name(self, name: str) -> str:
        """The stage value that a name means. Raises CallError with the nearest."""
        return input_of(name)[0]

    def value_text(self, name: str) -> str:
        """A stage value as the file would state it; "not stated"."""
        return value_text(self.stage, name)

    def consider_input(self, name: str, text: str) -> InputPreview:
        """What another stage value would do; nothing changes. Raises CallError."""
        key = (self._at, "input", name, text)
        return _kept(self._inputs_considered, key, lambda: self._consider_input(name, text))

    def _consider_input(self, name: str, text: str) -> InputPreview:
        key, end = input_of(name)
        tried = with_inputs(self.stage, {name: text}, ORIGIN)
        whole = stated_as(key, tried.params[key].value) if end else text.strip()
        point, notes = self._settle(self.statements, (), {**self._now.inputs, key: whole})
        after = inputs_of(point.stage, point.settled.bank)
        effects = effects_of(self._dependence().changed(after))
        doubts = [str(d.found) for d in point.stage.doubts if d.path == key]
        return InputPreview(
            key, whole, self.value_text(key), point.stage, effects, (*notes, *doubts)
        )

    def set_input(self, name: str, text: str) -> Edit:
        """Accept a stage value. Raises CallError, and then nothing changes."""
        seen = self.consider_input(name, text)
        if _values(seen.stage) == _values(self.stage):
            return Edit((), (f"{seen.name} is {seen.before} already",))
        return self._accept(self.statements, (), {**self._now.inputs, seen.name: seen.text})

    def drop_input(self, name: str) -> Edit:
        """A stage value goes back to what the file said when it was opened."""
        key = self.input_name(name)
        if key not in self._now.inputs:
            return Edit((), (f"{key} is as the stage has it",))
        kept = {n: t for n, t in self._now.inputs.items() if n != key}
        return self._accept(self.statements, (), kept)

    def _with(self, inputs: Statements) -> Stage:
        return with_inputs(self._opened, inputs, ORIGIN) if inputs else self._opened

    # --- verdicts, rules, frames --------------------------------------------------------------
    def assess(self, bank: Bank | None = None) -> Assessment:
        """All verdicts at the present settings (or in `bank`)."""
        bank = bank or self.bank
        key = (_key(bank), tuple(self._now.inputs.items()))
        alike = next(reversed(self._assessed.values()), None)
        return _kept(self._assessed, key, lambda: assess(self.stage, bank, beside=alike))

    def effects(self, bank: Bank) -> tuple[Effect, ...]:
        """The verdicts that differ between now and `bank`: those that turn first, the worst on top."""
        return effects_of(self._dependence().changed(inputs_of(self.stage, bank)))

    def depending(self, name: str) -> list[Verdict]:
        """The verdicts that another option of a setting, or a stage value near its own, moves; worst first.

        Found by running the checks. Raises CallError for a name that is neither.
        """

        def make() -> list[Verdict]:
            return worst_first(list(self._dependence().moved(self._others(name)).values()))

        return _kept(self._depending, (self._at, name), make)

    def known_depending(self, name: str) -> list[Verdict] | None:
        """`depending` where it has been found already; None else, at once."""
        return self._depending.get((self._at, name))

    def decides(self, check: str) -> tuple[list[str], list[str]]:
        """The settings and the stage values that move this verdict, found by running its check."""
        found = self._dependence()
        names = [n for n in self.names() if found.moved(self._others(n), check)]
        values = [n for n in self.stage.params if found.moved(self._others(n), check)]
        return names, values

    def depends(self, check: str) -> tuple[dict[str, str], dict[str, str]]:
        """As `decides`, each name with what it is now."""
        names, values = self.decides(check)
        readings = {name: self.reading(name) for name in names}
        settings = {n: label_of(r) if r is not None else "" for n, r in readings.items()}
        return settings, {name: self.value_text(name) for name in values}

    def _dependence(self) -> Dependence:
        def make() -> Dependence:
            return Dependence(self.stage, self.bank, self.assess())

        return _kept(self._dependences, self._at, make)

    def _others(self, name: str) -> list[Inputs]:
        """The inputs of the checks at every other option of a setting, or near a stage value."""
        return _kept(self._around, (self._at, name), lambda: list(self._tried(name)))

    def _tried(self, name: str) -> Iterator[Inputs]:
        if name in self.stage.params:
            for param in near_values(self.stage.params[name]):
                params = {**self.stage.params, name: param}
                bank = settle(self.chip, params, self._now.statements, self._choices).bank
                yield inputs_of(replace(self.stage, params=params), bank)
            return
        item, now = setting(self.chip, name), self.bank.code(name)
        readings = [r for r in self.options(name) if r.code != now]
        step = max(1, len(readings) // _TRIED)
        tried = {r.code: r for r in (*readings[::step], *readings[-1:])}
        for reading in sorted(tried.values(), key=lambda r: abs(r.code - (now or 0))):
            text = text_of(item, reading.code, self.bank)
            try:
                point, _ = self._settle(
                    stated(self.chip, self._now.statements, name, text, self.bank), {name}
                )
            except CallError:
                continue
            yield inputs_of(self.stage, point.settled.bank)

    def broken_rules(self, bank: Bank | None = None) -> tuple[Rule, ...]:
        """The map's rules that these register contents break."""
        bank = bank or self.bank
        return tuple(r for r in self.chip.rules if evaluate(r.require, bank) is False)

    def plan(self, bank: Bank | None = None) -> list[Action]:
        """The whole write sequence. Raises CallError when the chip's sequences cannot do it."""
        bank = bank or self.bank

        def make() -> list[Action] | CallError:
            try:
                return bring_up_sequence(self.chip, bank)
            except CallError as error:
                return error

        found = _kept(self._plans, _key(bank), make)
        if isinstance(found, CallError):
            raise found
        return found

    def sweep(self, name: str) -> Sweep:
        """Every option of a setting with the verdicts that it moves. Raises CallError."""
        setting(self.chip, name)
        return sweep(self.stage_now(), name)

    def items(self) -> list[Valued]:
        """Everything that can be set: fields in the order of the map, joined and external values."""
        found: list[Valued] = [
            f
            for r in setting_registers(self.chip)
            if not r.complement_of
            for f in r.fields
            if f.setting
        ]
        return [*found, *self.chip.joined.values(), *self.chip.externals.values()]

    def names(self) -> list[str]:
        """The full names of everything that can be set."""
        return [ref(i) for i in self.items()]


def value_text(stage: Stage, name: str) -> str:
    """A stage value as a file would state it, or "not stated"."""
    param = stage.params.get(name)
    return stated_as(name, param.value) if param is not None else "not stated"


def _values(stage: Stage) -> dict[str, object]:
    return {name: param.value for name, param in stage.params.items()}


def _kept(store: dict[object, T], key: object, make: Callable[[], T]) -> T:
    """The value of a key, made once; the oldest goes when there are too many."""
    if key not in store:
        if len(store) >= _CACHE:
            del store[next(iter(store))]
        store[key] = make()
    return store[key]


def _key(bank: Bank) -> object:
    return (tuple(bank.words.items()), tuple(bank.externals.items()))


def _label(reading: Reading | None) -> str:
    return reading.label if reading is not None else "not known"
