"""Start-up from power-on to the first PWM, and the way back to sleep, as phases that follow on each other.

    supplies rise -> controller requests wake-up -> chip takes frames -> bring-up sequence (its parts)
                                                 -> chip awake -> charge pump charges
                                                               -> amplifier settles
    bring-up, awake, settled (and calibrated), DC link precharged -> outputs enabled
    outputs enabled, high-side supply charged -> first PWM

    last PWM edge -> motor runs down -> outputs off, sleep frame -> asleep, with the charge taken meanwhile

The controller is taken to do one thing after the other: it calibrates with the outputs off and enables
them when everything before has come to an end. Instants of a start count from power-on, those of the
way to sleep from the last PWM edge. Checks and the pictures read them from here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal

from regmap.record import dataclass

from ..errors import CallError
from ..quantity import many
from .bootstrap import MICROCHIP, charging_path, sag_in_on_time
from .corner import Variable, any_of, formula, larger, log
from .currents import gate_voltage
from .device import CHARGE_USES
from .edges import then
from .gatesupply import bootstrapped
from .inputs import Facts, FrameRun, ImpossibleError, Inputs
from .pwm import stretched
from .registry import Outcome, check
from .spi import frames_duration
from .work import About, Work

Kind = Literal["supply", "SPI", "gate supply", "sense", "PWM"]
Way = Literal["startup", "sleep"]


@dataclass(frozen=True, slots=True)
class Phase:
    """From `start` (None: from the beginning) to `end`, and how long; each with min, typ and max."""

    name: str
    kind: Kind
    start: Variable | None
    end: Variable
    span: Variable


@dataclass(frozen=True, slots=True)
class Sequence:
    """The phases of one way in their order, what they lead to, and what was not stated.

    `end` is the first PWM, or when the chip is asleep; None where an input that decides it is missing. `missing`
    are the inputs without which phases are left out. The other instants are those that checks compare:
    from when on the high-side supply charges, until when.
    """

    way: Way
    phases: tuple[Phase, ...]
    end: Variable | None
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    charging: Variable | None = None
    charged: Variable | None = None

    @property
    def ends_with(self) -> str:
        """What the end is called."""
        return "first PWM" if self.way == "startup" else "asleep"


@formula(
    "{c} * {v} / {i}",
    "time",
    up="c v",
    down="i",
    source="Microchip motor-control documentation, section 4.5: dV = I t / C, from empty",
)
def pump_charge_time(c: Any, v: Any, i: Any) -> Any:
    """Time in which a charge pump charges its empty capacitor to the gate voltage."""
    return c * v / i


@formula(
    "{vuv} + {dv}", "voltage", up="vuv dv", source="what one on-time takes must be left above it"
)
def bootstrap_needed(vuv: Any, dv: Any) -> Any:
    """Bootstrap voltage with which the first on-time ends at the undervoltage threshold."""
    return vuv + dv


@formula(
    "{r} * {c} * ln(({vdd} - {vf}) / ({vdd} - {vf} - {v}))",
    "time",
    up="r c vf v",
    down="vdd",
    source=MICROCHIP + ", section 13.24.1.6: exponential charge, from empty",
)
def bootstrap_charge_time(r: Any, c: Any, vdd: Any, vf: Any, v: Any) -> Any:
    """Time in which the empty bootstrap capacitor reaches a voltage while the low side is on."""
    above = vdd - vf
    if any_of(above <= v):
        raise ImpossibleError("the bootstrap never reaches what the first on-time needs")
    return r * c * log(above / (above - v))


@formula("{n} * {t} * (1 + {tol})", "time", up="n t tol", source="samples one after the other")
def sampled_time(n: Any, t: Any, tol: Any) -> Any:
    """Time of `n` samples by a clock with a tolerance about zero."""
    return n * t * (1 + tol)


@formula("({i} + {io}) * {t}", "charge", up="i io t", source="Q = I t")
def charge_taken(i: Any, io: Any, t: Any) -> Any:
    """Charge that the chip, awake, and the rest of the stage take in a time."""
    return (i + io) * t


@formula("max({a}, {b})", "time", up="a b", source="what ends last")
def later(a: Any, b: Any) -> Any:
    """When two things are over that go on side by side."""
    return larger(a, b)


def awake_time(work: Work) -> Variable | None:
    """From the wake request until the outputs may be used, as the map states it."""
    return work.take("t_wake", "chip:supply.wake_time")


class _Way:
    """The phases as they are found; one whose beginning or length is missing is left out."""

    def __init__(self, work: Work) -> None:
        self.work = work
        self.phases: list[Phase] = []

    def phase(
        self,
        symbol: str,
        name: str,
        kind: Kind,
        start: Variable | None,
        span: Variable | None,
    ) -> Variable | None:
        """The end, called `symbol`, of a phase that begins at `start`."""
        end = self.work.derive(symbol, then, a=start, b=span)
        if end is None or span is None:
            return None
        self.phases.append(Phase(name, kind, start, end, span))
        return end

    def first(self, name: str, kind: Kind, span: Variable | None) -> Variable | None:
        """The end of a phase that begins with the whole way."""
        if span is not None:
            self.phases.append(Phase(name, kind, None, span, span))
        return span

    def frames(self, parts: Iterable[FrameRun], start: Variable | None) -> Variable | None:
        """The end of frames on the SPI, part by part."""
        for part in parts:
            symbol, count = part.name.replace(" ", "-"), many(len(part.lengths), "frame")
            span = frames_duration(self.work, f"t_{symbol}", part.lengths, part.waits, part.origin)
            start = self.phase(f"t_end,{symbol}", f"{part.name}: {count}", "SPI", start, span)
        return start

    def latest(self, symbol: str, *ends: Variable | None) -> Variable | None:
        """When all of these are over; None where one is missing."""
        found, *others = ends
        for end in others:
            found = self.work.derive(symbol, later, a=found, b=end)
        return found


def start_up(work: Work) -> Sequence:
    """The phases of a start. Raises ImpossibleError where the map's bring-up does not lead to these settings."""
    facts, way = _facts(work), _Way(work)
    supplied = way.first(
        "supplies rise", "supply", work.take("t_rise", "stage:startup.supply_rise")
    )
    asked = way.phase(
        "t_request",
        "controller requests wake-up",
        "supply",
        supplied,
        work.take("t_delay", "stage:startup.enable_delay"),
    )
    taking = way.phase("t_taking", "chip takes frames", "supply", asked, takes_frames(work))
    awake = way.phase("t_awake", "chip awake, outputs usable", "supply", asked, awake_time(work))
    brought_up = way.frames(facts.bring_up, taking)
    if not facts.bring_up:
        work.missing[f"frames of the bring-up ({facts.origin})"] = None
        brought_up = None
    needed = [brought_up, awake]
    charging = charged = None
    bootstrap = bootstrapped(work)
    if not bootstrap:
        charging = awake
        charged = way.phase(
            "t_charged", "charge pump charges", "gate supply", awake, pump_time(work)
        )
    if work.stated("stage:precharge.time"):
        span = work.take("t_pre", "stage:precharge.time")
        needed.append(way.first("DC link precharges", "supply", span))
    if work.stated("role:sense.gain"):
        needed.append(_sensed(work, way, brought_up, awake))
    enabled = way.frames(facts.outputs_on, way.latest("t_ready", *needed))
    if bootstrap:
        charging = enabled
        span = bootstrap_time(work)
        charged = way.phase("t_charged", "bootstrap charges", "gate supply", enabled, span)
    if work.stated("stage:startup.charge_time"):
        first_pwm = way.phase("t_pwm", "controller waits", "PWM", enabled, charge_wait(work))
    else:
        first_pwm = way.latest("t_pwm", enabled, charged)
    return Sequence(
        "startup", tuple(way.phases), first_pwm, tuple(work.missing), (), charging, charged
    )


