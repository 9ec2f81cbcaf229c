"""One chip over an adapter: reads that are believed only with evidence, writes that are read back.

    link = Link(chip, port)
    reading = link.read("GATE_HS")          # .grade "good", "single" or "lost"
    written = link.write("GATE_HS", 0x2AD)  # .result "verified", "sent", "refused" or "unknown"
    link.account().lines()                  # what the chip is known to hold, what is unknown

Nothing here raises for what the chip or the line does: the outcome says it, and `known` keeps it.
CallError is raised for impossible requests only. An interrupt passes through, after what it left
unknown has been noted.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from ..bank import Bank, need_register
from ..behave import Machine
from ..bits import extract, mask_of
from ..errors import CallError, FrameError
from ..model import Chip, Command, Register
from ..settings import setting_mask
from . import rules
from .known import Account, Knowledge
from .port import AdapterPort, TransferLostError
from .trade import Ask, Composer, Direct, InChain, Trade

Log = Callable[[dict[str, Any]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What a register was read as.

    grade   good    enough replies agree, in good form, with proof that the right chip answered
            single  one reply in good form; it cannot be read again without changing the chip
            lost    no word that could be believed; `why` says it, `seen` are the words that came
    """

    register: str
    word: int | None
    grade: str
    why: str = ""
    attempts: int = 1
    seen: tuple[int, ...] = ()

    @property
    def good(self) -> bool:
        return self.grade == "good"


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What became of a write, a command or a key sequence.

    result  verified  read back, every bit that can be
            sent      the chip answered in good form, but nothing that can be read back proves it
            refused   the chip is known to hold `holds` instead
            unknown   it may or may not have acted
    """

    what: str
    result: str
    holds: int | None = None
    why: str = ""
    attempts: int = 1

    @property
    def good(self) -> bool:
        return self.result in ("verified", "sent")


class Link:
    """Reads and writes one chip. `chips` and `position` say where it is in a daisy chain.

    `attempts` bounds how often something harmless is tried; `log` gets one dictionary an event.
    """

    def __init__(
        self,
        chip: Chip,
        port: AdapterPort,
        *,
        attempts: int = 4,
        log: Log | None = None,
        chips: Sequence[Chip] = (),
        position: int = 0,
    ) -> None:
        self.chip = chip
        self.port = port
        self.attempts = attempts
        self.known = Knowledge(chip)
        self.machine = Machine(chip, Bank(chip))
        self.composer = Composer(chip)
        self.damaged = 0
        self.witness = rules.witness(chip)
        self._route = InChain(chips, position) if len(chips) > 1 else Direct(chip)
        self._filler = rules.filler(chip)
        self._guarded = rules.guarded(chip)
        self._after = max(f.after for f in chip.frames.values())
        self._log = log or (lambda _event: None)
        self._generation = port.generation
        self._begin = port.clock()
        self._in_step = False
        self._flags = rules.power_up_flags(chip)
        self._configured = False

    # --- time and record ---------------------------------------------------------------------
    @property
    def time(self) -> float:
        """Seconds since the session began."""
        return self.port.clock() - self._begin

    def log(self, event: str, **content: Any) -> None:
        """Put one event in the record."""
        self._log({"event": event, "time_s": round(self.time, 6), **content})

    def account(self) -> Account:
        """What is known and unknown now."""
        return self.known.account(self.port.name, enable_pin=self.port.has_enable_pin)

    # --- one exchange --------------------------------------------------------------------------
    def _trade(self, asks: Sequence[Ask]) -> Trade:
        """Send these frames and the harmless ones behind them that fetch the last replies.

        Raises TransferLostError.
        """
        asks = [*asks]
        if self._after:
            fetch = self._filler or (asks[-1].register if asks[-1].kind == "read" else None)
            if fetch is None:
                raise CallError(f"{self.chip.name} has no register that can be read without effect")
            asks += [Ask("read", fetch)] * self._after
        trade = Trade(asks, self.composer.build(asks, self.machine))
        out = [self._route.out(sent) for sent in trade.sent]
        try:
            read = self.port.transfer([burst for frame in out for burst in frame])
        except TransferLostError as lost:
            self._in_step = False
            self._note_page(trade)
            self.log(
                "lost", asks=[a.text for a in asks], why=str(lost), may_have_run=lost.may_have_run
            )
            self._session()
            raise
        except BaseException:
            self._in_step = False
            self._note_page(trade)
            raise
        at = 0
        for sent, frame in zip(trade.sent, out, strict=True):
            try:
                trade.raw.append(self._route.back(sent.frame, read[at : at + len(frame)]))
            except FrameError as error:
                trade.damage.append(str(error))
                trade.raw.append(0)
            at += len(frame)
        self.composer.decode(trade)
        missed = trade.missed()
        if missed:
            trade.damage.append(missed)
        self.log(
            "exchange",
            asks=[a.text for a in asks],
            sent=[f"{s.word:0{(s.bits + 3) // 4}X}" for s in trade.sent],
            read=[f"{w:0{(s.bits + 3) // 4}X}" for s, w in zip(trade.sent, trade.raw, strict=True)],
            **({"damage": trade.damage} if trade.damage else {}),
        )
        if trade.damage:
            self.damaged += 1
            self._in_step = False
            if not self._guarded_enough():
                self.known.all_unknown(
                    "a frame was damaged, and commands carry nothing that makes the chip refuse such "
                    "a frame: any register may have been changed",
                    self.time,
                )
        self._session()
        self._note_page(trade)
        self._watch_for_reset(trade)
        return trade

    def _note_page(self, trade: Trade) -> None:
        """What the page register holds now, where this exchange wrote it."""
        words = [a for a in trade.asks if a.kind == "write" and a.register is not None]
        for ask in words:
            register = ask.register
            if register is None or not self._is_pager(register):
                continue
            seen = [
                answer.data
                for i, a in enumerate(trade.asks[: len(trade.answers)])
                if a.kind == "read" and a.register is register and (answer := trade.clean(i))
            ]
            if seen and set(seen) == {ask.word} and not trade.damage:
                self.machine.bank.learn(register.name, ask.word or 0)
                self.known.holds(register.name, ask.word or 0, "written and read back", self.time)
            else:
                self.machine.bank.forget(register.name)
                old = self.known.word(register.name)
                self.known.unknown(
                    register.name,
                    "a page was selected and not confirmed",
                    self.time,
                    (old, ask.word),
                )

    def _guarded_enough(self) -> bool:
        return self._guarded or all(
            f.command.of_kind("parity") or f.command.of_kind("crc")
            for f in self.chip.frames.values()
        )

    def _session(self) -> None:
        """Notice that the adapter has been gone or restarted."""
        if self.port.generation != self._generation:
            self._generation = self.port.generation
            self._in_step = False
            self.log("session", generation=self._generation)
            self.known.all_unknown(
                f"the adapter was gone or restarted {self.time:.3f} s into the session; what it did "
                "to the pins meanwhile is not known",
                self.time,
            )

    def _watch_for_reset(self, trade: Trade) -> None:
        """Notice that the chip has lost its configuration, from the status bits of good replies."""
        shown: list[bool] = []
        for index in range(len(trade.answers)):
            answer = trade.clean(index)
            if answer is not None:
                shown += [
                    answer.status[p.name]
                    for p in answer.layout.parts
                    if p.kind == "status" and p.fault in self._flags
                ]
        if len(shown) < 2:
            return
        if all(shown) or not any(shown):
            self._flag_is(shown[0])

    def _flag_is(self, shown: bool) -> None:
        """The power-on flag is seen; once it was clear, to be set again means a reset in between."""
        if not shown:
            self._configured = True
        elif self._configured:
            self._configured = False
            self.machine = Machine(self.chip)
            self.log("reset", text="the chip reports a power-on reset")
            self.known.all_unknown(
                f"the chip reports a power-on reset {self.time:.3f} s into the session: it has lost "
                "its configuration",
                self.time,
            )

    def _step_in(self) -> None:
        """Bring a counter that the commands carry into step, by harmless reads through its range."""
        if self._in_step or self._filler is None:
            return
        frame = self.composer.codec.frame_in_force(self.machine.bank)
        counter = frame.command.of_kind("counter")
        if counter is not None:
            rounds = 1 << counter.width if counter.width <= 4 else 2
            self._trade([Ask("read", self._filler)] * rounds)
        self._in_step = True

    # --- reading ---------------------------------------------------------------------------------
    def read(self, name: str) -> Reading:
        """Read a register. Where reading it changes the chip it is read once and no more."""
        register = need_register(self.chip, name)
        if not register.readable:
            return Reading(register=name, word=None, grade="lost", why="it is write-only")
        closed = rules.closed(self.chip, register, self.machine.bank)
        if closed:
            return Reading(
                register=name, word=None, grade="lost", why=f"it can be reached only while {closed}"
            )
        dangers = rules.read_hazards(self.chip, register)
        tries = 1 if dangers else self.attempts
        why = ""
        seen: list[int] = []
        reading: Reading | None = None
        for attempt in range(1, tries + 1):
            if attempt > 2 and self.composer.conditional:
                self.find_layout()
            try:
                self._step_in()
                reading = self._read_once(register, attempt, once=bool(dangers))
            except TransferLostError as lost:
                why = str(lost)
                if dangers and lost.may_have_run:
                    break
                continue
            if reading.grade != "lost":
                break
            why = reading.why
            seen += reading.seen
        if reading is None or reading.grade == "lost":
            why = why or "no reply that could be believed"
            if dangers:
                why += f"; not repeated, for {dangers[0]}"
                self.known.lost(f"what {name} held when it was read: {why}")
            reading = Reading(
                register=name, word=None, grade="lost", why=why, attempts=tries, seen=tuple(seen)
            )
        self._take(register, reading)
        return reading

    def _take(self, register: Register, reading: Reading) -> None:
        """Put a reading into what is known."""
        self.log(
            "reading",
            register=register.name,
            grade=reading.grade,
            word=None if reading.word is None else f"0x{reading.word:X}",
            **({"why": reading.why} if reading.why else {}),
        )
        if reading.word is None or reading.grade == "lost":
            return
        if register.reads_as not in ("written", "inverted"):
            return
        word = _held(register, reading.word)
        mask = register.read_mask & register.mask
        for field in register.fields:
            if field.access in ("wo", "sc"):
                mask &= ~mask_of(field.bits)
        self.machine.bank.learn(register.name, word, mask)
        if reading.grade == "good":
            self.known.holds(register.name, word, "read", self.time)
        self._reset_shown(register, word)
        if rules.read_hazards(self.chip, register):
            self.machine.read(register)

    def _reset_shown(self, register: Register, word: int) -> None:
        """A power-on flag in the register itself, for chips that show none in every reply."""
        flags = [
            f
            for f in self.chip.faults.values()
            if f.name in self._flags and f.register == register.name
        ]
        for fault in flags:
            field = register.field(fault.field)
            if field is not None:
                self._flag_is(extract(word, field.bits) == fault.code)

    def _prefix(self, register: Register) -> list[Ask]:
        """The write that selects the register's page, where a field does that."""
        select = self.chip.page_select
        if not select or register.page is None:
            return []
        field = self.chip.field(select)
        assert field is not None
        pager = self.chip.registers[field.register]
        others = mask_of(
            tuple(b for f in pager.fields if f is not field and f.setting for b in f.bits)
        )
        if others & ~self.machine.bank.known.get(pager.name, 0):
            self.read(pager.name)  # so that its other settings are written back as they are
        base = self.machine.bank.words.get(pager.name, pager.reset)
        return [Ask("write", pager, rules.merge(base, field, register.page))]

    def _read_once(self, register: Register, attempt: int, *, once: bool) -> Reading:
        before = self._prefix(register)
        pager = [Ask("read", a.register) for a in before]
        proof = [Ask("read", self._filler)] if self._filler is not None else []
        layout = self.composer.codec.reply_layout(
            self.composer.codec.read(register, self.machine.bank)
        )
        if layout is None or layout.of_kind("data") is None:
            return Reading(
                register=register.name, word=None, grade="lost", why="the chip answers no reads"
            )
        count = 1 if once else rules.repeats(layout, self.chip)
        first = [*before, *(proof if once else [])]
        asks = [*first, *[Ask("read", register)] * count, *proof, *pager]
        trade = self._trade(asks)
        return self._judge(trade, register, len(first), count, attempt, once=once)

    def _judge(
        self, trade: Trade, register: Register, at: int, count: int, attempt: int, *, once: bool
    ) -> Reading:
        """Whether the `count` replies from frame `at` on can be believed."""

        def lost(why: str, seen: Sequence[int] = ()) -> Reading:
            return Reading(
                register=register.name,
                word=None,
                grade="lost",
                why=why,
                attempts=attempt,
                seen=tuple(seen),
            )

        answers = [trade.clean(i) for i in range(at, at + count)]
        words = [a.data for a in answers if a is not None and a.data is not None]
        if trade.missed():
            return lost(trade.missed(), words)
        if len(words) < count:
            return lost(trade.damage[0] if trade.damage else "no reply", words)
        if len(set(words)) > 1:
            shown = ", ".join(f"0x{w:X}" for w in words)
            return lost(f"replies to the same read differ: {shown}", words)
        for index, ask in enumerate(trade.asks):
            if index in range(at, at + count) or ask.kind != "read" or ask.register is None:
                continue
            fault = self._disproof(trade, index)
            if fault:
                return lost(fault, words)
        word = words[0]
        proven = self.witness is not None and any(
            a.kind == "read" and a.register is self.witness[0] and trade.clean(i) is not None
            for i, a in enumerate(trade.asks)
        )
        raw = {w for w, s in zip(trade.raw, trade.sent, strict=True) if s.kind == "read"}
        if not proven and len(raw) == 1 and raw <= {0, (1 << trade.sent[0].bits) - 1}:
            return lost("every reply is the same, as from a line that nobody drives", words)
        layout = answers[0].layout if answers[0] is not None else None
        strong = layout is not None and rules.repeats(layout, self.chip) == 2
        if once and not (strong and proven):
            return Reading(
                register=register.name,
                word=word,
                grade="single",
                why="read once only, because " + rules.read_hazards(self.chip, register)[0],
                attempts=attempt,
                seen=tuple(words),
            )
        return Reading(
            register=register.name, word=word, grade="good", attempts=attempt, seen=tuple(words)
        )

    def _disproof(self, trade: Trade, index: int) -> str:
        """Why a read beside the one in question speaks against it, or ""."""
        ask = trade.asks[index]
        assert ask.register is not None
        if index + trade.sent[index].frame.after >= len(trade.sent):
            return ""
        answer = trade.clean(index)
        if answer is None:
            return f"the read of {ask.register.name} beside it came back damaged"
        if (
            self.witness is not None
            and ask.register is self.witness[0]
            and answer.data != self.witness[1]
        ):
            return (
                f"{ask.register.name} reads 0x{answer.data or 0:X}, which is always "
                f"0x{self.witness[1]:X} in {self.chip.name}"
            )
        held = self.known.word(ask.register.name)
        if (
            ask.register is self._filler
            and held is not None
            and answer.data is not None
            and ask.register.name
            not in [a.register.name for a in trade.asks if a.kind == "write" and a.register]
            and (answer.data ^ held) & setting_mask(ask.register)
        ):
            why = f"{ask.register.name} reads 0x{answer.data:X} but was known to hold 0x{held:X}"
            self.known.all_unknown(
                f"{why}: the chip was reset, or something else writes to it", self.time
            )
            return why
        if self._is_pager(ask.register):
            wanted = [
                a.word for a in trade.asks if a.kind == "write" and a.register is ask.register
            ]
            if wanted and answer.data != wanted[-1]:
                return f"{ask.register.name} did not take the page word 0x{wanted[-1] or 0:X}"
        return ""

    def _is_pager(self, register: Register) -> bool:
        return self.chip.page_select.partition(".")[0] == register.name

    def find_layout(self) -> bool:
        """Try the other frame layouts of the map with a harmless read; keep the one that answers."""
        from .layouts import alternatives

        probe = self._filler
        if probe is None:
            return False
        kept = self.machine.bank
        for bank in alternatives(self.chip, kept):
            self.machine.bank = bank
            self._in_step = False
            try:
                self._step_in()
                if self._read_once(probe, 1, once=False).good:
                    self.log("layout", frame=self.composer.codec.frame_in_force(bank).name)
                    return True
            except TransferLostError:
                continue
        self.machine.bank = kept
        return False

    # --- writing ---------------------------------------------------------------------------------
    @contextmanager
    def _pending(self, registers: Sequence[tuple[str, int]]) -> Iterator[None]:
        """While this is under way an interrupt leaves these registers unknown, and says so."""
        try:
            yield
        except BaseException as error:
            if not isinstance(error, (TransferLostError, CallError)):
                for name, word in registers:
                    self.known.unknown(
                        name,
                        "interrupted while it was written",
                        self.time,
                        (self.known.word(name), word),
                    )
                    self.machine.bank.forget(name)
                self.log("interrupted", writing=[n for n, _ in registers])
            raise

    def write(self, name: str, word: int) -> Written:
        """Write a register's word and read it back. Repeated only where a second write is harmless."""
        register = need_register(self.chip, name)
        if word < 0 or word >> register.width:
            raise CallError(f"0x{word:X} does not fit the {register.width} bits of {name}")
        ask = Ask("write", register, word)
        dangers = rules.write_hazards(self.chip, register, word)
        if any(f.command.of_kind("counter") for f in self.chip.frames.values()):
            dangers = [*dangers, "the frame carries a counter"]
        closed = rules.closed(self.chip, register, self.machine.bank)
        if closed:
            why = f"nothing was sent: {name} can be reached only while {closed}"
            return Written(what=ask.text, result="refused", why=why)
        old = self.known.word(name)
        check = rules.readback(self.chip, register, old or 0, word)
        result: Written | None = None
        with self._pending([(name, word)]):
            for attempt in range(1, (1 if dangers else self.attempts) + 1):
                result = self._write_once(ask, register, check, attempt)
                if result.good:
                    break
        assert result is not None
        if not result.good and dangers and result.result != "refused":
            result = Written(
                what=result.what,
                result=result.result,
                holds=result.holds,
                why=f"{result.why}; not repeated, for {dangers[0]}",
                attempts=result.attempts,
            )
        self._settle_write(register, word, old, result)
        return result

    def _write_once(
        self, ask: Ask, register: Register, check: tuple[int, int] | None, attempt: int
    ) -> Written:
        before = self._prefix(register)
        proof = [Ask("read", self._filler)] if self._filler is not None else []
        pager = [Ask("read", a.register) for a in before]
        looks: list[Ask] = []
        if check is not None:
            layout = self.composer.codec.reply_layout(
                self.composer.codec.read(register, self.machine.bank)
            )
            if layout is not None:
                looks = [Ask("read", register)] * rules.repeats(layout, self.chip)
        reading: Reading | None = None
        trade: Trade | None = None
        why = ""
        may_have_run = True
        try:
            self._step_in()
            trade = self._trade([*before, ask, *looks, *proof, *pager])
            if looks:
                reading = self._judge(
                    trade, register, len(before) + 1, len(looks), attempt, once=False
                )
        except TransferLostError as lost:
            why, may_have_run = str(lost), lost.may_have_run
        if check is None:
            return self._unproven(ask.text, trade, why, attempt, may_have_run)
        before_it = self.machine.bank.copy()
        if trade is not None:
            # later frames travel in the layout that this write brings into force
            self.machine.apply(trade.sent[len(before)])
        if reading is None or not reading.good:
            # look before anything is repeated: what does it hold now?
            why = why or (reading.why if reading is not None else "")
            reading = self.read(register.name)
        mask, expected = check
        if not reading.good or reading.word is None:
            self._doubt_states(register)
            return Written(
                what=ask.text,
                result="unknown",
                why=f"{why or reading.why}; and it could not be read back: {reading.why}",
                attempts=attempt,
            )
        if reading.word & mask == expected:
            return Written(
                what=ask.text, result="verified", holds=reading.word, why=why, attempts=attempt
            )
        self.machine.bank = before_it
        return Written(
            what=ask.text,
            result="refused",
            holds=reading.word,
            why=f"it reads 0x{reading.word:X}; bits 0x{(reading.word ^ expected) & mask:X} are not as written",
            attempts=attempt,
        )

    def _doubt_states(self, register: Register) -> None:
        """States that a write of this register may have entered or left are not known any more."""
        for state in self.chip.states.values():
            events = [*state.entered_by, *state.left_by]
            if any(e.partition("=")[0].strip().partition(".")[0] == register.name for e in events):
                self.machine.bank.states.pop(state.name, None)

    def _unproven(
        self, what: str, trade: Trade | None, why: str, attempt: int, may_have_run: bool
    ) -> Written:
        """The outcome of something that cannot be read back, from the form of the replies alone."""
        if trade is None:
            result = "unknown" if may_have_run else "refused"
            return Written(what=what, result=result, why=why, attempts=attempt)
        if trade.damage:
            return Written(what=what, result="unknown", why=trade.damage[0], attempts=attempt)
        wrong = [
            text
            for i, a in enumerate(trade.asks)
            if a.kind == "read" and (text := self._disproof(trade, i))
        ]
        if wrong:
            return Written(what=what, result="unknown", why=wrong[0], attempts=attempt)
        return Written(
            what=what,
            result="sent",
            why="nothing can be read back that proves it",
            attempts=attempt,
        )

    def _settle_write(
        self, register: Register, word: int, old: int | None, result: Written
    ) -> None:
        """Put the outcome of a write into what is known and believed."""
        name = register.name
        self.log("written", what=result.what, result=result.result, why=result.why)
        if result.result == "verified" and result.holds is not None:
            held = _held(register, result.holds)
            self.machine.bank.learn(name, held, register.read_mask & register.mask)
            self.known.holds(name, held, "written and read back", self.time)
        elif result.result == "refused" and result.holds is not None:
            held = _held(register, result.holds)
            self.machine.bank.learn(name, held)
            self.known.holds(
                name, held, f"read, after a write of 0x{word:X} did not take", self.time
            )
        elif result.result == "sent":
            self.machine.write(register, word)
            if register.holds_settings and any(f.access == "rw" for f in register.fields):
                self.known.unknown(name, "written, but it cannot be read back", self.time, (word,))
        elif result.result == "unknown":
            self.machine.bank.forget(name)
            self.known.unknown(
                name, f"a write of it was lost: {result.why}", self.time, (old, word)
            )
            self.known.lost(f"{result.what}: {result.why}")

    # --- commands and keys --------------------------------------------------------------------
    def command(self, command: Command, data: int | None = None) -> Written:
        """Send a command, once."""
        ask = Ask("command", command=command, word=data)
        return self._act([ask], command.name)

    def key(self, name: str) -> Written:
        """Send a key sequence, its frames in one exchange with nothing between them, once."""
        from ..behave import match_of
        from ..plan import plan

        steps = self.chip.keys[name].steps
        asks = []
        for step in steps:
            match = match_of(self.chip, step)
            [planned] = [
                p for p in plan(self.chip, [step], self._plan_bank()) if p.requests
            ] or plan(self.chip, [step], self._plan_bank())[-1:]
            asks.append(Ask("write", self.chip.registers[match.register], planned.sent.data))
        return self._act(asks, f"key sequence {name}")

    def _plan_bank(self) -> Bank:
        """What is believed, with reset words where nothing is."""
        bank = Bank.at_reset(self.chip)
        for name, known in self.machine.bank.known.items():
            bank.learn(name, self.machine.bank.words[name], known)
        bank.states.update(self.machine.bank.states)
        return bank

    def _act(self, asks: list[Ask], what: str) -> Written:
        proof = [Ask("read", self._filler)] if self._filler is not None else []
        trade: Trade | None = None
        why, may_have_run = "", True
        touched = [(a.register.name, a.word or 0) for a in asks if a.register is not None]
        with self._pending(touched):
            try:
                self._step_in()
                trade = self._trade([*asks, *proof])
            except TransferLostError as lost:
                why, may_have_run = str(lost), lost.may_have_run
        result = self._unproven(what, trade, why, 1, may_have_run)
        self.log("written", what=what, result=result.result, why=result.why)
        resets = [a.command for a in asks if a.command is not None and "reset" in a.command.effects]
        if resets:
            self._configured = False
            self.known.all_unknown(f"{what} puts every register back to its reset word", self.time)
        if result.result == "sent" and trade is not None:
            for sent in trade.sent[: len(asks)]:
                self.machine.apply(sent)
        elif result.result == "unknown":
            self.known.lost(f"{what}: {result.why}; not repeated")
            for ask in asks:
                if ask.register is not None:
                    self._doubt_states(ask.register)
            for name, word in touched:
                self.known.unknown(name, f"{what} was lost: {result.why}", self.time, (word,))
                self.machine.bank.forget(name)
        return result


def _held(register: Register, read: int) -> int:
    """What a register holds that was read as `read`."""
    return ~read & register.mask if register.reads_as == "inverted" else read
