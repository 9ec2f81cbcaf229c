"""Frames that write a setting and do nothing else, taken without asking what else could follow.

A capture in which every frame is news is mostly this: one setting after the other, each reply as the last one but for the
content. What such a frame does was decided when a frame like it was walked (its register stores and starts nothing, its
reply shows the faults and states that stand already), so only the word and what is waiting to be read back move. Any
other frame, and any word that contradicts belief, goes the whole way through the walker.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from regmap.behaviour.effects import Act, Change, compare
from regmap.chip import bits, values
from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Chip, Field, Register
from regmap.expr import evaluate
from regmap.frames.bulk import WRITE, extract
from regmap.record import dataclass

from ..events import Note
from ..faults.log import FaultLog
from ..faults.pins import PinTrace
from ..frames.decoded import Decoded
from ..frames.framer import Batch
from ..frames.log import FrameLog
from ..frames.pairs import GIVEN
from .registers import Belief, Known, WrittenWord


class Walked(Protocol):
    """What a plain write needs of the walker of its chip, and moves there."""

    chip: Chip
    log: FrameLog
    pins: PinTrace
    belief: Belief
    faults: FaultLog
    seen: dict[str, int]
    configured: bool
    version: int
    replay: Replay

    def was_told(self, canon: int) -> bool: ...

    def keep(self, happening: WriteHappening) -> None: ...


class WriteHappening:
    """As a `Happening`, of a frame that wrote one setting; what it says is put together when it is asked for."""

    __slots__ = ("_held", "_ident", "_moved", "_plain", "_row", "data", "number", "old")

    def __init__(
        self, plain: PlainWrites, row: _Row, number: int, ident: int, data: int, old: int | None,
        moved: tuple[int, int], held: int,
    ) -> None:  # fmt: skip
        self._plain, self._row, self._ident, self._moved = plain, row, ident, moved
        self.number, self.data, self.old, self._held = number, data, old, held

    @property
    def notes(self) -> tuple[Note, ...]:
        """What its reply confirms: nothing, or the write of an earlier frame."""
        if self._held < 0:
            return ()
        text = f"held what frame {self._held} wrote"
        return (Note(kind="verified", weight="good", register=self._row.name, text=text),)

    @property
    def decoded(self) -> Decoded:
        return self._plain.walker.log.decoded(self._ident)

    @property
    def register(self) -> Register:
        return self._row.register

    @property
    def status(self) -> tuple[str, ...]:
        """The reply's status bits that are set."""
        return self._plain.status_of(self._ident)

    @property
    def texts(self) -> tuple[str, ...]:
        """Each of `changes` as text."""
        if self._row.hanging:
            return tuple(map(str, self.changes))
        return self._plain.texts_of(self._row, *self._moved)

    @property
    def changes(self) -> tuple[Change | Act, ...]:
        walker = self._plain.walker
        before, after = walker.replay.around(self.number)
        return tuple(compare(walker.chip, before, after, [self._row.register.name]))


class Replay:
    """What was known of the registers before and after a frame, cheap where frames are asked for in order."""

    def __init__(self, walker: Walked) -> None:
        self._walker = walker
        self._restart()

    def _restart(self) -> None:
        chip = self._walker.chip
        self._banks = Bank(chip), Bank(chip)
        self._places = [[0, 0], [0, 0]]
        self._number = -2
        self._history = self._walker.belief.history

    def around(self, number: int) -> tuple[Bank, Bank]:
        """(before, after) frame `number`; both change with the next question."""
        if number < self._number or self._history is not self._walker.belief.history:
            self._restart()
        self._number = number
        for bank, places, most in zip(self._banks, self._places, (number, number + 1), strict=True):
            self._advance(bank, places, most)
        return self._banks

    def _advance(self, bank: Bank, places: list[int], most: int) -> None:
        belief = self._walker.belief
        history, at = belief.history, places[0]
        while at < len(history) and history[at].number < most:
            known = history[at]
            bank.words[known.register], bank.known[known.register] = known.word, known.known
            at += 1
        places[0] = at
        states, at = belief.state_history, places[1]
        while at < len(states) and states[at][0] < most:
            _, _, name, value = states[at]
            if value is None:
                bank.states.pop(name, None)
            else:
                bank.states[name] = value
            at += 1
        places[1] = at


