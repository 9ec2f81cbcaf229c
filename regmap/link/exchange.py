"""One exchange at a time with a chip: frames out, replies in, and what happened to the session.

`Exchange` is the lower half of `session.Link`. It notices damaged replies, an adapter that was gone
or restarted, a chip that lost its configuration, a counter out of step, and tells `known.Knowledge`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from ..behaviour.machine import Machine
from ..chip.bank import Bank
from ..chip.model import Chip, Register
from ..errors import CallError, FrameError
from . import rules
from .known import Account, Knowledge
from .port import AdapterPort, TransferLostError
from .trade import Ask, Composer, Direct, InChain, Route, Trade

Log = Callable[[dict[str, Any]], None]


class Exchange:
    """One chip behind a port. `chips` and `position` say where it is in a daisy chain.

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
        self._route: Route = InChain(chips, position) if len(chips) > 1 else Direct(chip)
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

    def _is_pager(self, register: Register) -> bool:
        return self.chip.page_select.partition(".")[0] == register.name

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