def _facts(work: Work) -> Facts:
    if work.facts.no_bring_up:
        raise ImpossibleError(f"there is no bring-up: {work.facts.no_bring_up}")
    return work.facts


def takes_frames(work: Work) -> Variable | None:
    """From the wake request until the controller may send the first frame."""
    facts, ready = work.facts, work.take("t_frames", "chip:spi.wake_up")
    if facts.first_wait is None:
        return ready
    note = f"{facts.origin}, before the first frame"
    wait = work.band("t_wait", facts.first_wait, "time", note)
    return work.derive("t_first", later, a=ready, b=wait)


def amplifier_time(work: Work) -> Variable | None:
    """From the outputs usable until the amplifier is believed, where nothing else goes on beside it."""
    wakes, settles = work.take("t_amp", "chip:sense.wake_time"), work.take("t_settle", "chip:sense.settling")  # fmt: skip
    settled = work.derive("t_believed", then, a=wakes, b=settles)
    if work.choice("stage:adc.calibration") != "at zero current":
        return settled
    return work.derive("t_calibrated", then, a=settled, b=_calibration(work))


def pump_time(work: Work) -> Variable | None:
    """How long the charge pump takes for its capacitor."""
    return work.derive(
        "t_pump",
        pump_charge_time,
        c=work.take("Ccp", "stage:charge_pump.capacitor"),
        v=gate_voltage(work, "high"),
        i=work.take("Icp", "chip:charge_pump.current"),
    )


