"""What the captured frames make one believe of a chip: register words, states, keys.

The map's own behaviour (`regmap.behaviour.machine.Machine`) runs along the frames and is corrected by what
replies show; wherever the two disagree a note says so, and why that may be.
"""

from __future__ import annotations

from collections.abc import Hashable

from regmap.behaviour.effects import Act, Change, compare, effects
from regmap.behaviour.machine import Machine
from regmap.behaviour.settings import identities, oddities
from regmap.chip.bank import Bank
from regmap.chip.bits import hexword, mask_of
from regmap.chip.model import Chip, Register
from regmap.expr import Expr, Name, Op
from regmap.frames.codec import Sent
from regmap.record import dataclass

from ..events import Note


@dataclass(slots=True)
class Known:
    """From frame `number`, ended at `time`, on: this register holds `word` in the bits of `known`."""

    number: int
    time: int
    register: str
    word: int
    known: int


@dataclass(slots=True)
class WrittenWord:
    """A write; `why` is why it was refused ("" if it was not), `verified` the frame that showed it held.

    `denied` is the frame that showed another word; `partly` then names the fields that differ where the
    others took. `odd` says what the map forbids in the word itself (reserved bits).
    """

    number: int
    time: int
    register: str
    word: int
    why: str = ""
    verified: int = -1
    denied: int = -1
    before: int | None = None
    partly: str = ""
    odd: str = ""

    @property
    def failed(self) -> bool:
        """Whether it is shown, or known from the map, not to have taken as written."""
        if self.verified >= 0:
            return False
        return self.denied >= 0 or bool(self.why and not self.why.startswith("("))


