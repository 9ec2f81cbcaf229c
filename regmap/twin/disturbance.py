"""Disturbances: simulated faults and electrical ones by name and time, and reading them from text.

    vds_uh at 12 ms for 30 us        a fault of the map; its condition is present that long
    undervoltage at 5 ms             a fault by what it watches; until removed
    no_power at 5 ms for 2 ms        supply of the logic gone: the chip comes back as after power-up
    dead_reply high at 3 ms          SDO stuck (low where not said), or `float`
    bit_flips 1 %                    in one of a hundred bursts one bit turns over, on either line

    vds_uh at the 7th frame          as the seventh frame from now begins (also: at frame 7)
    no_power after write GATE        once such a write has acted (also read, command; any without a name)
    reset between write and verify   after the next write, before what reads it back (of GATE)

Without `at` it begins now, without `for` it lasts until removed.
"""

from __future__ import annotations

import re
from fractions import Fraction

from regmap.record import dataclass

from ..chip.model import Chip
from ..errors import CallError, closest
from ..quantity import count_of, parse
from .clock import nanoseconds

#: Electrical disturbances on the SPI side; value: what it does.
SPI_DISTURBANCES: dict[str, str] = {
    "no_power": "the logic has no supply; afterwards the chip is as after power-up",
    "reset": "the chip resets at that moment",
    "dead_reply": "SDO is stuck: low, high or float",
    "dead_command": "SDI is stuck: low or high",
    "dead_clock": "the chip sees no clock",
    "echo": "SDI and SDO are connected: every reply is its own command",
    "wrong_mode": "the controller drives another SPI mode (0 to 3) than it was told",
    "bit_flips": "share of bursts in which one bit turns over, on either line",
    "lost_frames": "share of bursts that the chip never sees",
    "lost_clocks": "share of bursts in which the chip misses one clock",
    "busy": "share of requests to which the adapter answers that it is busy",
}

#: Disturbances of the serial line between host and adapter; value: what it does.
LINE_DISTURBANCES: dict[str, str] = {
    "line_flips": "share of pieces sent in which one bit turns over",
    "line_drops": "share of pieces sent of which a part is lost",
    "line_delays": "share of pieces sent that arrive late, by 20 ms or `by TIME`",
    "line_echo": "everything that is sent comes back as well",
    "unplug": "the port is gone",
}
RATES = (
    "bit_flips",
    "lost_frames",
    "lost_clocks",
    "busy",
    "line_flips",
    "line_drops",
    "line_delays",
)
LEVELS = {
    "dead_reply": ("low", "high", "float"),
    "dead_command": ("low", "high"),
    "wrong_mode": ("", "0", "1", "2", "3"),
}