def bootstrap_time(work: Work) -> Variable | None:
    """How long the low sides must be on so that the first on-time ends above the undervoltage threshold."""
    c = work.take("C", "stage:bootstrap.capacitor")
    sag = sag_in_on_time(work)
    return work.derive(
        "t_boot",
        bootstrap_charge_time,
        r=charging_path(work),
        c=c,
        vdd=gate_voltage(work, "low"),
        vf=work.take("Vf", "chip:bootstrap.vf"),
        v=work.derive("Vneed", bootstrap_needed, vuv=work.take("Vuv", "chip:bootstrap.uv"), dv=sag),
    )


def charge_wait(work: Work) -> Variable | None:
    """How long the controller waits for the high-side supply, by its clock."""
    return work.derive(
        "t_given",
        stretched,
        a=work.take("t_charge", "stage:startup.charge_time"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )


def _sensed(
    work: Work, way: _Way, brought_up: Variable | None, awake: Variable | None
) -> Variable | None:
    """When the amplifier's output can be believed: settled, and its offset known where it is calibrated."""
    wakes = work.take("t_amp", "chip:sense.wake_time")
    works = way.phase("t_works", "amplifier wakes", "sense", awake, wakes)
    settled = way.phase(
        "t_settled",
        "amplifier settles",
        "sense",
        way.latest("t_gain", brought_up, works),
        work.take("t_settle", "chip:sense.settling"),
    )
    if work.choice("stage:adc.calibration") != "at zero current":
        return settled
    return way.phase("t_calibrated", "offset calibrated", "sense", settled, _calibration(work))


def _calibration(work: Work) -> Variable | None:
    """How long the controller samples the amplifier's offset."""
    return work.derive(
        "t_cal",
        sampled_time,
        n=work.take("n", "stage:startup.calibration_samples"),
        t=work.take("t_each", "stage:startup.calibration_period"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )


BY_PIN = "the map has no field that sends the chip to sleep: a pin does, at once"


def to_sleep(work: Work) -> Sequence:
    """The phases from the last PWM edge until the chip is asleep. Raises as `start_up`."""
    facts, way = _facts(work), _Way(work)
    stopped = way.first("motor runs down", "PWM", work.take("t_down", "stage:sleep.run_down"))
    asked = way.frames(facts.to_sleep, stopped)
    span = work.take("t_sleep", "chip:supply.sleep_time")
    asleep = way.phase("t_asleep", "chip goes to sleep", "supply", asked, span)
    notes = () if facts.sleeps else (BY_PIN,)
    return Sequence("sleep", tuple(way.phases), asleep, tuple(work.missing), notes)


def charge_to_sleep(work: Work) -> Variable | None:
    """Charge that chip and stage take from the battery until the chip is asleep."""
    return work.derive(
        "Q",
        charge_taken,
        i=work.take("I", "chip:supply.current"),
        io=work.take("Iother", "stage:sleep.other_current"),
        t=to_sleep(work).end,
    )


#: the input that a way begins with
FIRST: dict[Way, str] = {"startup": "stage:startup.supply_rise", "sleep": "stage:sleep.run_down"}


def timeline(inputs: Inputs, way: Way) -> Sequence:
    """The phases of one way as far as the inputs tell them.

    Raises CallError where it cannot begin, or where the bring-up does not lead to the settings.
    """
    work = Work(About(way, "start-up" if way == "startup" else "way to sleep", ""), inputs)
    try:
        found = start_up(work) if way == "startup" else to_sleep(work)
    except ImpossibleError as error:
        raise CallError(f"no {work.about.title}: {error}") from None
    first = FIRST[way]
    if first in found.missing:  # what all the rest counts from
        raise CallError(f"no {work.about.title} without {first}")
    return found


_FRAMES = (
    "stage:spi.clock stage:controller.clock_tolerance chip:spi.idle chip:spi.lead chip:spi.lag "
)
_BOOTSTRAP = (
    "stage:bootstrap.capacitor stage:bootstrap.resistor chip:bootstrap.resistance chip:bootstrap.vf "
    "chip:bootstrap.uv chip:bootstrap.bias_current role:gate.voltage.low role:gate.voltage.high "
    + CHARGE_USES
    + "stage:mosfet.gate_leakage stage:gate.resistor.pulldown stage:pwm.duty.max stage:pwm.frequency "
)
STARTUP_USES = (
    _FRAMES
    + _BOOTSTRAP
    + "stage:startup.supply_rise stage:startup.enable_delay stage:startup.calibration_samples "
    "stage:startup.calibration_period stage:startup.charge_time stage:limits.startup "
    "stage:adc.calibration stage:precharge.time chip:spi.wake_up chip:supply.wake_time "
    "chip:high_side_supply stage:charge_pump.capacitor chip:charge_pump.current "
    "role:gate.voltage.high role:sense.gain chip:sense.wake_time chip:sense.settling "
)
SLEEP_USES = (
    _FRAMES + "stage:sleep.run_down chip:supply.sleep_time stage:limits.sleep_time "
    "stage:sleep.charge_budget stage:sleep.other_current "
)


def _concerned(work: Work, *keys: str) -> bool:
    """Whether the stage states any of these itself: what it is silent about, no check asks for."""
    work.asked.update(dict.fromkeys(f"stage:{key}" for key in keys))
    return any(f"stage:{key}" in work.inputs for key in keys)


def _starts(work: Work) -> bool:
    keys = (
        "supply_rise",
        "enable_delay",
        "calibration_samples",
        "calibration_period",
        "charge_time",
    )
    return _concerned(work, "limits.startup", *(f"startup.{k}" for k in keys))


@check(
    "startup.first-pwm",
    "first PWM in time after power-on",
    "t = max(t_rise + t_delay + max(t_frames, t_wait) + frames of the bring-up, t_rise + t_delay + t_wake, "
    "amplifier settled or calibrated, DC link precharged) + frames that enable the outputs, then the "
    "high-side supply charged, or the time given to it",
    STARTUP_USES,
)
def first_pwm(work: Work) -> Outcome:
    """When PWM may begin against the time permitted."""
    if not _starts(work):
        return None
    return work.at_most(start_up(work).end, work.take("limit", "stage:limits.startup"))


@check(
    "startup.high-side-supply",
    "high-side supply charged when PWM begins",
    "pump: t_wake + C Vg / Icp; bootstrap: R C ln((Vdd - Vf) / (Vdd - Vf - Vuv - dV)) from the outputs "
    "enabled; each within the time that the controller gives it",
    STARTUP_USES,
)
def high_side_supply(work: Work) -> Outcome:
    """Where the controller counts a time instead of looking: is it long enough?"""
    if not _starts(work) or not work.stated("stage:startup.charge_time"):
        return None
    found = start_up(work)
    work.extra += [found.charging] if found.charging is not None else []
    return work.at_most(found.charged, found.end, base=found.charging)


@check(
    "sleep.time",
    "asleep in time after the last PWM edge",
    "t = t_down + frames that disable the outputs and send the chip to sleep + t_sleep",
    SLEEP_USES,
)
def sleep_time(work: Work) -> Outcome:
    """The way to sleep against the time permitted."""
    if not _concerned(work, "limits.sleep_time", "sleep.run_down"):
        return None
    return work.at_most(to_sleep(work).end, work.take("limit", "stage:limits.sleep_time"))


@check(
    "sleep.charge",
    "charge taken from the battery on the way to sleep",
    "Q = (I + Iother) t",
    SLEEP_USES + "chip:supply.current",
)
def sleep_charge(work: Work) -> Outcome:
    """Charge until the chip is asleep, at the current of a chip awake, against its budget."""
    if not _concerned(work, "sleep.charge_budget", "sleep.run_down", "sleep.other_current"):
        return None
    return work.at_most(charge_to_sleep(work), work.take("budget", "stage:sleep.charge_budget"))
