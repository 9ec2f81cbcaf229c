"""Several simulated chips on one chip select, their words shifted through one another."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TextIO

from ..chip.model import Chip
from ..errors import CallError, FrameError
from ..frames import chain as chains
from .bus import Bus
from .chip import attach, detach
from .clock import Clock, nanoseconds
from .core import Core
from .disturbance import Disturbance, at_position, name_of, parse_disturbance
from .record import Recorder, recorder_of


class TwinChain:
    """A daisy chain: `chips` in order from the controller's data output, the chain as the first's map says.

    `transfer` takes whole streams as (value, bits) pairs (`regmap.frames.chain.pack` makes them).
    """

    def __init__(
        self,
        chips: Sequence[Chip],
        *,
        seed: int = 0,
        clock: Clock | None = None,
        vcd: Recorder | TextIO | str | Path | None = None,
        clock_hz: int | None = None,
        disturbances: Iterable[str] = (),
    ) -> None:
        if not chips or chips[0].chain is None:
            raise CallError("a chain needs chips whose map has a `chain` section")
        self.chain = chips[0].chain
        self.cores = [Core(chip) for chip in chips]
        names = ", ".join(c.name for c in chips)
        recorder = recorder_of(vcd, f"simulated chain of {names}", chips)
        self.bus = Bus(
            self, chips[0].spi, clock=clock, recorder=recorder, seed=seed, clock_hz=clock_hz
        )
        for text in disturbances:
            self.disturb(text)

    @property
    def clock(self) -> Clock:
        return self.bus.clock

    def begin_burst(self) -> None:
        for core in self.cores:
            core.begin_burst()

    def receive(self, value: int, bits: int) -> int | None:
        """One stream: each chip takes its word and puts its answer in its place."""
        lengths = [core.expected_bits() for core in self.cores]
        try:
            words = chains.unpack(self.chain, (value, bits), lengths)
        except FrameError:
            for core in self.cores:
                # a count of clocks that is no frame, for every chip of the chain
                core.receive(value & 1, 1)
            return 0
        replies = []
        for core, word, length in zip(self.cores, words, lengths, strict=True):
            reply = core.receive(word, length)
            replies.append((reply or 0, length))
        for name in chains.given(self.chain, (value, bits)):
            for core in self.cores:
                core.command(name)
        return chains.pack_reply(self.chain, replies)[0]

    def advance(self, ns: int) -> None:
        for core in self.cores:
            core.advance(ns)

    def fault_pin(self) -> bool:
        """The pins of all chips on one line: low if any is."""
        return all(core.fault_pin() for core in self.cores)

    def flag_level(self) -> str:
        return self.cores[-1].flag_level()

    def transfer(self, streams: Sequence[tuple[int, int]]) -> list[int]:
        """Send streams, one chip select each; what was read in each."""
        return [self.bus.burst(value, bits)[1] for value, bits in streams]

    def wait(self, seconds: float) -> None:
        """Let time pass with nothing on the SPI."""
        self.clock.advance(nanoseconds(seconds))
        self.bus.settle()

    def disturb(self, what: str | Disturbance, position: int | None = None) -> None:
        """As `Twin.disturb`; `position` (or `2: vds_uh at ...`) is the chip meant, else every one."""
        if isinstance(what, str):
            said, what = at_position(what)
            position = position if said is None else said
        if position is not None and not 0 <= position < len(self.cores):
            raise CallError(f"position {position} in a chain of {len(self.cores)} chips")
        for index, core in enumerate(self.cores):
            if position is None or index == position:
                item = parse_disturbance(what, core.chip) if isinstance(what, str) else what
                attach(core, self.bus, item)
                if item.kind != "fault" and item.name not in ("no_power", "reset"):
                    return

    def remove(self, name: str) -> None:
        """End every disturbance of this name now, in every chip, also those still to come."""
        detach(self.cores, self.bus, name_of(name, self.cores[0].chip)[1])

    def close(self) -> None:
        if self.bus.recorder is not None:
            self.bus.recorder.close(self.bus.now())
