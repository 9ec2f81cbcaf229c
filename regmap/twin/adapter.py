"""A simulated chip behind the adapter protocol: on a pseudo-terminal, or any pair of byte streams.

    with Terminal(twin) as served:       # a thread answers until closed
        print(served.path)               # a port like any other

`DisturbedLine` hurts the serial line itself, by the same disturbances; `unplug` takes the port away.
"""

from __future__ import annotations

import os
import random
import sys
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from regmap.record import replace

from ..chip.bits import turned
from ..closing import Closing
from ..errors import LinkError
from ..frames.codec import from_wire, wire_bytes
from ..wire.layout import Burst, Capability, Identity, PinLevels, Setup, SetupDone
from ..wire.ports import Line, PseudoTerminal, serve
from ..wire.server import Refusal, Server
from .bus import Bus
from .clock import Clock, RealClock
from .disturbance import Disturbance

if TYPE_CHECKING:
    from .core import Core

ABILITIES = (
    Capability.ENABLE_PIN
    | Capability.FAULT_PIN
    | Capability.TIMESTAMPS
    | Capability.LSB_FIRST
    | Capability.SELECT_HIGH
    | Capability.IDLE
    | Capability.BIT_COUNTS
    | Capability.MODE_0
    | Capability.MODE_1
    | Capability.MODE_2
    | Capability.MODE_3
)


