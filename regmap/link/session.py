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

from collections.abc import Sequence

from regmap.record import dataclass, replace

from ..behaviour.effects import Said, said
from ..behaviour.machine import Machine, match_of
from ..behaviour.plan import plan
from ..chip.bank import Bank, need_register
from ..chip.model import Access, Chip, Command, Register
from ..errors import CallError
from . import rules
from .exchange import Exchange, Log
from .known import Account
from .locks import explain_lock, not_taken
from .port import AdapterPort, TransferLostError
from .reading import RegisterReader, RegisterReading
from .trade import Ask, Trade


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
    #: what a command's reply told of registers: (name, word as it was shown)
    returned: tuple[tuple[str, int], ...] = ()

    @property
    def good(self) -> bool:
        return self.result in ("verified", "sent")


class Link:
    """Reads and writes one chip behind a port. `chips` and `position` say where it is in a daisy chain.

    `attempts` bounds how often something harmless is tried; `log` gets one dictionary an event.
    `move_pages` allows the writes that registers on another page need; the page is put back after.
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
        move_pages: bool = False,
    ) -> None:
        self.exchange = Exchange(
            chip,
            port,
            attempts=attempts,
            log=log,
            chips=chips,
            position=position,
            move_pages=move_pages,
        )
        self.reader = RegisterReader(self.exchange)
        self.chip, self.port, self.known = chip, port, self.exchange.known

    @property
    def machine(self) -> Machine:
        """What is believed of the chip; a new one after it was reset."""
        return self.exchange.machine

    @property
    def time(self) -> float:
        """Seconds since the session began."""
        return self.exchange.time

    @property
    def watched(self) -> bool:
        """Whether a reset of the chip would have shown by the last exchange."""
        return self.exchange.watched

    @property
    def move_pages(self) -> bool:
        """Whether the page select may be written, and put back, for registers on another page."""
        return self.exchange.move_pages

    @move_pages.setter
    def move_pages(self, allowed: bool) -> None:
        self.exchange.move_pages = allowed

    @property
    def witness(self) -> tuple[Register, int] | None:
        """A register that always reads one word, and the word: what proves which chip answers."""
        return self.exchange.witness

    @witness.setter
    def witness(self, proof: tuple[Register, int] | None) -> None:
        self.exchange.witness = proof

    def log(self, event: str, **content: object) -> None:
        """Put one event in the record."""
        self.exchange.log(event, **content)

    def account(self) -> Account:
        """What is known and unknown now."""
        return self.exchange.account()

    def unreachable(self, register: Register) -> str:
        """Why this register cannot be read without a write of the page select, where that is not allowed."""
        return self.reader.unreachable(register)

    def find_layout(self) -> bool:
        """Try the other frame layouts of the map with a harmless read; keep the one that answers."""
        return self.reader.find_layout()

    def read(self, name: str) -> RegisterReading:
        """Read a register. Where reading it changes the chip it is read once and no more."""
        return self.reader.read(name)

    def read_all(self, names: Sequence[str]) -> dict[str, RegisterReading]:
        """Read several registers, those that may be read at any time in one exchange of the adapter."""
        return self.reader.read_all(names)

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
        old, bank = self.known.word(name), self.machine.bank.copy()
        check = rules.readback(self.chip, register, old or 0, word)
        result: Written | None = None
        with self.exchange.pending([(name, word)]):
            for attempt in range(1, (1 if dangers else self.exchange.attempts) + 1):
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
        if result.result == "refused" and result.holds is not None:
            lock = explain_lock(self.reader, register)
            result = replace(result, why=f"{result.why}; {lock}" if lock else result.why)
        self._settle_write(register, word, result)
        # the page that this write had to turn to is told where it is turned; else the write itself changed it
        turned = {self.chip.page_select.partition(".")[0]} if register.page is not None else set()
        self._spread(bank, self.machine.bank, {name, *turned}, result.what)
        return result

    def _write_once(
        self, ask: Ask, register: Register, check: tuple[int, int] | None, attempt: int
    ) -> Written:
        before, after = self.reader.turn(register, always=True)
        looks, places = self.exchange.proof(), list[int]()
        at = len(before)
        if check is not None:
            layout = self.exchange.composer.codec.reply_layout(
                self.exchange.composer.codec.read(register, self.machine.bank)
            )
            if layout is not None:
                looks, places = self.reader.looks(
                    register, self.exchange.repeats(layout), (), at + 1
                )
        reading: RegisterReading | None = None
        trade: Trade | None = None
        why = ""
        may_have_run = True
        try:
            self.exchange.step_in()
            trade = self.exchange.trade([*before, ask, *looks, *after], register.page)
            if places:
                reading = self.reader.judge(trade, register, places, attempt, once=False)
                if reading.good and not self.reader.depends(trade, places):
                    reading = None  # one answer to every question; `read` asks more of them
        except TransferLostError as lost:
            why, may_have_run = str(lost), lost.may_have_run
        if check is None:
            return self._unproven(ask.text, trade, why, attempt, may_have_run)
        before_it = self.machine.bank.copy()
        if trade is not None:
            # later frames travel in the layout that this write brings into force
            self.machine.apply(trade.sent[at])
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
            hidden = [f.ref for f in register.fields if f.setting and f.mask & ~register.shows]
            if hidden:
                told = f"{', '.join(hidden)} cannot be read back, and travelled in the same frame"
                why = f"{why}; {told}" if why else told
            return Written(
                what=ask.text, result="verified", holds=reading.word, why=why, attempts=attempt
            )
        self.machine.bank = before_it
        wrong = not_taken(register, (reading.word ^ expected) & mask)
        return Written(
            what=ask.text,
            result="refused",
            holds=reading.word,
            why=f"it reads 0x{reading.word:X}; not as written: {wrong}",
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
            if a.kind == "read" and (text := self.reader.disproof(trade, i))
        ]
        if wrong:
            return Written(what=what, result="unknown", why=wrong[0], attempts=attempt)
        return Written(
            what=what,
            result="sent",
            why="nothing can be read back that proves it",
            attempts=attempt,
        )

    def _settle_write(self, register: Register, word: int, result: Written) -> None:
        """Put the outcome of a write into what is known and believed."""
        name = register.name
        self.exchange.log("written", what=result.what, result=result.result, why=result.why)
        if result.result == "verified" and result.holds is not None:
            held = register.held(result.holds)
            # what a read does not show travelled in the same frame as what it proves
            hidden = register.settings & ~register.shows
            self.machine.bank.learn(name, held, register.shows)
            self.machine.bank.learn(name, word, hidden)
            self.reader.hold(register, "written and read back")
        elif result.result == "refused" and result.holds is not None:
            held = register.held(result.holds)
            self.machine.bank.learn(name, held, register.shows)
            self.reader.hold(register, f"read, after a write of 0x{word:X} was refused")
        elif result.result == "sent":
            self.machine.write(register, word)
            if register.holds_settings and any(f.access is Access.RW for f in register.fields):
                why = "written, but it cannot be read back"
                self.known.unknown(name, why, self.time, (self.exchange.written(name, word),))
            elif self.known.word(name) is not None:
                # no setting of it was proven, and bits may have been cleared
                why = "written, and not read since"
                self.known.unknown(name, why, self.time, (None, self.exchange.written(name, word)))
        elif result.result == "unknown":
            new = self.exchange.written(name, word)
            self.machine.bank.forget(name)
            self.known.unknown(
                name, f"a write of it was lost: {result.why}", self.time, (None, new)
            )
            self.known.lost(f"{result.what}: {result.why}")

    # --- commands and keys --------------------------------------------------------------------
    def command(self, command: Command, data: int | None = None) -> Written:
        """Send a command, once."""
        ask = Ask("command", command=command, word=data)
        return self._act([ask], command.name)

    def key(self, name: str) -> Written:
        """Send a key sequence, its frames in one exchange with nothing between them, once."""
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
        proof = self.exchange.proof()
        trade: Trade | None = None
        why, may_have_run = "", True
        touched = [(a.register.name, a.word or 0) for a in asks if a.register is not None]
        with self.exchange.pending(touched):
            try:
                self.exchange.step_in()
                trade = self.exchange.trade([*asks, *proof])
            except TransferLostError as lost:
                why, may_have_run = str(lost), lost.may_have_run
        result = self._unproven(what, trade, why, 1, may_have_run)
        self.exchange.log("written", what=what, result=result.result, why=result.why)
        resets = [a.command for a in asks if a.command is not None and "reset" in a.command.effects]
        if resets:
            self.exchange.configured = False
            self.known.all_unknown(f"{what} puts every register back to its reset word", self.time)
        before = self.machine.bank.copy()
        if result.result == "sent" and trade is not None:
            returned = []
            for index, sent in enumerate(trade.sent[: len(asks)]):
                answer = trade.clean(index) if sent.command is not None else None
                told = said(self.chip, sent, answer) if answer is not None else Said()
                if told.register is not None:
                    # one reply: told, and not known to hold
                    returned.append((told.register.name, told.data))
                    self.machine.bank.learn_read(told.register.name, told.data)
                self.machine.apply(sent)
            result = replace(result, returned=tuple(returned))
            self._spread(before, self.machine.bank, {n for n, _ in touched}, what)
        elif result.result == "unknown":
            self.known.lost(f"{what}: {result.why}; not repeated")
            for ask in asks:
                if ask.register is not None:
                    self._doubt_states(ask.register)
            for name, word in touched:
                why = f"{what} was lost: {result.why}"
                self.known.unknown(name, why, self.time, (None, self.exchange.written(name, word)))
                self.machine.bank.forget(name)
            trial = self.machine.copy()
            for sent in trade.sent[: len(asks)] if trade is not None else ():
                trial.apply(sent)
            others = self._spread(self.machine.bank, trial.bank, {n for n, _ in touched}, what)
            for name in others:
                self.machine.bank.forget(name)
        return result

    def _spread(self, before: Bank, after: Bank, but: set[str], what: str) -> list[str]:
        """Registers that a frame changed, or may have, beside its own: they are not known until they are read."""
        found = []
        for name, register in self.chip.registers.items():
            had, has = before.known.get(name, 0), after.known.get(name, 0)
            word = after.words.get(name, 0)
            changed = (before.words.get(name, 0) ^ word) & had & has | had & ~has
            if name in but or not changed:
                continue
            found.append(name)
            if self.known.word(name) is not None:
                why = f"{what} may have changed it, and it was not read since"
                self.known.unknown(name, why, self.time, (None, word & register.shows))
        return found


__all__ = ["Link", "RegisterReading", "Written"]
