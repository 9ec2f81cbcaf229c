"""One exchange at a time with a chip: frames out, replies in, and what happened to the session.

`Exchange` is what `reading.RegisterReader` and `session.Link` ask through. It notices damaged replies, an adapter that was gone
or restarted, a chip that lost its configuration, a counter out of step, and tells `known.Knowledge`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from ..behaviour.machine import Machine, after_write
from ..chip.bank import Bank
from ..chip.bits import extract, hexword
from ..chip.model import Chip, Layout, Register
from ..errors import CallError, FrameError, LinkError
from . import rules
from .detours import By, Detour
from .known import Account, Knowledge
from .port import AdapterPort, TransferLostError
from .trade import Ask, Composer, Direct, InChain, Route, Trade

NOISE_LASTS = 30  # exchanges
WORDS = 96  # frames whose words are kept
Log = Callable[[dict[str, Any]], None]


class Exchange:
    """One chip behind a port. `chips` and `position` say where it is in a daisy chain.

    `attempts` bounds how often something harmless is tried; `log` gets one dictionary an event.
    `move_pages` allows the writes that registers on another page need; the page is put back after.
    Raises LinkError for an adapter that cannot clock this chip's frames.
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
        self.chip = chip
        self.port = port
        self.attempts = attempts
        self.move_pages = move_pages
        self.known = Knowledge(chip)
        self.machine = Machine(chip, Bank(chip))
        self.composer = Composer(chip)
        self.damaged = 0
        self.noise = 0  # exchanges for which more is asked, since replies were damaged or differed
        self.witness = rules.witness(chip)
        exact = port.clocks_bits
        self._route: Route = (
            InChain(chips, position, exact=exact) if len(chips) > 1 else Direct(chip, exact=exact)
        )
        self.filler = rules.filler(chip)
        self._guarded = rules.guarded(chip)
        self._after = max(f.after for f in chip.frames.values())
        self._log = log or (lambda _event: None)
        self._generation = port.generation
        self._begin = port.clock()
        self.in_step = False
        #: the last frames: the word sent and the word read meanwhile
        self.words: deque[tuple[int, int]] = deque(maxlen=WORDS)
        self.flags = rules.power_up_flags(chip)
        self.sentry = rules.sentry(chip)
        self.configured = False
        self.mixed = (
            False  # some replies of the last exchange told of a power-on reset, others did not
        )

    # --- time and record ---------------------------------------------------------------------
    @property
    def time(self) -> float:
        """Seconds since the session began."""
        return self.port.clock() - self._begin

    def log(self, event: str, **content: object) -> None:
        """Put one event in the record."""
        self._log({"event": event, "time_s": round(self.time, 6), **content})

    def account(self) -> Account:
        """What is known and unknown now."""
        return self.known.account(
            self.port.name, enable_pin=self.port.has_enable_pin, watched=self.watched
        )

    @contextmanager
    def by(self, detour: Detour) -> Iterator[None]:
        """Frames sent so that they arrive right by a detour, for a while. Raises LinkError for a chip in a chain."""
        route = self._route
        if not isinstance(route, Direct):
            raise LinkError("detours are tried with one chip only")
        self._route = By(route, self.composer.codec, self.machine.bank, detour)
        try:
            yield
        finally:
            self._route = route

    # --- one exchange --------------------------------------------------------------------------
    def trade(self, asks: Sequence[Ask], page: int | None = None) -> Trade:
        """Send these frames and the harmless ones behind them that fetch the last replies.

        `page` is the one that the chip must be on for them.
        Raises TransferLostError.
        """
        asks = [*asks]
        if self._after:
            fetch = self.filler or (asks[-1].register if asks[-1].kind == "read" else None)
            if fetch is None:
                raise CallError(f"{self.chip.name} has no register that can be read without effect")
            asks += [Ask("read", fetch)] * self._after
        self.noise = max(0, self.noise - 1)
        built = self.composer.build(asks, self.machine)
        trade = Trade(asks, built, page=page, counted=self.composer.counting)
        out = [self._route.out(sent) for sent in trade.sent]
        try:
            read = self.port.transfer([burst for frame in out for burst in frame])
            at = 0
            for sent, frame in zip(trade.sent, out, strict=True):
                try:
                    trade.raw.append(self._route.back(sent.frame, read[at : at + len(frame)]))
                except FrameError as error:
                    trade.damage.append(str(error))
                    trade.raw.append(0)
                at += len(frame)
            self.words += [(s.word, w) for s, w in zip(trade.sent, trade.raw, strict=True)]
            self.composer.decode(trade, self.machine.bank)
            missed = trade.missed()
            if missed:
                trade.damage.append(missed)
            self.log(
                "exchange",
                asks=[a.text for a in asks],
                sent=[hexword(s.word, s.bits)[2:] for s in trade.sent],
                read=[hexword(w, s.bits)[2:] for s, w in zip(trade.sent, trade.raw, strict=True)],
                **({"damage": trade.damage} if trade.damage else {}),
            )
        except TransferLostError as lost:
            self.in_step = False
            self.composer.lost_track()
            self._note_page(trade)
            self.log(
                "lost", asks=[a.text for a in asks], why=str(lost), may_have_run=lost.may_have_run
            )
            self._doubt("an exchange was lost")
            self._session()
            raise
        except BaseException:
            # between the chip and the log: what was sent is told all the same
            self.in_step = False
            self.composer.lost_track()
            self._note_page(trade)
            self.log("lost", asks=[a.text for a in asks], why="interrupted", may_have_run=True)
            self._doubt("an exchange was interrupted")
            raise
        if trade.damage:
            self.damaged += 1
            self.noise = NOISE_LASTS
            self.in_step = False
            self._doubt("a reply was damaged")
            if not self._guarded:
                # half of all words that are shifted or cut pass a parity bit
                self.known.all_unknown(
                    "frames were damaged, and commands carry nothing that makes the chip refuse all "
                    "such frames: any register may have been changed",
                    self.time,
                    anything=True,
                )
        self._session()
        self._note_page(trade)
        self._watch_for_reset(trade)
        self._ask_sentry(trade)
        return trade

    @property
    def watched(self) -> bool:
        """Whether a reset of the chip would have shown by the last exchange."""
        return self.configured and (self.sentry is not None or rules.shown_in_replies(self.chip))

    def repeats(self, layout: Layout) -> int:
        """How many agreeing replies make a word believed; two more where the line has been noisy."""
        least = rules.repeats(layout, self.chip)
        return least + 2 if self.noise and least > 2 else least

    def evidence(self) -> list[Ask]:
        """A read whose answer is known, or known to be harmless."""
        return [Ask("read", self.filler)] if self.filler is not None else []

    def proof(self) -> list[Ask]:
        """What is read beside something that is sent or read once: evidence, and whether the chip was reset."""
        beside = self.evidence()
        if self.sentry is not None and self.configured and self.sentry is not self.filler:
            beside.append(Ask("read", self.sentry))
        return beside

    def _ask_sentry(self, trade: Trade) -> None:
        """A reset that the sentry shows, seen at once; that there was none takes a whole reading."""
        for index, ask in enumerate(trade.asks):
            if ask.kind != "read" or ask.register is None or ask.register is not self.sentry:
                continue
            answer = trade.clean(index)
            if answer is not None and answer.data is not None and self._power_up(answer.data):
                self.flag_is(True)

    def _power_up(self, word: int) -> bool:
        """Whether a word of the sentry says that the chip was reset."""
        register = self.sentry
        assert register is not None
        for fault in self.chip.faults.values():
            field = register.field(fault.field) if fault.register == register.name else None
            if fault.name in self.flags and field is not None:
                return extract(word, field.bits) == fault.code
        return False

    def _doubt(self, what: str) -> None:
        """Power may have gone meanwhile; the next proof that it did not restores what was known."""
        self.known.doubt(f"{what} at {self.time:.3f} s, and power may have gone with it", self.time)

    def _note_page(self, trade: Trade) -> None:
        """What the page register holds now, where this exchange wrote it: its last word, if seen."""
        writes = [
            (i, a)
            for i, a in enumerate(trade.asks)
            if a.kind == "write" and a.register is not None and self.is_pager(a.register)
        ]
        if not writes:
            return
        at, last = writes[-1]
        assert last.register is not None
        name = last.register.name
        seen = {
            answer.data
            for i, a in enumerate(trade.asks[: len(trade.answers)])
            if i > at
            and a.kind == "read"
            and a.register is last.register
            and (answer := trade.clean(i))
        }
        if seen == {last.word} and not trade.damage:
            self.machine.bank.learn(name, last.word or 0)
            self.known.holds(name, last.word or 0, "written and read back", self.time)
        else:
            self.machine.bank.forget(name)
            why = "a page was selected and not confirmed"
            self.known.unknown(name, why, self.time, (None, *(a.word for _, a in writes)))

    def _session(self) -> None:
        """Notice that the adapter has been gone or restarted."""
        if self.port.generation != self._generation:
            self._generation = self.port.generation
            self.in_step = False
            self.log("session", generation=self._generation)
            self.known.all_unknown(
                f"the adapter was gone or restarted {self.time:.3f} s into the session; what it did "
                "to the pins meanwhile is not known",
                self.time,
            )

    def _watch_for_reset(self, trade: Trade) -> None:
        """Notice that the chip has lost its configuration, from the status bits of good replies."""
        shown: list[bool] = []
        self.mixed = False
        for index in range(len(trade.answers)):
            answer = trade.clean(index)
            if answer is not None:
                shown += [
                    answer.status[p.name]
                    for p in answer.layout.parts
                    if p.kind == "status" and p.fault in self.flags
                ]
        if len(shown) > 1 and (all(shown) or not any(shown)):
            self.flag_is(shown[0])
        elif self.configured and any(shown):
            # a reset between two of these frames, or a damaged bit: the next exchange tells
            self.mixed = True
            self._doubt("some replies told of a power-on reset")

    def flag_is(self, shown: bool) -> None:
        """The power-on flag is seen; once it was clear, to be set again means a reset in between."""
        if not shown:
            if self.configured:
                self.known.no_reset()
            self.configured = True
        elif self.configured:
            self.configured = False
            self.machine = Machine(self.chip)
            self.log("reset", text="the chip reports a power-on reset")
            self.known.all_unknown(
                f"the chip reports a power-on reset {self.time:.3f} s into the session: it has lost "
                "its configuration",
                self.time,
            )

    def step_in(self) -> None:
        """Bring a counter that the commands carry into step, by harmless reads through its range."""
        if self.in_step or self.filler is None:
            return
        frame = self.composer.codec.frame_in_force(self.machine.bank)
        counter = frame.command.of_kind("counter")
        if counter is not None:
            rounds = 1 << counter.width if counter.width <= 4 else 2
            self.trade([Ask("read", self.filler)] * rounds)
        self.in_step = True

    def written(self, name: str, word: int) -> int:
        """What the register holds once `word` is written and takes, as far as its word before is known."""
        register = self.chip.registers[name]
        bank, known = self.machine.bank, self.machine.bank.known.get(name, 0)
        # bits of which nothing is known, such as reserved ones, are as after reset
        old = bank.words.get(name, 0) & known | register.reset & ~known
        return after_write(register, old, word) & register.read_mask & register.mask

    def is_pager(self, register: Register) -> bool:
        return self.chip.page_select.partition(".")[0] == register.name

    @contextmanager
    def pending(self, registers: Sequence[tuple[str, int]]) -> Iterator[None]:
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
                        (None, self.written(name, word)),
                    )
                    self.machine.bank.forget(name)
                    self.known.lost(f"write {name} = 0x{word:X}: interrupted")
                self.log("interrupted", writing=[n for n, _ in registers])
            raise
