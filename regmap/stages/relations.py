"""Relations between inputs that hold for every power stage, one row each.

A row says which end of which input stands how to what limit, whether a breach cannot be (error) or is
odd (warning), and why. What no published source gives says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from fractions import Fraction
from math import pi, sqrt
from typing import Literal

from regmap.record import dataclass

from ..parameters import CHIP, PRACTICE, STAGE, Parameter
from ..quantity import DIMENSIONS, Band, show
from .usual import RANGES, usual

Value = Band | int | str
End = Literal["min", "typ", "max"]
Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One input that cannot be, or hardly: what was found, what was expected, what may be meant.

    `point` is the point at fault, counted from 0, where the input is a course of the supply.
    """

    name: str
    found: str
    expected: str
    nearest: str
    severity: Severity
    point: int | None = None


class _AbsentError(Exception):
    """An input of a relation is not stated."""


class Given:
    """The stated inputs, by name; `chip:NAME` is what the map states, `facts` what follows from it."""

    def __init__(
        self,
        stage: Mapping[str, Value],
        chip: Mapping[str, Value],
        facts: Mapping[str, int] | None = None,
    ) -> None:
        self._tables = {"stage": stage, "chip": chip}
        self._facts = facts or {}
        self.used: set[str] = set()

    def stated(self, name: str) -> tuple[str, Value]:
        """The name under which it, or what stands in for it, is stated, and the value."""
        kind, colon, key = name.rpartition(":")
        table = self._tables[kind or "stage"]
        entries = CHIP if kind else STAGE
        step: str | None = key
        while step is not None:
            if step in table:
                self.used.add(kind + colon + step)
                return kind + colon + step, table[step]
            step = entries[step].instead
        raise _AbsentError

    def end(self, name: str, end: End = "typ") -> Fraction:
        """One end of a quantity, or a count, in base units."""
        value = self.stated(name)[1]
        if isinstance(value, str):
            raise _AbsentError
        if isinstance(value, int):
            return Fraction(value)
        return {"min": value.low, "typ": value.typ, "max": value.high}[end]

    def own(self, name: str) -> None:
        """Go on only where the input is stated itself, and no other one stands in for it."""
        if self.stated(name)[0] != name:
            raise _AbsentError

    def fact(self, name: str) -> Fraction:
        """A count that follows from the map: bits of the frames of a poll or a readback."""
        if name not in self._facts:
            raise _AbsentError
        return Fraction(self._facts[name])


@dataclass(frozen=True, slots=True)
class Relation:
    """`end` of the input `name` stands to `limit` as `sign` says; `words` are the limit's."""

    name: str
    end: End
    sign: str
    words: str
    limit: Callable[[Given], Fraction]
    severity: Severity
    because: str

    def breach(self, given: Given) -> Doubt | None:
        """What is wrong, or None; also where something is not stated."""
        try:
            name = given.stated(self.name)[0]
            value, limit = given.end(self.name, self.end), self.limit(given)
        except (_AbsentError, ZeroDivisionError):
            return None
        if _HOLDS[self.sign](value, limit):
            return None
        entry = _entry(name)
        exact = given.end(name, "min") == given.end(name, "max")
        which = "" if exact or self.end == "typ" else f" ({self.end})"
        meant = self._meant(name, value, limit)
        words = self.words + (f", {shown_as(limit, entry)}" if not self.words[0].isdigit() else "")
        return Doubt(
            name,
            f"{name} of {shown_as(value, entry)}{which}",
            f"{_WORDS[self.sign]} {words}: {self.because}",
            "" if meant is None else shown_as(meant, entry),
            self.severity,
        )

    def _meant(self, name: str, value: Fraction, limit: Fraction) -> Fraction | None:
        """The value in another unit, where that holds, is usual and lies near what is expected."""
        entry = _entry(name)
        if name not in RANGES or entry.dimension in (None, "percent", "temperature"):
            return None
        low, high = usual(name)
        for power in (-3, 3, -6, 6):
            shifted = value * Fraction(10) ** power
            near = abs(limit) / 100 <= abs(shifted) <= 100 * abs(limit)
            if low <= shifted <= high and near and _HOLDS[self.sign](shifted, limit):
                return shifted
        return None


_HOLDS: dict[str, Callable[[Fraction, Fraction], bool]] = {
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
}
_WORDS = {"<": "below", "<=": "at most", ">": "above", ">=": "at least"}


