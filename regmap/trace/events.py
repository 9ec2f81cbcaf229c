"""What a trace tells: events of single frames, notes about them, intervals of faults.

Times are int64 ticks of the capture; `Clock.text` makes them readable. An event is built when it is
asked for: a capture of a million frames holds a million numbers, not a million objects.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from regmap.quantity import show
from regmap.record import dataclass, field

_SECOND = (0, 0, 1, 0, 0)

#: Kinds of notes; key: word used in filters and machine output, value: what it tells.
NOTES: dict[str, str] = {
    "changed": "a register's word differs from the one known before",
    "refused": "a write that the chip refused, and why",
    "verified": "a read that shows what was written",
    "reserved": "a write that the map forbids: reserved bits, registers that only report",
    "rejected": "a frame that the chip or the controller must reject",
    "key": "a key sequence finished or broken",
    "state": "a state of the chip entered or left",
    "raised": "a fault seen raised",
    "cleared": "a fault seen cleared",
    "still": "a fault that stayed raised although it was cleared",
    "erased": "a read that erased what it showed",
    "reset": "the chip was reset",
    "watchdog": "watchdog service too early, too late or missing",
    "impossible": "statements of the chip that contradict each other",
    "wiring": "what points to wiring, set-up or the capture itself",
    "timing": "an electrical limit of the SPI that is not kept",
    "pin": "a fault or enable pin moved",
    "unknown": "an address or command that the map does not have",
}

#: How much a note matters, least first.
WEIGHTS = ("info", "good", "warn", "bad")


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One remark on one frame or instant. `kind` is of NOTES, `weight` of WEIGHTS."""

    kind: str
    text: str
    weight: str = "info"
    register: str = ""
    fault: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One frame as it happened, or (kind "pin") one move of a captured pin.

    kind       read, write, a command's name, "rejected" (not a frame that the chip accepts), "pin"
    number     of the frame among all of its chip, from 0; transfer: of the transfer in the capture
    chip       position in a daisy chain, counted from the controller's output
    word       the command as sent; reply: the word that answers it (None: not captured)
    data       what was written or, in a read, answered
    old        what the register held as far as known
    changes    "REG.FIELD: old -> new" for each field that differs from `old`
    status     names of the reply's status bits that are set
    """

    kind: str
    number: int
    transfer: int
    time: int
    chip: int = 0
    register: str = ""
    address: int | None = None
    word: int | None = None
    bits: int = 0
    reply: int | None = None
    data: int | None = None
    old: int | None = None
    changes: tuple[str, ...] = ()
    status: tuple[str, ...] = ()
    notes: tuple[Note, ...] = ()

    @property
    def weight(self) -> str:
        """The gravest weight of the notes, "info" without any."""
        return max((n.weight for n in self.notes), key=WEIGHTS.index, default="info")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """A run of frames that told nothing new: only repetitions of what was known."""

    first: int
    last: int
    start: int
    end: int
    counts: Mapping[str, int]
    chip: int = 0

    @property
    def frames(self) -> int:
        return self.last - self.first + 1


@dataclass(slots=True, kw_only=True)
class Interval:
    """A fault from the frame that showed it first to the one that showed it gone; -1 is "none".

    `clear_before` is the last frame that showed it clear: it was raised after that one. `cleared_by`
    is the frame that cleared it. `pin` is the instant of the fault pin's edge in between, if any.
    """

    fault: str
    raised: int
    raised_time: int
    clear_before: int = -1
    clear_before_time: int = -1
    cleared_by: int = -1
    how: str = ""
    gone: int = -1
    gone_time: int = -1
    pin: int = -1
    attempts: list[int] = field(default_factory=list)
    normal: bool = False
    chip: int = 0


@dataclass(frozen=True, slots=True)
class TraceClock:
    """Ticks to text; `tick` is seconds, None in a capture without times."""

    tick: Fraction | None

    def seconds(self, ticks: int) -> Fraction:
        """Exact seconds."""
        return ticks * (self.tick or Fraction(0))

    def text(self, ticks: int, digits: int = 7) -> str:
        """An instant or a span with its unit."""
        if self.tick is None:
            return f"word {ticks}"
        # whole numbers divided are rounded once, as the fraction would be, in a fifth of the time
        return show(ticks * self.tick.numerator / self.tick.denominator, _SECOND, digits)
