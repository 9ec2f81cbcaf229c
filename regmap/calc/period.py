"""The timeline of one PWM period: every instant of a switch with its tolerance, and what each must keep to.

Instants count from the edge at the driver's input that turns the switch on. Each is the very
variable that a check compares (see `pwm`, `vds`, `shunt`, `deadtime`); nothing is computed here
but their order. Of each half-bridge the load's current flows "out" (to the motor) or "in". The high
side takes over a current that flows out and swings the node, the low side one that flows in; the other
way its diode carries the current already, and the other side's turn-off has swung the node before.
Duty is that of the high side, as everywhere: the lowest, middle or highest of the stage, or one that is
named. At 0 and 100 %, and where the dead time eats the pulse, a side has no edges, which is the answer then.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from regmap.record import dataclass

from ..errors import CallError
from .comparison import nearest_limit
from .corner import Variable, show_value
from .deadtime import needed_deadtime
from .duty import (
    DUTIES,
    Direction,
    Side,
    other_side,
    period_bench,
    pulse_of,
    share_of_period,
    shortest,
    taking_over,
    without_edges,
)
from .edges import (
    current_edge_time,
    edge_time,
    full_time,
    plateau_left,
    plateau_reached,
    step_ends,
    then,
    turn_off_time,
    turn_on_time,
)
from .inputs import ImpossibleError, Inputs
from .pwm import (
    earlier,
    gate_starts,
    low_side_time,
    on_time,
    own_deadtime,
    propagation,
    set_deadtime,
)
from .shunt import quiet_time, sample_window, sampled_duty, settled
from .vds import below_threshold, deaf_time, may_look
from .work import Work

Phase = Literal["on", "sense", "off"]
EDGE_OFF = "input edge off"


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant of the period: what happens, and when, from the input edge on; of turn-off also from the one off."""

    name: str
    time: Variable
    phase: Phase
    since_off: Variable | None = None


@dataclass(frozen=True, slots=True)
class Limit:
    """What the instant `of` must come before, and the time between them at their closest corner in s.

    Both may hang on the same inputs, so that is not always the distance between their bands.
    """

    name: str
    of: str
    phase: Phase
    time: Variable
    spare: float

    @property
    def spare_text(self) -> str:
        """What is left to the limit, or is lacking."""
        word = "spare" if self.spare >= 0 else "lacking"
        return f"{show_value(abs(self.spare), 'time', 3)} {word}"

    @property
    def told(self) -> str:
        """The limit in words."""
        at = self.time.text("min")
        return f"{self.of}, limit {self.name} ({at}): {self.spare_text} at the closest corner"


@dataclass(frozen=True, slots=True)
class Period:
    """One period of one side. Without edges `idle` says why, and what the switch does instead.

    `duty` is as it was asked for, `share` what that is of the high side. `missing` are inputs without
    which some instants are left out.
    """

    side: Side
    duty: str
    share: Variable | None
    current: Direction
    instants: tuple[Instant, ...] = ()
    limits: tuple[Limit, ...] = ()
    idle: str = ""
    notes: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    @property
    def hard(self) -> bool:
        """Whether this side takes over the current and swings the node."""
        return (self.side == "high") == (self.current == "out")

    @property
    def told_duty(self) -> str:
        """The duty by its name, with its share where both are known."""
        share = "" if self.share is None else self.share.text()
        if self.duty not in DUTIES:
            return f"{share} duty"
        return f"{self.duty} duty" + (f" ({share})" if share else "")

    @property
    def title(self) -> str:
        """Side, duty (of the high side, as everywhere) and direction in words."""
        way = "out of the bridge" if self.current == "out" else "into the bridge"
        return f"one PWM period, {self.side} side, {self.told_duty} of the high side, current {way}"

    @property
    def role(self) -> str:
        """What this side has to do with the current."""
        if self.hard:
            return f"the {self.side} side takes the current over and swings the node"
        return f"the {self.side} side's diode carries the current before and after its on-time"

    def json(self) -> dict[str, object]:
        """A plain object; times in seconds, the duty as a share of the period."""
        share = self.share
        return {
            "side": self.side,
            "duty": {
                "wanted": self.duty,
                "min": None if share is None else float(share.low),
                "typ": None if share is None else float(share.typ),
                "max": None if share is None else float(share.high),
            },
            "load_current": self.current,
            "takes_current_over": self.hard,
            "edges": not self.idle,
            "limit_times": [
                {
                    "name": limit.name,
                    "instant": limit.of,
                    "time_s": {
                        "min": float(limit.time.low),
                        "typ": float(limit.time.typ),
                        "max": float(limit.time.high),
                    },
                    "spare_s": limit.spare,
                }
                for limit in self.limits
            ],
        }