def _entry(name: str) -> Parameter:
    kind, _, key = name.rpartition(":")
    return (CHIP if kind else STAGE)[key]


def shown_as(value: Fraction, entry: Parameter) -> str:
    if entry.dimension is None:
        return f"{float(value):g}"
    dim, unit = DIMENSIONS[entry.dimension]
    return show(value, dim, 4, unit if unit in ("%", "d", "Ah", "FIT") else None)


def _of(name: str, end: End = "typ", times: Fraction | int = 1) -> Callable[[Given], Fraction]:
    return lambda given: times * given.end(name, end)


def _one(given: Given) -> Fraction:
    del given
    return Fraction(1)


def _number(value: int) -> Callable[[Given], Fraction]:
    return lambda given: Fraction(value)  # noqa: ARG005 (as the other limits)


def _period(given: Given, share: Fraction = Fraction(1)) -> Fraction:
    return share / given.end("pwm.frequency", "max")


def _both(one: str, two: str, end: End = "typ") -> Callable[[Given], Fraction]:
    return lambda given: given.end(one, end) + given.end(two, end)


def _over(one: str, end: End, two: str, other: End) -> Callable[[Given], Fraction]:
    return lambda given: given.end(one, end) / given.end(two, other)


def _square_wave(given: Given) -> Fraction:
    """Fundamental of a square wave to half the supply (Fourier)."""
    del given
    return Fraction(4 / pi)


def _own(name: str, limit: Callable[[Given], Fraction]) -> Callable[[Given], Fraction]:
    """The limit, where the input is stated itself: what stands in for it has rows of its own."""

    def stated(given: Given) -> Fraction:
        given.own(name)
        return limit(given)

    return stated


def _some(value: Fraction) -> Fraction:
    """The value, where there is any."""
    if value <= 0:
        raise _AbsentError
    return value


def _slow_gate(given: Given) -> Fraction:
    charge, rate = given.end("mosfet.qg"), given.end("pwm.frequency")
    return given.end("mosfet.vgs_on") / (20 * rate * charge)


def _stalled(given: Given) -> Fraction:
    """Current from the highest supply through one phase and the two others side by side."""
    resistance = given.end("motor.phase_resistance", "min")
    return given.end("supply.voltage", "max") / (Fraction(3, 2) * resistance)


def _short_energy(given: Given) -> Fraction:
    current, time = (given.end(f"mosfet.short_circuit_{n}") for n in ("current", "time"))
    return given.end("supply.voltage") * current * time


def _pulsed(given: Given) -> Fraction:
    """Current of pulses whose mean square is that of continuous operation."""
    rate = given.end("motor.pulse.period") / given.end("motor.pulse.time")
    return given.end("motor.current.rms") * Fraction(sqrt(rate))


def _recharged(given: Given) -> Fraction:
    off = _some(1 - given.end("pwm.duty.max"))
    return off / (given.end("pwm.frequency") * given.end("bootstrap.capacitor"))


STEPS = (1, 2, 3, 4)


def _ladder(step: int) -> Callable[[Given], Fraction]:
    """What the way to the air leaves for the largest step of the ladder; told at that step alone."""

    def rest(given: Given) -> Fraction:
        stated: dict[int, Fraction] = {}
        for n in STEPS:
            with suppress(_AbsentError):
                stated[n] = given.end(f"mosfet.ladder.r{n}", "min")
        if not stated or max(stated, key=lambda n: stated[n]) != step:
            raise _AbsentError
        others = sum(r for n, r in stated.items() if n != step)
        return given.end("mosfet.rth", "max") - others

    return rest


def _ladder_short(step: int) -> Callable[[Given], Fraction]:
    """What all steps together must reach of the way to the air, less the smaller steps; told at the largest."""

    def rest(given: Given) -> Fraction:
        stated: dict[int, Fraction] = {}
        for n in STEPS:
            with suppress(_AbsentError):
                stated[n] = given.end(f"mosfet.ladder.r{n}", "max")
        if not stated or max(stated, key=lambda n: stated[n]) != step:
            raise _AbsentError
        others = sum(r for n, r in stated.items() if n != step)
        return given.end("mosfet.rth", "min") * Fraction(19, 20) - others

    return rest


