"""An adapter behind a serial line: greeted, set up, asked, and found again after it was gone."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TypeVar, cast

from ..chip.model import Spi
from ..errors import CallError, LinkError
from ..wire.client import Client, Done, Lost, Refused
from ..wire.layout import (
    Burst,
    Capability,
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
    """One adapter and its SPI set-up, as the map's bus wants it.

    `open_line` opens the port, anew after it failed. `generation` counts sessions: whoever finds it
    changed knows that the adapter was gone or restarted in between and that its pins may have moved.
    `reconnect` is how long, in seconds, a lost port is looked for.
    """

    def __init__(
        self,
        open_line: Callable[[], Line],
        spi: Spi,
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
        self.generation = 0
        self.transfers = 0
        self.repeats = 0
        self.identity: Identity | None = None
        self.clock_hz = self._spi_clock(clock_hz)
        self._open_line = open_line
        self._line: Line | None = None
        self._client = Client(timeout=timeout, attempts=attempts)

    def _spi_clock(self, asked: int | None) -> int:
        high = int(self.spi.clock_max.low) if self.spi.clock_max is not None else DEFAULT_CLOCK
        low = int(self.spi.clock_min.high) if self.spi.clock_min is not None else 1
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
        spi = self.spi
        gap = spi.idle.high if spi.idle is not None else 0
        self._must(
            Setup(
                mode=spi.mode,
                clock_hz=min(self.clock_hz, identity.max_clock_hz),
                lsb_first=not spi.msb_first,
                select_high=not spi.select_active_low,
                word_gap_ns=int(-(-gap * 1_000_000_000 // 1)),
            ),
            SetupDone,
        )
        self.identity = identity
        self.generation += 1
        return identity

    def _must(self, request: Request, kind: type[_Answer]) -> _Answer:
        assert self._line is not None
        outcome = exchange(self._line, self._client, request, clock=self.clock)
        if isinstance(outcome, Done) and isinstance(outcome.answer, kind):
            return outcome.answer
        raise LinkError(f"{self.name or 'the adapter'}: {outcome}")

    def transfer(self, bursts: Sequence[bytes]) -> list[bytes]:
        """The bytes read in each burst. Raises TransferLostError where it cannot be told what happened."""
        self._ready()
        identity = self.identity
        assert identity is not None
        read: list[bytes] = []
        for part in self._chunks(bursts, identity):
            try:
                read += self._one(tuple(part))
            except TransferLostError as lost:
                raise TransferLostError(
                    str(lost), may_have_run=lost.may_have_run or bool(read)
                ) from None
        return read

    @staticmethod
    def _chunks(bursts: Sequence[bytes], identity: Identity) -> list[list[bytes]]:
        chunks: list[list[bytes]] = [[]]
        for burst in bursts:
            full = sum(map(len, chunks[-1])) + len(burst) > identity.max_bytes
            if chunks[-1] and (full or len(chunks[-1]) >= identity.max_bursts):
                chunks.append([])
            chunks[-1].append(burst)
        return chunks

    def _one(self, bursts: tuple[bytes, ...]) -> list[bytes]:
        assert self._line is not None
        self.transfers += 1
        outcome = exchange(self._line, self._client, Transfer(bursts), clock=self.clock)
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
                if self.clock() >= end:
                    raise
                self.sleep(min(0.1, self.reconnect))

    def _ready(self) -> None:
        if self._line is None:
            try:
                self._find()
            except LinkError as error:
                raise TransferLostError(f"no adapter: {error}", may_have_run=False) from error

    def pins(self, enable: bool | None = None) -> PinLevels:
        """Read the pins; first drive the enable pin unless None. Raises LinkError."""
        self._ready()
        assert self._line is not None
        outcome = exchange(self._line, self._client, Pins(enable), clock=self.clock)
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