def timeline(
    inputs: Inputs, side: Side = "low", *, duty: str = "", current: Direction | None = None
) -> Period:
    """One period with its instants in their typical order; what needs a missing input is left out.

    Without `duty` the one at which this side's pulse is shortest, without `current` the direction
    that this side takes over.

    Raises CallError for what is no duty, and that names the inputs without which there is no edge at all.
    """
    work = period_bench(inputs)
    asked = duty or shortest(side)
    share = share_of_period(work, asked)
    try:
        found = _Course(work, side, asked, share, current or taking_over(side)).period()
        for instant in found.instants:
            _ = instant.time.low, instant.time.high  # which raise where it has no value
        return found
    except ImpossibleError as error:
        raise CallError(f"no timeline: {error}") from None


class _Course:
    """One period in the making."""

    def __init__(
        self, work: Work, side: Side, duty: str, share: Variable | None, current: Direction
    ) -> None:
        self.work, self.side, self.other = work, side, other_side(side)
        self.asked = Period(side, duty, share, current)
        self.share, self.hard = share, self.asked.hard
        self.off = pulse_of(work, side, share)
        self.found: list[Instant] = []
        self.limits: list[Limit] = []
        self.notes: list[str] = []

    def period(self) -> Period:
        """The whole of it."""
        asked = self.asked
        given = asked.side, asked.duty, asked.share, asked.current
        if self.off is not None and self.share is not None:
            idle = without_edges(self.side, self.share, self.off)
            if idle:
                return Period(*given, idle=idle)
            if self.off.low <= 0:
                self.notes.append("at its shortest the pulse vanishes in the dead time")
        self._turn_on()
        self._blanking()
        if self.side == "low":
            self._sampling()
        self._turn_off()
        return Period(
            *given,
            tuple(self.found),
            tuple(self.limits),
            notes=tuple(self.notes),
            missing=tuple(self.work.missing),
        )

    # what all of them need

    def _add(self, name: str, time: Variable | None, phase: Phase = "on") -> Variable | None:
        if time is not None:
            self.found.append(Instant(name, time, phase))
        return time

    def _add_off(self, name: str, since: Variable | None) -> None:
        """An instant of turn-off, told from both edges of the input."""
        time = self._after(self.off, since)
        if time is not None:
            self.found.append(Instant(name, time, "off", since))

    def _limit(
        self,
        name: str,
        of: str,
        phase: Phase,
        time: Variable | None,
        held: Callable[[], tuple[Variable | None, Variable | None]],
    ) -> None:
        """`held` gives (what must be later, what must be earlier), as a check compares them."""
        if time is None or not any(i.name == of and i.phase == phase for i in self.found):
            return
        later, sooner = held()
        if later is not None and sooner is not None:
            spare = nearest_limit(later, sooner, None, None).margin
            self.limits.append(Limit(name, of, phase, time, float(spare)))

    def _after(self, base: Variable | None, delay: Variable | None) -> Variable | None:
        return self.work.derive("t", then, a=base, b=delay)

    def _from_input(self, time: Variable | None) -> Variable | None:
        """A time that counts from where blanking starts, from the input edge."""
        if self.work.choice("chip:vds.blanking_from") == "input edge":
            return time
        return self._after(gate_starts(self.work, self.side), time)

    def _turn_off_starts(self) -> Variable:
        """Input edge to the start of gate discharge; the delay of turn-on where it alone is stated."""
        return self.work.maybe("t_pd,off", "chip:propagation.off") or propagation(self.work)

    def _by_other(self, delay: Variable | None) -> Variable | None:
        """A time from the other side's start of gate discharge, which is commanded a dead time before."""
        begun = self._after(self._turn_off_starts(), delay)
        return self.work.derive("t", earlier, a=begun, b=own_deadtime(self.work))

    # the phases

    def _turn_on(self) -> None:
        work, side = self.work, self.side
        start, edge = gate_starts(work, side), turn_on_time(work, side)
        if edge is None or start is None:
            raise CallError(f"no timeline without {', '.join(work.missing)}")
        if not self.hard:
            fallen = self._after(
                plateau_left(work, self.other), edge_time(work, "sink", self.other, "t_vds")
            )
            self._add("voltage edge over", self._by_other(fallen))
            self._add("diode carries the current", self._by_other(turn_off_time(work, self.other)))
        self._add("gate charge starts", start)
        for words, end in step_ends(work, "source", side):
            self._add(words, self._after(start, end))
        reached = self._after(start, plateau_reached(work, side))
        if self.hard:
            rising = current_edge_time(work, "source", side, "t_id")
            self._add("current edge starts", work.derive("t", earlier, a=reached, b=rising))
            self._add("current edge over", reached)
            self._add("voltage edge over", self._after(start, edge))
            self._add("VDS below threshold", self._after(start, below_threshold(work, side)))
            self._add("VDS seen below threshold", self._from_input(may_look(work, side)))
        else:
            self._add("gate on the plateau", reached)
        full = full_time(work, "source", side)
        self._add("gate full", self._after(start, full))

        def pulse() -> tuple[Variable | None, Variable | None]:
            """The pulse less the whole dead time, and the gate's time, as deadtime.duty-min and -max have them."""
            f, share = work.take("f", "stage:pwm.frequency"), self.share
            have = set_deadtime(work, self.other)
            if side == "low":
                return work.derive("t_pulse", low_side_time, d=share, f=f, td=have), full
            on = work.derive("ton", on_time, d=share, f=f)
            return work.derive("t_pulse", earlier, a=on, b=have), full

        self._limit("next edge", "gate full", "on", self.off, pulse)

    def _blanking(self) -> None:
        work, side = self.work, self.side
        if any(Work(work.about, work.inputs).switched_off(f"vds.{n}") for n in ("enable", "mode")):
            self.notes.append("the VDS monitor is switched off")
            return
        blank = work.maybe("t_blank", "role:vds.blanking")
        if blank is None:
            return
        self._add("blanking over", self._from_input(blank))
        deaf = deaf_time(work)
        trips = self._add("filter over, may trip", self._from_input(deaf))
        if self.hard:
            self._limit(
                "VDS monitor may trip",
                "VDS seen below threshold",
                "on",
                trips,
                lambda: (deaf, may_look(work, side)),
            )
        else:
            swung = next((i.time for i in self.found if i.name == "voltage edge over"), None)
            self._limit(
                "VDS monitor may trip", "voltage edge over", "on", trips, lambda: (trips, swung)
            )

    def _sampling(self) -> None:
        work, share = self.work, self.share
        if not work.stated("chip:sense.settling") or share is None:
            return
        if work.choice("stage:shunt.arrangement") == "one in the DC link":
            self.notes.append("the one shunt in the DC link is sampled in windows of its own")
            return
        quiet = quiet_time(work)
        carried = self._by_other(turn_off_time(work, self.other))
        ready = settled(work) if self.hard else self._after(carried, quiet)
        self._add("amplifier settled", ready, "sense")
        most = sampled_duty(work) if work.stated("stage:pwm.duty.max") else None
        if most is not None and float(share.typ) > float(most.typ) + 1e-9:
            self.notes.append(f"not sampled at this duty: above {most.text()} the others tell it")
            return
        window, takes = sample_window(work, share), work.take("t_sample", "stage:adc.sampling")
        if work.choice("stage:adc.trigger") == "centre":
            begin, end = window, self._after(window, takes)
            self._add("sampling starts", begin, "sense")
            self._add("sampling over", end, "sense")
        else:
            begin, end = work.derive("t", earlier, a=window, b=takes), window
            self._add("sampling starts at the latest", begin, "sense")
            self._add("sampling must be over", end, "sense")
        self._limit("sampling starts", "amplifier settled", "sense", begin, lambda: (begin, ready))
        self._limit("next edge", "sampling over", "sense", self.off, lambda: (self.off, end))

    def _turn_off(self) -> None:
        work, side = self.work, self.side
        self._add(EDGE_OFF, self.off, "off")
        leaving = self._turn_off_starts()
        self._add_off("gate discharge starts", leaving)
        for words, end in step_ends(work, "sink", side):
            self._add_off(words, self._after(leaving, end))
        if self.hard:
            left = self._after(leaving, plateau_left(work, side))
            self._add_off("voltage edge starts", left)
            edge = edge_time(work, "sink", side, "t_vds")
            self._add_off("voltage edge over", self._after(left, edge))
        self._add_off("current off", self._after(leaving, turn_off_time(work, side)))
        begins = self._after(own_deadtime(work), gate_starts(work, self.other))
        self._add_off("other gate charge starts", begins)
        if not self.hard:
            swung = self._after(begins, turn_on_time(work, self.other))
            self._add_off("voltage edge over", swung)
        self._limit(
            "dead time over",
            "current off",
            "off",
            self._after(self.off, begins),
            lambda: (set_deadtime(work, side), needed_deadtime(work, side)),
        )