@dataclass(frozen=True, slots=True)
class _Row:
    """A register whose writes only store: `stores` are the bits that they move, `shows` those that a reply shows.

    `proves` are those that a readback proves, `need` those that must be known; `hanging`: what a field means may hang
    on something else than its code.
    """

    register: Register
    stores: int
    shows: int
    proves: int
    need: int
    hanging: bool
    name: str
    mask: int
    #: each field with its name and its mask
    fields: tuple[tuple[Field, str, int], ...]


class PlainWrites:
    """Tells the walker of one chip which frames of a batch are plain writes, and takes them."""

    def __init__(self, walker: Walked) -> None:
        self.walker = walker
        chip, log = walker.chip, walker.log
        frame = next(iter(chip.frames.values()))
        self._data = frame.command.of_kind("data")
        layout = frame.reply_to("write")
        shown = layout.of_kind("data") if layout is not None else None
        self._shown = shown if shown is not None and shown.on_write == "old" else None
        rows = [self._row(chip.registers[n]) for n in log.sorter.names]
        self._rows: list[_Row | None] = rows
        usable = layout is not None and (shown is None or shown.on_write in ("old", ""))
        self._on = log.judge.plain and self._data is not None and usable and any(self._rows)
        told = layout.parts if layout is not None else ()
        self._telling = sum(mask_of(p.bits) for p in told if p.kind in ("status", "field"))
        self._ones = (1 << layout.length) - 1 if layout is not None else 0
        #: replies, as far as they tell of faults and states, after which everything stands as before
        self.calm: set[int] = set()
        self._allowed: dict[str, bool] = {}
        self._texts: dict[tuple[str, int, int], str] = {}
        self._status: dict[int, tuple[str, ...]] = {}
        #: of each frame of the batch that may be one: register, word, what its reply shows and tells, end, answer, ident
        self._frames: dict[int, tuple[int, ...]] = {}

    def _row(self, register: Register) -> _Row | None:
        walker = self.walker
        stores = walker.belief.machine.only_stores(register)
        if (
            stores is None
            or walker.faults.concerns(register.name)
            or register.name in walker.log.sorter.measured
            or not walker.belief.follows(register)
            or not register.read_back
        ):
            return None
        shows = register.shows
        hanging = any(
            len(f.meanings) > 1 or any(m.when is not None for m in f.meanings)
            for f in register.fields
        )
        need = stores | (shows if self._shown is not None else 0)
        fields = tuple((f, f.ref, f.mask) for f in register.fields)
        return _Row(
            register, stores, shows, register.read_back, need, hanging, register.name, register.mask, fields
        )  # fmt: skip

    def batch(self, batch: Batch) -> None:
        """Look at a batch: which of its frames are writes that only store."""
        self._frames = {}
        if not self._on:
            return
        log, idents = self.walker.log, batch.idents
        sorter, table = log.sorter, log.table
        register = np.where(
            (sorter.kind[idents] == WRITE) & (sorter.believed[idents] > 0), sorter.register[idents], -1
        )  # fmt: skip
        word, reply = table.column(0)[idents], table.column(4)[idents]
        flat = (reply == 0) | (reply == np.uint64(self._ones))
        assert self._data is not None
        data = extract(word, self._data.bits)
        states = np.array([r.register.stated if r else 0 for r in self._rows] + [0], np.uint64)
        wanted = np.array(
            [r.register.reserved_write if r else 0 for r in self._rows] + [0], np.uint64
        )
        odd = (data ^ wanted[register]) & states[register] != 0
        given = table.column(3)[idents] >= np.uint64(GIVEN)
        register = np.where(flat | odd | given, -1, register)
        plain = np.array([r is not None for r in self._rows] + [False])
        some = np.flatnonzero(plain[register])
        if not len(some):
            return
        shown = extract(reply, self._shown.bits) if self._shown is not None else data
        columns = (
            register, data, shown, reply & np.uint64(self._telling), batch.end, batch.answered, idents
        )  # fmt: skip
        rows = zip(*(c[some].tolist() for c in columns), strict=True)
        self._frames = dict(zip(some.tolist(), rows, strict=True))

    def stirred(self) -> None:
        """Something else than a plain write changed belief."""
        self.calm.clear()
        self._allowed.clear()

    def learn(self, reply: int | None) -> None:
        """A reply to a write left all faults and states as they were."""
        if reply is not None:
            self.calm.add(reply & self._telling)

    def status_of(self, ident: int) -> tuple[str, ...]:
        """The status bits that are set in the reply of a plain write."""
        telling = int(self.walker.log.table.column(4)[ident]) & self._telling
        found = self._status.get(telling)
        if found is None:
            answer = self.walker.log.decoded(ident).answer
            found = tuple(n for n, on in answer.status.items() if on) if answer is not None else ()
            self._status[telling] = found
        return found

    def texts_of(self, row: _Row, before: int, after: int) -> tuple[str, ...]:
        """The changes of a register from one known word to another, where no meaning hangs on anything else."""
        out = []
        for item, ref, mask in row.fields:
            old, new = before & mask, after & mask
            if old == new:
                continue
            key = ref, old, new
            text = self._texts.get(key)
            if text is None:
                old, new = bits.extract(before, item.bits), bits.extract(after, item.bits)
                text = str(Change(item, values.read(item, old), values.read(item, new)))
                self._texts[key] = text
            out.append(text)
        return tuple(out)

    def take(self, batch: Batch, place: int, canon: int) -> bool:
        """Take over one frame if it is a plain write; False, and nothing done, where it is not."""
        found = self._frames.get(place)
        if found is None or found[3] not in self.calm:
            return False
        index, word, shown, _, time, answered, ident = found
        row = self._rows[index]
        assert row is not None
        walker, name = self.walker, row.name
        belief = walker.belief
        bank = belief.bank
        before, known = bank.words.get(name), bank.known.get(name, 0)
        if before is None or known & row.need != row.need:
            return False
        content = self._shown is not None
        if content and (before ^ shown) & row.shows:
            return False
        pins = walker.pins
        if not (self._allowed.get(name) or self._may(row)) or (
            pins.fault is not None and pins.fault_at(answered)
        ):
            return False
        number = batch.first + place
        held = -1
        latest, pending = belief.latest.get(name), belief.pending.get(name)
        had = pending is not None
        if content:
            if (
                latest is not None and latest.verified < 0 and latest.denied < 0
                and not (latest.word ^ shown) & row.proves
            ):  # fmt: skip
                latest.verified = number
            if pending is not None:
                pending.verified, pending.why = number, ""
                del belief.pending[name]
                held = pending.number
        new = before & ~row.stores | word & row.stores
        same = not (before ^ word) & row.proves
        if not same or latest is None or (latest.word ^ word) & row.mask:
            latest = WrittenWord(number, time, name, word, before=before)
            belief.writes.append(latest)
            belief.latest[name] = latest
        if not same:
            latest.why = ""
            belief.pending[name] = latest
        moved = new != before or had != (name in belief.pending)
        if new != before:
            bank.words[name] = new
            belief.history.append(Known(number, time, name, new, known))
        told = walker.was_told(canon)
        walker.seen.pop(name, None)
        walker.configured = True
        if moved:
            walker.version += 1
        if moved or held >= 0 or not told:
            old = before if known == row.mask else None
            walker.keep(WriteHappening(self, row, number, ident, word, old, (before, new), held))
        return True

    def _may(self, row: _Row) -> bool:
        """Whether nothing bars the write, and no key sequence is begun that it would break."""
        name = row.register.name
        found = self._allowed.get(name)
        if found is None:
            belief = self.walker.belief
            lock = row.register.writable
            found = lock is None or evaluate(lock, belief.bank) is True
            found = found and not any(belief.machine.progress.values())
            self._allowed[name] = found
        return found
