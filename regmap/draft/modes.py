"""The drafts of a drive with modes: one for the stage as stated, one for each mode, and which of them is edited.

    drafts = ModeDrafts(load_stage("pump.yaml"))
    drafts.choose("limp")
    drafts.draft.set("SENSE.OC_TH", "18 mV")            stated by limp from now on
    drafts.differing()                                  what is not the same in all of them, side by side

What the stage states goes into every mode that does not state it itself: a mode's draft is made anew over the stage's
when that has changed, and its own changes are done again.
"""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass, replace

from ..chip.bank import find
from ..errors import CallError, closest
from ..stages.grammar import AS_STATED
from ..stages.load import Stage, atoms_of, set_by
from ..stages.whatif import with_inputs
from .journal import IN_MODE as _IN
from .journal import Journal, ModeJournal
from .state import ORIGIN, Draft
from .statements import settings_of, settle
from .steps import Edit


@dataclass(frozen=True, slots=True)
class Differing:
    """A setting or stage value that is not the same in all modes, with its text in each ("" : not stated)."""

    name: str
    texts: Mapping[str, str]


class ModeDrafts:
    """One draft for the stage and one for each of its modes; `mode` is the one that is edited ("": as stated)."""

    def __init__(self, stage: Stage, journal: Journal | None = None) -> None:
        self.base = Draft(stage, journal)
        self.journal = journal
        self.mode = ""
        self._made: dict[str, Draft] = {}
        self._over: dict[str, object] = {}
        self._differing: tuple[object, dict[str, Differing]] = ((), {})

    @property
    def names(self) -> tuple[str, ...]:
        """The stage without a mode, then its modes; empty where there are none."""
        modes = self.base.saved.modes
        return (AS_STATED, *modes) if modes else ()

    @property
    def draft(self) -> Draft:
        """The draft of the mode that is edited."""
        return self.of(self.mode)

    def known(self, name: str) -> str:
        """The mode that a name means ("": as stated). Raises CallError with the nearest."""
        if name not in self.names:
            expected = f"one of {', '.join(self.names)}" if self.names else "a stage with `modes:`"
            raise CallError(f"no mode {name[:40]!r}", expected, nearest=closest(name, self.names))
        return "" if name == AS_STATED else name

    def choose(self, name: str) -> Draft:
        """Edit another mode from now on. Raises CallError for an unknown one, or one that cannot be as the stage is now."""
        mode = self.known(name)
        draft = self.of(mode)
        self.mode = mode
        return draft

    def of(self, mode: str) -> Draft:
        """The draft of a mode over what the stage states now. Raises CallError where it cannot be."""
        if not mode:
            return self.base
        over = tuple(self.base.unsaved().items())
        if mode not in self._made or self._over[mode] != over:
            old = self._made.get(mode)
            kept = old.unsaved() if old is not None else {}
            made = Draft(self._over_base(mode, kept))
            if kept:
                made.restate(kept)
            if self.journal is not None:
                made.journal = ModeJournal(self.journal, mode)
            self._made[mode], self._over[mode] = made, over
        return self._made[mode]

    def _possible(self, mode: str) -> Draft:
        """As `of`; as it last was where it cannot be over what the stage states now."""
        try:
            return self.of(mode)
        except CallError:
            return self._made[mode] if mode in self._made else Draft(self.base.saved.modes[mode])

    def own(self, mode: str) -> set[str]:
        """The fields and inputs that a mode states itself, in its file or in its draft."""
        stage = self.base.saved
        found = set_by(stage, stage.modes[mode])
        if mode in self._made:
            for name in self._made[mode].unsaved():
                found |= {name} | atoms_of(stage.chip, name)
        return found

    def _over_base(self, mode: str, kept: Mapping[str, str | None]) -> Stage:
        """The mode as its file has it, with what the draft of the stage changed and the mode does not state."""
        stage = self.base.saved
        there = stage.modes[mode]
        own = set_by(stage, there) | {a for n in kept for a in ({n} | atoms_of(stage.chip, n))}
        moved = {
            n: t
            for n, t in self.base.unsaved().items()
            if not ({n} | atoms_of(stage.chip, n)) & own
        }
        inputs = {n: t for n, t in moved.items() if self.base.is_input(n) and t is not None}
        if inputs:
            there = with_inputs(there, inputs, ORIGIN)
        texts = {s.name: s.asked for s in there.settings}
        for name, text in moved.items():
            if find(stage.chip, name) is None:
                continue
            texts.pop(name, None)
            if text is not None:
                texts[name] = text
        settled = settle(stage.chip, there.params, texts)
        if settled.refused:
            name, why = next(iter(settled.refused.items()))
            raise CallError(f"{mode} cannot be as the stage is now: {name}: {why}")
        return replace(there, settings=settings_of(stage.chip, texts, settled.choices))

    # --- all of them -----------------------------------------------------------------------------
    @property
    def dirty(self) -> bool:
        """Whether anything in any mode differs from what was saved."""
        return self.base.dirty or any(d.dirty for d in self._made.values())

    def changes(self) -> dict[str, dict[str, str | None]]:
        """What is to be saved, by mode ("": the stage's own); modes without changes are left out.

        What is the same in a mode as in the stage is no longer stated by the mode (None).
        """
        found = {"": self.base.unsaved()}
        for mode in list(self._made):
            # over what the stage states now, whose changes are no changes of the mode
            found[mode] = {
                n: None if t is not None and t == self._stated(self.base, n) else t
                for n, t in self._possible(mode).unsaved().items()
            }
        return {m: c for m, c in found.items() if c}

    def _stated(self, draft: Draft, name: str) -> str | None:
        if draft.is_input(name):
            return draft.value_text(name) if name in draft.stage.params else None
        return draft.statements.get(name)

    def back(self, name: str) -> Edit:
        """A setting or stage value of the mode goes back to what the stage states. Raises CallError."""
        draft = self.draft
        stated = self._stated(self.base, name)
        if draft.is_input(name):
            if stated is None:
                return draft.drop_input(name)
            return draft.set_input(name, stated)
        return draft.restate({name: stated})

    def restate(self, changes: Mapping[str, str | None]) -> Edit:
        """Statements of one journalled step, in the mode that they were made in. Raises CallError."""
        edit = Edit(())
        by_mode: dict[str, dict[str, str | None]] = {}
        for name, text in changes.items():
            plain, _, mode = name.partition(_IN)
            by_mode.setdefault(mode, {})[plain] = text
        for mode, part in by_mode.items():
            edit = self.of(self.known(mode) if mode else "").restate(part)
        return edit

    def saved_as(self, stage: Stage) -> None:
        """All of them were written: `stage` is what the file holds now."""
        for mode in [m for m in self._made if m not in stage.modes]:
            del self._made[mode]
        self.base.saved_as(stage)
        for mode, draft in self._made.items():
            draft.saved_as(stage.modes[mode])
            self._over[mode] = tuple(self.base.unsaved().items())
        if self.mode not in stage.modes:
            self.mode = ""

    def differing(self) -> Mapping[str, Differing]:
        """The settings and stage values that are not the same in all modes, by name, in the order of the map and the stage.

        Found anew only where a mode states something else than before: a screen asks with every key.
        """
        drafts = {n: self._possible("" if n == AS_STATED else n) for n in self.names}
        stated = [(mode, d.statements, d.stage.params) for mode, d in drafts.items()]
        if stated != self._differing[0]:
            self._differing = stated, self._found_differing(drafts)
        return self._differing[1]

    def _found_differing(self, drafts: Mapping[str, Draft]) -> dict[str, Differing]:
        names = dict.fromkeys(
            [*self.base.names(), *(n for d in drafts.values() for n in d.stage.params)]
        )
        found: dict[str, Differing] = {}
        for name in names:
            texts = {mode: _text(draft, name) for mode, draft in drafts.items()}
            if len(set(texts.values())) > 1:
                found[name] = Differing(name, texts)
        return found


def _text(draft: Draft, name: str) -> str:
    if draft.is_input(name):
        return draft.value_text(name)
    reading = draft.reading(name)
    return reading.label if reading is not None else ""
