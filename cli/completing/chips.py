"""Names and values of the chip and the stage that a shell line names before the cursor."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import TYPE_CHECKING

from regmap.errors import GatewordError

if TYPE_CHECKING:
    from regmap.chip.model import Chip
    from regmap.stages.load import Stage

Told = tuple[str, str]

#: arguments that name a map or a stage, the one that counts most first
_NAMED = ("document", "map", "stage", "a", "maps", "what")


class Sight:
    """What can be seen from a line: its map and stage, or neither, as where they have errors."""

    def __init__(self, command: str, known: Mapping[str, list[str]]) -> None:
        self.command = command
        self.known = known

    @cached_property
    def _documents(self) -> tuple[Chip | None, Stage | None]:
        from regmap.maps.load import find_document, load_map
        from regmap.stages.load import load_stage

        from .files import kind_of

        chip: Chip | None = None
        stage: Stage | None = None
        for name in [n for key in _NAMED for n in self.known.get(key, [])]:
            try:
                path = find_document(name)
                kind = kind_of(path)
                if kind == "stage" and stage is None:
                    stage = load_stage(path)
                elif kind == "map" and chip is None:
                    chip = load_map(path)
            except (GatewordError, OSError, ValueError):
                continue
        return (chip or (stage.chip if stage is not None else None)), stage

    @property
    def chip(self) -> Chip | None:
        return self._documents[0]

    @property
    def stage(self) -> Stage | None:
        return self._documents[1]

    # --- names ------------------------------------------------------------------------------------
    def settings(self) -> Iterator[Told]:
        """Everything that can be set: fields, joined and external values."""
        if self.chip is None:
            return
        for register in self.chip.registers.values():
            if register.complement_of:
                continue
            yield from ((f.ref, f.summary) for f in register.fields if f.setting)
        yield from ((n, j.summary) for n, j in self.chip.joined.items())
        yield from ((n, e.summary) for n, e in self.chip.externals.items())

    def inputs(self) -> Iterator[Told]:
        """Inputs of the stage that it states."""
        from regmap.parameters import STAGE

        if self.stage is not None:
            yield from ((n, STAGE[n].doc if n in STAGE else "") for n in self.stage.params)

    def registers(self, what: str = "") -> Iterator[Told]:
        """Registers; `what` is "read" for those that can be read, "status" for those that hold faults."""
        if self.chip is None:
            return
        from regmap.behaviour.faults import status_registers

        wanted = set(status_registers(self.chip)) if what == "status" else set(self.chip.registers)
        for name, register in self.chip.registers.items():
            if name in wanted and (what != "read" or register.readable):
                yield name, register.summary

    def fields(self) -> Iterator[Told]:
        if self.chip is not None:
            for register in self.chip.registers.values():
                yield from ((f.ref, f.summary) for f in register.fields)

    def others(self) -> Iterator[Told]:
        """What `show` tells of besides registers and fields."""
        if self.chip is not None:
            chip = self.chip
            yield from ((n, j.summary) for n, j in chip.joined.items())
            yield from ((n, e.summary) for n, e in chip.externals.items())
            yield from ((n, "frame") for n in chip.frames)
            yield from ((n, c.summary) for n, c in chip.commands.items())
            yield from ((n, f.title) for n, f in chip.faults.items())

    def commands(self) -> Iterator[Told]:
        if self.chip is not None:
            yield from ((n, c.summary) for n, c in self.chip.commands.items())

    def requests(self) -> Iterator[Told]:
        """What `encode` and `link write` send by name alone."""
        if self.chip is None:
            return
        yield from self.commands()
        yield from ((n, "key sequence") for n in self.chip.keys)
        if self.command == "encode":
            yield from ((n, "sequence") for n in self.chip.sequences)
            yield "bring_up", "all sequences that bring the chip up"

    def faults(self, *, causes: bool = False) -> Iterator[Told]:
        """Faults of the map; with `causes` only those that are no sum of others."""
        if self.chip is not None:
            for name, fault in self.chip.faults.items():
                if not (causes and fault.summary_of):
                    yield name, fault.title

    def modes(self) -> Iterator[Told]:
        """The modes that the stage states."""
        if self.stage is not None:
            yield from ((n, s.mode_title) for n, s in self.stage.modes.items())

    def kinds(self) -> Iterator[Told]:
        """Kinds of frames and notes that `capture --kind` takes."""
        from ..capture import kinds_of

        yield from ((n, "") for n in kinds_of([self.chip] if self.chip is not None else []))

    def checks(self) -> Iterator[Told]:
        """Subjects and checks; those of single faults where a chip is known."""
        from regmap.calc import SUBJECTS, checks

        yield from ((name, "all checks of this subject") for name in SUBJECTS)
        yield from ((c.name, c.title) for c in checks())
        yield from ((f"reaction.time.{n}", f"time of reaction, {t}") for n, t in self.faults())

    # --- values -----------------------------------------------------------------------------------
    def full_name(self, name: str) -> str:
        """REG.FIELD of a name in any case, or of a field's own where it is the only one."""
        names = [n for n, _ in [*self.settings(), *self.inputs()]]
        low = name.casefold()
        for found in (
            [n for n in names if n == name],
            [n for n in names if n.casefold() == low],
            [n for n in names if n.partition(".")[2].casefold() == low],
        ):
            if len(found) == 1:
                return found[0]
        return name

    def values(self, name: str, *, spaced: bool, most: int) -> Iterator[Told]:
        """Texts that state each option of a setting, or the choices of an input; each leads back to it."""
        chip = self.chip
        if chip is None:
            return
        from regmap.chip.bank import Bank, find
        from regmap.chip.values import choose, options
        from regmap.draft.statements import label_of
        from regmap.parameters import STAGE

        item = find(chip, name)
        if item is None:
            entry = STAGE.get(name)
            yield from ((str(c), "") for c in (entry.choices if entry is not None else ()))
            return
        bank = self.stage.bank if self.stage is not None else Bank.at_reset(chip)
        for count, reading in enumerate(options(item, bank)):
            if count >= most:
                return
            wanted = label_of(reading)
            text = wanted if spaced else wanted.replace(" ", "")
            try:
                if choose(item, text, bank).code != reading.code:
                    continue
            except GatewordError:
                continue
            band = str(reading.band) if reading.band is not None else ""
            yield text, band or reading.text