#: Faults by what they watch: the role that the map's fault `uses`.
WATCHED = {
    "undervoltage": "uv.threshold",
    "overvoltage": "ov.threshold",
    "overcurrent": "overcurrent.threshold",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbance:
    """One thing to go wrong. Times in nanoseconds; `start` None is "now", `length` None "until removed".

    `kind` is "fault" (then `name` is the map's) or "electrical". `level` is low, high, float or an SPI
    mode's digit; `rate` a probability; `delay` of line_delays in nanoseconds. With an `event` it begins
    when that happens: ("frame", "7") as the seventh frame from now begins, ("write", "GATE") once a
    write of that register has acted, ("read", ...) and ("command", ...) likewise; "" means any.
    """

    kind: str
    name: str
    start: int | None = None
    length: int | None = None
    rate: float = 1.0
    level: str = ""
    delay: int = 20_000_000
    event: tuple[str, str] | None = None
    text: str = ""

    def on_at(self, ns: int) -> bool:
        """Whether it is on at a time of the simulation."""
        start = self.start or 0
        return start <= ns and (self.length is None or ns < start + self.length)


_TIMES = re.compile(r"\b(at|for|by)\s+([\d.]+(?:e[+-]?\d+)?\s*[a-zµ]*s)\b", re.IGNORECASE)
_RATE = re.compile(r"([\d.]+(?:e-?\d+)?)\s*(%|ppm)?", re.IGNORECASE)


_EVENT = re.compile(
    r"\bat\s+(?:the\s+(?P<count>\d+)(?:st|nd|rd|th)\s+frame|frame\s+(?P<number>\d+))\b"
    r"|\bafter\s+(?P<what>write|read|command)(?:\s+(?:of\s+)?(?!for\b)(?P<name>\w+))?"
    r"|\bbetween\s+write\s+and\s+verify(?:\s+of\s+(?P<verified>\w+))?",
    re.IGNORECASE,
)


def at_position(text: str) -> tuple[int | None, str]:
    """`2: vds_uh at 5 ms` taken apart: the chip's position in a chain, None where none is said, and the rest."""
    number, colon, rest = text.partition(":")
    position = count_of(number) if colon else None
    return (None, text) if position is None else (position, rest.strip())


def parse_disturbance(text: str, chip: Chip | None = None) -> Disturbance:
    """Read `NAME [LEVEL or RATE] [at TIME or EVENT] [for TIME]`. Raises CallError with the nearest name."""
    times: dict[str, int] = {}
    for word, value in _TIMES.findall(text):
        if word.lower() in times:
            raise CallError(f"{text!r} says `{word}` twice", part=text)
        times[word.lower()] = nanoseconds(parse(value).value)
    left, event = _event(_TIMES.sub(" ", text), text, chip)
    if event is not None and "at" in times:
        raise CallError(f"{text!r} begins at a time and at an event", "one of them", part=text)
    rest = left.split()
    if not rest:
        raise CallError(f"{text!r} names no disturbance", part=text)
    kind, name = name_of(rest[0], chip)
    level, rate = "", 1.0
    extra = " ".join(rest[1:])
    if extra and name in RATES:
        rate = _share(extra, text)
    elif extra and extra in LEVELS.get(name, ()):
        level = extra
    elif extra:
        raise CallError(f"{extra!r} in {text!r}", f"{_expected(name)}", part=extra)
    if name in RATES and not extra:
        raise CallError(f"{text!r} has no rate", f"{name} 1 %", part=text)
    if "by" in times and name != "line_delays":
        raise CallError(f"`by` in {text!r}; only line_delays takes it", part=text)
    return Disturbance(
        kind=kind,
        name=name,
        start=times.get("at"),
        length=times.get("for"),
        rate=rate,
        level=level or LEVELS.get(name, ("",))[0],
        delay=times.get("by", 20_000_000),
        event=event,
        text=text.strip(),
    )


def _event(rest: str, text: str, chip: Chip | None) -> tuple[str, tuple[str, str] | None]:
    """What is left of the text, and the event at which it begins. Raises CallError."""
    found = list(_EVENT.finditer(rest))
    if not found:
        return rest, None
    if len(found) > 1:
        raise CallError(f"{text!r} names two events", "one", part=text)
    match = found[0]
    left = rest[: match.start()] + " " + rest[match.end() :]
    number = match["count"] or match["number"]
    if number is not None:
        if int(number) < 1:
            raise CallError(f"frame {number} in {text!r}; the next one is frame 1", part=text)
        return left, ("frame", str(int(number)))
    what = (match["what"] or "write").lower()
    name = match["name"] or match["verified"] or ""
    if name and chip is not None:
        known = chip.commands if what == "command" else chip.registers
        names = {n.casefold(): n for n in known}
        if name.casefold() not in names:
            near = closest(name, known)
            kind = "command" if what == "command" else "register"
            raise CallError(f"no {kind} {name!r} in the map", nearest=near, part=name)
        name = names[name.casefold()]
    return left, (what, name)


def _expected(name: str) -> str:
    if name in LEVELS:
        return "one of " + ", ".join(level for level in LEVELS[name] if level)
    return "at TIME, at the 7th frame, after write REG, or for TIME"


def _share(extra: str, text: str) -> float:
    match = _RATE.fullmatch(extra)
    share = None
    if match:
        try:
            share = Fraction(match[1])
        except ValueError:
            share = None
    if match is None or share is None:
        raise CallError(f"{extra!r} in {text!r} is no rate", "1 % or 0.01", part=extra)
    share /= {"%": 100, "ppm": 1_000_000}.get((match[2] or "").lower(), 1)
    if not 0 <= share <= 1:
        raise CallError(f"{extra!r} in {text!r}; a rate is 0 to 100 %", part=extra)
    return float(share)


def name_of(word: str, chip: Chip | None) -> tuple[str, str]:
    """("fault" or "electrical", its name as the map or the tables write it). Raises CallError."""
    low = word.casefold()
    faults = chip.faults if chip is not None else {}
    for fault in faults:
        if fault.casefold() == low:
            return "fault", fault
    if low in SPI_DISTURBANCES or low in LINE_DISTURBANCES:
        return "electrical", low
    if low in WATCHED:
        for item in faults.values():
            if WATCHED[low] in item.uses:
                return "fault", item.name
        raise CallError(f"{chip.name if chip else 'the map'} has no fault that watches for {low}")
    near = closest(word, [*faults, *SPI_DISTURBANCES, *LINE_DISTURBANCES, *WATCHED])
    raise CallError(
        f"{word[:40]!r} is no fault of the map and no other disturbance",
        nearest=near,
        part=word[:40],
    )