class Belief:
    """One chip as believed. `history` are all words over time, `writes` all writes that changed anything."""

    def __init__(self, chip: Chip, measured: frozenset[str] = frozenset()) -> None:
        self.chip = chip
        self.measured = measured
        self.machine = Machine(chip, Bank(chip))
        self.history: list[Known] = []
        self.state_history: list[tuple[int, int, str, bool | None]] = []
        self.writes: list[WrittenWord] = []
        self.resets: list[tuple[int, int]] = []
        self.lost: list[str] = []
        self.pending: dict[str, WrittenWord] = {}
        self.refused: dict[str, WrittenWord] = {}
        self.latest: dict[str, WrittenWord] = {}
        self._identity = identities(chip)
        self._masks = {r.name: r.shows for r in chip.registers.values()}
        self._fixed = {r.name: r.read_back for r in chip.registers.values()}
        #: what the frame of now has changed, or a reply of it shown changed
        self.changes: list[Change | Act] = []

    @property
    def bank(self) -> Bank:
        return self.machine.bank

    # --- bookkeeping ----------------------------------------------------------------------------
    def mark(self) -> tuple[object, ...]:
        """Everything that decides how the next frame is understood, for comparison."""
        return tuple(dict(x) if isinstance(x, dict) else x for x in self._deciding())

    def moved_since(self, mark: tuple[object, ...]) -> bool:
        """Whether anything of `mark` is otherwise now."""
        return self._deciding() != mark

    def _deciding(self) -> tuple[object, ...]:
        """What `mark` keeps, as it stands."""
        bank = self.bank
        return (
            bank.words, bank.known, bank.states, self.machine.progress,
            len(self.machine.spent), len(self.pending), len(self.refused),
        )  # fmt: skip

    def standing(self) -> Hashable:
        """All that is believed now, without when it came to be: equal where everything stands alike."""
        bank, machine = self.bank, self.machine
        writes = frozenset(
            (n, w.word, w.verified < 0 and w.denied < 0) for n, w in self.latest.items()
        )
        return (
            tuple(bank.words), tuple(bank.words.values()), tuple(bank.known), tuple(bank.known.values()),
            tuple(bank.states), tuple(bank.states.values()), tuple(machine.progress.values()),
            frozenset(machine.spent), frozenset(machine.doubtful), writes,
            frozenset((n, w.word) for n, w in self.pending.items()),
            frozenset((n, w.word) for n, w in self.refused.items()),
        )  # fmt: skip

    def record(self, before: tuple[object, ...], number: int, time: int) -> None:
        """Write down what differs from `before`."""
        words, known, states = before[0], before[1], before[2]
        assert isinstance(words, dict)
        assert isinstance(known, dict)
        assert isinstance(states, dict)
        if (self.bank.words, self.bank.known, self.bank.states) == (words, known, states):
            return
        bank = self.bank
        moved = {n for n, _ in bank.words.items() ^ words.items()}
        moved.update(n for n, _ in bank.known.items() ^ known.items())
        for name in bank.words if len(moved) > 1 else moved & bank.words.keys():
            if name in moved:
                self.history.append(
                    Known(number, time, name, bank.words[name], bank.known.get(name, 0))
                )
        for name in words:
            if name not in self.bank.words:
                self.history.append(Known(number, time, name, 0, 0))
        for state, value in self.bank.states.items():
            if states.get(state) is not value:
                self.state_history.append((number, time, state, value))
        for state in states:
            if state not in self.bank.states:
                self.state_history.append((number, time, state, None))

    def follows(self, register: Register) -> bool:
        """Whether this register says nothing but its settings: no identity, no states."""
        return register.name not in self._identity and not any(f.shows for f in register.fields)

    def forget(self) -> None:
        """Nothing is known any more: the chip was switched off."""
        self.machine.forget()
        self.pending.clear()
        self.refused.clear()

    def fresh(self) -> None:
        """Everything is as after power-up."""
        self.machine.reset()
        self.pending.clear()
        self.refused.clear()

    def presume_reset(self) -> None:
        """The chip says that it was powered up: what is not known otherwise is as after power-up."""
        fresh = Bank.at_reset(self.chip)
        for name, word in fresh.words.items():
            self.bank.learn(name, word, fresh.known.get(name, 0) & ~self.bank.known.get(name, 0))
        for state, value in fresh.states.items():
            self.bank.states.setdefault(state, value)

    def contradicted(self, register: Register, data: int) -> bool:
        """Whether a read word is neither what is known to be held, nor a reset word, nor the identity."""
        name = register.name
        if register.reads_as != "written" or name in self.measured:
            return False
        wanted = self._identity.get(name)
        if wanted is not None:
            return wanted != data
        mask = self._masks[name] & self._fixed[name]
        known = self.bank.known.get(name, 0) & mask
        differs = (self.bank.words.get(name, 0) ^ data) & known
        return bool(differs) and bool((register.reset ^ data) & mask)

    def reset(self, number: int, time: int) -> Note:
        """The chip was reset by itself: what was configured is lost."""
        lost = []
        for register in self.chip.registers.values():
            mask = self._fixed[register.name] & self.bank.known.get(register.name, 0)
            word = self.bank.words.get(register.name, 0)
            if register.holds_settings and (word ^ register.reset) & mask:
                lost.append(register.name)
        self.fresh()
        self.resets.append((number, time))
        self.lost = lost
        text = "the chip was reset"
        if lost:
            text += (
                f": {', '.join(lost)} lost what had been written and hold their reset words again"
            )
        return Note(kind="reset", text=text, weight="bad" if lost else "warn")

    # --- frames ---------------------------------------------------------------------------------
    def apply(self, sent: Sent, number: int, time: int) -> list[Note]:
        """What a taken frame does to the chip, as its map says."""
        notes = []
        started = {n: at for n, at in self.machine.progress.items() if at}
        before = self.bank.words.get(sent.register.name) if sent.register is not None else None
        known = self.bank.known.get(sent.register.name, 0) if sent.register is not None else 0
        told = effects(self.machine, sent)
        outcome = told.outcome
        if sent.kind != "read":
            new = [c for c in told.changes if sent.kind == "write" or c.old is not None]
            self.changes += [*new, *told.acts]
        if sent.register is not None and outcome.would is not None:
            # believed until a read shows otherwise; the note says on what it hangs
            self.bank.learn(sent.register.name, *outcome.would)
        for name, at in started.items():
            if self.machine.progress[name] < at and name not in outcome.events:
                step = self.chip.keys[name].steps[at]
                notes.append(
                    Note(
                        kind="key",
                        weight="bad",
                        text=f"breaks key sequence '{name}': step {at + 1}, {step}, was due",
                    )
                )
        for event in outcome.events:
            if event in self.chip.keys:
                notes.append(
                    Note(kind="key", weight="good", text=f"completes key sequence '{event}'")
                )
            elif event == "reset":
                self.pending.clear()
                self.resets.append((number, time))
                notes.append(Note(kind="reset", weight="warn", text="resets every register"))
            elif event.startswith(("entered ", "left ")):
                notes.append(Note(kind="state", text=_state_text(self.chip, event)))
        if sent.kind == "write" and sent.register is not None:
            notes += self._written(
                sent.register,
                sent.data or 0,
                outcome.taken,
                outcome.why,
                bool(outcome.unsure),
                before,
                known,
                number,
                time,
            )
        return notes

    def _written(
        self, register: Register, word: int, taken: bool, why: str, unsure: bool,
        before: int | None, known: int, number: int, time: int,
    ) -> list[Note]:  # fmt: skip
        mask = self._masks[register.name] & self._fixed[register.name]
        held = before if before is not None and known & mask == mask else None
        odd = "; ".join(oddities(register, word)) if taken else ""
        write = WrittenWord(number, time, register.name, word, why, before=held, odd=odd)
        if not taken:
            if register.name not in self.refused or self.refused[register.name].word != word:
                self.writes.append(write)
                self.refused[register.name] = write
            return [
                Note(
                    kind="refused",
                    weight="bad",
                    register=register.name,
                    text=f"write refused: {why}",
                )
            ]
        notes = (
            [Note(kind="reserved", weight="warn", register=register.name, text=odd)] if odd else []
        )
        if not register.holds_settings:
            return notes
        same = before is not None and not (before ^ word) & mask and known & mask == mask
        last = self.latest.get(register.name)
        if not same or last is None or (last.word ^ word) & register.mask:
            self.writes.append(write)
            self.latest[register.name] = write
        if mask and not same:
            write = self.latest[register.name]
            write.why = (
                f"(it is accepted only while {register.writable}, which was not known)"
                if unsure
                else ""
            )
            self.pending[register.name] = write
        elif not mask:
            self.pending.pop(register.name, None)
        return notes

    def shows(
        self, register: Register, data: int, number: int, *, past: bool = False
    ) -> list[Note]:
        """A read (or, with `past`, the reply to a write) showed `data`: compare, explain, learn."""
        if register.reads_as == "zero" or register.name in self.measured:
            return []
        if register.reads_as in self.chip.registers:
            register = self.chip.registers[register.reads_as]
        else:
            data = register.held(data)
        name = register.name
        mask = self._masks[name]
        notes: list[Note] = []
        believed, known = self.bank.words.get(name, 0), self.bank.known.get(name, 0)
        differs = (believed ^ data) & known & mask & self._fixed[name]
        pending = self.pending.get(name)
        if differs:
            notes.append(self._contradiction(register, data, believed, pending, number))
            self.pending.pop(name, None)
        latest = self.latest.get(name)
        open_ = latest is not None and latest.verified < 0 and latest.denied < 0
        if latest is not None and open_ and not (latest.word ^ data) & mask & self._fixed[name]:
            latest.verified = number
        if not differs and pending is not None and known & self._fixed[name]:
            pending.verified = number
            del self.pending[name]
            pending.why = ""
            notes.append(
                Note(
                    kind="verified",
                    weight="good",
                    register=name,
                    text=f"{'held' if past else 'holds'} what frame {pending.number} wrote",
                )
            )
        wanted = self._identity.get(name)
        if wanted is not None and wanted != data:
            text = f"is {hexword(data, register.width)} where the map expects {hexword(wanted, register.width)}: another chip, another revision, or lost bits"
            notes.append(Note(kind="impossible", weight="bad", register=name, text=text))
        if (self.bank.words.get(name, 0) ^ data) & mask & self.bank.known.get(name, 0):
            was = self.bank.copy()
            self.bank.learn(name, data, mask)
            found = compare(self.chip, was, self.bank, [name])
            self.changes += [c for c in found if c.old is not None]
        else:
            self.bank.learn(name, data, mask)
        notes += self._fields(register, data)
        return notes

    def _contradiction(
        self, register: Register, data: int, believed: int, pending: WrittenWord | None, number: int
    ) -> Note:
        name = register.name
        wanted = hexword(believed & self._masks[name], register.width)
        found = hexword(data, register.width)
        refused = self.refused.pop(name, None)
        mask = self._fixed[name]
        if refused is not None and not (refused.word ^ data) & mask:
            refused.denied = number
            text = f"holds what frame {refused.number} wrote although the chip should have refused it ({refused.why})"
            return Note(kind="impossible", weight="warn", register=name, text=text)
        if pending is not None:
            pending.denied = number
            pending.partly = self._partly(register, data, pending)
            if pending.partly:
                text = f"holds {found} where frame {pending.number} wrote {wanted}: refused in {pending.partly} alone"
                return Note(kind="refused", weight="bad", register=name, text=text)
            why = (
                pending.why
                or "nothing in the map forbids it: look for a disturbed frame, a sleeping chip or a lock set before the capture"
            )
            pending.why = why
            text = f"holds {found}; frame {pending.number} wrote {wanted}, a write refused {why if why.startswith('(') else '(' + why + ')'}"
            return Note(kind="refused", weight="bad", register=name, text=text)
        if not (data ^ register.reset) & mask:
            text = f"holds its reset word {found} again, not {wanted}: the chip was reset, or lost its supply"
            return Note(kind="reset", weight="bad", register=name, text=text)
        text = f"holds {found}, not {wanted} as before: no captured frame changed it"
        return Note(kind="impossible", weight="warn", register=name, text=text)

    def _partly(self, register: Register, data: int, write: WrittenWord) -> str:
        """The fields that refused the write, where others accepted it; "" where none did."""
        mask = self._masks[register.name] & self._fixed[register.name]
        before = write.before if write.before is not None else register.reset
        if not (before ^ data) & (before ^ write.word) & mask:
            return ""
        wrong = [f.name for f in register.fields if (data ^ write.word) & mask & mask_of(f.bits)]
        return ", ".join(wrong)

    def _fields(self, register: Register, data: int) -> list[Note]:
        """Fields that show a state correct the belief of that state."""
        notes: list[Note] = []
        for field in register.fields:
            if field.shows is not None and mask_of(field.bits) & self._masks[register.name]:
                raised = bool(data & mask_of(field.bits))
                notes += self.state_shown(field.shows, raised, field.ref)
        return notes

    def field_shown(self, ref: str, code: int) -> None:
        """A part of a reply shows a field, whatever was asked."""
        field = self.chip.field(ref)
        if field is None or self.bank.field_code(field) == code:
            return
        was = self.bank.copy()
        self.bank.put(field, code)
        self.changes += [c for c in compare(self.chip, was, self.bank, [field.register]) if c.old]

    def state_shown(self, expression: Expr, value: bool, where: str) -> list[Note]:
        """A bit that shows a state: correct the belief, and say so where they disagreed."""
        name, value = _bare_state(expression, value)
        state = self.chip.states.get(name)
        if state is None or state.when is not None:
            return []
        believed = self.bank.states.get(name)
        self.bank.states[name] = value
        if believed is None or believed is value:
            return []
        text = f"{where} says '{name}' is {'on' if value else 'off'}; after the captured frames it should be {'on' if believed else 'off'}"
        return [Note(kind="impossible", weight="warn", text=text)]


def _bare_state(expression: Expr, value: bool) -> tuple[str, bool]:
    """The state that an expression names, also behind `not`; "" where it is more than that."""
    root = expression.root
    while isinstance(root, Op) and root.op == "not":
        root, value = root.args[0], not value
    return (root.text, value) if isinstance(root, Name) else ("", value)


def _state_text(chip: Chip, event: str) -> str:
    verb, _, name = event.partition(" ")
    summary = chip.states[name].summary if name in chip.states else ""
    tail = f" ({summary})" if summary and verb == "entered" else ""
    return f"{'enters' if verb == 'entered' else 'leaves'} state '{name}'{tail}"