def _paired(end: End, share: Fraction) -> Callable[[Given], Fraction]:
    """The threshold's end and a share of what lies between the typical values; both must have a band."""

    def limit(given: Given) -> Fraction:
        names = "mosfet.vth", "mosfet.plateau"
        if any(given.end(name, "min") == given.end(name, "max") for name in names):
            raise _AbsentError
        apart = given.end("mosfet.plateau") - given.end("mosfet.vth")
        return given.end("mosfet.vth", end) + share * apart

    return limit


_PAIRS = "the plateau follows the threshold: both bands are pairs that lie about equally far apart"
ERROR: Severity = "error"
WARNING: Severity = "warning"

# fmt: off
#: Every relation; the first column is the input at whose line a breach is shown.
RELATIONS: tuple[Relation, ...] = tuple(Relation(*row) for row in (
    # charges and voltages of the MOSFET
    ("mosfet.qg", "typ", ">=", "mosfet.qgs + mosfet.qgd", _both("mosfet.qgs", "mosfet.qgd"), ERROR, "both are parts of the gate charge"),
    ("mosfet.qgs", "typ", ">=", "a hundredth of mosfet.qg", _of("mosfet.qg", "typ", Fraction(1, 100)), WARNING, "charges of one gate lie within two decades; common practice, no source"),
    ("mosfet.qgd", "typ", ">=", "a hundredth of mosfet.qg", _of("mosfet.qg", "typ", Fraction(1, 100)), WARNING, "charges of one gate lie within two decades; common practice, no source"),
    ("mosfet.plateau", "typ", ">", "mosfet.vth", _of("mosfet.vth"), ERROR, "a load current flows only above the threshold"),
    ("mosfet.plateau", "max", "<", "mosfet.vgs_max", _of("mosfet.vgs_max"), ERROR, "the gate passes the plateau within its rating"),
    ("mosfet.vgs_on", "typ", ">", "mosfet.vth", _of("mosfet.vth"), ERROR, "below the threshold there is no on-resistance"),
    ("mosfet.vgs_on", "max", "<=", "mosfet.vgs_max", _of("mosfet.vgs_max"), ERROR, "the on-resistance is stated within the gate's rating"),
    ("mosfet.vgs_on", "typ", ">=", "mosfet.plateau", _of("mosfet.plateau"), WARNING, "on the plateau the MOSFET is not fully on"),
    ("mosfet.crss", "typ", "<=", "mosfet.qgd / supply.voltage", lambda given: given.end("mosfet.qgd") / given.end("supply.voltage"), WARNING, "the capacitance falls with the drain voltage, so at the supply it lies below its mean"),
    ("mosfet.coss", "typ", ">=", "mosfet.crss", _of("mosfet.crss"), ERROR, "Coss is Cds + Cgd, and Crss is Cgd"),
    ("mosfet.qoss", "typ", ">=", "mosfet.coss times supply.voltage", lambda given: given.end("mosfet.coss") * given.end("supply.voltage"), WARNING, "the capacitance falls with the drain voltage, so its mean lies above that at the supply"),
    ("mosfet.qoss", "typ", ">=", "mosfet.qgd", _of("mosfet.qgd"), WARNING, "the charge of Coss holds that of Cgd"),
    ("snubber.capacitor", "typ", "<=", "100 times mosfet.coss", _of("mosfet.coss", "typ", 100), WARNING, "it would heat the resistor for nothing; common practice, no source"),
    ("bridge.source_inductance", "typ", "<=", "bridge.inductance", _of("bridge.inductance"), ERROR, "the loop holds the inductance at the source"),
    ("mosfet.vds_max", "min", ">=", "the highest supply.voltage", _of("supply.voltage", "max"), ERROR, "the switch that is off carries the supply"),
    ("mosfet.pulse_current", "min", ">=", "motor.current.peak", _of("motor.current.peak", "max"), ERROR, "the switch carries the peak current in normal operation"),
    ("mosfet.rdson", "typ", "<", "the lowest supply.voltage / motor.current.peak", _over("supply.voltage", "min", "motor.current.peak", "max"), ERROR, "the drop at the peak current cannot be the whole supply"),
    ("mosfet.conduction_share", "max", "<=", "100 %", _one, ERROR, "a share of the time"),
    ("mosfet.qg", "max", ">=", "the highest mosfet.qgs + mosfet.qgd", _both("mosfet.qgs", "mosfet.qgd", "max"), WARNING, "both are parts of the gate charge"),
    ("mosfet.qg", "min", ">=", "the lowest mosfet.qgs + mosfet.qgd", _both("mosfet.qgs", "mosfet.qgd", "min"), WARNING, "both are parts of the gate charge"),
    ("mosfet.plateau", "max", ">", "the threshold's highest, mosfet.vth", _of("mosfet.vth", "max"), ERROR, "a load current flows only above the threshold"),
    ("mosfet.plateau", "min", ">", "the threshold's lowest, mosfet.vth", _of("mosfet.vth", "min"), ERROR, "a load current flows only above the threshold"),
    ("mosfet.plateau", "min", ">=", "mosfet.vth (min) and two thirds of what lies between the typical values", _paired("min", Fraction(2, 3)), WARNING, _PAIRS),
    ("mosfet.plateau", "min", "<=", "mosfet.vth (min) and four thirds of what lies between the typical values", _paired("min", Fraction(4, 3)), WARNING, _PAIRS),
    ("mosfet.plateau", "max", ">=", "mosfet.vth (max) and two thirds of what lies between the typical values", _paired("max", Fraction(2, 3)), WARNING, _PAIRS),
    ("mosfet.plateau", "max", "<=", "mosfet.vth (max) and four thirds of what lies between the typical values", _paired("max", Fraction(4, 3)), WARNING, _PAIRS),
    ("mosfet.test.gate_voltage", "min", ">", "mosfet.plateau", _of("mosfet.plateau"), ERROR, "the whole gate charge ends beyond the plateau"),
    ("mosfet.test.gate_voltage", "max", "<=", "mosfet.vgs_max", _of("mosfet.vgs_max"), ERROR, "the gate charge is measured within the gate's rating"),
    ("mosfet.test.drain_voltage", "max", "<=", "mosfet.vds_max", _of("mosfet.vds_max"), ERROR, "the gate charge is measured within the drain's rating"),
    ("mosfet.test.current", "max", "<=", "mosfet.pulse_current", _of("mosfet.pulse_current"), WARNING, "the gate charge is measured at a current that the MOSFET carries"),
    ("mosfet.test.recovery_current", "max", "<=", "mosfet.pulse_current", _of("mosfet.pulse_current"), WARNING, "the recovery is measured at a current that the diode carries"),
    ("mosfet.vth_tempco", "typ", ">", "-mosfet.vth / (mosfet.tj_max - 25 degC)", lambda g: -g.end("mosfet.vth") / _some(g.end("mosfet.tj_max") - 25), ERROR, "a hot MOSFET without a threshold is never off"),
    ("mosfet.vgs_max", "min", ">=", "the chip's gate.voltage.high", _of("chip:gate.voltage.high"), ERROR, "beyond its rating the gate breaks"),
    ("mosfet.vgs_max", "min", ">=", "the chip's gate.voltage.low", _of("chip:gate.voltage.low"), ERROR, "beyond its rating the gate breaks"),
    ("gate.resistor.on", "typ", "<=", "mosfet.vgs_on / (20 pwm.frequency mosfet.qg)", _slow_gate, WARNING, "a gate would take a twentieth of the period; " + PRACTICE),
    ("gate.resistor.off", "typ", "<=", "mosfet.vgs_on / (20 pwm.frequency mosfet.qg)", _slow_gate, WARNING, "a gate would take a twentieth of the period; " + PRACTICE),
    ("shunt.inductance", "typ", "<=", "bridge.inductance", _of("bridge.inductance"), ERROR, "a shunt at a low side or in the DC link lies in the loop"),
    ("mosfet.pulse_current", "min", ">=", "motor.stall.current", _of("motor.stall.current", "max"), ERROR, "the switch carries the current of the blocked motor"),
    ("mosfet.pulse_current", "min", ">=", "motor.pulse.current", _of("motor.pulse.current", "max"), ERROR, "the switch carries the current of each pulse"),
    ("mosfet.short_circuit_current", "max", ">=", "motor.current.peak", _own("mosfet.short_circuit_current", _of("motor.current.peak", "max")), ERROR, "a short circuit carries no less than operation"),
    ("mosfet.short_circuit_energy", "typ", ">=", "a hundredth of supply.voltage mosfet.short_circuit_current mosfet.short_circuit_time", lambda g: _short_energy(g) / 100, WARNING, "energy and time are of the same short circuit"),
    ("mosfet.short_circuit_energy", "typ", "<=", "a hundred times supply.voltage mosfet.short_circuit_current mosfet.short_circuit_time", lambda g: _short_energy(g) * 100, WARNING, "energy and time are of the same short circuit"),
    ("mosfet.soa.current", "max", "<=", "mosfet.pulse_current", _of("mosfet.pulse_current", "max"), WARNING, "no point of the safe operating area lies beyond it"),
    # temperatures
    ("mosfet.tj_max", "min", ">", "the highest temperature.ambient", _of("temperature.ambient", "max"), ERROR, "heat flows to what is colder"),
    ("mosfet.temperature", "max", "<=", "mosfet.tj_max", _of("mosfet.tj_max"), WARNING, "met in operation is what is permitted"),
    ("temperature.board", "max", ">=", "the highest temperature.ambient", _of("temperature.ambient", "max"), WARNING, "a board that makes heat is no colder than the air"),
    ("temperature.board", "max", "<", "the chip's driver.tj_max", _of("chip:driver.tj_max"), ERROR, "heat flows to what is colder"),
    ("dclink.temperature_max", "min", ">", "the highest temperature.ambient", _of("temperature.ambient", "max"), ERROR, "heat flows to what is colder"),
    # motor and supply
    ("motor.current.rms", "typ", "<=", "motor.current.peak", _of("motor.current.peak"), ERROR, "no rms value exceeds the peak"),
    ("motor.current.peak", "typ", "<=", "30 times motor.current.rms", _of("motor.current.rms", "typ", 30), WARNING, "a crest factor as of no drive; common practice, no source"),
    ("supply.crank", "min", "<=", "the highest supply.voltage", _of("supply.voltage", "max"), WARNING, "the starting profile is a dip"),
    ("supply.load_dump", "max", ">=", "the highest supply.voltage", _of("supply.voltage", "max"), WARNING, "a load dump is a rise"),
    ("supply.driver", "max", "<=", "the chip's supply.max", _of("chip:supply.max"), ERROR, "beyond its absolute maximum the chip is destroyed"),
    ("supply.jump_start", "max", ">=", "the highest supply.voltage", _of("supply.voltage", "max"), WARNING, "another battery helps with no less than the own one has"),
    ("supply.reverse", "max", ">=", "half of supply.voltage", _of("supply.voltage", "typ", Fraction(1, 2)), WARNING, "it is a battery's voltage, put in the wrong way round"),
    ("supply.blocking", "min", ">=", "supply.reverse", _of("supply.reverse", "max"), WARNING, "it is there to block that"),
    ("motor.current.peak", "max", "<=", "the highest supply.voltage / (1.5 motor.phase_resistance)", _stalled, WARNING, "one phase and the two others side by side let no more flow, but for braking"),
    ("motor.stall.current", "min", "<=", "the highest supply.voltage / (1.5 motor.phase_resistance)", _stalled, ERROR, "one phase and the two others side by side let no more flow"),
    ("motor.stall.current", "max", ">=", "motor.current.rms", _of("motor.current.rms", "max"), WARNING, "a blocked motor takes no less than one that turns"),
    ("motor.phase_inductance", "typ", ">=", "motor.phase_resistance times 10 us", _of("motor.phase_resistance", "typ", Fraction(1, 100_000)), WARNING, "a winding's time constant; " + PRACTICE),
    ("motor.phase_inductance", "typ", "<=", "motor.phase_resistance times 500 ms", _of("motor.phase_resistance", "typ", Fraction(1, 2)), WARNING, "a winding's time constant; " + PRACTICE),
    ("motor.modulation", "max", "<=", "a square wave's 4 / pi", _square_wave, ERROR, "no half-bridge gives more"),
    ("motor.power_factor", "max", "<=", "100 %", _one, ERROR, "a cosine"),
    ("motor.kinetic_energy", "max", ">=", "motor.braking_energy", _of("motor.braking_energy"), ERROR, "no more comes back than turns"),
    # PWM
    ("pwm.duty.max", "max", "<=", "100 %", _one, ERROR, "a share of the period"),
    ("pwm.duty.min", "typ", "<=", "pwm.duty.max", _of("pwm.duty.max"), ERROR, "the lowest is not above the highest"),
    ("pwm.deadtime", "max", "<", "half a PWM period", lambda g: _period(g, Fraction(1, 2)), ERROR, "there are two dead times in a period"),
    ("pwm.deadtime_margin", "max", "<", "half a PWM period", lambda g: _period(g, Fraction(1, 2)), ERROR, "there are two dead times in a period"),
    ("pwm.deadtime", "max", "<", "pwm.duty.min / pwm.frequency", lambda g: _some(g.end("pwm.duty.min", "min")) / g.end("pwm.frequency", "max"), WARNING, "nothing is left of the shortest pulse"),
    # current sense
    ("adc.bits", "typ", "<=", "32", _number(32), ERROR, "no ADC resolves more"),
    ("adc.bits", "typ", ">=", "4", _number(4), ERROR, "no current is measured with fewer"),
    ("adc.sampling", "max", "<", "a PWM period", _period, ERROR, "each period is sampled"),
    ("shunt.resistance", "typ", "<", "adc.reference / motor.current.peak", _over("adc.reference", "max", "motor.current.peak", "max"), WARNING, "an amplifier is there because the shunt's voltage is far below the ADC's range"),
    ("shunt.resistance", "typ", "<", "the lowest supply.voltage / motor.current.peak", _over("supply.voltage", "min", "motor.current.peak", "max"), ERROR, "the drop at the peak current cannot be the whole supply"),
    ("limits.current_error", "max", "<", "motor.current.peak", _of("motor.current.peak"), WARNING, "an error as large as the current measures nothing"),
    ("limits.current_step", "max", "<=", "limits.current_error", _of("limits.current_error"), WARNING, "a step is part of the error"),
    ("adc.sampling", "max", "<", "half a PWM period", lambda g: _period(g, Fraction(1, 2)), WARNING, "a side is on for about half of it; " + PRACTICE),
    # storage
    ("bootstrap.capacitor", "min", ">", "mosfet.qg / mosfet.vgs_max", _over("mosfet.qg", "max", "mosfet.vgs_max", "max"), ERROR, "it gives the whole gate charge and keeps a gate voltage"),
    ("charge_pump.capacitor", "min", ">", "mosfet.qg / mosfet.vgs_max", _over("mosfet.qg", "max", "mosfet.vgs_max", "max"), ERROR, "it gives the whole gate charge and keeps a gate voltage"),
    ("mosfet.qg", "typ", "<=", "1 A / (6 pwm.frequency)", lambda g: 1 / (6 * g.end("pwm.frequency")), WARNING, "six gates would take more than an ampere from the gate supply; " + PRACTICE),
    # times
    ("limits.rise_time.min", "typ", "<=", "limits.rise_time.max", _of("limits.rise_time.max"), ERROR, "the shortest is not above the longest"),
    ("limits.fall_time.min", "typ", "<=", "limits.fall_time.max", _of("limits.fall_time.max"), ERROR, "the shortest is not above the longest"),
    ("limits.rise_time.max", "max", "<", "a PWM period", _period, ERROR, "each period has an edge"),
    ("limits.fall_time.max", "max", "<", "a PWM period", _period, ERROR, "each period has an edge"),
    ("poll.period", "max", "<=", "safety.ftti", _of("safety.ftti"), WARNING, "what is polled more rarely is seen too late"),
    ("controller.reaction", "max", "<=", "safety.ftti", _of("safety.ftti"), WARNING, "the reaction ends within it"),
    ("actuator.reaction", "max", "<=", "safety.ftti", _of("safety.ftti"), WARNING, "the actuator is safe within it"),
    ("safety.ftti", "min", ">=", "controller.reaction + actuator.reaction", _both("controller.reaction", "actuator.reaction", "max"), WARNING, "nothing is left to notice a fault"),
    ("watchdog.service_period", "max", "<=", "safety.ftti", _of("safety.ftti"), WARNING, "a controller that hangs is noticed after more than one period"),
    ("poll.period", "min", ">", "one byte / spi.clock", lambda g: 8 / g.end("spi.clock"), ERROR, "one frame alone takes longer"),
    ("standby.wake_time", "max", "<=", "a day / standby.wakes_per_day", lambda g: Fraction(86400) / g.end("standby.wakes_per_day"), ERROR, "a day has 24 hours"),
    ("poll.period", "min", ">", "the chip's status frames / spi.clock", lambda g: g.fact("poll_bits") / g.end("spi.clock"), WARNING, "one poll alone takes longer"),
    ("readback.period", "min", ">", "the chip's frames of settings / spi.clock", lambda g: g.fact("readback_bits") / g.end("spi.clock"), WARNING, "one readback alone takes longer"),
    ("spi.clock", "typ", "<=", "the chip's spi.clock_max", _of("chip:spi.clock_max"), WARNING, "the chip takes no faster one"),
    # DC link, surges, motor
    ("limits.safe_voltage", "max", "<", "supply.voltage", _of("supply.voltage"), ERROR, "nothing would have to be discharged"),
    ("limits.precharge_gap", "max", "<", "supply.voltage", _of("supply.voltage"), ERROR, "a part of the supply is left"),
    ("surge.voltage", "min", ">", "supply.voltage", _of("supply.voltage"), ERROR, "a surge rises above the supply"),
    ("suppressor.breakdown", "typ", ">", "supply.voltage", _of("supply.voltage"), WARNING, "it would conduct in operation"),
    ("motor.frequency_max", "max", "<", "pwm.frequency", _of("pwm.frequency"), ERROR, "each turn of the field takes several PWM periods"),
    ("dclink.voltage_max", "min", ">=", "the highest supply.voltage", _own("dclink.voltage_max", _of("supply.voltage", "max")), ERROR, "the DC link carries the supply"),
    ("dclink.capacitor", "typ", ">=", "motor.current.rms / (4 pwm.frequency supply.voltage)", lambda g: g.end("motor.current.rms") / (4 * g.end("pwm.frequency") * g.end("supply.voltage")), WARNING, "its ripple would be as large as the supply"),
    ("dclink.capacitor", "typ", "<=", "ten thousand times motor.current.rms / (4 pwm.frequency supply.voltage)", lambda g: 10000 * g.end("motor.current.rms") / (4 * g.end("pwm.frequency") * g.end("supply.voltage")), WARNING, "its ripple would be less than a ten-thousandth of the supply"),
    ("motor.back_emf", "typ", "<=", "three times the highest supply.voltage", _of("supply.voltage", "max", Fraction(3)), WARNING, "the supply drives the motor to its highest speed, with little help of a weakened field; " + PRACTICE),
    ("motor.braking_energy", "typ", "<=", "fifty times dclink.capacitor supply.voltage squared", lambda g: 50 * g.end("dclink.capacitor") * g.end("supply.voltage") ** 2, WARNING, "the DC link would rise to ten times the supply"),
    ("precharge.time", "typ", ">=", "precharge.resistor times dclink.capacitor", lambda g: g.end("precharge.resistor") * g.end("dclink.capacitor"), WARNING, "after one time constant more than a third of the supply is left"),
    ("discharge.resistor", "typ", ">=", "the highest supply.voltage squared / (100 discharge.power)", lambda g: g.end("supply.voltage", "max") ** 2 / (100 * g.end("discharge.power")), WARNING, "it would take more than a hundred times its power"),
    ("suppressor.breakdown", "min", "<", "mosfet.vds_max", _of("mosfet.vds_max"), WARNING, "beyond that it protects no MOSFET"),
    ("motor.frequency_max", "max", "<=", "a sixth of pwm.frequency", _of("pwm.frequency", "typ", Fraction(1, 6)), WARNING, "each turn of the field has six sectors; " + PRACTICE),
    # board, pulses, compensation
    ("vias.plating", "max", "<=", "half of vias.diameter", _of("vias.diameter", "min", Fraction(1, 2)), ERROR, "a hole is full then"),
    ("vias.ring_radius", "min", ">=", "vias.pad_radius", _of("vias.pad_radius", "max"), ERROR, "vias within the pad need no copper to spread the heat"),
    ("mosfet.rth_case", "typ", "<=", "mosfet.rth", _of("mosfet.rth"), ERROR, "the way to the case is a part of the way to the air"),
    ("mosfet.soa.long_time", "min", ">", "mosfet.soa.time", _of("mosfet.soa.time", "max"), ERROR, "it is the longer of two points"),
    ("mosfet.soa.long_current", "max", "<=", "mosfet.soa.current", _of("mosfet.soa.current"), ERROR, "a longer pulse allows no larger current"),
    ("motor.pulse.time", "max", "<", "motor.pulse.period", _of("motor.pulse.period", "min"), ERROR, "a pulse ends before the next one"),
    ("pwm.compensation", "max", "<", "half a PWM period", lambda g: _period(g, Fraction(1, 2)), ERROR, "no pulse would be left"),
    ("mosfet.pulse.zth", "typ", "<=", "mosfet.rth_case", _of("mosfet.rth_case"), ERROR, "a pulse heats less than the same power for good"),
    ("mosfet.pulse.zth", "typ", "<=", "mosfet.rth", _of("mosfet.rth"), ERROR, "a pulse heats less than the same power for good"),
    ("mosfet.ladder.r1", "min", "<=", "mosfet.rth less the other steps", _ladder(1), ERROR, "all steps together are the way to the air"),
    ("mosfet.ladder.r2", "min", "<=", "mosfet.rth less the other steps", _ladder(2), ERROR, "all steps together are the way to the air"),
    ("mosfet.ladder.r3", "min", "<=", "mosfet.rth less the other steps", _ladder(3), ERROR, "all steps together are the way to the air"),
    ("mosfet.ladder.r4", "min", "<=", "mosfet.rth less the other steps", _ladder(4), ERROR, "all steps together are the way to the air"),
    ("mosfet.ladder.r1", "max", ">=", "nearly all of mosfet.rth (19/20) less the other steps", _ladder_short(1), WARNING, "all steps together are the way to the air; what they leave counts from the first moment"),
    ("mosfet.ladder.r2", "max", ">=", "nearly all of mosfet.rth (19/20) less the other steps", _ladder_short(2), WARNING, "all steps together are the way to the air; what they leave counts from the first moment"),
    ("mosfet.ladder.r3", "max", ">=", "nearly all of mosfet.rth (19/20) less the other steps", _ladder_short(3), WARNING, "all steps together are the way to the air; what they leave counts from the first moment"),
    ("mosfet.ladder.r4", "max", ">=", "nearly all of mosfet.rth (19/20) less the other steps", _ladder_short(4), WARNING, "all steps together are the way to the air; what they leave counts from the first moment"),
    ("mosfet.ladder.t2", "typ", ">=", "mosfet.ladder.t1", _of("mosfet.ladder.t1"), WARNING, "data sheets list steps by their time; " + PRACTICE),
    ("mosfet.ladder.t3", "typ", ">=", "mosfet.ladder.t2", _of("mosfet.ladder.t2"), WARNING, "data sheets list steps by their time; " + PRACTICE),
    ("mosfet.ladder.t4", "typ", ">=", "mosfet.ladder.t3", _of("mosfet.ladder.t3"), WARNING, "data sheets list steps by their time; " + PRACTICE),
    ("motor.pulse.current", "max", ">=", "motor.current.rms", _of("motor.current.rms"), WARNING, "a pulse rises above what flows for good"),
    ("motor.pulse.current", "min", "<=", "motor.current.rms sqrt(motor.pulse.period / motor.pulse.time)", _pulsed, WARNING, "the pulses alone would have a higher rms value"),
    ("pwm.compensation", "max", "<=", "five times pwm.deadtime", lambda g: 5 * _some(g.end("pwm.deadtime", "max")), WARNING, "it makes up for the dead time and the edges; " + PRACTICE),
    ("pwm.compensation_current", "max", "<", "motor.current.peak", _of("motor.current.peak"), WARNING, "the compensation would never be whole"),
    ("bootstrap.resistor", "max", "<=", "(1 - pwm.duty.max) / (pwm.frequency bootstrap.capacitor)", _recharged, WARNING, "with the capacitor it is slower than the low side is on; " + PRACTICE),
    # goals
    ("goals.margin", "max", "<", "100 %", _one, WARNING, "twice of everything is asked for"),
    ("limits.voltage_error", "max", "<", "100 %", _one, ERROR, "a share of the supply"),
    ("limits.sense_use", "max", "<=", "100 %", _one, ERROR, "a share of the range"),
    ("limits.shunt_drift", "max", "<", "100 %", _one, ERROR, "a share of the shunt"),
    ("limits.spfm", "max", "<=", "100 %", _one, ERROR, "a share of the failure rate"),
    ("limits.lfm", "max", "<=", "100 %", _one, ERROR, "a share of the failure rate"),
    ("limits.spi_load", "max", "<=", "100 %", _one, ERROR, "a share of the time"),
))
# fmt: on