class Adapter:
    """What a microcontroller would be: drives the simulated SPI as the host set it up.

    A wrong set-up shows as it would: another mode shifts bits, another bit order turns words round,
    another select polarity leaves the chip unselected.
    """

    def __init__(self, bus: Bus, cores: list[Core]) -> None:
        self.bus = bus
        self.cores = cores
        self._lsb_first = False
        self._selects = True
        self.lock = threading.RLock()

    def setup(self, setup: Setup) -> SetupDone:
        with self.lock:
            self.bus.mode = setup.mode
            self.bus.set_clock(max(1, min(setup.clock_hz, 1_000_000_000)))
            self.bus.gap_ns = setup.idle_ns
            self._lsb_first = setup.lsb_first
            self._selects = setup.select_high != self.bus.spi.select_active_low
        return SetupDone(setup.clock_hz, setup.idle_ns)

    def burst(self, data: bytes) -> Burst:
        return self.burst_bits(data, 8)

    def burst_bits(self, data: bytes, last: int) -> Burst:
        with self.lock:
            if self.bus.dice("busy"):
                raise Refusal(busy=True)
            bits = 8 * (len(data) - 1) + last
            msb = self.bus.spi.msb_first
            # on the wire bit 7 of each byte goes first, or bit 0 where the adapter was set up so
            raw = _mirrored(data) if self._lsb_first else data
            value = from_wire(raw, bits, msb_first=msb)
            if not self._selects:
                return Burst(self.bus.now() // 1000, bytes(len(data)))
            start, read = self.bus.burst(value, bits)
            back = wire_bytes(read, bits, msb_first=msb)
            return Burst(start // 1000, _mirrored(back) if self._lsb_first else back)

    def pins(self, enable: bool | None) -> PinLevels:
        with self.lock:
            if enable is not None:
                for core in self.cores:
                    core.enable = enable
            self.bus.settle()
            return PinLevels(self.cores[0].enable, self.bus.target.fault_pin())


def _mirrored(data: bytes) -> bytes:
    """Every byte with its bits turned round."""
    return bytes(turned(b, 8) for b in data)


def identity(name: str) -> Identity:
    """What the simulated adapter says of itself."""
    return Identity(
        name=f"twin of {name}"[:31], max_bytes=1024, max_bursts=64, capabilities=ABILITIES
    )


class DisturbedLine:
    """A serial line on which pieces are damaged, lost, delayed, echoed, or that is gone for a while.

    Gone means LinkError; with `silent` nothing comes and nothing is taken, as the far end sees it.
    """

    def __init__(
        self,
        line: Line,
        disturbances: list[Disturbance],
        *,
        seed: int = 0,
        clock: Clock | None = None,
        sleep: Callable[[float], None] = time.sleep,
        silent: bool = False,
    ) -> None:
        self.silent = silent
        self.line = line
        self.disturbances = disturbances
        self.rng = random.Random(seed)
        self.clock = clock if clock is not None else RealClock()
        self.sleep = sleep
        self.hurt: dict[str, int] = {}
        self._back = b""

    def disturb(self, item: Disturbance) -> None:
        """Let something go wrong from now on, or at its time."""
        start = self.clock.ns if item.start is None else item.start
        self.disturbances = [*self.disturbances, replace(item, start=start, event=None)]

    def _on(self, name: str) -> Disturbance | None:
        now = self.clock.ns
        return next((i for i in self.disturbances if i.name == name and i.on_at(now)), None)

    def _gone(self) -> bool:
        """Whether it is unplugged and silent. Raises LinkError where it is not to be silent."""
        if self._on("unplug") is None:
            return False
        if not self.silent:
            raise LinkError("the port is gone: unplugged")
        return True

    def _dice(self, name: str) -> Disturbance | None:
        item = self._on(name)
        if item is None or self.rng.random() >= item.rate:
            return None
        self.hurt[name] = self.hurt.get(name, 0) + 1
        return item

    def _spoil(self, data: bytes) -> bytes:
        if data and self._dice("line_flips"):
            place = self.rng.randrange(8 * len(data))
            spoiled = bytearray(data)
            spoiled[place // 8] ^= 1 << place % 8
            data = bytes(spoiled)
        if data and self._dice("line_drops"):
            first = self.rng.randrange(len(data))
            data = data[:first] + data[first + self.rng.randint(1, len(data) - first) :]
        late = self._dice("line_delays") if data else None
        if late is not None:
            self.sleep(late.delay / 1e9)
        return data

    def read(self, timeout: float) -> bytes:
        if self._gone():
            self.line.read(timeout)
            return b""
        if self._back:
            back, self._back = self._back, b""
            return back
        return self._spoil(self.line.read(timeout))

    def write(self, data: bytes) -> None:
        if self._gone():
            return
        if self._on("line_echo"):
            self._back += data
        self.line.write(self._spoil(data))

    def close(self) -> None:
        self.line.close()


class Terminal(Closing):
    """Serves an adapter on a pseudo-terminal from a thread of its own, until closed.

    `line` may wrap the terminal, such as in a `DisturbedLine`. `restart` is what an adapter does
    that lost its supply: the session is forgotten.
    """

    def __init__(
        self,
        adapter: Adapter,
        name: str,
        *,
        wrap: Callable[[Line], Line] | None = None,
    ) -> None:
        self.adapter = adapter
        self.name = name
        self._wrap = wrap
        self.server = Server(adapter, identity(name))
        self._stop = threading.Event()
        self.terminal = PseudoTerminal()
        self.path: str = self.terminal.path
        self._thread: threading.Thread | None = None
        self.start()

    def start(self) -> None:
        line: Line = self._wrap(self.terminal) if self._wrap is not None else self.terminal

        def run() -> None:
            try:
                serve(line, self, self._stop.is_set)
            except LinkError:
                return  # the port was taken away; nothing is left to answer on

        self._stop.clear()
        self._thread = threading.Thread(target=run, name=f"twin {self.name}", daemon=True)
        self._thread.start()

    def feed(self, data: bytes) -> bytes:
        return self.server.feed(data)

    def restart(self) -> None:
        """The adapter loses its supply and comes back without a session."""
        self.server = Server(self.adapter, identity(self.name))

    def stop(self) -> None:
        """Answer no more, but leave the port."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(5.0)

    def close(self) -> None:
        """Take the port away."""
        self.stop()
        self.terminal.close()


def waits_for_files() -> bool:
    """Whether this system can wait for any file descriptor: Windows waits for sockets only."""
    return sys.platform != "win32"


class StreamLine:
    """Two file descriptors as a line, such as standard input and output. The end of input is `ended`.

    LinkError on a system that can wait for sockets only.
    """

    def __init__(self, read_fd: int, write_fd: int) -> None:
        if not waits_for_files():
            raise LinkError(
                "standard input and output as a line exist on POSIX systems only; --tcp PORT serves the same here"
            )
        self._read, self._write = read_fd, write_fd
        self.ended = False

    def read(self, timeout: float) -> bytes:
        import select

        try:
            ready, _, _ = select.select([self._read], [], [], max(timeout, 0.0))
            if not ready:
                return b""
            data = os.read(self._read, 65536)
        except (OSError, ValueError) as error:
            raise LinkError(f"input failed: {error}") from error
        self.ended = self.ended or not data
        return data

    def write(self, data: bytes) -> None:
        view = memoryview(data)
        try:
            while view:
                view = view[os.write(self._write, view) :]
        except OSError as error:
            raise LinkError(f"output failed: {error}") from error

    def close(self) -> None:
        self.ended = True


class DirectLine:
    """A line without a terminal: what is written is answered at once, and waiting moves a clock.

    For host tests that want neither threads nor real time. `read` lets `timeout` pass when there is
    nothing to read.
    """

    def __init__(self, server: Server, clock: Clock) -> None:
        self.server = server
        self.clock = clock
        self._waiting = b""

    def read(self, timeout: float) -> bytes:
        data, self._waiting = self._waiting, b""
        if not data:
            self.clock.advance(max(1, int(timeout * 1e9)))
        return data

    def write(self, data: bytes) -> None:
        self._waiting += self.server.feed(data)

    def close(self) -> None:
        self._waiting = b""
