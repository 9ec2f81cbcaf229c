"""A simulated chip on a simulated SPI, what can be done to it, and what its map leaves open."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import TextIO

from regmap.record import replace

from ..chip.model import Chip
from ..errors import CallError
from .bus import Bus
from .clock import Clock, nanoseconds
from .core import Core
from .disturbance import Disturbance, name_of, parse_disturbance
from .record import Recorder, recorder_of


class Twin(Core):
    """A simulated chip on a simulated SPI.

        twin = Twin(load_map("quoll16"), seed=1)
        twin.disturb("vds_uh at 12 ms for 30 us")
        [reply] = twin.transfer([0x8000])

    With the same seed, the same virtual clock and the same calls everything repeats. The chip is
    powered and awake at time 0. `rejected` is what a chip that answers in a later frame answers to
    a frame that it rejected, which maps do not say: "zero" (data and echoes 0) or "previous" (its
    last answer again).
    """

    def __init__(
        self,
        chip: Chip,
        *,
        seed: int = 0,
        clock: Clock | None = None,
        vcd: Recorder | TextIO | str | Path | None = None,
        clock_hz: int | None = None,
        supply: Fraction | None = None,
        externals: Mapping[str, int] | None = None,
        rejected: str = "zero",
        disturbances: Iterable[str] = (),
    ) -> None:
        super().__init__(chip, supply=supply, externals=externals, rejected=rejected)
        recorder = recorder_of(vcd, f"simulated {chip.name}", [chip])
        self.bus = Bus(self, chip.spi, clock=clock, recorder=recorder, seed=seed, clock_hz=clock_hz)
        for text in disturbances:
            self.disturb(text)

    @property
    def clock(self) -> Clock:
        """Its clock; `wait` lets time pass."""
        return self.bus.clock

    @property
    def recorder(self) -> Recorder | None:
        return self.bus.recorder

    def transfer(self, bursts: Sequence[int | tuple[int, int]]) -> list[int]:
        """Send bursts, one chip select each; what was read in each.

        A burst is (value, bits), its first bit on the wire the most significant, or a value alone
        with as many bits as the chip expects next. Words of a chip that sends its least significant
        bit first are given as the data sheet writes them, and turned round on the wire.
        """
        read = []
        for item in bursts:
            value, bits = item if isinstance(item, tuple) else (item, self.expected_bits())
            read.append(self.bus.burst(value, bits)[1])
        return read

    def exchange(self, word: int) -> int:
        """One whole frame in all its bursts; the frame read meanwhile."""
        frame = self.codec.decode_command(word, self.machine.bank).frame
        left, reply = frame.length, 0
        for bits in frame.bursts:
            left -= bits
            [part] = self.transfer([((word >> left) & ((1 << bits) - 1), bits)])
            reply = reply << bits | part
        return reply

    def wait(self, seconds: Fraction | float) -> None:
        """Let time pass with nothing on the SPI."""
        self.clock.advance(nanoseconds(seconds))
        self.bus.settle()

    def disturb(self, what: str | Disturbance) -> Disturbance:
        """Let something go wrong, now or at its time. Raises CallError."""
        item = parse_disturbance(what, self.chip) if isinstance(what, str) else what
        return attach(self, self.bus, item)

    def remove(self, name: str) -> None:
        """End every disturbance of this name now, also those still to come."""
        detach([self], self.bus, name_of(name, self.chip)[1])

    def word(self, register: str) -> int:
        """What the register holds, as nobody on the SPI can see it."""
        if register not in self.chip.registers:
            raise CallError(f"{self.chip.name} has no register {register!r}")
        return self.machine.bank.words[register]

    def close(self) -> None:
        """Finish the recording, if there is one."""
        if self.bus.recorder is not None:
            self.bus.recorder.close(self.bus.now())


def attach(core: Core, bus: Bus, item: Disturbance) -> Disturbance:
    """Let something go wrong in a chip or on its SPI, now or at its time."""
    if item.event is not None:
        event, later = item.event, replace(item, event=None)

        def begin(ns: int) -> None:
            attach(core, bus, replace(later, start=max(ns, bus.now())))

        core.when(event, item.name, begin)
        return item
    now = bus.now()
    item = replace(item, start=now if item.start is None else item.start)
    start = item.start or 0
    if item.kind == "fault" or item.name == "no_power":
        core.plan(start, "begin", item.name)
        if item.length is not None:
            core.plan(start + item.length, "end", item.name)
    elif item.name == "reset":
        core.plan(start, "reset")
    if item.kind != "fault":
        bus.disturbances.append(item)
    core.advance(now)
    return item


def detach(cores: Iterable[Core], bus: Bus, name: str) -> None:
    """End every disturbance of this name now, also those still to come."""
    for core in cores:
        core.end_all(name)
    bus.disturbances = [i for i in bus.disturbances if i.name != name]
    bus.settle()


def gaps(chip: Chip) -> list[str]:
    """What the map leaves open, so that a simulated chip cannot show it."""
    found = list(_prose(chip))
    raised = {cause for f in chip.faults.values() for cause in f.raised_by}
    layouts = [f.command for f in chip.frames.values()]
    if "check_bits" not in raised and any(
        lay.of_kind("parity") or lay.of_kind("crc") for lay in layouts
    ):
        found.append("no fault is raised by wrong check bits (raised_by: [check_bits])")
    if "clocks" not in raised:
        found.append("no fault is raised by a wrong number of clocks (raised_by: [clocks])")
    if chip.watchdog and "watchdog" not in raised:
        found.append("no fault is raised by the watchdog (raised_by: [watchdog])")
    if chip.watchdog and not chip.with_role("watchdog.window"):
        found.append("the watchdog has no window (a field with the role watchdog.window)")
    for frame in chip.frames.values():
        for layout in frame.replies.values():
            found += [
                f"the status bit '{p.name}' of {frame.name}'s reply shows nothing (fault: or shows:)"
                for p in layout.parts
                if p.kind == "status" and not p.fault and p.shows is None
            ]
    faults = {f.ref for f in chip.faults.values()}
    for register in chip.registers.values():
        moving = [f for f in register.fields if not f.writable and f.ref not in faults]
        for field in moving:
            if field.shows is None and register.name in {f.register for f in chip.faults.values()}:
                found.append(f"{field.ref} shows nothing that the map states (shows:)")
    return list(dict.fromkeys(found))


def _prose(chip: Chip) -> Iterator[str]:
    """What the map states for people only."""
    faults = [f for f in chip.faults.values() if not f.summary_of]
    if any(f.effect for f in faults):
        yield "what a fault does to the outputs is prose (effect:); no output is simulated"
    for fault in faults:
        if fault.latched and not fault.cleared_by:
            said = f": {fault.clears}" if fault.clears else ""
            yield f"nothing clears {fault.name} here, as only prose says what does{said}"
    undated = [f.name for f in faults if f.detect is None and not f.normal_at_power_up]
    if undated:
        yield f"no detection time is stated for {', '.join(undated)}: detected at once"
    if any("blanking" in role for f in faults for role in f.uses):
        yield "blanking counts from turning on, which no frame shows; it is left out of detection times"
    if not any(
        f.pulls_pin_when or f.pulls_pin != (f.severity == "stop") for f in chip.faults.values()
    ):
        yield "nothing says which faults pull the fault pin (pulls_pin:); those of severity stop do here"
