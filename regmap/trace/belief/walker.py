"""Frames of one chip in order of time, each understood with what is believed of the chip by then.

A frame that left belief as it was, met again while belief is still the same, tells nothing new and
is passed over without a thought: that is what lets a million polls take a second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

import numpy as np
import numpy.typing as npt

from regmap.behaviour.effects import Act, Change, Said, said, tells_of
from regmap.behaviour.faults import dead_words
from regmap.chip.bank import Bank
from regmap.chip.model import Access, Chip, Register
from regmap.expr import evaluate
from regmap.frames.codec import Answer, Sent
from regmap.record import dataclass, replace

from ..events import Note
from ..faults.log import FaultLog
from ..faults.pins import PinTrace
from ..frames.decoded import Decoded, Judge, flaw_notes
from ..frames.framer import Batch
from ..frames.log import FrameLog
from ..frames.pairs import PairTable
from .plain import PlainWrites, Replay, WriteHappening
from .registers import Belief
from .standing import Silences

#: Remarks of one kind that are kept from one batch: so many, or for every fifth frame of a large one.
_LIMIT = 200


@dataclass(frozen=True, slots=True)
class Happening:
    """What is worth telling of one frame; `old` is the word its register held before, if known.

    `changes` are the fields that it changed, or that its reply shows changed.
    """

    number: int
    old: int | None
    notes: tuple[Note, ...]
    decoded: Decoded
    changes: tuple[Change | Act, ...] = ()


class Walker:
    """One chip's story while it is gathered. `happenings` by frame number, in order."""

    def __init__(
        self, chip: Chip, judge: Judge, pins: PinTrace, table: PairTable, position: int = 0
    ) -> None:
        self.chip = chip
        #: every frame so far, and the questions one asks of them
        self.log = FrameLog(chip, judge, table)
        self.pins = pins
        self.position = position
        self.belief = Belief(chip, self.log.sorter.measured)
        self.faults = FaultLog(chip, position)
        self.happenings: dict[int, Happening | WriteHappening] = {}
        #: notes from status bits that a later frame carried, by that frame's number
        self.carried: dict[int, list[Note]] = {}
        self.seen: dict[str, int] = {}
        self.configured = False
        self.version = 0
        self._told: set[tuple[int, object]] = set()
        self._shown: dict[int, dict[str, bool]] = {}
        self._quiet: list[int] = []
        self._counter = -1
        self._telling: list[npt.NDArray[np.intp]] = []
        self._told_list: tuple[int, list[int]] | None = None
        self._enable = 0
        #: the level of an SDO that was found dead, and the last frame that showed it
        self._flat: tuple[int, int] | None = None
        self._now = 0
        #: when each register was last read, by frames that were looked at
        self._read: dict[str, int] = {}
        #: different replies of equal bits that fit the layout and yet cannot be
        self.flat_replies = 0
        self._variants: dict[tuple[int, object], int] = {}
        self._doubtful = {
            f.name for f in chip.faults.values() if f.summary_of or f.masked_when is not None
        }
        self._summaries = [f for f in chip.faults.values() if len(f.summary_of) > 3]
        self.replay = Replay(self)
        self._plain = PlainWrites(self)
        self._silences = Silences(self)
        #: whether no reply of the frame of now told anything of faults and states
        self._calm = True

    def compact(self) -> None:
        """Many small batches as one."""
        self.log.compact()
        self._telling.clear()

    # --- bulk -----------------------------------------------------------------------------------
    def walk(self, batch: Batch) -> None:
        """Take over a batch of frames in order of time."""
        if not len(batch):
            return
        self.log.sorter.update(self.belief.bank)
        if not self.log.judge.plain:
            self._by_state(batch)
            return
        self.log.batches.append(batch)
        idents = batch.idents
        canons = self.log.sorter.canon[idents]
        self._quiet += [-1] * (int(canons.max()) + 1 - len(self._quiet))
        self._counters(batch)
        self._plain.batch(batch)
        quiet, version = self._quiet, self.version
        stop = self._enable_place(batch)
        places = np.flatnonzero(self.log.sorter.inert[idents] == 0)
        for place, canon in zip(places.tolist(), canons[places].tolist(), strict=True):
            if place >= stop:
                self._enabled(batch, place)
                stop = self._enable_place(batch)
                version = self.version
            if quiet[canon] == version:
                continue
            if self._plain.take(batch, place, canon):
                version = self.version
                continue
            if self._silences.met(canon):
                quiet[canon] = version
                continue
            before = self.version
            spoke = self._frame(batch, place, int(idents[place]), canon)
            if self.version == before:
                quiet[canon] = before
                if not spoke:
                    self._silences.keep(canon)
            version = self.version

    def _by_state(self, batch: Batch) -> None:
        """A batch of a chip whose frames or pages depend on its state: words mean what they mean by then.

        The same words under other frames in force get a number of their own.
        """
        numbers = batch.idents.copy()
        batch = replace(batch, idents=numbers)
        self.log.batches.append(batch)
        stop = self._enable_place(batch)
        version, key = -1, None
        for place, ident in enumerate(batch.idents.tolist()):
            if place >= stop:
                self._enabled(batch, place)
                stop = self._enable_place(batch)
            if self.version != version:
                version, key = self.version, self.log.judge.key(self.belief.bank)
            own = self._variants.get((ident, key))
            if own is None:
                own = self._variants[ident, key] = self.log.table.again(ident)
                self.log.sorter.update(self.belief.bank)
                self.log.variants[own] = self.log.judge.decode(
                    self.log.table[own], self.belief.bank
                )
                self._quiet += [-1] * (own + 1 - len(self._quiet))
            numbers[place] = own
            if self._quiet[own] != version:
                self._frame(batch, place, own, own)
                if self.version == version:
                    self._quiet[own] = version
        self._counters(batch)

    def _counters(self, batch: Batch) -> None:
        """Rolling counters of the commands that do not follow each other."""
        sorter, idents = self.log.sorter, batch.idents
        some = np.flatnonzero(sorter.counter[idents] >= 0)
        if not len(some):
            return
        mine = idents[some]
        values = sorter.counter[mine]
        before = np.concatenate(([self._counter if self._counter >= 0 else values[0]], values[:-1]))
        due = (before + sorter.step[mine]) % sorter.modulus[mine]
        wrong = np.flatnonzero(due != values)
        if self._counter < 0:
            wrong = wrong[wrong > 0]
        for place in wrong[: max(_LIMIT, len(batch) // 5)].tolist():
            text = f"counter is {int(values[place])}; {int(due[place])} follows {int(before[place])}: a frame is missing from the capture, or was rejected"
            note = Note(kind="rejected", weight="warn", text=text)
            self.carried.setdefault(batch.first + int(some[place]), []).append(note)
        self._counter = int(values[-1])

    def _enable_place(self, batch: Batch) -> int:
        """The place of the next frame before which the enable pin moved."""
        edges = self.pins.enable_edges
        if self._enable >= len(edges):
            return len(batch) + 1
        return int(np.searchsorted(batch.start, edges[self._enable][0]))

    def _enabled(self, batch: Batch, place: int) -> None:
        edges = self.pins.enable_edges
        start = int(batch.start[place])
        while self._enable < len(edges) and edges[self._enable][0] <= start:
            time, on = edges[self._enable]
            self._enable += 1
            if not on:
                mark = self.belief.mark()
                self.belief.forget()
                self.belief.record(mark, batch.first + place, time)
                self.seen.clear()
                self._plain.stirred()
                self.version += 1

    # --- one frame ------------------------------------------------------------------------------
    def _frame(self, batch: Batch, place: int, ident: int, canon: int) -> bool:
        """Understand one frame; whether it told anything, is a write worth keeping, or its reply is of equal bits all over."""
        number, time = batch.first + place, int(batch.end[place])
        self._now = int(batch.start[place])
        belief = self.belief
        key = self.log.judge.key(belief.bank)
        decoded = self._doubted(
            self.log.judge.decode(self.log.table[ident], belief.bank), ident, number
        )
        mark = belief.mark()
        belief.changes.clear()
        faults_before = (
            len(self.faults.active),
            sum(len(i.attempts) for i in self.faults.active.values()),
            len(self.faults.clear),
        )
        writes = len(belief.writes)
        sent = decoded.sent
        old = (
            belief.bank.word(sent.register.name)
            if sent is not None and sent.register is not None
            else None
        )
        notes = flaw_notes(decoded)
        told = (canon, key) in self._told
        self._calm = sent is not None and sent.kind == "write"
        news = not told
        answer = decoded.believed if not decoded.cut else None
        if sent is not None and decoded.taken:
            more, fresh = self._taken(
                sent, answer, decoded, number, time, int(batch.answered[place])
            )
            notes += more
            news = fresh if sent.kind == "read" else news
        elif answer is not None and sent is not None and self._laid_out_always(sent, ident):
            notes += self._status(None, answer, None, number, time)
        self._told.add((canon, key))
        belief.record(mark, number, time)
        after = (
            len(self.faults.active),
            sum(len(i.attempts) for i in self.faults.active.values()),
            len(self.faults.clear),
        )
        moved = belief.moved_since(mark)
        if moved or after != faults_before:
            self._plain.stirred()
            self.version += 1
        if self._calm and answer is not None:
            self._plain.learn(decoded.reply_word)
        if moved and sent is not None and sent.kind != "read":
            news = True
        if notes or news:
            self.happenings[number] = Happening(
                number, old, tuple(notes), decoded, tuple(belief.changes)
            )
        return (
            bool(notes) or news or len(belief.writes) != writes or _level(decoded) is not None
            or (sent is not None and number + sent.frame.after in self.carried)
        )  # fmt: skip

    def keep(self, happening: WriteHappening) -> None:
        """Take over what a plain write told."""
        self.happenings[happening.number] = happening

    def was_told(self, canon: int) -> bool:
        """Whether a frame like this was met; it is from now on. For chips whose frames are always read one way."""
        key = canon, None
        if key in self._told:
            return True
        self._told.add(key)
        return False

    def _laid_out_always(self, sent: Sent, ident: int) -> bool:
        """Whether a reply is laid out the same whatever was asked, and so also after a frame that was rejected."""
        clocks = self.log.table[ident].reply(sent.frame.after)[2]
        return len(sent.frame.replies) == 1 and clocks == sent.frame.length

    def _doubted(self, decoded: Decoded, ident: int, number: int) -> Decoded:
        """A reply of which every bit is the same, where that cannot be: it is not believed.

        It cannot be where it contradicts what the chip is known to hold, or raises more faults than can be
        at once; and while the line has not moved since, it goes on saying nothing.
        """
        level = _level(decoded)
        if level is None or decoded.cut:
            return decoded
        answer, sent = decoded.believed, decoded.sent
        still = self._flat == (level, number - 1) or (
            self._flat is not None and self._flat[0] == level and self._unmoved(level, number)
        )
        if answer is not None and sent is not None:
            if not still and not self._cannot_be(sent, answer):
                return decoded
            self.log.sorter.believed[ident], self.log.sorter.silent[ident] = 0, 1
            self.flat_replies += 1
            text = f"every bit of the reply is {level}, which cannot be what the chip holds"
            decoded = self.log.variants[ident] = replace(decoded, reply_trouble=text)
        self._flat = level, number
        return decoded

    def _unmoved(self, level: int, number: int) -> bool:
        """Whether the replies since the last dead one were all of the same bits too."""
        assert self._flat is not None
        since = self._flat[1] + 1
        batch = self.log.batches[-1]
        if since < batch.first or number - since > _LIMIT:
            return False
        idents = batch.idents[since - batch.first : number - batch.first].tolist()
        return all(_level(self.log.decoded(i)) == level for i in idents)

    def _cannot_be(self, sent: Sent, answer: Answer) -> bool:
        """Whether a reply of equal bits contradicts the map, or what is known of the chip."""
        register = sent.register
        if register is None or sent.kind != "read" or answer.data is None:
            return False
        if dead_words(self.chip, {register.name: answer.data}):
            return True
        return self.belief.contradicted(register, answer.data)

    def _taken(
        self,
        sent: Sent,
        answer: Answer | None,
        decoded: Decoded,
        number: int,
        time: int,
        answered: int,
    ) -> tuple[list[Note], bool]:
        """A frame that the chip takes: (notes, whether it is worth a line of its own)."""
        notes: list[Note] = []
        register = sent.register
        if sent.command is None and register is None and sent.kind in ("read", "write"):
            notes.append(
                Note(
                    kind="unknown",
                    weight="warn",
                    text=f"no register at address 0x{sent.address or 0:X}{' of the page in force' if self.chip.page_select else ''}",
                )
            )
        told = said(self.chip, sent, answer) if answer is not None else Said()
        # the register whose content the reply has: the one read, written, or that a command returns
        source = told.register
        content = told.data if source is not None and not told.after else None
        past = sent.kind == "write"
        # a reply of the same frame shows the status from before it, a later one the status after it
        late = sent.frame.after > 0
        if answer is not None and not late:
            notes += self._status(source, answer, content, number, time)
        fresh = sent.kind != "read"
        if source is not None and content is not None and source.readable:
            if sent.kind == "read":
                fresh = self.seen.get(source.name) != content
                if source.name in self.log.sorter.measured:
                    fresh = source.name not in self.seen
            if not past:
                self._read[source.name] = time
            notes += self.belief.shows(source, content, number, past=past)
            self.seen[source.name] = content
        if late and answer is not None and content is not None:
            notes += self._status(source, answer, content, number, time, bits=False)
        notes += self._erasing(sent, content, decoded, number)
        if sent.kind == "write" and register is not None and register.holds_settings:
            self.seen.pop(register.name, None)
        notes += self.belief.apply(sent, number, time)
        if (
            source is not None and told.after and source.readable
            and not any(n.kind == "refused" for n in notes)
        ):  # fmt: skip
            shown = self.belief.shows(source, told.data, number)
            notes += [n for n in shown if n.kind != "verified"]
        for name in decoded.given:
            # a command that the headers of the chain give to every chip acts with the frame
            if name in self.chip.commands:
                asked = replace(sent, kind=name, register=None, command=self.chip.commands[name])
                notes += self.belief.apply(asked, number, time)
                for fault in self.faults.attempt(asked, number):
                    self._forget_fault(fault)
        if any(n.kind == "reset" for n in notes):
            self.seen.clear()
        if sent.kind == "write" and register is not None and register.holds_settings:
            self.configured = True
        cleared = self.faults.attempt(sent, number)
        notes += self._unread(cleared)
        for name in cleared:
            self._forget_fault(name)
        if late and answer is not None:
            # status bits belong to the moment at which they travel, with a later frame
            carrier = number + sent.frame.after
            found = self._status(None, answer, None, carrier, answered)
            if found:
                self.carried.setdefault(carrier, []).extend(found)
        return notes, fresh

    def _status(
        self,
        register: Register | None,
        answer: Answer,
        data: int | None,
        number: int,
        time: int,
        *,
        bits: bool = True,
    ) -> list[Note]:
        """Faults and states that a believed reply shows: those of `data`, the content of `register`, and, with
        `bits`, of parts that tell whatever was asked."""
        # only of a write it is asked whether its reply left everything as it was
        before = self._standing() if self._calm else None
        notes = self._told_by_status(register, answer, data, number, time, bits=bits)
        if notes or (before is not None and self._standing() != before):
            self._calm = False
        return notes

    def _standing(self) -> tuple[object, ...]:
        """What a reply's faults and states can move."""
        bank, faults = self.belief.bank, self.faults
        return (
            bank.states.copy(), bank.words.copy(), bank.known.copy(), len(self.belief.resets),
            len(faults.clear), [(n, i.gone) for n, i in faults.active.items()],
        )  # fmt: skip

    def _told_by_status(
        self, register: Register | None, answer: Answer, data: int | None, number: int, time: int,
        *, bits: bool,
    ) -> list[Note]:  # fmt: skip
        notes: list[Note] = []
        seen = self.faults.shown(register, data, answer, bits=bits)
        for ref, code in answer.fields.items() if bits else ():
            self.belief.field_shown(ref, code)
        shows = answer.layout.parts if bits else ()
        for part in shows:
            if part.kind == "status" and part.shows is not None and part.name in answer.status:
                notes += self.belief.state_shown(
                    part.shows, answer.status[part.name], f"status bit '{part.name}'"
                )
        for name, raised in seen.items():
            fault = self.chip.faults.get(name)
            if (
                fault is None
                or not fault.normal_at_power_up
                or not raised
                or name in self.faults.active
            ):
                continue
            if name in self.faults.clear:
                notes.append(self.belief.reset(number, time))
                self.faults.reset(number, time)
                self.seen.clear()
            elif not self.configured:
                self.belief.presume_reset()
        notes += self.faults.observe(
            seen, number, time, self._clear_before(number), self.pins.fault_fell
        )
        return notes + self._impossible(seen, time)

    def _impossible(self, seen: dict[str, bool], time: int) -> list[Note]:
        notes = []
        for name in [n for n in seen if n in self._doubtful]:
            fault, raised = self.chip.faults.get(name), seen[name]
            if fault is None:
                continue
            members = [] if raised else [m for m in fault.summary_of if seen.get(m)]
            if members:
                notes.append(
                    Note(
                        kind="impossible",
                        weight="warn",
                        fault=name,
                        text=f"{name} is clear although {', '.join(members)}, which it sums up, is raised",
                    )
                )
            if raised and fault.masked_when is not None:
                # what a frame writes next may make it one that should be masked
                self._calm = False
            if (
                raised
                and fault.masked_when is not None
                and evaluate(fault.masked_when, self.belief.bank) is True
            ):
                notes.append(
                    Note(
                        kind="impossible",
                        weight="warn",
                        fault=name,
                        text=f"{name} is raised although it is masked while {fault.masked_when}: was the configuration lost?",
                    )
                )
        if self.log.judge.chips > 1:
            # several chips may pull a shared pin
            return notes
        flag = next((f for f in self._summaries if f.name in seen), None)
        pin = self.pins.fault_at(time) if flag is not None else None
        quiet = not any(seen.values()) and not self.faults.active
        if flag is not None and pin and quiet and self.pins.enable_at(time) is not False:
            notes.append(
                Note(
                    kind="impossible",
                    weight="info",
                    fault=flag.name,
                    text=f"the fault pin is active while {flag.name} is clear",
                )
            )
        return notes

    def _erasing(
        self, sent: Sent, content: int | None, decoded: Decoded, number: int
    ) -> list[Note]:
        """A read, or a command that returns a register, that clears what it shows."""
        register = sent.register if sent.kind == "read" else None
        clears = register is not None and any(f.access is Access.RC for f in register.fields)
        if sent.command is not None:
            register = self.chip.registers.get(sent.command.returns)
            effects = {f"clear {sent.command.returns}", "clear_faults"}
            clears = bool(effects & {*sent.command.effects}) and content is None
        if register is None or not clears:
            return []
        if content is None:
            why = "its reply was not captured" if decoded.late else "its reply cannot be believed"
            weight = "info" if decoded.late else "warn"
            return [
                Note(
                    kind="erased",
                    weight=weight,
                    register=register.name,
                    text=f"this {sent.kind} cleared {register.name} and {why}: whatever stood there is lost",
                )
            ]
        names = self.faults.erased(register, number)
        for name in names:
            self._forget_fault(name)
        if not names:
            return []
        return [
            Note(
                kind="erased",
                weight="warn",
                register=register.name,
                text=f"this read erased {', '.join(names)} in the chip: later reads will not show it",
            )
        ]

    def _unread(self, cleared: list[str]) -> list[Note]:
        """A clearing before what it clears was read, while a summary or the pin says that a fault stands there."""
        faults = self.chip.faults
        registers: dict[str, int] = {}
        for name, interval in self.faults.active.items():
            for member in faults[name].summary_of:
                if not any(m in self.faults.active for m in faults[name].summary_of):
                    registers.setdefault(faults[member].register, interval.raised_time)
        pulled = self.pins.fault_since(self._now)
        if pulled is not None and not self.faults.active and self.log.judge.chips == 1:
            quiet = {
                m
                for f in faults.values()
                for m in f.summary_of
                if self._read.get(f.register, -1) >= pulled
            }
            registers = {faults[n].register: pulled for n in cleared if n not in quiet}
        lost = [
            r
            for r, since in registers.items()
            if self._read.get(r, -1) < since and any(faults[n].register == r for n in cleared)
        ]
        if not lost:
            return []
        text = f"clears {', '.join(lost)} before it was read: which fault stood there is lost"
        return [Note(kind="erased", weight="warn", register=lost[0], text=text)]

    def _forget_fault(self, name: str) -> None:
        """A fault bit may be cleared now: what it holds is no longer known."""
        fault = self.chip.faults[name]
        field = self.chip.field(fault.ref)
        bank = self.belief.bank
        if field is not None and name in self.faults.active and fault.register in bank.known:
            for bit in field.bits:
                bank.known[fault.register] &= ~(1 << bit)
        if name in self.faults.active:
            self.seen.pop(fault.register, None)

    def known_at(self, number: int) -> Bank:
        """What was known of the registers when frame `number` came."""
        bank = Bank(self.chip)
        for known in self.belief.history:
            if known.number >= number:
                break
            bank.words[known.register], bank.known[known.register] = known.word, known.known
        return bank

    def notes(self, *, confirmed: bool = True) -> Iterator[tuple[int, tuple[Note, ...]]]:
        """The notes of every frame that has any, in order; -1 is the end of the capture.

        Without `confirmed`, plain writes are left out: the most that they say is that an earlier one is confirmed.
        """
        told: Iterable[int] = self.told()
        if not confirmed:
            others = {n for n, h in self.happenings.items() if not isinstance(h, WriteHappening)}
            told = sorted({*others, *self.carried} - {-1})
        for number in told:
            happening = self.happenings.get(number)
            own = happening.notes if happening is not None else ()
            yield number, (*own, *self.carried.get(number, ()))
        if -1 in self.carried:
            yield -1, tuple(self.carried[-1])

    def told(self) -> list[int]:
        """Numbers of the frames that have something to tell, in order."""
        size = len(self.happenings) + len(self.carried)
        if self._told_list is None or self._told_list[0] != size:
            self._told_list = size, sorted({*self.happenings, *self.carried} - {-1})
        return self._told_list[1]

    # --- looking back ---------------------------------------------------------------------------
    def _clear_before(self, number: int) -> Callable[[str], tuple[int, int]]:
        def find(name: str) -> tuple[int, int]:
            fault = self.chip.faults[name]
            bits = any(
                fault in tells_of(self.chip, p)
                for f in self.chip.frames.values() for layout in f.replies.values() for p in layout.parts
            )  # fmt: skip
            sorter = self.log.sorter
            for index in range(len(self.log.batches) - 1, -1, -1):
                batch, places = self.log.batches[index], self._believed(index)
                places = places[: int(np.searchsorted(places, number - batch.first))]
                idents = batch.idents[places]
                if not bits:
                    some = np.flatnonzero(sorter.shows(idents, (fault.register,)))
                    places, idents = places[some], idents[some]
                for place, ident in zip(places[::-1].tolist(), idents[::-1].tolist(), strict=True):
                    if self._shows(ident).get(name) is False:
                        return batch.first + place, int(batch.end[place])
            return -1, -1

        return find

    def _believed(self, index: int) -> npt.NDArray[np.intp]:
        """Places of the believed replies of one batch."""
        while len(self._telling) <= index:
            idents = self.log.batches.idents(len(self._telling))
            self._telling.append(np.flatnonzero(self.log.sorter.believed[idents]))
        return self._telling[index]

    def _shows(self, ident: int) -> dict[str, bool]:
        """Fault name to raised, as the frames of this ident show; without regard to frames in force."""
        found = self._shown.get(ident)
        if found is None:
            decoded = self.log.decoded(ident)
            answer = decoded.believed
            found = {}
            if answer is not None and decoded.sent is not None:
                told = said(self.chip, decoded.sent, answer)
                past = decoded.sent.kind == "write"
                data = None if told.register is None or past else told.data
                found = self.faults.shown(told.register, data, answer)
            self._shown[ident] = found
        return found


def _level(decoded: Decoded) -> int | None:
    """0 or 1 where every bit of the reply is that, else None."""
    word, sent = decoded.reply_word, decoded.sent
    if word is None or sent is None:
        return None
    length = decoded.answer.layout.length if decoded.answer is not None else sent.frame.length
    return int(word != 0) if word in (0, (1 << length) - 1) else None
