"""The judgement of one header: each definition by what its name says that it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from regmap.record import replace

from ..chip.model import Chip, Register
from ..errors import Place, Problem
from .account import Lint, problem_of, skip_of
from .across import overlaps, twice
from .calls import judge_call, takes_bits
from .commandjudge import CommandJudge
from .commands import Commands
from .declared import Declarations, Row
from .defines import Define, evaluated
from .fixes import Fix, fix_of
from .integers import Unreadable
from .judge import Disagreement, HeaderStyle, comment_tells, judge, style_of
from .layouts import judge_layout
from .names import Meant, Names, kind_of, pieces_of
from .steps import OF_REGISTERS, RowFinding, frame_of_bytes, frames_in, judge_fault, judge_steps
from .tables import judge_values, unitless
from .units import HeaderUnit

#: a default may be what the firmware wants, not what the chip starts with
_WISHED = {"DEFAULT", "DEFAULTS"}
_DESCRIBES = OF_REGISTERS | {"mask"}


#: what tables are called that hold words of registers
_OF_WORDS = {
    "CONFIG", "CFG", "CONF", "INIT", "SETUP", "REGS", "REGISTERS", "BRINGUP", "STARTUP", "BOOT", "SEQUENCE", "SEQ", "SETTINGS",
    *_WISHED,
}  # fmt: skip


class HeaderJudging:
    """One header: its numbers first, then what takes arguments, what is laid out in bits, and the tables."""

    def __init__(self, chip: Chip, unit: HeaderUnit, declared: Declarations) -> None:
        self.chip, self.unit, self.declared = chip, unit, declared
        self.names = Names(chip)
        self.commands = Commands(chip, self.names)
        self.sendable = CommandJudge(chip, self.commands)
        self.problems: list[Problem] = []
        self.skipped: list[Problem] = []
        self.fixes: list[Fix] = []
        self.known: list[tuple[Define, Meant]] = []
        self.style = HeaderStyle()
        self.compared = 0
        self.prefix = ""

    def lint(self, name: str) -> Lint:
        evaluator, declared = self.unit.evaluator, self.declared
        items = [*(evaluated(m, evaluator) for m in self.unit.items), *declared.constants]
        others = [d.key for d in declared.described] + [f.name for f in declared.functions]
        others += [unitless(a.item.name)[0] for a in declared.arrays]
        every = [*(i.name for i in items), *others]
        # what is read or written says that before the register's name: no prefix of the file
        plain = [n for n in every if self.commands.accessed(n) is None]
        self.prefix = self.names.common_prefix(plain or every)
        numbers = [i for i in items if i.params is None]
        frames = (frame_of_bytes(a, self.chip) for a in declared.arrays)
        told = [f for f in frames if f is not None and self.commands.meaning(f) is not None]
        self._numbers([*numbers, *told])
        calls = [i for i in items if i.params is not None]
        # a function may work out anything: only those that take or place bits by their names
        calls += [f for f in declared.functions if takes_bits(f, self._meaning(f.name))]
        for item in calls:
            self._call(item)
        for layout in declared.layouts:
            found, count = judge_layout(layout, self.names, self.prefix)
            self.problems += found
            self.compared += count
        self._tables()
        self._judged_rows(judge_steps(declared.steps, numbers, self.chip, self.sendable))
        for steps in frames_in(declared, self.chip):
            self._judged_rows(judge_steps(steps, numbers, self.chip, self.sendable, called=True))
        self.skipped += [skip_of(i, None, self.names) for i in self.unit.notes]
        for item in declared.skipped:
            self._leave(item, self._meaning(item.name))
        self.problems += overlaps(self.known)
        self.problems += twice(numbers)
        if (stopped := self.unit.stopped) is not None:
            why = f"from here on nothing was read: {stopped.why}"
            self.problems.append(problem_of(stopped, why, "a header that can be read to its end"))
        if not self.compared:
            self.problems.append(
                Problem(
                    Place(name, 1, 1, 1, self.unit.texts[name].partition("\n")[0]),
                    f"nothing that could be compared with {self.chip.name}",
                    "macros, enumerators, bit fields or tables named as the map names registers and fields",
                )
            )
        order = {file: at for at, file in enumerate(self.unit.texts)}
        for problems in (self.problems, self.skipped):
            problems.sort(key=lambda p: (order.get(p.place.file, 0), p.place.line, p.place.column))
        return Lint(
            problems=tuple(self.problems),
            skipped=tuple(self.skipped),
            read=self.compared,
            prefix=self.prefix,
            fixes=tuple(self.fixes),
            texts=self.unit.texts,
        )

    def _meaning(self, name: str) -> Meant | None:
        return self.names.meaning(name, self.prefix)

    def _numbers(self, items: list[Define]) -> None:
        self.commands.learn(items)
        parts = [self.commands.meaning(i) for i in items]
        shapes = Counter(m.part for i in items if (m := self.commands.shape(i.name)) and m.kind == "shape")  # fmt: skip
        self.commands.shaped = {name for name, count in shapes.items() if count > 1}
        self.commands.shifted = {p.part for p in parts if p is not None and p.of_part == "shift"}
        for item in items:
            meant = self._meaning(item.name)
            if item.also:
                named = self._of_enumeration(item)
                if named is not None and (meant is None or meant.kind == "option" or named.option is not None):  # fmt: skip
                    meant = named
            told = self.commands.meaning(item) or (
                self.commands.shaped_as(item) if meant is None else None
            )
            findings = self.sendable.judge(item, told) if told is not None else None
            alone = told is not None and (told.register is not None or meant is None)
            # what is right by one of two readings is right
            if findings is not None and (alone or not findings):
                self.compared += 1
                for found in findings:
                    self._tell(item, found)
                continue
            if meant is None or item.value is None:
                self._leave(item, meant)
                continue
            self.known.append((item, meant))
        self.style = style_of(self.known)
        for item, meant in self.known:
            self._judged(item, meant)

    def _leave(self, item: Define, meant: Meant | None) -> None:
        """Of what a header includes only that is told which the map knows: the rest is not about the chip."""
        if meant is not None or item.file == next(iter(self.unit.texts)):
            self.skipped.append(skip_of(item, meant, self.names))

    def _of_enumeration(self, item: Define) -> Meant | None:
        """What an enumerator means that is told by its enumeration's name: a code of a field, an address."""
        meant = self._meaning(item.also)
        if meant is not None and (meant.option is not None or meant.kind == "register"):
            return meant
        return None

    def _judged(self, item: Define, meant: Meant) -> None:
        findings = list(judge(self.chip, item, meant, self.style))
        unnamed = meant.kind == "option" and meant.option is None
        if unnamed and not findings and not comment_tells(item, meant):
            self._leave(item, meant)  # that it fits is all that is known
            return
        self.compared += 1
        other = self.names.otherwise(item.name, self.prefix) if findings else None
        if other is not None and not list(judge(self.chip, item, other, self.style)):
            return
        for found in findings:
            self._tell(item, found)

    def _tell(self, item: Define, found: Disagreement) -> None:
        problem = problem_of(item, found.found, found.expected, found.near)
        self.problems.append(replace(problem, severity="warning") if found.doubt else problem)
        self.fixes += fix_of(item, found.right)

    def _call(self, item: Define) -> None:
        meant = self._meaning(item.name)
        if meant is None or meant.field is None:
            self._leave(item, meant)
            return
        try:
            findings = list(judge_call(item, meant, meant.field, self.unit.evaluator))
        except Unreadable as error:
            self.skipped.append(skip_of(replace(item, why=str(error)), meant, self.names))
            return
        self.compared += 1
        self.problems += [problem_of(item, f.found, f.expected, f.near) for f in findings]

    def _register_of(self, row: Row) -> Register | None:
        """The register that a row is about, by its name or as the only one with its address."""
        meant = self._meaning(row.key)
        if meant is not None:
            return meant.register if meant.field is None else None
        at = [r for r in self.chip.registers.values() if r.address == row.address]
        return at[0] if len(at) == 1 else None

    def _row(self, row: Row, by_address: set[str], at_reset: set[str]) -> None:
        meant = self._meaning(row.key)
        if row.item.value is None:
            return
        kind = "reset" if row.table in at_reset else _kind_of_rows(row.table)
        register = self._register_of(row)
        known = any(r.address == row.address for r in self.chip.registers.values())
        if register is not None and (meant is not None or row.table in by_address):
            self._judged(row.item, Meant(kind, register))
        elif meant is None and row.address is not None and row.table in by_address and not known:
            self.compared += 1
            where = f"the address of a register of {self.chip.name}"
            self.problems.append(problem_of(row.item, f"address 0x{row.address:X}", where))

    def _at_reset(self) -> set[str]:
        """Tables of defaults of which most are the words at reset: so all are meant to be."""
        same: dict[str, list[bool]] = {}
        for row in self.declared.rows:
            register = self._register_of(row)
            if register is not None and _WISHED & {p.upper() for p in pieces_of(row.table)}:
                same.setdefault(row.table, []).append(row.item.value == register.reset)
        return {t for t, k in same.items() if len(k) > 3 and 4 * sum(k) >= 3 * len(k)}

    def _tables(self) -> None:
        registers = self.chip.registers.values()
        written = {r.address for r in registers if r.settings}
        addresses = {r.address for r in registers}
        at_reset = self._at_reset()
        held: dict[str, list[bool]] = {}
        for row in self.declared.rows:
            if row.address is not None:
                known = addresses if _kind_of_rows(row.table) == "reset" else written
                held.setdefault(row.table, []).append(row.address in known)
        # most keys are addresses of the chip: so all are meant to be
        by_address = {t for t, k in held.items() if 4 * sum(k) >= 3 * len(k) and _holds_words(t)}  # fmt: skip
        for row in self.declared.rows:
            self._row(row, by_address, at_reset)
        for described in self.declared.described:
            is_fault, differs = judge_fault(described, self.chip)
            if is_fault:
                self._judged_rows([differs])
                continue
            meant = self._meaning(described.key) or self.names.meaning(described.key, "")
            for member, cell in described.cells if meant is not None else ():
                kind = kind_of(pieces_of(member)[-1]) if pieces_of(member) else ""
                if meant is not None and kind in _DESCRIBES:
                    field = None if kind == "address" else meant.field
                    self._judged(cell, Meant(kind, meant.register, field))
        for array in self.declared.arrays:
            bare, unit = unitless(array.item.name)
            meant = self._meaning(bare)
            if meant is None or meant.field is None or meant.kind != "field":
                continue
            for wrong in judge_values(meant.field, unit, array.numbers):
                self.compared += 1
                if wrong is not None:
                    self.problems.append(problem_of(array.item, *wrong, at_value=False))

    def _judged_rows(self, found: Iterable[RowFinding | None]) -> None:
        for wrong in found:
            self.compared += 1
            if wrong is not None:
                self.problems.append(problem_of(*wrong))


def _holds_words(table: str) -> bool:
    """Whether a table says of itself that it holds words of registers."""
    words = {p.upper() for p in pieces_of(unitless(table)[0])}
    return unitless(table)[1] == "" and bool(words & _OF_WORDS or _kind_of_rows(table) == "reset")


def _kind_of_rows(table: str) -> str:
    """A table that says so holds the words at reset."""
    at_reset = any(kind_of(p) == "reset" for p in pieces_of(table) if p.upper() not in _WISHED)
    return "reset" if at_reset else "word"
