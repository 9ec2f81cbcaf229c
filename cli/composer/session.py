"""One composer session: what a line of text does. The two faces share it; it knows no terminal."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path

from regmap import formerly
from regmap.assessment.stage import inputs_of
from regmap.behaviour.faults import status_registers
from regmap.behaviour.hazards import hazards, warned
from regmap.chip.bank import find
from regmap.document.schema import read_int
from regmap.draft import (
    Edit,
    ModeDrafts,
    compare_with,
    registers_of,
    sequence_lines,
    take_apart,
    write_of,
)
from regmap.errors import CallError, GatewordError, closest
from regmap.quantity import many
from regmap.record import replace
from regmap.stages.grammar import AS_STATED

from ..context import hexword
from ..files import write_text
from ..timelines import as_options
from . import sheets
from .keeping import Keeper
from .meaning import Meaning
from .onchip import OnChip
from .opened import inputs_sheet, verdict_named, verdict_sheet
from .pictures import timeline_sheet
from .vocabulary import Outcome, Row, Sheet


class Session:
    """The state that the two faces share: the draft, what is chosen, what `accept` would put into the draft."""

    def __init__(self, drafts: ModeDrafts, keeper: Keeper, width: int = 80) -> None:
        draft = drafts.draft
        self.drafts = drafts
        self.meaning = Meaning(draft)
        self.draft, self.chip = draft, draft.chip
        self.keeper = keeper
        self.width = width
        #: told how far something slow is
        self.say: Callable[[str], None] = lambda _: None
        self.meaning.modes = drafts.names
        self._pending: Callable[[], Edit] | None = None
        self.onchip = OnChip(draft)
        #: whether a screen shows what is answered, with a clipboard perhaps; else lines are read or heard
        self.on_screen = False
        self.log: dict[str, None] = {}
        self.opened = draft.statements
        self.base = draft.bank.copy()

    def choose(self, name: str) -> None:
        """Edit another mode from now on; "" by name `as_stated`. Raises CallError."""
        self.draft = self.meaning.draft = self.onchip.draft = self.drafts.choose(name)
        self.pending = None

    @property
    def at(self) -> str:
        """The name chosen: a register, a field or a value."""
        return self.meaning.at

    @at.setter
    def at(self, name: str) -> None:
        self.meaning.at = name

    @property
    def pending(self) -> Callable[[], Edit] | None:
        """What `accept` would do."""
        return self._pending

    @pending.setter
    def pending(self, what: Callable[[], Edit] | None) -> None:
        self._pending, self.meaning.can_accept = what, what is not None

    # --- doing ----------------------------------------------------------------------------------
    def do(self, text: str, place: str = "list") -> Outcome:
        """Enter a line (several separated by `;;` until one fails). Never raises for what a person can type."""
        outcome = Outcome()
        for line in text.split(";;"):
            old = line.split(maxsplit=1)[0] if line.strip() else ""
            outcome = self._do(self.meaning.expand(line.strip()), place)
            if old in formerly.COMPOSER:
                note = formerly.said(old, formerly.COMPOSER[old])
                outcome = replace(outcome, message="; ".join(filter(None, (note, outcome.message))))
            if outcome.mark == "bad" or outcome.question is not None:
                break
        return outcome

    def _do(self, line: str, place: str) -> Outcome:
        meant = self.meaning.mean(line)
        try:
            if meant.kind == "nothing":
                return Outcome()
            if meant.kind == "refused":
                return Outcome(meant.text, "bad")
            if meant.kind == "set" and self.draft.is_input(meant.name):
                return self.edited(self.draft.set_input(meant.name, meant.value))
            if meant.kind == "set":
                self.at = meant.name
                return self.edited(self.draft.set(meant.name, meant.value))
            if meant.kind in ("go", "find") and not line.startswith("find "):
                return self._go(meant.name)
            if meant.kind == "find":
                return Outcome(sheet=sheets.hits_sheet(meant.value, meant.hits))
            if meant.kind == "explain":
                return self._explain([meant.value])
            if meant.kind == "paste":
                return self._paste(meant.value.split())
            if meant.kind == "word" and meant.value == "inputs" and meant.name:
                return self._inputs(meant.name)
            word, _, rest = line.partition(" ")
            word = "help" if line == "?" else word
            return self._word(word, rest.strip(), place)
        except GatewordError as error:
            return Outcome(str(error), "bad")
        except OSError as error:
            return Outcome(f"{error.filename or ''}: {error.strerror or error}", "bad")

    def _word(self, word: str, rest: str, place: str) -> Outcome:
        action: Callable[[str], Outcome] = {
            "modes": lambda _: Outcome(sheet=sheets.modes_sheet(self._with_modes())),
            "in": self._in,
            "reset": self._reset,
            "go": lambda r: self._go(self.meaning.resolve_loosely(r)),
            "options": self._options,
            "undo": lambda r: self._move(r, "undo"),
            "redo": lambda r: self._move(r, "redo"),
            "verdicts": self._verdicts,
            "why": self._why,
            "inputs": self._inputs,
            "timeline": self._timeline,
            "sweep": self._sweep,
            "propose": lambda _: self._propose(),
            "explain": lambda r: self._explain(r.split()),
            "paste": lambda r: self._paste(r.split()),
            "accept": lambda _: self._accept(),
            "compare": self._compare,
            "changes": lambda _: Outcome(sheet=sheets.changes_sheet(self.draft)),
            "sequence": lambda _: Outcome(sheet=sheets.sequence_sheet(self.draft)),
            "copy": self._copy,
            "connect": self.onchip.connect,
            "live": self._live,
            "send": self._send,
            "disconnect": lambda _: self.onchip.disconnect(),
            "save": lambda r: self.keeper.save(self.drafts, r),
            "leave": lambda r: self.keeper.leave(self.drafts, r),
            "help": lambda r: Outcome(
                sheet=sheets.help_sheet(place, r, self.width, modes=bool(self.drafts.names))
            ),
            "find": lambda _: Outcome(
                "find what? a part of a name, a meaning, a fault or a unit", "bad"
            ),
        }[word]
        return action(rest)

    def _with_modes(self) -> ModeDrafts:
        if not self.drafts.names:
            raise CallError("this stage states no modes", "a stage with `modes:`")
        return self.drafts

    def _edit_in(self, name: str) -> Outcome:
        self.choose(name if name != "next" else self._next())
        own = self.drafts.own(self.drafts.mode) if self.drafts.mode else set()
        told = f", which states {many(len(own), 'value')} of its own" if own else ""
        return Outcome(f"mode {self.drafts.mode or AS_STATED}{told}", "good")

    def _next(self) -> str:
        names = self.drafts.names
        at = names.index(self.drafts.mode or AS_STATED)
        return names[(at + 1) % len(names)]

    def _in(self, rest: str) -> Outcome:
        """A mode chosen; or a line done in it, after which the one before is edited again."""
        mode, _, line = rest.partition(" ")
        if not mode:
            raise CallError("in which mode?", f"one of {', '.join(self._with_modes().names)}")
        self._with_modes()
        if not line.strip():
            return self._edit_in(mode)
        back = self.drafts.mode or AS_STATED
        self.choose(mode)
        try:
            outcome = self._do(self.meaning.expand(line.strip()), "list")
        finally:
            self.choose(back)
        told = f"{mode}: {outcome.message}" if outcome.message else ""
        return replace(outcome, message=told)

    def edited(self, edit: Edit) -> Outcome:
        """An accepted step in words."""
        if not edit.changed:
            return Outcome("; ".join(edit.notes) or "nothing changes")
        first = edit.changed[0]
        if not any(c.name == self.at or self.draft.is_input(c.name) for c in edit.changed):
            self.at = first.name
        text = (
            f"{first.name} is now {first.after} (was {first.before})"
            if len(edit.changed) == 1
            else f"{len(edit.changed)} settings changed"
        )
        if len(edit.changed) > 1:
            text += (
                ": "
                + ", ".join(f"{c.name} {c.after}" for c in edit.changed[:3])
                + (", ..." if len(edit.changed) > 3 else "")
            )
        notes = [
            *edit.notes,
            *([self.keeper.journal.trouble] if self.keeper.journal.trouble else []),
        ]
        return Outcome("; ".join((text, *notes)), "good")

    def _go(self, name: str) -> Outcome:
        self.at = name
        register = self.chip.registers.get(name)
        if register is not None:
            return Outcome(f"{name}: {self.chip.place_of(register)}, {register.width} bits")
        item = find(self.chip, name)
        reading = self.draft.reading(name) if item is not None else None
        return Outcome(
            f"{name}: {reading.label}"
            if reading is not None and self.meaning.settable(name)
            else name
        )

    def _reset(self, rest: str) -> Outcome:
        if self.drafts.mode:
            known = rest and self.draft.is_input(rest)
            name = self.draft.input_name(rest) if known else self.meaning.need_setting(rest)
            return self.edited(self.drafts.back(name))
        if rest and self.draft.is_input(rest):
            return self.edited(self.draft.drop_input(rest))
        name = self.meaning.need_setting(rest)
        self.at = name
        return self.edited(self.draft.drop(name))

    def _options(self, rest: str) -> Outcome:
        self.at = self.meaning.need_setting(rest)
        return Outcome(sheet=sheets.options_sheet(self.draft, self.at))

    def _move(self, rest: str, word: str) -> Outcome:
        steps = read_int(rest) if rest else 1
        if steps is None or steps < 1:
            raise CallError(f"{word} {rest}? expected a number of steps, as in `{word} 3`")
        edit = self.draft.undo(steps) if word == "undo" else self.draft.redo(steps)
        if edit is None:
            return Outcome(f"nothing to {word}")
        if edit.changed and not self.draft.is_input(edit.changed[0].name):
            self.at = edit.changed[0].name
        first = (
            str(edit)
            if len(edit.changed) < 2
            else f"{len(edit.changed)} settings: "
            + ", ".join(f"{c.name} {c.after}" for c in edit.changed)
        )
        return Outcome(f"{word}: {first}", "good")

    def _verdicts(self, rest: str) -> Outcome:
        self.note(f"gateword check {self.keeper.document}")
        return Outcome(sheet=sheets.verdicts_sheet(self.draft, everything=rest == "all"))

    def _why(self, rest: str) -> Outcome:
        if not rest:
            return Outcome("why what? a verdict's name, as in `why deadtime.enough.high`", "bad")
        verdict = verdict_named(self.draft, rest)
        self.meaning.opened_verdict = verdict.check
        self.note(f"gateword check {self.keeper.document} --explain {verdict.check}")
        return Outcome(sheet=verdict_sheet(self.draft, verdict, self.width))

    def _inputs(self, rest: str) -> Outcome:
        return Outcome(sheet=inputs_sheet(self.draft, rest, self.width))

    def _timeline(self, rest: str) -> Outcome:
        inputs, which = inputs_of(self.draft.stage, self.draft.bank), rest.strip() or "low"
        side, *more = which.split()
        self.note(f"gateword check {self.keeper.document} --timeline {side}{as_options(more)}")
        return Outcome(
            sheet=timeline_sheet(
                inputs, which, self.width, drawn=self.on_screen and self.width >= 76
            )
        )

    def _sweep(self, rest: str) -> Outcome:
        self.at = self.meaning.need_setting(rest)
        self.note(f"gateword sweep {self.keeper.document} {self.at}")
        return Outcome(
            sheet=sheets.sweep_sheet(self.draft, self.at, drawn=self.on_screen and self.width >= 76)
        )

    def _propose(self) -> Outcome:
        from .proposing import propose_sheet

        sheet, changes = propose_sheet(self.draft, self.width, self.say)
        self.note(f"gateword propose {self.keeper.document}")
        self.pending = (lambda: self.draft.apply(changes)) if changes else None
        return Outcome(sheet=sheet)

    def _explain(self, texts: list[str]) -> Outcome:
        if not texts:
            return Outcome(sheet=sheets.known_faults_sheet(self.draft))
        here = self.meaning.status_here() or next(iter(status_registers(self.chip)), "")
        words = self.meaning.words_of([t if "=" in t else f"{here}={t}" for t in texts])
        self.note(
            "gateword explain "
            + " ".join([str(self.keeper.document), *(f"{n}=0x{w:X}" for n, w in words.items())])
        )
        return Outcome(sheet=sheets.faults_sheet(self.draft, words, self.width))

    def _paste(self, texts: list[str]) -> Outcome:
        if not texts:
            return Outcome("paste what? a frame such as 0x21DF, or REG=WORD", "bad")
        if "=" in " ".join(texts):
            return self._paste_words("".join(texts).split(";"))
        reply_to = None
        if "reply" in texts:
            at = texts.index("reply")
            if len(texts) != at + 2:
                raise CallError("paste FRAME reply REG: which register was read?")
            reply_to, texts = self.meaning.resolve(texts[at + 1]), texts[:at]
        words = self.meaning.frames_in(texts)
        parts = [take_apart(self.draft, w, reply_to=reply_to) for w in words]
        tail = f" --reply --to {reply_to}" if reply_to else ""
        self.note(
            f"gateword decode {self.keeper.map_name} {' '.join(f'0x{p.word:X}' for p in parts)}{tail}"
        )
        taken: dict[str, int] = {}
        for part in parts:
            taken.update(part.takeable)
        self.pending = (lambda: self.draft.take_words(taken)) if taken else None
        made = [sheets.apart_sheet(self.chip, p) for p in parts]
        rows = [
            r
            for s in made
            for r in ([Row(s.title, mark="head")] if len(made) > 1 else []) + list(s.rows)
        ]
        return Outcome(
            sheet=Sheet(
                made[0].title if len(made) == 1 else f"{len(made)} frames",
                tuple(rows),
                "accepts it, or goes to the field",
            )
        )

    def _paste_words(self, texts: list[str]) -> Outcome:
        words = self.meaning.words_of(texts)
        found = compare_with(self.draft, [f"{n}=0x{w:X}" for n, w in words.items()])
        self.pending = (lambda: self.draft.take_words(words)) if found.changes else None
        return Outcome(sheet=sheets.comparison_sheet(found))

    def _accept(self) -> Outcome:
        if self.pending is None:
            return Outcome("there is nothing to accept", "bad")
        edit = self.pending()
        self.pending = None
        return self.edited(edit)

    def _live(self, rest: str) -> Outcome:
        sheet = self.onchip.beside(rest)
        self.note(f"gateword link {shlex.quote(self.onchip.port)} verify {self.keeper.document}")
        taken = dict(self.onchip.found)
        differs = any(row.action == "accept" for row in sheet.rows)
        self.pending = (lambda: self.draft.take_words(taken)) if differs else None
        return Outcome(sheet=sheet)

    def _send(self, rest: str) -> Outcome:
        name = rest.removesuffix(" now").strip()
        self.at = self.meaning.resolve_loosely(name) if name else self.at
        return self.onchip.send(self.at, now=rest.endswith(" now"))

    def _compare(self, rest: str) -> Outcome:
        try:
            texts = shlex.split(rest)
        except ValueError:
            texts = rest.split()
        found = compare_with(self.draft, texts)
        if texts[0] not in ("reset", "saved"):
            self.note(f"gateword diff {self.keeper.document} {shlex.join(texts)}")
        bank = found.bank
        changes: dict[str, str | None] = {}
        for change in found.changes:
            if change.old is not None and self.meaning.settable(change.field.ref):
                changes[change.field.ref] = f"0x{bank.field_code(change.field) or 0:X}"
        self.pending = (lambda: self.draft.apply(changes)) if changes else None
        return Outcome(sheet=sheets.comparison_sheet(found))

    def _copy(self, rest: str) -> Outcome:
        what, _, target = rest.partition(" to ")
        what = what.strip() or "frame"
        if what not in ("frame", "word", "sequence"):
            near = closest(what, ("frame", "word", "sequence"))
            raise CallError(f"copy {what[:30]}? expected frame, word or sequence", nearest=near)
        lines = (
            sequence_lines(self.chip, self.draft.plan())
            if what == "sequence"
            else self._copied(what)
        )
        text = "\n".join(lines)
        if target.strip():
            path = Path(target.strip()).expanduser()
            if path.exists():
                raise CallError(f"{path} exists; nothing was written. Name a file that does not")
            write_text(path, text + "\n")
            return Outcome(f"{len(lines)} lines written to {path}", "good")
        handed = ", handed to the terminal's clipboard, where it has one" if self.on_screen else ""
        if len(lines) == 1:
            said = "; ".join(warned(self._hazards(what)))
            return Outcome(
                f"{what}: {lines[0]}{handed}{f'. Caution: {said}' if said else ''}",
                "good",
                clip=text,
            )
        return Outcome(
            f"{what}: {len(lines)} lines{handed}; `copy {what} to FILE` writes them to a file",
            "good",
            sheet=Sheet(
                f"{what}, {len(lines)} lines",
                (
                    *(Row(f"caution: {t}", mark="warn") for t in warned(self._hazards(what))),
                    *(Row(t) for t in lines),
                ),
            ),
            clip=text,
        )

    def _hazards(self, what: str) -> list[str]:
        """What the copied words do that can hurt; a sequence says it itself."""
        if what == "sequence":
            return []
        found = [write_of(self.draft, name) for name in registers_of(self.chip, self.at)]
        told = [f.trouble for f in found if f.trouble]
        return [*told, *(text for f in found for text in hazards(f.register, f.word))]

    def _copied(self, what: str) -> list[str]:
        names = registers_of(self.chip, self.at)
        if not names:
            raise CallError(f"{self.at} is in no register; choose one that is")
        lines = []
        for name in names:
            found = write_of(self.draft, name)
            if what == "word":
                lines.append(hexword(found.word, found.register.width))
            elif found.sent is None:
                raise CallError(found.trouble)
            else:
                lines.append(hexword(found.sent.word, found.sent.frame.length))
        return lines

    # --- leaving --------------------------------------------------------------------------------
    def note(self, command: str) -> None:
        """A command that does the same without the composer, for the end."""
        self.log[command] = None

    def farewell(self) -> list[str]:
        """What to run for the same without the composer; the changes of this session first."""
        draft = self.drafts.base
        changed = {n: t for n, t in draft.statements.items() if self.opened.get(n) != t}
        gone = [n for n in self.opened if n not in draft.statements]
        requests = [f"{n}={t}" for n, t in changed.items() if n not in self.chip.externals]
        for name in gone:
            item, code = find(self.chip, name), draft.bank.code(name)
            if item is not None and name not in self.chip.externals and code is not None:
                requests.append(f"{name}=0x{code:X}")
        lines = []
        if requests:
            touched = dict.fromkeys(
                r for q in requests for r in registers_of(self.chip, q.partition("=")[0])
            )
            base = [
                f"--from {n}=0x{self.base.words[n]:X}"
                for n in touched
                if self.base.words[n] != self.chip.registers[n].reset
            ]
            lines.append(
                " ".join(
                    [
                        "gateword encode",
                        shlex.quote(self.keeper.map_name),
                        *map(shlex.quote, requests),
                        *base,
                    ]
                )
            )
            if self.keeper.is_stage and draft.dirty:
                sets = " ".join(f"--set {shlex.quote(q)}" for q in requests)
                lines.append(f"gateword check {shlex.quote(str(self.keeper.document))} {sets}")
            elif self.keeper.is_stage:
                self.note(f"gateword check {self.keeper.document}")
        return [*lines, *self.log]
