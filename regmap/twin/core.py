"""The chip without an SPI: registers as the map says (`behave.Machine`), frames and time around them."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from fractions import Fraction

from regmap.record import dataclass

from ..behaviour.machine import Machine, as_read
from ..chip.bits import extract
from ..chip.model import Chip, Fault, Field, Frame, Layout
from ..errors import CallError
from ..expr import evaluate
from ..frames.codec import Codec, Sent, build, counter_flaws
from ..frames.words import cut
from ..quantity import many, parse
from .clock import nanoseconds
from .watchdog import Watchdog

MAX_EVENTS = 100_000
TIME = parse("1 s").dim


@dataclass(frozen=True, slots=True)
class TwinEvent:
    """Something that happened in the chip. `kind`: frame, refused, rejected, fault, power, watchdog, state."""

    ns: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class _Pending:
    """What is to be answered: the command, and the data as they were when it was acted upon."""

    sent: Sent
    data: int


def windows(count: int) -> str:
    """A number of watchdog windows in words."""
    return many(count, "window")


class Core:
    """The chip without an SPI: takes bursts, gives what it drives. A chain has several."""

    def __init__(
        self,
        chip: Chip,
        *,
        supply: Fraction | None = None,
        externals: Mapping[str, int] | None = None,
        rejected: str = "zero",
    ) -> None:
        if rejected not in ("zero", "previous"):
            raise CallError(f"rejected={rejected!r}", "zero or previous")
        self.chip = chip
        self.codec = Codec(chip)
        self.machine = Machine(chip, supply=supply, externals=externals)
        self.watchdog = Watchdog(chip)
        self.events: deque[TwinEvent] = deque(maxlen=MAX_EVENTS)
        self.happened = 0  # events ever, also those that `events` holds no more
        self._unserved = 0
        self.enable = True
        self.accepted = 0
        self.now = 0
        self._rejected = rejected
        self._awake = 0
        self._pin = True
        self._pulling = [f for f in chip.faults.values() if f.pulls_pin or f.pulls_pin_when]
        self._powered = True
        self._schedule: list[tuple[int, int, str, str]] = []
        self._order = 0
        #: how often each condition (a fault's, or no_power) is there now
        self._present: dict[str, int] = {}
        self._waiting: list[tuple[tuple[str, str], str, Callable[[int], object]]] = []
        self._due: dict[str, int] = {}  # when conditions will be detected that are not yet
        self._pieces: list[tuple[int, int]] = []
        self._frame: Frame | None = None
        self._reply: int | None = 0
        self._queue: deque[_Pending | None] = deque(maxlen=32)
        self._counters: dict[str, int] = {}  # by name: layouts that hold one count together
        self._power_up_codes: dict[str, list[Field]] = {}
        self.power_up()

    # --- power and time --------------------------------------------------------------------
    def power_up(self) -> None:
        """Everything as after power-up, awake at once."""
        self.machine.reset()
        bank = self.machine.bank
        self._power_up_codes = {}
        for register in self.chip.registers.values():
            for field in register.fields:
                if field.power_up is not None:
                    bank.put(field, field.power_up)
                    self._power_up_codes.setdefault(register.name, []).append(field)
        self.watchdog.stop()
        self._forget_frames()
        self.accepted = 0
        self._settle()

    def _forget_frames(self) -> None:
        self._pieces, self._frame = [], None
        self._queue.clear()
        self._counters = {}

    def plan(self, ns: int, do: str, what: str = "") -> None:
        """Something to happen at a time: begin, end (of a fault's condition, of no_power), reset."""
        self._order += 1
        self._schedule.append((ns, self._order, do, what))
        self._schedule.sort()

    def advance(self, ns: int) -> None:
        """Let everything due until `ns` happen, in order of time."""
        while True:
            deadline = self.watchdog.deadline(self.machine.bank) if self._powered else None
            due = self._schedule[0] if self._schedule else None
            if due is not None and due[0] <= ns and (deadline is None or due[0] <= deadline):
                self._schedule.pop(0)
                self.now = max(self.now, due[0])
                self._happen(due[2], due[3])
            elif deadline is not None and deadline <= ns:
                self.now = max(self.now, deadline)
                self.watchdog.expire(deadline)
                self._watch()
                self._raise_by("watchdog")
                self._settle()
            else:
                break
        self.now = max(self.now, ns)

    def when(self, event: tuple[str, str], name: str, act: Callable[[int], object]) -> None:
        """Call `act` with the time once this event happens, one time; see `Disturbance.event`."""
        self._waiting.append((event, name, act))

    def begin_burst(self) -> None:
        """A chip select edge is next: where it begins a frame, those waiting for its number come first."""
        if self._pieces or not self._waiting:
            return
        self._waiting = [
            (("frame", str(int(event[1]) - 1)) if event[0] == "frame" else event, name, act)
            for event, name, act in self._waiting
        ]
        self._fire("frame", "0")

    def _fire(self, kind: str, name: str) -> None:
        """What waited for this event happens now."""
        due = [w for w in self._waiting if w[0][0] == kind and w[0][1] in ("", name)]
        self._waiting = [w for w in self._waiting if w not in due]
        for _, _, act in due:
            act(self.now)

    def end_all(self, name: str) -> None:
        """End a condition (a fault's, or no_power) now, however often it is there or to come."""
        self._waiting = [w for w in self._waiting if w[1] != name]
        self._schedule = [s for s in self._schedule if s[3] != name or s[2] not in ("begin", "end")]
        if self._present.get(name):
            self._present[name] = 1
            self.plan(self.now, "end", name)

    def _happen(self, do: str, what: str) -> None:
        if do == "begin":
            self._present[what] = self._present.get(what, 0) + 1
            if self._present[what] == 1:
                self._begin(what)
        elif do == "end":
            self._present[what] = max(0, self._present.get(what, 0) - 1)
            if not self._present[what]:
                self._end(what)
        elif do == "detect":
            # begun anew since this was planned: then another one is on its way
            if self._due.get(what, self.now + 1) <= self.now:
                del self._due[what]
                self.machine.conditions.add(what)
                self._event("fault", f"{what}: its condition is there")
        elif do == "reset":
            self.power_up()
            self._event("power", "reset")
        if self._powered:
            self._settle()

    def _begin(self, what: str) -> None:
        """A condition begins: it is detected after a time that the settings of this moment decide."""
        if what == "no_power":
            self._powered = False
            self._forget_frames()
            self.watchdog.stop()
            self._watch()
            self._event("power", "the logic has lost its supply")
            return
        self._due[what] = self.now + self.detection_ns(what)
        self.plan(self._due[what], "detect", what)

    def _end(self, what: str) -> None:
        if what == "no_power":
            self._powered = True
            self.power_up()
            wake = self.chip.spi.wake_up
            self._awake = self.now + (nanoseconds(wake.high) if wake is not None else 0)
            self._event("power", "the supply is back; everything is as after power-up")
        elif self._due.pop(what, None) is not None:
            self._event("fault", f"{what} lasts too short to be detected")
        else:
            self.machine.conditions.discard(what)
            self._event("fault", f"{what}: its condition is gone")

    def detection_ns(self, name: str) -> int:
        """From a condition to its detection: typical, with the filter times that it uses as set now.

        Blanking is left out: it counts from turning on, of which the bus knows nothing.
        """
        fault = self.chip.faults[name]
        total = fault.detect.typ if fault.detect is not None else Fraction(0)
        for role in fault.uses:
            if role == "vds.blanking" or role.startswith("watchdog") or role == "retry.time":
                continue
            for item in self.chip.with_role(role):
                reading = self.machine.bank.reading(getattr(item, "ref", item.name))
                if reading is not None and reading.band is not None and reading.band.dim == TIME:
                    total += reading.band.typ
                break
        return nanoseconds(total)

    def _event(self, kind: str, text: str) -> None:
        self.events.append(TwinEvent(self.now, kind, text))
        self.happened += 1

    def _watch(self) -> None:
        """Tell of unserved windows where a row of them begins and where it ends, not of each."""
        before, self._unserved = self._unserved, self.watchdog.missed
        if self._unserved and not before:
            self._event("watchdog", "not served within its window")
        elif before and not self._unserved:
            end = "served again" if self.watchdog.running else "stopped"
            self._event("watchdog", f"{end} after {windows(before)} unserved")

    def _settle(self) -> None:
        self.machine.settle()
        self._pin = not any(
            self.machine.raised(f) and f.on_pin(self.machine.bank) for f in self._pulling
        )
        self.watchdog.update(self.machine.bank, self.now)
        self._watch()

    # --- frames ----------------------------------------------------------------------------
    def receive(self, value: int, bits: int) -> int | None:
        """Take one burst as seen by the chip; what it drives meanwhile, None while it is not awake."""
        if not self._powered or self.now < self._awake:
            return None
        bank = self.machine.bank
        if not self._pieces:
            began = self.codec.recogniser.begins([(value, bits)], bank)
            self._frame = (began or self.codec.recogniser.frames_possible(bank))[0]
        frame = self._frame
        assert frame is not None
        expected = frame.bursts[len(self._pieces)]
        whole_before = sum(b for _, b in self._pieces)
        came, whole = bits, cut(value, bits, expected, self.chip.spi)
        if whole is not None and came > expected:
            part = self._take(frame, whole, expected)
            return None if part is None else self._filled(part, value, came, expected)
        if bits != expected:
            reply = self._drive(frame, None) if not self._pieces else self._reply
            self._reject(frame, "clocks", f"{bits} clocks where {expected} make a burst")
            left = frame.length - whole_before
            if reply is None:
                return None
            return reply >> (left - bits) if bits <= left else reply << (bits - left)
        return self._take(frame, value, bits)

    def _filled(self, part: int, value: int, came: int, bits: int) -> int:
        """What is driven over all clocks of a burst that has more than the frame: the reply first, then
        what has passed through a shift register, else zeros."""
        left = came - bits
        spi = self.chip.spi
        tail = 0
        if spi.extra_clocks == "last_count":
            tail = value >> bits if spi.msb_first else value & ((1 << left) - 1)
        return part << left | tail if spi.msb_first else tail << bits | part

    def _take(self, frame: Frame, value: int, bits: int) -> int | None:
        """A burst with as many bits as the frame has; what is driven meanwhile."""
        bank = self.machine.bank
        whole_before = sum(b for _, b in self._pieces)
        self._pieces.append((value, bits))
        left = frame.length - whole_before - bits
        sent = self.codec.recogniser.so_far(self._pieces, frame, bank)
        if any(
            p.kind == "chip" and sent.parts.get(p.name, p.value) not in (p.value, *p.shared)
            for p in frame.command.parts
        ):
            # another chip on the same select is meant; it drives the line
            if not left:
                self._pieces, self._frame = [], None
            return None
        if frame.after == 0 or len(self._pieces) == 1:
            self._reply = self._drive(frame, sent)
        part = None if self._reply is None else (self._reply >> left) & ((1 << bits) - 1)
        if not left:
            self._pieces = []
            self._act(frame, sent)
            self._frame = None
        return part

    def expected_bits(self) -> int:
        """Bits of the burst that the chip waits for."""
        if self._pieces and self._frame is not None:
            return self._frame.bursts[len(self._pieces)]
        return self.codec.recogniser.frames_possible(self.machine.bank)[0].bursts[0]

    def _drive(self, frame: Frame, sent: Sent | None) -> int | None:
        """The reply word that goes out while `frame` comes in; None where nothing is driven."""
        pending: _Pending | None = None
        if frame.after == 0:
            if sent is not None:
                pending = _Pending(sent, self._data_for(sent))
        elif len(self._queue) >= frame.after:
            pending = self._queue[-frame.after]
        if pending is not None:
            bank = self.machine.bank
            layout = self.codec.reply_layout(pending.sent, frame, bank)
            if layout is None:
                return None if pending.sent.shared else 0
            return self.codec.build_reply(
                pending.sent, pending.data, self._status(layout), self._own(layout), frame, bank
            )
        layout = frame.reply_to("read") or next(iter(frame.replies.values()), None)
        if layout is None:
            return 0
        parts = {p.name: 0 for p in layout.parts if p.kind in ("data", "echo")}
        status = self._status(layout)
        for part in layout.parts:
            if part.kind == "status":
                full = (1 << part.width) - 1
                parts[part.name] = full if status[part.name] == bool(part.active) else 0
        return build(layout, {**parts, **self._own(layout)})

    def _own(self, layout: Layout) -> dict[str, int]:
        """The parts of a reply that are the chip's own, whatever was asked: counters and fields."""
        words, found = self.machine.bank.words, {}
        for part in layout.parts:
            if part.kind == "counter":
                found[part.name] = (part.start + part.step * self.accepted) % (1 << part.width)
            elif (field := self.chip.field(part.field)) is not None:
                found[part.name] = extract(words[field.register], field.bits)
        return found

    def _status(self, layout: Layout) -> dict[str, bool]:
        """The status parts of a reply as they are now."""
        faults, found = self.chip.faults, {}
        for part in layout.parts:
            if part.kind == "status":
                holds = False
                if part.shows is not None:
                    holds = evaluate(part.shows, self.machine.bank) is True
                if part.fault in faults:
                    holds = holds or self.machine.raised(faults[part.fault]) is True
                found[part.name] = holds
        return found

    def _data_for(self, sent: Sent) -> int:
        """The data part of the answer, before the command has acted."""
        bank = self.machine.bank
        returned = sent.command.returns if sent.command is not None else ""
        if returned:
            return as_read(self.chip, self.chip.registers[returned], bank.words)
        if sent.register is None:
            return 0
        if sent.kind == "read":
            return as_read(self.chip, sent.register, bank.words)
        layout = self.codec.reply_layout(sent, bank=bank)
        part = layout.of_kind("data") if layout is not None else None
        if part is None or part.on_write == "zero":
            return 0
        return as_read(self.chip, sent.register, bank.words)

    def _reject(self, frame: Frame, cause: str, text: str) -> None:
        self._pieces, self._frame = [], None
        self._event("rejected", text)
        self.machine.rejected()
        if frame.after:
            last = self._queue[-1] if self._queue and self._rejected == "previous" else None
            self._queue.append(last)
        self._raise_by(cause)
        self._settle()

    def _raise_by(self, cause: str) -> None:
        before = {f.name for f in self.raised()}
        for name in self.machine.raise_by(cause):
            if name not in before:
                self._event("fault", f"{name} raised by {cause}")

    def _act(self, frame: Frame, sent: Sent) -> None:
        """Accept or reject a whole frame, and do what it says."""
        flaws = [f for f in sent.flaws if not (f.kind == "fixed" and f.part == "data")]
        if flaws:
            kinds = {f.kind for f in flaws}
            cause = (
                "check_bits"
                if "check_bits" in kinds
                else "address"
                if "frame" in kinds
                else "operation"
            )
            self._reject(frame, cause, flaws[0].text)
            return
        parts = {p.name: sent.parts[p.name] for p in frame.command.parts if p.kind == "counter"}
        if parts:
            # the first of all has the start value
            wrong = [
                p.name
                for p in frame.command.parts
                if p.name in parts and p.name not in self._counters and parts[p.name] != p.start
            ] or counter_flaws(frame.command, self._counters, parts)
            self._counters.update(parts)
            if wrong:
                self._reject(frame, "counter", f"the counter is out of step: {parts}")
                return
        data = self._data_for(sent)
        early = self.watchdog.serve(sent, self.machine.bank, self.now)
        outcome = self.machine.apply(sent)
        self.accepted += 1
        for field in (
            self._power_up_codes.pop(sent.register.name, [])
            if (sent.register is not None and sent.kind == "read")
            else []
        ):
            if not any(f.ref == field.ref for f in self.chip.faults.values()):
                self.machine.bank.put(field, field.reset)
        if early:
            self._event("watchdog", f"served {early}")
            self._raise_by("watchdog")
        if not outcome.taken:
            self._event("refused", outcome.why)
            self._raise_by(outcome.refused)
        for text in outcome.events:
            self._event("state", text)
        self._settle()
        layout = self.codec.reply_layout(sent, bank=self.machine.bank)
        part = layout.of_kind("data") if layout is not None else None
        if sent.kind == "write" and part is not None and part.on_write == "new" and sent.register:
            data = as_read(self.chip, sent.register, self.machine.bank.words)
        if frame.after:
            self._queue.append(_Pending(sent, data))
        if self._waiting:
            acted = sent.command or sent.register
            self._fire("command" if sent.command else sent.kind, acted.name if acted else "")

    def command(self, name: str) -> None:
        """A command that a header of the chain gives."""
        if name in self.chip.commands:
            outcome = self.machine.command(self.chip.commands[name])
            for text in outcome.events:
                self._event("state", text)
            self._settle()

    # --- pins ------------------------------------------------------------------------------
    def raised(self) -> list[Fault]:
        """The faults that its status bits show now."""
        return [f for f in self.chip.faults.values() if self.machine.raised(f)]

    def fault_pin(self) -> bool:
        """Level of the fault pin: low (False) while a fault that pulls it shows, or without supply."""
        return self._powered and self._pin

    def flag_level(self) -> str:
        """Level of SDO between select and the first clock, "" where it shows nothing."""
        name = self.chip.spi.select_flag
        if not name or not self._powered or self.now < self._awake:
            return ""
        shown = (
            any(f.severity != "note" for f in self.raised())
            if name == "any"
            else self.machine.raised(self.chip.faults[name]) is True
        )
        return "1" if shown == bool(self.chip.spi.select_flag_active) else "0"
