"""An adapter behind a serial line: greeted, set up, asked, and found again after it was gone."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TypeVar, cast

from ..chip.model import Spi
from ..errors import CallError, LinkError
from ..wire.client import Client, Done, Lost, Outcome, Refused
from ..wire.layout import (
    BitTransfer,
    Burst,
    Capability,
    Clocked,
    Code,
    Hello,
    Identity,
    PinLevels,
    Pins,
    Request,
    Setup,
    SetupDone,
    Transfer,
)
from ..wire.ports import Line, exchange

DEFAULT_CLOCK = 1_000_000
_Answer = TypeVar("_Answer")


class TransferLostError(LinkError):
    """A transfer without an answer. `may_have_run` tells whether the chip may have seen it."""

    def __init__(self, text: str, *, may_have_run: bool) -> None:
        super().__init__(text)
        self.may_have_run = may_have_run


class AdapterPort:
    """One adapter and its SPI set-up, as the map's `spi` wants it; with None it is only greeted.

    `open_line` opens the port, anew after it failed. `generation` counts sessions: whoever finds it
    changed knows that the adapter was gone or restarted in between and that its pins may have moved.
    `reconnect` is how long, in seconds, a lost port is looked for; `until`, a moment of `clock`, ends
    all waiting: who has to report in time sets it.
    """

    def __init__(
        self,
        open_line: Callable[[], Line],
        spi: Spi | None,
        *,
        name: str = "",
        clock_hz: int | None = None,
        timeout: float = 0.25,
        attempts: int = 4,
        reconnect: float = 5.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.name = name
        self.spi = spi
        self.clock = clock
        self.sleep = sleep
        self.reconnect = reconnect
        self.until: float | None = None
        self.generation = 0
        self.transfers = 0
        self.repeats = 0
        self.identity: Identity | None = None
        self.clock_hz = self._spi_clock(clock_hz)
        self._open_line = open_line
        self._line: Line | None = None
        self._client = Client(timeout=timeout, attempts=attempts)

    def _spi_clock(self, asked: int | None) -> int:
        fastest = self.spi.clock_max if self.spi is not None else None
        slowest = self.spi.clock_min if self.spi is not None else None
        high = int(fastest.low) if fastest is not None else DEFAULT_CLOCK
        low = int(slowest.high) if slowest is not None else 1
        if asked is None:
            return max(low, min(high, DEFAULT_CLOCK))
        if not low <= asked <= high:
            raise CallError(f"an SPI clock of {asked} Hz; the chip takes {low} Hz to {high} Hz")
        return asked

    @property
    def damaged(self) -> int:
        """Pieces of the serial line that arrived damaged."""
        return self._client.damaged

    @property
    def has_enable_pin(self) -> bool:
        return self.identity is not None and bool(
            self.identity.capabilities & Capability.ENABLE_PIN
        )

    def open(self) -> Identity:
        """Open the port, greet the adapter and set SPI up. Raises LinkError."""
        self.close()
        self._line = self._open_line()
        try:
            return self._greet()
        except LinkError:
            self.close()
            raise

    def _greet(self) -> Identity:
        identity = self._must(Hello(), Identity)
        self.identity = identity
        spi = self.spi
        if spi is None:
            self.generation += 1
            return identity
        self._set_up(spi, identity)
        self.generation += 1
        return identity

    def try_spi(self, spi: Spi) -> None:
        """Set SPI up otherwise for a while; the caller puts it back. Raises LinkError."""
        self._ready()
        assert self.identity is not None
        self.spi = spi
        self._set_up(spi, self.identity)

    def _set_up(self, spi: Spi, identity: Identity) -> None:
        gap = spi.idle.high if spi.idle is not None else 0
        self._must(
            Setup(
                mode=spi.mode,
                clock_hz=min(self.clock_hz, identity.max_clock_hz),
                select_high=not spi.select_active_low,
                idle_ns=int(-(-gap * 1_000_000_000 // 1)),
            ),
            SetupDone,
        )

    def _exchange(self, request: Request) -> Outcome:
        assert self._line is not None
        return exchange(self._line, self._client, request, clock=self.clock, until=self.until)

    def _in_time(self) -> bool:
        return self.until is None or self.clock() < self.until

    def _must(self, request: Request, kind: type[_Answer]) -> _Answer:
        outcome = self._exchange(request)
        if isinstance(outcome, Done) and isinstance(outcome.answer, kind):
            return outcome.answer
        raise LinkError(f"{self.name or 'the adapter'}: {outcome}")

    @property
    def clocks_bits(self) -> bool:
        """Whether the adapter clocks bursts that are no whole bytes."""
        return self.identity is not None and bool(
            self.identity.capabilities & Capability.BIT_COUNTS
        )

    def transfer(self, bursts: Sequence[bytes | Clocked]) -> list[bytes]:
        """The bytes read in each burst. Raises TransferLostError where it cannot be told what happened.

        A burst that is no whole bytes (`Clocked`) needs an adapter that `clocks_bits`.
        """
        self._ready()
        identity = self.identity
        assert identity is not None
        read: list[bytes] = []
        pieces = [b if isinstance(b, Clocked) else Clocked(b) for b in bursts]
        for part in self._chunks(pieces, identity):
            try:
                read += self._one(tuple(part))
            except TransferLostError as lost:
                raise TransferLostError(
                    str(lost), may_have_run=lost.may_have_run or bool(read)
                ) from None
        return read

    @staticmethod
    def _chunks(bursts: Sequence[Clocked], identity: Identity) -> list[list[Clocked]]:
        chunks: list[list[Clocked]] = [[]]
        filled = 0  # bytes of the last one
        for burst in bursts:
            full = filled + len(burst.data) > identity.max_bytes
            if chunks[-1] and (full or len(chunks[-1]) >= identity.max_bursts):
                chunks.append([])
                filled = 0
            chunks[-1].append(burst)
            filled += len(burst.data)
        return chunks

    def _one(self, bursts: tuple[Clocked, ...]) -> list[bytes]:
        self.transfers += 1
        data, lasts = tuple(b.data for b in bursts), tuple(b.last for b in bursts)
        whole = all(last == 8 for last in lasts)
        outcome = self._exchange(Transfer(data) if whole else BitTransfer(data, lasts))
        if isinstance(outcome, Done):
            self.repeats += outcome.attempts - 1
            return [b.data for b in cast("tuple[Burst, ...]", outcome.answer)]
        self._recover(outcome)
        raise TransferLostError(str(outcome), may_have_run=outcome.may_have_run)

    def _recover(self, outcome: Refused | Lost) -> None:
        """After a failure: a new session where the old one is gone; the line is left closed if none comes."""
        try:
            if isinstance(outcome, Lost) and outcome.port_gone:
                self._find()
            elif isinstance(outcome, Refused) and outcome.error.code in (
                Code.NO_SESSION,
                Code.NOT_SET_UP,
                Code.SEQUENCE,
            ):
                self._greet()
        except LinkError:
            self.close()

    def _find(self) -> None:
        """Open the port again, for as long as `reconnect` says. Raises LinkError."""
        end = self.clock() + self.reconnect
        while True:
            self.close()
            try:
                self._line = self._open_line()
                self._greet()
                return
            except LinkError:
                if self.clock() >= end or not self._in_time():
                    raise
                self.sleep(min(0.1, self.reconnect))

    def _ready(self) -> None:
        if not self._in_time():
            raise TransferLostError("no time left to ask", may_have_run=False)
        if self._line is None:
            try:
                self._find()
            except LinkError as error:
                raise TransferLostError(f"no adapter: {error}", may_have_run=False) from error

    def pins(self, enable: bool | None = None) -> PinLevels:
        """Read the pins; first drive the enable pin unless None. Raises LinkError."""
        self._ready()
        outcome = self._exchange(Pins(enable))
        if isinstance(outcome, Done) and isinstance(outcome.answer, PinLevels):
            return outcome.answer
        if not isinstance(outcome, Done):
            self._recover(outcome)
        raise LinkError(f"{self.name or 'the adapter'}: {outcome}")

    def close(self) -> None:
        """Leave the port."""
        if self._line is not None:
            self._line.close()
            self._line = None
