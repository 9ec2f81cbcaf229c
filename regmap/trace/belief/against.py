"""A capture held against a stage: was every setting written, in order, read back, locked, and is it held?"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from regmap.behaviour.effects import Change, compare
from regmap.behaviour.settings import bring_up_sequence, setting_registers
from regmap.chip.bank import Bank
from regmap.chip.model import Access, Register
from regmap.errors import CallError
from regmap.record import dataclass

from ..tracer import Trace
from .registers import WrittenWord
from .walker import Walker

if TYPE_CHECKING:
    from regmap.stages.load import Stage

#: verdict -> whether the chip holds what the stage wants; None: the capture does not show it
VERDICTS: dict[str, bool | None] = {
    "held": True,
    "at reset as wanted": True,
    "written, cannot be read back": True,
    "written, not read back": None,
    "not seen": None,
    "not written": False,
    "other word": False,
    "refused": False,
    "partly refused": False,
    "lost": False,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRow:
    """One register of the stage: wanted word, the write that set it, the read that showed it, what is held."""

    register: str
    wanted: int
    mask: int
    verdict: str
    written: WrittenWord | None = None
    holds: int | None = None
    changes: tuple[Change, ...] = ()

    @property
    def holds_it(self) -> bool | None:
        """Whether the wanted word is held; None where the capture does not show it."""
        return VERDICTS[self.verdict]

    @property
    def fine(self) -> bool:
        """Whether the wanted word is shown to be held."""
        return self.holds_it is True


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """The comparison at tick `time`. `order` and `lock` are sentences; "" where there is nothing to say.

    `void` is why nothing could be compared: then there are no rows.
    """

    stage: str
    time: int
    rows: tuple[HeldRow, ...]
    order: str = ""
    lock: str = ""
    locked: bool | None = None
    void: str = ""

    @property
    def wrong(self) -> tuple[HeldRow, ...]:
        """Registers that do not hold what the stage wants."""
        return tuple(r for r in self.rows if r.holds_it is False)

    @property
    def unseen(self) -> tuple[HeldRow, ...]:
        """Registers of which the capture does not show what they hold."""
        return tuple(r for r in self.rows if r.holds_it is None)

    @property
    def fine(self) -> bool:
        """Whether everything is shown to be as the stage wants it."""
        return (
            not self.void
            and all(r.fine for r in self.rows)
            and not self.order
            and self.locked is not False
        )


def bank_at(walker: Walker, time: int) -> Bank:
    """What is known of the registers and states after all that happened up to tick `time`."""
    bank = Bank(walker.chip)
    for known in walker.belief.history:
        if known.time > time:
            break
        bank.words[known.register], bank.known[known.register] = known.word, known.known
    for _, when, state, value in walker.belief.state_history:
        if when > time:
            break
        if value is None:
            bank.states.pop(state, None)
        else:
            bank.states[state] = value
    return bank


def against(trace: Trace, stage: Stage, time: int | None = None) -> Held:
    """Hold the chip at the stage's position against the stage, at the end or at tick `time`.

    Raises CallError where the stage is of another chip.
    """
    position = stage.position if stage.position < len(trace.walkers) else 0
    walker = trace.walkers[position]
    if walker.chip.name != stage.chip.name:
        raise CallError(
            f"{stage.name} is a stage of {stage.chip.name}; the capture was read as {walker.chip.name}"
        )
    when = trace.end if time is None else time
    bank = bank_at(walker, when)
    writes = [w for w in walker.belief.writes if w.time <= when]
    asked = {s.name.partition(".")[0] for s in stage.settings}
    wanted = stage.bank
    rows = tuple(
        _row(walker, r, wanted, bank, writes, r.name in asked)
        for r in setting_registers(stage.chip)
    )
    lock, locked = _lock(walker, wanted, bank)
    return Held(
        stage=stage.name,
        time=when,
        rows=rows,
        order=_order(walker, writes),
        lock=lock,
        locked=locked,
    )


def _row(
    walker: Walker,
    register: Register,
    wanted: Bank,
    bank: Bank,
    writes: list[WrittenWord],
    asked: bool,
) -> HeldRow:
    name = register.name
    mask = register.read_back | sum(f.mask for f in register.fields if f.access is Access.WO)
    word = wanted.words[name] & mask
    mine = [w for w in writes if w.register == name]
    right = [w for w in mine if not (w.word ^ word) & mask]
    last = mine[-1] if mine else None
    known, held = bank.known.get(name, 0) & mask, bank.words.get(name, 0) & mask
    complete = known == mask
    changes = tuple(compare(walker.chip, bank, wanted, [name])) if known else ()
    changes = tuple(c for c in changes if c.field.mask & mask and c.old is not None)
    if complete and held == word:
        verdict = "at reset as wanted" if last is None and not asked else "held"
        if last is not None and last.verified < 0:
            # what was only sent is no proof of what is held
            readable = bool(register.read_back)
            verdict = "written, not read back"
            if not readable and bool(walker.log.sorter.believed.any()):
                verdict = "written, cannot be read back"
    elif last is None:
        verdict = "not written" if known else "not seen"
    elif right and right[-1] is last and last.partly:
        verdict = "partly refused"
    elif right and right[-1] is last and last.failed:
        verdict = "refused"
    elif right and right[-1] is last:
        verdict = "lost" if complete else "not seen"
    else:
        verdict = "other word"
    return HeldRow(register=name, wanted=word, mask=mask, verdict=verdict, written=right[-1] if right else last,
               holds=held if complete else None, changes=changes)  # fmt: skip


def _order(walker: Walker, writes: list[WrittenWord]) -> str:
    """Where the registers were not written in the order of the map's sequence; "" if they were."""
    chip = walker.chip
    named = [
        t
        for steps in chip.sequences.values()
        for s in steps
        if s.do == "configure"
        for t in s.targets
        if t != "all"
    ]
    if not named:
        return ""
    done: dict[str, WrittenWord] = {}
    for write in writes:
        if write.register in named and not write.why:
            done.setdefault(write.register, write)
    actual = sorted(done, key=lambda n: done[n].number)
    for before, after in pairwise(actual):
        if named.index(before) > named.index(after):
            return f"{after} was written after {before} (frame {done[after].number}); the map's sequence has it before"
    return ""


def _lock(walker: Walker, wished: Bank, bank: Bank) -> tuple[str, bool | None]:
    chip = walker.chip
    if "lock" not in chip.sequences:
        return "", None
    try:
        plan = bring_up_sequence(chip, wished, ("lock",))
    except CallError:
        return "", None
    wanted = [
        a for a in plan if a.do == "expect" and a.sent is not None and a.sent.register is not None
    ]
    sends = [a for a in plan if a.do == "send" and a.sent is not None and a.sent.kind == "write"]
    for action in wanted:
        assert action.sent is not None
        assert action.sent.register is not None
        name = action.sent.register.name
        if bank.known.get(name, 0) & action.mask == action.mask:
            if bank.words[name] & action.mask == action.expect:
                return f"locked, as read from {name}", True
            return f"not locked: {name} says so", False
    for action in sends:
        assert action.sent is not None
        assert action.sent.register is not None
        name = action.sent.register.name
        if bank.words.get(name) == action.sent.data and bank.known.get(name):
            return f"locked by {action.text}, not confirmed by a read", True
    known = [s for s, on in bank.states.items() if on]
    return (
        f"the lock ({', '.join(a.text for a in sends)}) was not seen"
        + (f"; the chip is in state {', '.join(known)}" if known else "")
    ), False
