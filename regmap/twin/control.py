"""Doing things to a simulated chip while it runs: one line of text each, the answer another.

    disturb vds_uh for 30 us             as `regmap.twin.disturbance` says, also at an event
    disturb no_power between write and verify of GATE
    clear vds_uh                         end it, also where it is still to come; `clear all` ends everything
    power off                            supply of the logic; also `power on`, `power off for 2 ms`
    brown-out 200 us                     the supply is gone that long, and the chip as after power-up
    pin enable low                       the chip's enable line; `pin enable` and `pin fault` tell levels
    word GATE                            what a register holds, as nobody on the SPI can see it
    time                                 the simulation's time in seconds

The same lines are steps of a link's scripts. An answer is "ok", a value, or "error: " and a sentence.
"""

from __future__ import annotations

from collections.abc import Callable

from ..chip.bits import hexword
from ..chip.model import Chip
from ..errors import CallError, GatewordError, closest
from ..quantity import parse
from .adapter import Adapter, DisturbedLine
from .bus import Bus
from .chain import TwinChain
from .chip import Twin
from .clock import nanoseconds
from .disturbance import LINE_DISTURBANCES, Disturbance, at_position, name_of, parse_disturbance

STEPS = ("disturb", "clear", "power", "brown-out", "pin", "word", "time")
_SECOND = parse("1 s").dim


def check_step(text: str, chip: Chip) -> None:
    """Raises CallError where a step could never be carried out on this chip."""
    word, _, rest = text.strip().partition(" ")
    rest = rest.strip()
    _, rest = at_position(rest)
    if word == "disturb":
        parse_disturbance(rest, chip)
    elif word == "clear":
        if rest != "all":
            name_of(rest, chip)
    elif word == "power":
        _power(rest)
    elif word == "brown-out":
        _length(rest)
    elif word == "pin":
        _pin(rest)
    elif word == "word":
        _register(rest, chip)
    elif word != "time" or rest:
        near = closest(word, STEPS)
        raise CallError(
            f"{text.strip()[:60]!r} is no step",
            f"one of {', '.join(STEPS)}",
            nearest=near,
            part=text.strip()[:60],
        )


def _length(text: str) -> int:
    value = parse(text)
    if value.dim != _SECOND or value.value <= 0:
        raise CallError(f"{text!r} is no time", "a time such as 200 us", part=text)
    return nanoseconds(value.value)


def _power(rest: str) -> tuple[str, int | None]:
    state, _, length = rest.partition(" for ")
    if state.strip() not in ("on", "off") or (length and state.strip() == "on"):
        raise CallError(f"power {rest!r}", "on, off, or off for TIME", part=rest)
    return state.strip(), _length(length) if length else None


def _pin(rest: str) -> tuple[str, str]:
    name, _, level = rest.partition(" ")
    if name not in ("enable", "fault") or level.strip() not in ("", "low", "high"):
        raise CallError(f"pin {rest!r}", "enable low, enable high, enable or fault", part=rest)
    if name == "fault" and level:
        raise CallError("the fault pin is the chip's", "`pin fault`, which tells its level")
    return name, level.strip()


def _register(rest: str, chip: Chip) -> str:
    names = {n.casefold(): n for n in chip.registers}
    if rest.casefold() not in names:
        near = closest(rest, chip.registers)
        raise CallError(f"{chip.name} has no register {rest[:40]!r}", nearest=near, part=rest[:40])
    return names[rest.casefold()]


class Control:
    """Carries out steps on a twin behind an adapter; `line` is where the serial line's disturbances go."""

    def __init__(
        self, twin: Twin | TwinChain, adapter: Adapter, line: DisturbedLine | None = None
    ) -> None:
        self.twin = twin
        self.adapter = adapter
        self.line = line
        self._steps: dict[str, Callable[[str], str]] = {
            "disturb": self._disturb,
            "clear": self._clear,
            "power": self._power,
            "brown-out": lambda rest: self._power(f"off for {rest}"),
            "pin": self._pin,
            "word": self._word,
            "time": lambda _rest: f"{self.bus.now() / 1e9:.9f} s",
        }

    @property
    def bus(self) -> Bus:
        return self.twin.bus

    @property
    def chip(self) -> Chip:
        return self.adapter.cores[0].chip

    def act(self, text: str) -> str:
        """Carry out one step; its answer. Raises CallError."""
        check_step(text, self.chip)
        word, _, rest = text.strip().partition(" ")
        with self.adapter.lock:
            self.bus.settle()
            return self._steps[word](rest.strip())

    def answer(self, text: str) -> str:
        """As `act`, but what is wrong is the answer."""
        try:
            return self.act(text)
        except GatewordError as error:
            return f"error: {error}"

    def _disturb(self, rest: str) -> str:
        position, placed = at_position(rest)
        if position is not None:
            self.twin.disturb(rest if isinstance(self.twin, TwinChain) else placed)
            return "ok"
        item = parse_disturbance(rest, self.chip)
        if item.name in LINE_DISTURBANCES:
            self._disturb_line(item)
        else:
            self.twin.disturb(item)
        return "ok"

    def _disturb_line(self, item: Disturbance) -> None:
        if self.line is None:
            raise CallError(f"{item.name} disturbs a serial line, and this twin is on none")
        line = self.line
        if item.event is None:
            line.disturb(item)
        else:
            self.adapter.cores[0].when(item.event, item.name, lambda _ns: line.disturb(item))

    def _clear(self, rest: str) -> str:
        names = [rest] if rest != "all" else [*self.chip.faults, *{d.name for d in self._others()}]
        for name in names:
            self.twin.remove(name)
            if self.line is not None:
                known = name_of(name, self.chip)[1]
                self.line.disturbances = [d for d in self.line.disturbances if d.name != known]
        return "ok"

    def _others(self) -> list[Disturbance]:
        at_line = self.line.disturbances if self.line is not None else []
        waiting = [Disturbance(kind="electrical", name="no_power")]
        return [*self.bus.disturbances, *at_line, *waiting]

    def _power(self, rest: str) -> str:
        state, length = _power(rest)
        if state == "on":
            self.twin.remove("no_power")
        else:
            self.twin.disturb(Disturbance(kind="electrical", name="no_power", length=length))
        return "ok"

    def _pin(self, rest: str) -> str:
        name, level = _pin(rest)
        levels = self.adapter.pins({"": None, "low": False, "high": True}[level])
        if level:
            return "ok"
        return "high" if (levels.enable if name == "enable" else levels.fault) else "low"

    def _word(self, rest: str) -> str:
        core = self.adapter.cores[0]
        register = core.chip.registers[_register(rest, core.chip)]
        return hexword(core.machine.bank.words[register.name], register.width)


class Lines:
    """Lines of text in, answers out: `Control` behind a line such as `regmap.wire.tcp.LoopbackPort`."""

    MOST = 4096  # bytes of one line

    def __init__(self, control: Control) -> None:
        self.control = control
        self._rest = b""

    def feed(self, data: bytes) -> bytes:
        out = b""
        *lines, self._rest = (self._rest + data).split(b"\n")
        for line in lines:
            text = line.decode("utf-8", errors="replace").strip()
            if text:
                out += self.control.answer(text).encode() + b"\n"
        if len(self._rest) > self.MOST:
            self._rest = b""
            out += b"error: a line of more than 4096 bytes\n"
        return out
