"""A hand-written header held against a map: what disagrees, and what could not be judged.

    result = lint(chip, text, "driver_regs.h")
    result.problems     findings, each with its place: wrong mask, shift, width, address, reset word;
                        masks that overlap; values that do not fit; comments that contradict numbers
                        macros with arguments that place or take wrong bits, bit fields that lie elsewhere,
                        rows of tables whose words cannot be; frames that are not the command they are called
    result.skipped      definitions that were not understood, each with the reason
    result.read         how many definitions were compared
    result.fixes        what puts findings right, one by one; `put_right` all of them

A definition is recognised by its name: an optional prefix common to the file, then register,
field and option as the map calls them (underscores and case do not count), then what it is:
`_MASK`, `_SHIFT`, `_POS`, `_WIDTH`, `_ADDR`, `_RESET` and the like. Without such an ending
`PREFIX_REG` is taken for an address, `PREFIX_REG_FIELD` for a mask or bit number.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping

from regmap.record import dataclass, field, replace

from ..chip.bits import deposit, spans
from ..chip.model import Chip, Field
from ..errors import Place, Problem, closest
from ..quantity import plural
from .commands import Commands
from .declarations import BitFields, Declarations, Row, read_declarations
from .defines import Define, evaluated
from .expressions import Evaluator
from .fixes import Fix, fix_of, patched
from .integers import ILP32, IP16, LP64, CNumber, IntKind, Unreadable
from .judge import Disagreement, HeaderStyle, comment_tells, judge, style_of
from .names import Meant, Names, flat, kind_of, pieces_of
from .preprocess import HeaderUnit, Opener, preprocess
from .steps import OF_REGISTERS, RowFinding, judge_fault, judge_steps
from .tables import judge_values, unitless


@dataclass(frozen=True, slots=True, kw_only=True)
class Lint:
    """Findings, what was left out and why, and the two counts; `prefix` is what names were taken to begin with."""

    problems: tuple[Problem, ...]
    skipped: tuple[Problem, ...]
    read: int
    prefix: str = ""
    #: what puts right those findings of which the right number is known
    fixes: tuple[Fix, ...] = ()
    #: the files that were read, the header itself first
    texts: Mapping[str, str] = field(default_factory=dict)

    @property
    def unread(self) -> int:
        return len(self.skipped)


def lint(
    chip: Chip,
    text: str,
    name: str,
    opener: Opener | None = None,
    given: Mapping[str, str] | None = None,
) -> Lint:
    """Compare what `text` and the headers that it includes define.

    It is read as compilers with an int and long of 32 bits do; where that leaves findings and they may come of the width of
    types, by other widths too. `name` is the file's name in messages, `opener` gives what it includes (`includes.beside`), `given`
    are macros that the build defines.
    """
    unit = preprocess(text, name, opener, given)
    results = []
    for model in (ILP32, LP64, IP16):
        unit.evaluator = Evaluator(unit.evaluator.macros, model)
        result = _Judging(chip, unit, read_declarations(unit)).lint(name)
        results.append(result)
        evaluator = unit.evaluator
        if not (result.problems and evaluator.by_width) and not evaluator.unread_by_width:
            break
    # a header is for a compiler on which it is right; what is not read by one is no better for that
    return min(results, key=lambda r: (-r.read, len(r.problems), r.unread))


class _Judging:
    """The judgement of one header, kind of definition by kind."""

    def __init__(self, chip: Chip, unit: HeaderUnit, declared: Declarations) -> None:
        self.chip, self.unit, self.declared = chip, unit, declared
        self.names = Names(chip)
        self.commands = Commands(chip, self.names)
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
        self._numbers(numbers)
        calls = [i for i in items if i.params is not None]
        # a function may work out anything: only those that take or place bits by their names
        calls += [f for f in declared.functions if _takes_bits(f, self._meaning(f.name))]
        for item in calls:
            self._call(item)
        for layout in declared.layouts:
            found, count = _judge_layout(layout, self.names, self.prefix)
            self.problems += found
            self.compared += count
        self._tables()
        self._judged_rows(judge_steps(declared.steps, numbers, self.chip, self.commands))
        self.skipped += [_skip(i, None, self.names) for i in self.unit.notes]
        for item in declared.skipped:
            self._leave(item, self._meaning(item.name))
        self.problems += _overlaps(self.known)
        self.problems += _twice(numbers)
        if (stopped := self.unit.stopped) is not None:
            why = f"from here on nothing was read: {stopped.why}"
            self.problems.append(_problem(stopped, why, "a header that can be read to its end"))
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
            findings = self.commands.judge(item, told) if told is not None else None
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
            self.skipped.append(_skip(item, meant, self.names))

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
        problem = _problem(item, found.found, found.expected, found.near)
        self.problems.append(replace(problem, severity="warning") if found.doubt else problem)
        self.fixes += fix_of(item, found.right)

    def _call(self, item: Define) -> None:
        meant = self._meaning(item.name)
        if meant is None or meant.field is None:
            self._leave(item, meant)
            return
        try:
            findings = list(_judge_call(item, meant, meant.field, self.unit.evaluator))
        except Unreadable as error:
            self.skipped.append(_skip(replace(item, why=str(error)), meant, self.names))
            return
        self.compared += 1
        self.problems += [_problem(item, f.found, f.expected, f.near) for f in findings]

    def _row(self, row: Row, by_address: set[str]) -> None:
        meant = self._meaning(row.key)
        if row.item.value is None:
            return
        if meant is not None and meant.field is None:
            self._judged(row.item, Meant(_kind_of_rows(row.table), meant.register))
        elif meant is None and row.address is not None and row.table in by_address:
            at = [r for r in self.chip.registers.values() if r.address == row.address]
            if len(at) == 1:
                self._judged(row.item, Meant(_kind_of_rows(row.table), at[0]))
            elif not at:
                self.compared += 1
                where = f"the address of a register of {self.chip.name}"
                self.problems.append(_problem(row.item, f"address 0x{row.address:X}", where))

    def _tables(self) -> None:
        registers = self.chip.registers.values()
        written = {r.address for r in registers if r.settings}
        addresses = {r.address for r in registers}
        held: dict[str, list[bool]] = {}
        for row in self.declared.rows:
            if row.address is not None:
                known = addresses if _kind_of_rows(row.table) == "reset" else written
                held.setdefault(row.table, []).append(row.address in known)
        # most keys are addresses of the chip: so all are meant to be
        by_address = {t for t, k in held.items() if 4 * sum(k) >= 3 * len(k) and _holds_words(t)}  # fmt: skip
        for row in self.declared.rows:
            self._row(row, by_address)
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
                    self.problems.append(_problem(array.item, *wrong, at_value=False))

    def _judged_rows(self, found: Iterable[RowFinding | None]) -> None:
        for wrong in found:
            self.compared += 1
            if wrong is not None:
                self.problems.append(_problem(*wrong))


MOST_TRIED = 40  # fixes that are tried one by one
#: what tables are called that hold words of registers
_OF_WORDS = {"CONFIG", "CFG", "CONF", "INIT", "SETUP", "REGS", "REGISTERS"}


def _holds_words(table: str) -> bool:
    """Whether a table says of itself that it holds words of registers."""
    words = {p.upper() for p in pieces_of(unitless(table)[0])}
    return unitless(table)[1] == "" and bool(words & _OF_WORDS or _kind_of_rows(table) == "reset")


def _kind_of_rows(table: str) -> str:
    """A table that says so holds the words at reset."""
    at_reset = any(kind_of(p) == "reset" for p in pieces_of(table) if p.upper() not in _WISHED)
    return "reset" if at_reset else "word"


def put_right(
    chip: Chip,
    text: str,
    name: str,
    opener: Opener | None = None,
    given: Mapping[str, str] | None = None,
) -> tuple[dict[str, str], Lint]:
    """Each file's text with what is known to be wrong put right, and what is found in them then.

    Numbers that stand in the files first: what is worked out from one of them is then right by itself.
    """
    texts = {name: text}

    def newest(of: str, told: str) -> tuple[str, str] | None:
        found = opener(of, told) if opener is not None else None
        return (found[0], texts.setdefault(*found)) if found is not None else None

    def checked() -> Lint:
        return lint(chip, texts[name], name, newest, given)

    result = checked()
    for literal in (True, False):
        fixes = [f for f in result.fixes if f.literal or not literal]
        if not fixes:
            continue
        before = dict(texts)
        _patch(texts, fixes)
        after = checked()
        if _worse(result, after):
            # some of them are not what they seem: one by one, and only what makes something better
            texts.update(before)
            after = result
            for fix in fixes[:MOST_TRIED]:
                before = dict(texts)
                _patch(texts, [fix])
                tried = checked()
                if _worse(after, tried) or len(tried.problems) == len(after.problems):
                    texts.update(before)
                else:
                    after = tried
        result = after
    return texts, result


def _patch(texts: dict[str, str], fixes: Iterable[Fix]) -> None:
    for file in texts:
        texts[file] = patched(texts[file], [f for f in fixes if f.file == file])


def _worse(before: Lint, after: Lint) -> bool:
    """Whether something is found that was not, or less is compared."""
    known = Counter(p.path for p in before.problems)
    new = Counter(p.path for p in after.problems) - known
    return bool(new) or after.read < before.read


def _place(item: Define, *, at_value: bool = True) -> Place:
    column = item.value_column if at_value else item.column
    span = len(item.body) if at_value else len(item.name)
    return Place(item.file, item.line, column, max(span, 1), item.text)


def _problem(
    item: Define, found: str, expected: str, near: str = "", *, at_value: bool = True
) -> Problem:
    return Problem(_place(item, at_value=at_value), found, expected, near, item.name)


def _skip(item: Define, meant: Meant | None, names: Names) -> Problem:
    if item.value is None:
        found, expected = f"'{item.name}' was not read: {item.why}", "a whole number"
    elif meant is not None and meant.field is not None:
        found = f"'{item.name}' names no option of {meant.field.ref}"
        expected = "an option as the map calls it"
    else:
        found = f"'{item.name}' names no register or field of {names.chip.name}"
        expected = "PREFIX_REG_FIELD with names of the map"
    near = closest(names.bare(item.name), names.all) if meant is None else ""
    return Problem(_place(item, at_value=False), found, expected, near, "", "warning")


#: a default may be what the firmware wants, not what the chip starts with
_WISHED = {"DEFAULT", "DEFAULTS"}
_DESCRIBES = OF_REGISTERS | {"mask"}


def _takes_bits(item: Define, meant: Meant | None) -> bool:
    if meant is None or meant.field is None or meant.kind not in ("get", "set", "field"):
        return False
    return any(x in item.body for x in ("&", "<<", ">>"))


def _judge_call(
    item: Define, meant: Meant, field: Field, evaluator: Evaluator
) -> Iterator[Disagreement]:
    """A macro that places a code, takes one out of a word, or changes it there. Raises Unreadable."""
    most, mask, full = (1 << field.width) - 1, field.mask, (1 << 64) - 1
    # a driver hands words and codes over without sign
    kind = IntKind(64 if meant.register.width > 32 else 32, False)
    assert item.params is not None
    if field.bits != tuple(range(field.bits[0], field.bits[-1] - 1, -1)):
        raise Unreadable("its field has scattered bits")
    codes = sorted({0, 1, most, most >> 1, *(1 << i for i in range(field.width))})
    where = f"{plural('bit', field.width)} {spans(field.bits)} of {field.register}"

    def call(*values: int) -> int:
        found = evaluator.call(item.name, [CNumber(v & (1 << kind.bits) - 1, kind) for v in values])
        return found.value & (full if found.value >= 0 else (1 << found.kind.bits) - 1)

    if len(item.params) == 1:
        puts = all(call(c) == deposit(c, field.bits) for c in codes)
        gets = all(call(deposit(c, field.bits)) == c for c in codes)
        # what a getter sees of the other bits must not come through
        gets = gets and all(call(1 << b) == 0 for b in range(32) if not mask >> b & 1)
        if puts and meant.kind != "get":
            # a code that is too large is cut to the field, or not at all; casts cut at a byte's end
            spilt = call((1 << 32) - 1)
            cut = spilt.bit_length() not in (
                m for n in (8, 16, 32, 64) for m in (n, n + min(field.bits))
            )
            puts = spilt | mask == mask or not cut
        wanted = {"get": gets, "set": puts}.get(meant.kind, puts or gets)
        if not wanted:
            took = meant.kind == "get"
            right = all(call(c) == deposit(c, field.bits) for c in codes)
            too_much = (1 << 32) - 1 if right else most
            yield Disagreement(
                f"{item.name}({'all ones' if took else hex(too_much)}) = 0x{call(mask if took else too_much):X}",
                f"{most if took else f'0x{mask:X}'}, {where}",
            )
    elif len(item.params) == 2:

        def changes(word: int, code: int) -> bool:
            right = word & ~mask | deposit(code, field.bits)
            return right in (call(word, code), call(code, word))

        words = (0, meant.register.mask)
        if not all(changes(w, c) for w in words for c in codes):
            yield Disagreement(
                f"{item.name}, which puts {most} into 0 as 0x{call(0, most):X}",
                f"0x{mask:X}, {where}, and the other bits as they were",
            )
    else:
        raise Unreadable(f"it takes {len(item.params)} arguments")


def _judge_layout(layout: BitFields, names: Names, prefix: str) -> tuple[list[Problem], int]:
    """Members against the register that the structure is named after; from either end, as compilers do."""
    register = next(
        (r for n in layout.names if (r := names.register_of(n, prefix)) is not None), None
    )
    if register is None:
        return [], 0
    fields = {flat(f.name): f for f in register.fields}
    known = [(m, fields[flat(m.name)]) for m in layout.members if flat(m.name) in fields]

    most = max(layout.bits, register.width)

    def wrong(msb_first: bool) -> list[Problem]:
        found = []
        for member, item in known:
            low = most - member.low - member.width if msb_first else member.low
            bits = tuple(range(low + member.width - 1, low - 1, -1))
            if bits != item.bits:
                found.append(
                    _problem(
                        member.item,
                        f"'{member.name}' at {plural('bit', len(bits))} {spans(bits)}",
                        f"{plural('bit', item.width)} {spans(item.bits)} of {register.name}",
                        at_value=False,
                    )
                )
        return found

    return min(wrong(False), wrong(True), key=len), len(known)


def _line(item: Define, other: Define) -> str:
    """Where the other one stands, as somebody says it who is at the first."""
    return f"line {other.line}" if item.file == other.file else f"{other.file}:{other.line}"


# --- across definitions -------------------------------------------------------------------------
def _overlaps(known: list[tuple[Define, Meant]]) -> Iterator[Problem]:
    """Masks of two fields of one register that share bits, as the header has them."""
    seen: dict[str, list[tuple[Define, Field, int]]] = {}
    for item, meant in known:
        if meant.kind != "mask" or meant.field is None or item.value is None:
            continue
        if item.value == (1 << meant.field.width) - 1 and min(meant.field.bits) != 0:
            continue  # a mask that is meant to be shifted
        others = seen.setdefault(meant.register.name, [])
        for other, of, mask in others:
            shared = mask & item.value
            if shared and of is not meant.field:
                yield _problem(
                    item,
                    f"mask 0x{item.value:X}, which shares 0x{shared:X} with {other.name} ({_line(item, other)})",
                    f"masks of {meant.register.name} without common bits",
                )
        others.append((item, meant.field, item.value))


def _twice(items: list[Define]) -> Iterator[Problem]:
    """One name with two values, outside conditional sections or in them: at least worth a look."""
    first: dict[str, Define] = {}
    for item in items:
        other = first.setdefault(item.name, item)
        if other is not item and other.value != item.value:
            yield Problem(
                _place(item, at_value=False),
                f"'{item.name}' again with another value ({_line(item, other)})",
                "one value for a name, unless a condition chooses between them",
                "",
                item.name,
                "warning",
            )
