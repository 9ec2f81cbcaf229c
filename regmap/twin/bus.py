"""The simulated SPI: bursts with their times, what goes wrong on the lines, and the recording."""

from __future__ import annotations

import random
from collections.abc import Sequence
from typing import Protocol

from ..chip.model import Spi
from ..errors import CallError
from .clock import Clock, nanoseconds
from .disturbance import Disturbance
from .record import Recorder, draw, returned, sampled

MAX_BITS = 8192


class Target(Protocol):
    """What hangs on the SPI. Both calls come in order of time.

    `begin_burst` announces a burst; `receive` takes it as the chip saw it and gives the bits that it
    drives meanwhile, None where it drives nothing. `advance` brings it to a time; `fault_pin` is low (False) on a fault.
    """

    def begin_burst(self) -> None: ...

    def receive(self, value: int, bits: int) -> int | None: ...

    def advance(self, ns: int) -> None: ...

    def fault_pin(self) -> bool: ...

    def flag_level(self) -> str: ...


class Bus:
    """Select, clock, SDI and SDO between a controller and a target.

    `clock_hz` is the SPI clock (half the fastest allowed where not given). `disturbances` are the
    electrical ones; those with a time are active from start to start + length.
    """

    def __init__(
        self,
        target: Target,
        spi: Spi,
        *,
        clock: Clock | None = None,
        recorder: Recorder | None = None,
        seed: int = 0,
        clock_hz: int | None = None,
    ) -> None:
        self.target = target
        self.spi = spi
        self.clock = clock if clock is not None else Clock()
        self.recorder = recorder
        self.rng = random.Random(seed)
        self.disturbances: list[Disturbance] = []
        fastest = int(spi.clock_max.low) if spi.clock_max is not None else 10_000_000
        self.clock_hz = fastest // 2
        self.gap_ns = 0
        self._least = [
            nanoseconds(b.high) if b is not None else 0 for b in (spi.lead, spi.lag, spi.idle)
        ]
        self.mode = spi.mode
        self.hurt: list[tuple[int, str]] = []
        if clock_hz is not None:
            self.set_clock(clock_hz)
        self._free = self.clock.ns + 1000  # select is seen inactive first
        self._pin: bool | None = None
        self._last_bit = "0"
        self._flip_reply = False
        self._at = self.clock.ns
        if recorder is not None:
            self._rest(self._at)

    def now(self) -> int:
        """The moment of a step: the clock read once, never before what has been simulated already."""
        self._at = max(self._at, self.clock.ns)
        return self._at

    def settle(self) -> int:
        """Bring the target, and the fault pin as recorded, to this moment; its time."""
        now = self.now()
        self.target.advance(now)
        self.note_pin(now)
        return now

    def set_clock(self, hertz: int) -> None:
        """Use this SPI clock from now on. Raises CallError."""
        if not 1 <= hertz <= 1_000_000_000:
            raise CallError(f"an SPI clock of {hertz} Hz", "1 Hz to 1 GHz")
        self.clock_hz = hertz

    def _rest(self, ns: int) -> None:
        assert self.recorder is not None
        self.recorder.change(ns, "select", "1" if self.spi.select_active_low else "0")
        self.recorder.change(ns, "clock", "0" if self.mode < 2 else "1")
        self.recorder.change(ns, "command", "0")
        self.recorder.change(ns, "reply", "z")
        self.note_pin(ns)

    def note_pin(self, ns: int) -> None:
        """Record the fault pin where it has changed."""
        level = self.target.fault_pin()
        if level != self._pin:
            self._pin = level
            if self.recorder is not None:
                self.recorder.change(ns, "fault", "1" if level else "0")

    def active(self, name: str, ns: int) -> Disturbance | None:
        """The disturbance of this name that is on at `ns`; of several the one that began last."""
        return max(self._all(name, ns), key=lambda i: i.start or 0, default=None)

    def _all(self, name: str, ns: int) -> list[Disturbance]:
        return [i for i in self.disturbances if i.name == name and i.on_at(ns)]

    def dice(self, name: str) -> bool:
        """Whether the disturbance strikes now."""
        return self._dice(name, self.now())

    def _dice(self, name: str, ns: int) -> bool:
        """Each of several that are on has its own chance."""
        if any(self.rng.random() < item.rate for item in self._all(name, ns)):
            self.hurt.append((ns, name))
            return True
        return False

    def burst(self, value: int, bits: int) -> tuple[int, int]:
        """One burst of `bits` bits, as the data sheet writes it; (start in ns, bits read)."""
        if not 1 <= bits <= MAX_BITS or value < 0 or value >> bits:
            raise CallError(f"a burst of {bits} bits that holds 0x{value:X}")
        half = -(-500_000_000 // self.clock_hz)
        lead, lag, idle = (max(half, least) for least in self._least)
        start = max(self.now(), self._free)
        self._at = start
        self.target.advance(start)
        self.target.begin_burst()
        self.note_pin(start)
        flag = self.target.flag_level()
        mode = self._controller(start)
        command = self._on_wire(value, bits)
        command = self._hurt_command(command, start)
        reply = self._ask(command, bits, mode, start)
        undriven = "z" if reply is None else ""
        shown = self._hurt_reply(reply if reply is not None else ["z"] * bits, command, start)
        seen = returned(mode, self.spi.mode, shown, shown[-1])
        if self.recorder is not None:
            end = draw(
                self.recorder,
                start,
                command,
                shown,
                controller=mode,
                chip=self.spi.mode,
                half=half,
                lead=lead,
                lag=lag,
                active_low=self.spi.select_active_low,
                undriven=self._stuck(start) or "z",
                flag="" if undriven or self._stuck(start) else flag,
            )
        else:
            end = start + lead + (2 * bits - 1) * half + lag
        self._last_bit = command[-1]
        self._free = end + max(idle, self.gap_ns)
        self._at = end
        self.clock.reach(self._free)
        self.target.advance(end)
        self.note_pin(end)
        if self.recorder is not None:
            self.recorder.flush(end)
        return start, self._word(seen)

    def _on_wire(self, value: int, bits: int) -> list[str]:
        """The bits in the order of time."""
        text = f"{value & ((1 << bits) - 1):0{bits}b}"
        return list(text if self.spi.msb_first else text[::-1])

    def _word(self, seen: Sequence[str]) -> int:
        """The inverse; what nobody drives reads as 0, as on a line with a pull-down."""
        text = "".join("1" if bit == "1" else "0" for bit in seen)
        return int(text if self.spi.msb_first else text[::-1], 2)

    def _controller(self, ns: int) -> int:
        wrong = self.active("wrong_mode", ns)
        if wrong is None:
            return self.mode
        return int(wrong.level) if wrong.level else self.mode ^ 1

    def _ask(self, command: Sequence[str], bits: int, mode: int, ns: int) -> list[str] | None:
        """What the chip sees of the command, and its reply."""
        if self.active("no_power", ns) or self.active("dead_clock", ns):
            return None
        if self._dice("lost_frames", ns):
            return None
        seen = sampled(mode, self.spi.mode, command, self._last_bit)
        if self._dice("lost_clocks", ns):
            place = self.rng.randrange(bits)
            seen = [*seen[:place], *seen[place + 1 :]]
            if not seen:
                return None
        reply = self.target.receive(self._word(seen), len(seen))
        if reply is None:
            return None
        given = self._on_wire(reply, len(seen))
        return [*given, *["0"] * (bits - len(given))]

    def _hurt_command(self, command: list[str], ns: int) -> list[str]:
        dead = self.active("dead_command", ns)
        if dead is not None:
            return ["1" if dead.level == "high" else "0"] * len(command)
        self._flip_reply = False
        if self._dice("bit_flips", ns):
            if self.rng.random() < 0.5:
                place = self.rng.randrange(len(command))
                command[place] = "0" if command[place] == "1" else "1"
            else:
                self._flip_reply = True
        return command

    def _stuck(self, ns: int) -> str:
        dead = self.active("dead_reply", ns)
        return {"low": "0", "high": "1", "float": "z"}[dead.level] if dead is not None else ""

    def _hurt_reply(self, reply: list[str], command: list[str], ns: int) -> list[str]:
        stuck = self._stuck(ns)
        if stuck:
            return [stuck] * len(reply)
        if self.active("echo", ns):
            return list(command)
        if self._flip_reply:
            place = self.rng.randrange(len(reply))
            reply = list(reply)
            reply[place] = "0" if reply[place] == "1" else "1"
            self._flip_reply = False
        return reply
