"""What the inputs of a stage say of each other: relations that hold for every power stage.

    for doubt in doubts(values, chip): ...

One table of relations between inputs and one of usual ranges. A breach of a relation that no stage can
have is an error; what can be, but is more likely a slip (a unit off by a thousand), is a warning.
Only what is stated is judged: no default stands in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Literal

from regmap.record import dataclass

from ..parameters import CHIP, PRACTICE, STAGE, Parameter
from ..quantity import DIMENSIONS, Band, parse, show

Value = Band | int | str
End = Literal["min", "typ", "max"]
Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One input that cannot be, or hardly: what was found, what was expected, what may be meant."""

    name: str
    found: str
    expected: str
    nearest: str
    severity: Severity


class _AbsentError(Exception):
    """An input of a relation is not stated."""


class Given:
    """The stated inputs, by name; `chip:NAME` is what the map states."""

    def __init__(self, stage: Mapping[str, Value], chip: Mapping[str, Value]) -> None:
        self._tables = {"stage": stage, "chip": chip}
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

    def text(self, name: str) -> str:
        """A choice."""
        return str(self.stated(name)[1])


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
        words = self.words + (f", {_shown(limit, entry)}" if not self.words[0].isdigit() else "")
        return Doubt(
            name,
            f"{name} of {_shown(value, entry)}{which}",
            f"{_WORDS[self.sign]} {words}: {self.because}",
            "",
            self.severity,
        )


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


def _shown(value: Fraction, entry: Parameter) -> str:
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


def _both(one: str, two: str) -> Callable[[Given], Fraction]:
    return lambda given: given.end(one) + given.end(two)


def _over(one: str, end: End, two: str, other: End) -> Callable[[Given], Fraction]:
    return lambda given: given.end(one, end) / given.end(two, other)


ERROR: Severity = "error"
WARNING: Severity = "warning"

#: Every relation; the first column is the input at whose line a breach is shown.
RELATIONS: tuple[Relation, ...] = tuple(
    Relation(*row)
    for row in (
        # charges and voltages of the MOSFET
        (
            "mosfet.qg",
            "typ",
            ">=",
            "mosfet.qgs + mosfet.qgd",
            _both("mosfet.qgs", "mosfet.qgd"),
            ERROR,
            "both are parts of the gate charge",
        ),
        (
            "mosfet.qgs",
            "typ",
            ">=",
            "a hundredth of mosfet.qg",
            _of("mosfet.qg", "typ", Fraction(1, 100)),
            WARNING,
            "charges of one gate lie within two decades; common practice, no source",
        ),
        (
            "mosfet.qgd",
            "typ",
            ">=",
            "a hundredth of mosfet.qg",
            _of("mosfet.qg", "typ", Fraction(1, 100)),
            WARNING,
            "charges of one gate lie within two decades; common practice, no source",
        ),
        (
            "mosfet.plateau",
            "typ",
            ">",
            "mosfet.vth",
            _of("mosfet.vth"),
            ERROR,
            "a load current flows only above the threshold",
        ),
        (
            "mosfet.plateau",
            "max",
            "<",
            "mosfet.vgs_max",
            _of("mosfet.vgs_max"),
            ERROR,
            "the gate passes the plateau within its rating",
        ),
        (
            "mosfet.vgs_on",
            "typ",
            ">",
            "mosfet.vth",
            _of("mosfet.vth"),
            ERROR,
            "below the threshold there is no on-resistance",
        ),
        (
            "mosfet.vgs_on",
            "max",
            "<=",
            "mosfet.vgs_max",
            _of("mosfet.vgs_max"),
            ERROR,
            "the on-resistance is stated within the gate's rating",
        ),
        (
            "mosfet.vgs_on",
            "typ",
            ">=",
            "mosfet.plateau",
            _of("mosfet.plateau"),
            WARNING,
            "on the plateau the MOSFET is not fully on",
        ),
        (
            "mosfet.crss",
            "typ",
            "<=",
            "mosfet.qgd / supply.voltage",
            lambda given: given.end("mosfet.qgd") / given.end("supply.voltage"),
            WARNING,
            "the capacitance falls with the drain voltage, so at the supply it lies below its mean",
        ),
        (
            "mosfet.coss",
            "typ",
            ">=",
            "mosfet.crss",
            _of("mosfet.crss"),
            ERROR,
            "Coss is Cds + Cgd, and Crss is Cgd",
        ),
        (
            "mosfet.qoss",
            "typ",
            ">=",
            "mosfet.coss times supply.voltage",
            lambda given: given.end("mosfet.coss") * given.end("supply.voltage"),
            WARNING,
            "the capacitance falls with the drain voltage, so its mean lies above that at the supply",
        ),
        (
            "mosfet.qoss",
            "typ",
            ">=",
            "mosfet.qgd",
            _of("mosfet.qgd"),
            WARNING,
            "the charge of Coss holds that of Cgd",
        ),
        (
            "snubber.capacitor",
            "typ",
            "<=",
            "100 times mosfet.coss",
            _of("mosfet.coss", "typ", 100),
            WARNING,
            "it would heat the resistor for nothing; common practice, no source",
        ),
        (
            "bridge.source_inductance",
            "typ",
            "<=",
            "bridge.inductance",
            _of("bridge.inductance"),
            ERROR,
            "the loop holds the inductance at the source",
        ),
        (
            "mosfet.vds_max",
            "min",
            ">=",
            "the highest supply.voltage",
            _of("supply.voltage", "max"),
            ERROR,
            "the switch that is off carries the supply",
        ),
        (
            "mosfet.pulse_current",
            "min",
            ">=",
            "motor.current.peak",
            _of("motor.current.peak", "max"),
            ERROR,
            "the switch carries the peak current in normal operation",
        ),
        (
            "mosfet.rdson",
            "typ",
            "<",
            "the lowest supply.voltage / motor.current.peak",
            _over("supply.voltage", "min", "motor.current.peak", "max"),
            ERROR,
            "the drop at the peak current cannot be the whole supply",
        ),
        (
            "mosfet.conduction_share",
            "max",
            "<=",
            "100 %",
            _one,
            ERROR,
            "a share of the time",
        ),
        # temperatures
        (
            "mosfet.tj_max",
            "min",
            ">",
            "the highest temperature.ambient",
            _of("temperature.ambient", "max"),
            ERROR,
            "heat flows to what is colder",
        ),
        (
            "mosfet.temperature",
            "max",
            "<=",
            "mosfet.tj_max",
            _of("mosfet.tj_max"),
            WARNING,
            "met in operation is what is permitted",
        ),
        (
            "temperature.board",
            "max",
            ">=",
            "the highest temperature.ambient",
            _of("temperature.ambient", "max"),
            WARNING,
            "a board that makes heat is no colder than the air",
        ),
        (
            "temperature.board",
            "max",
            "<",
            "the chip's driver.tj_max",
            _of("chip:driver.tj_max"),
            ERROR,
            "heat flows to what is colder",
        ),
        # motor and supply
        (
            "motor.current.rms",
            "typ",
            "<=",
            "motor.current.peak",
            _of("motor.current.peak"),
            ERROR,
            "no rms value exceeds the peak",
        ),
        (
            "motor.current.peak",
            "typ",
            "<=",
            "30 times motor.current.rms",
            _of("motor.current.rms", "typ", 30),
            WARNING,
            "a crest factor as of no drive; common practice, no source",
        ),
        (
            "supply.crank",
            "min",
            "<=",
            "the highest supply.voltage",
            _of("supply.voltage", "max"),
            WARNING,
            "the starting profile is a dip",
        ),
        (
            "supply.load_dump",
            "max",
            ">=",
            "the highest supply.voltage",
            _of("supply.voltage", "max"),
            WARNING,
            "a load dump is a rise",
        ),
        (
            "supply.driver",
            "max",
            "<=",
            "the chip's supply.max",
            _of("chip:supply.max"),
            ERROR,
            "beyond its absolute maximum the chip is destroyed",
        ),
        # PWM
        ("pwm.duty.max", "max", "<=", "100 %", _one, ERROR, "a share of the period"),
        (
            "pwm.duty.min",
            "typ",
            "<=",
            "pwm.duty.max",
            _of("pwm.duty.max"),
            ERROR,
            "the lowest is not above the highest",
        ),
        (
            "pwm.deadtime",
            "max",
            "<",
            "half a PWM period",
            lambda g: _period(g, Fraction(1, 2)),
            ERROR,
            "there are two dead times in a period",
        ),
        (
            "pwm.deadtime_margin",
            "max",
            "<",
            "half a PWM period",
            lambda g: _period(g, Fraction(1, 2)),
            ERROR,
            "there are two dead times in a period",
        ),
        # current sense
        ("adc.bits", "typ", "<=", "32", _number(32), ERROR, "no ADC resolves more"),
        ("adc.bits", "typ", ">=", "4", _number(4), ERROR, "no current is measured with fewer"),
        (
            "adc.sampling",
            "max",
            "<",
            "a PWM period",
            _period,
            ERROR,
            "each period is sampled",
        ),
        (
            "shunt.resistance",
            "typ",
            "<",
            "adc.reference / motor.current.peak",
            _over("adc.reference", "max", "motor.current.peak", "max"),
            WARNING,
            "an amplifier is there because the shunt's voltage is far below the ADC's range",
        ),
        (
            "shunt.resistance",
            "typ",
            "<",
            "the lowest supply.voltage / motor.current.peak",
            _over("supply.voltage", "min", "motor.current.peak", "max"),
            ERROR,
            "the drop at the peak current cannot be the whole supply",
        ),
        (
            "limits.current_error",
            "max",
            "<",
            "motor.current.peak",
            _of("motor.current.peak"),
            WARNING,
            "an error as large as the current measures nothing",
        ),
        (
            "limits.current_step",
            "max",
            "<=",
            "limits.current_error",
            _of("limits.current_error"),
            WARNING,
            "a step is part of the error",
        ),
        # storage
        (
            "bootstrap.capacitor",
            "min",
            ">",
            "mosfet.qg / mosfet.vgs_max",
            _over("mosfet.qg", "max", "mosfet.vgs_max", "max"),
            ERROR,
            "it gives the whole gate charge and keeps a gate voltage",
        ),
        (
            "charge_pump.capacitor",
            "min",
            ">",
            "mosfet.qg / mosfet.vgs_max",
            _over("mosfet.qg", "max", "mosfet.vgs_max", "max"),
            ERROR,
            "it gives the whole gate charge and keeps a gate voltage",
        ),
        (
            "mosfet.qg",
            "typ",
            "<=",
            "1 A / (6 pwm.frequency)",
            lambda g: 1 / (6 * g.end("pwm.frequency")),
            WARNING,
            "six gates would take more than an ampere from the gate supply; " + PRACTICE,
        ),
        # times
        (
            "limits.rise_time.min",
            "typ",
            "<=",
            "limits.rise_time.max",
            _of("limits.rise_time.max"),
            ERROR,
            "the shortest is not above the longest",
        ),
        (
            "limits.fall_time.min",
            "typ",
            "<=",
            "limits.fall_time.max",
            _of("limits.fall_time.max"),
            ERROR,
            "the shortest is not above the longest",
        ),
        (
            "limits.rise_time.max",
            "max",
            "<",
            "a PWM period",
            _period,
            ERROR,
            "each period has an edge",
        ),
        (
            "limits.fall_time.max",
            "max",
            "<",
            "a PWM period",
            _period,
            ERROR,
            "each period has an edge",
        ),
        (
            "poll.period",
            "max",
            "<=",
            "safety.ftti",
            _of("safety.ftti"),
            WARNING,
            "what is polled more rarely is seen too late",
        ),
        (
            "controller.reaction",
            "max",
            "<=",
            "safety.ftti",
            _of("safety.ftti"),
            WARNING,
            "the reaction ends within it",
        ),
        (
            "watchdog.service_period",
            "max",
            "<=",
            "safety.ftti",
            _of("safety.ftti"),
            WARNING,
            "a controller that hangs is noticed after more than one period",
        ),
        (
            "poll.period",
            "min",
            ">",
            "8 / spi.clock",
            lambda g: 8 / g.end("spi.clock"),
            ERROR,
            "one frame alone takes longer",
        ),
        (
            "standby.wake_time",
            "max",
            "<=",
            "a day / standby.wakes_per_day",
            lambda g: Fraction(86400) / g.end("standby.wakes_per_day"),
            ERROR,
            "a day has 24 hours",
        ),
        # DC link, surges, motor
        (
            "limits.safe_voltage",
            "max",
            "<",
            "supply.voltage",
            _of("supply.voltage"),
            ERROR,
            "nothing would have to be discharged",
        ),
        (
            "limits.precharge_gap",
            "max",
            "<",
            "supply.voltage",
            _of("supply.voltage"),
            ERROR,
            "a part of the supply is left",
        ),
        (
            "surge.voltage",
            "min",
            ">",
            "supply.voltage",
            _of("supply.voltage"),
            ERROR,
            "a surge rises above the supply",
        ),
        (
            "suppressor.breakdown",
            "typ",
            ">",
            "supply.voltage",
            _of("supply.voltage"),
            WARNING,
            "it would conduct in operation",
        ),
        (
            "motor.frequency_max",
            "max",
            "<",
            "pwm.frequency",
            _of("pwm.frequency"),
            ERROR,
            "each turn of the field takes several PWM periods",
        ),
        # board, pulses, compensation
        (
            "vias.plating",
            "max",
            "<=",
            "half of vias.diameter",
            _of("vias.diameter", "min", Fraction(1, 2)),
            ERROR,
            "a hole is full then",
        ),
        (
            "vias.ring_radius",
            "min",
            ">=",
            "vias.pad_radius",
            _of("vias.pad_radius", "max"),
            ERROR,
            "vias within the pad need no copper to spread the heat",
        ),
        (
            "mosfet.rth_case",
            "typ",
            "<=",
            "mosfet.rth",
            _of("mosfet.rth"),
            ERROR,
            "the way to the case is a part of the way to the air",
        ),
        (
            "mosfet.soa.long_time",
            "min",
            ">",
            "mosfet.soa.time",
            _of("mosfet.soa.time", "max"),
            ERROR,
            "it is the longer of two points",
        ),
        (
            "mosfet.soa.long_current",
            "max",
            "<=",
            "mosfet.soa.current",
            _of("mosfet.soa.current"),
            ERROR,
            "a longer pulse allows no larger current",
        ),
        (
            "motor.pulse.time",
            "max",
            "<",
            "motor.pulse.period",
            _of("motor.pulse.period", "min"),
            ERROR,
            "a pulse ends before the next one",
        ),
        (
            "pwm.compensation",
            "max",
            "<",
            "half a PWM period",
            lambda g: _period(g, Fraction(1, 2)),
            ERROR,
            "no pulse would be left",
        ),
        # goals
        ("goals.margin", "max", "<", "100 %", _one, WARNING, "twice of everything is asked for"),
        ("limits.voltage_error", "max", "<", "100 %", _one, ERROR, "a share of the supply"),
        ("limits.sense_use", "max", "<=", "100 %", _one, ERROR, "a share of the range"),
        ("limits.shunt_drift", "max", "<", "100 %", _one, ERROR, "a share of the shunt"),
    )
)

#: Usual ranges of single inputs, ends included: outside is more likely a unit than a value.
RANGES: dict[str, tuple[str, str]] = {
    "supply.voltage": ("3 V", "1.2 kV"),
    "supply.driver": ("2.5 V", "120 V"),
    "supply.crank": ("1 V", "1 kV"),
    "supply.load_dump": ("5 V", "1.5 kV"),
    "supply.charge_budget": ("20 mAh", "500 Ah"),
    "standby.time": ("1 h", "3660 d"),
    "standby.wake_time": ("1 us", "1 d"),
    "temperature.ambient": ("-80 degC", "200 degC"),
    "temperature.board": ("-80 degC", "200 degC"),
    "mosfet.qg": ("0.5 nC", "3 uC"),
    "mosfet.qgs": ("0.1 nC", "1 uC"),
    "mosfet.qgd": ("0.1 nC", "1 uC"),
    "mosfet.crss": ("1 pF", "20 nF"),
    "mosfet.vth": ("0.3 V", "8 V"),
    "mosfet.vth_tempco": ("-20 mV/K", "-0.1 mV/K"),
    "mosfet.plateau": ("0.8 V", "12 V"),
    "mosfet.vgs_on": ("1.5 V", "25 V"),
    "mosfet.vgs_max": ("5 V", "40 V"),
    "mosfet.vds_max": ("8 V", "3.3 kV"),
    "mosfet.rdson": ("50 uohm", "5 ohm"),
    "mosfet.rdson_tempco": ("0 %/K", "2 %/K"),
    "mosfet.rth": ("0.1 K/W", "200 K/W"),
    "mosfet.tj_max": ("100 degC", "250 degC"),
    "mosfet.temperature": ("-80 degC", "250 degC"),
    "mosfet.internal_resistance": ("50 mohm", "50 ohm"),
    "mosfet.short_circuit_time": ("100 ns", "1 ms"),
    "mosfet.pulse_current": ("0.5 A", "10 kA"),
    "mosfet.gate_leakage": ("0 A", "100 uA"),
    "gate.resistor.on": ("0 ohm", "1 kohm"),
    "gate.resistor.off": ("0 ohm", "1 kohm"),
    "gate.resistor.pulldown": ("1 kohm", "10 Mohm"),
    "diode.vf": ("0.2 V", "5 V"),
    "mosfet.short_circuit_current": ("0.5 A", "10 kA"),
    "dclink.capacitor": ("100 nF", "1 F"),
    "dclink.esr": ("0.1 mohm", "10 ohm"),
    "dclink.ripple_current": ("10 mA", "1 kA"),
    "mosfet.short_circuit_energy": ("10 uJ", "100 J"),
    "mosfet.pulse.zth": ("0.1 mK/W", "50 K/W"),
    "mosfet.pulse.time": ("100 ns", "100 ms"),
    "mosfet.soa.current": ("0.1 A", "10 kA"),
    "mosfet.soa.time": ("1 us", "100 ms"),
    "motor.stall.current": ("0.1 A", "2 kA"),
    "motor.stall.time": ("100 us", "10 min"),
    "dclink.voltage_max": ("4 V", "1.5 kV"),
    "dclink.rth": ("0.1 K/W", "200 K/W"),
    "precharge.resistor": ("0.1 ohm", "10 kohm"),
    "precharge.energy": ("1 mJ", "10 kJ"),
    "precharge.time": ("10 us", "60 s"),
    "discharge.resistor": ("1 ohm", "1 Mohm"),
    "discharge.power": ("1 mW", "10 kW"),
    "motor.back_emf": ("0.1 V", "2 kV"),
    "motor.phase_resistance": ("0.1 mohm", "1 kohm"),
    "motor.phase_inductance": ("0.1 uH", "1 H"),
    "motor.frequency_max": ("1 Hz", "5 kHz"),
    "motor.braking_energy": ("1 mJ", "100 kJ"),
    "surge.resistance": ("1 mohm", "100 ohm"),
    "surge.duration": ("100 ns", "1 s"),
    "suppressor.resistance": ("0.1 mohm", "10 ohm"),
    "suppressor.energy": ("1 mJ", "10 kJ"),
    "bridge.inductance": ("0.1 nH", "1 uH"),
    "bridge.source_inductance": ("10 pH", "100 nH"),
    "bridge.damping": ("0.005", "2"),
    "mosfet.coss": ("1 pF", "100 nF"),
    "mosfet.qoss": ("10 pC", "10 uC"),
    "mosfet.qrr": ("10 pC", "100 uC"),
    "mosfet.avalanche_energy": ("1 nJ", "10 J"),
    "snubber.resistor": ("10 mohm", "1 kohm"),
    "snubber.capacitor": ("1 pF", "1 uF"),
    "snubber.power": ("1 mW", "100 W"),
    "gate.resistor_power": ("1 mW", "10 W"),
    "limits.ring_frequency": ("10 kHz", "1 GHz"),
    "standby.other_current": ("0 A", "100 mA"),
    "board.coupling": ("0.01 K/W", "100 K/W"),
    "heatsink.temperature": ("-80 degC", "200 degC"),
    "vias.diameter": ("50 um", "2 mm"),
    "vias.plating": ("5 um", "500 um"),
    "vias.length": ("100 um", "10 mm"),
    "vias.conductivity": ("10 W/(m K)", "450 W/(m K)"),
    "vias.interface": ("0 K/W", "100 K/W"),
    "vias.pad_radius": ("100 um", "50 mm"),
    "vias.ring_radius": ("200 um", "200 mm"),
    "vias.copper": ("5 um", "5 mm"),
    "copper.length": ("0.5 mm", "1 m"),
    "copper.width": ("50 um", "200 mm"),
    "copper.thickness": ("5 um", "5 mm"),
    "mosfet.rth_case": ("0.01 K/W", "50 K/W"),
    "mosfet.soa.long_current": ("0.1 A", "10 kA"),
    "mosfet.soa.long_time": ("1 us", "1 s"),
    "motor.pulse.current": ("10 mA", "6 kA"),
    "motor.pulse.time": ("1 us", "100 s"),
    "motor.pulse.period": ("2 us", "1000 s"),
    "pwm.compensation": ("1 ns", "20 us"),
    "pwm.compensation_current": ("5 mA", "500 A"),
    "limits.copper_loss": ("1 mW", "1 kW"),
    "limits.copper_temperature": ("0 degC", "250 degC"),
    "limits.pause": ("200 us", "20 s"),
    "charge_pump.capacitor": ("1 nF", "100 uF"),
    "bootstrap.capacitor": ("1 nF", "100 uF"),
    "bootstrap.resistor": ("0 ohm", "100 ohm"),
    "shunt.resistance": ("10 uohm", "1 ohm"),
    "shunt.tempco": ("-1 %/K", "1 %/K"),
    "shunt.inductance": ("10 pH", "100 nH"),
    "shunt.power": ("10 mW", "200 W"),
    "shunt.rth": ("0 K/W", "500 K/W"),
    "pwm.frequency": ("100 Hz", "500 kHz"),
    "pwm.deadtime": ("10 ns", "20 us"),
    "pwm.deadtime_margin": ("1 ns", "5 us"),
    "motor.current.rms": ("10 mA", "3 kA"),
    "motor.current.peak": ("10 mA", "6 kA"),
    "adc.reference": ("0.5 V", "10 V"),
    "adc.sampling": ("5 ns", "100 us"),
    "controller.clock_tolerance": ("-20 %", "20 %"),
    "controller.reaction": ("500 ns", "50 ms"),
    "watchdog.service_period": ("100 us", "100 s"),
    "spi.clock": ("1 kHz", "100 MHz"),
    "poll.period": ("10 us", "100 s"),
    "readback.period": ("20 us", "5 s"),
    "safety.ftti": ("1 us", "10 s"),
    "limits.dvdt": ("5 V/us", "200 V/ns"),
    "limits.didt": ("10 A/us", "50 A/ns"),
    "limits.rise_time.min": ("1 ns", "20 us"),
    "limits.rise_time.max": ("2 ns", "20 us"),
    "limits.fall_time.min": ("1 ns", "20 us"),
    "limits.fall_time.max": ("2 ns", "20 us"),
    "limits.supply_ripple": ("1 mV", "100 V"),
    "limits.gate_droop": ("1 mV", "10 V"),
    "limits.diode_loss": ("10 mW", "1 kW"),
    "limits.current_error": ("1 mA", "500 A"),
    "limits.current_step": ("500 uA", "50 A"),
    "limits.wake_time": ("10 us", "1 s"),
    "startup.supply_rise": ("20 us", "900 ms"),
    "startup.enable_delay": ("50 us", "5 s"),
    "startup.calibration_period": ("200 ns", "20 ms"),
    "startup.charge_time": ("5 us", "150 ms"),
    "sleep.run_down": ("10 ms", "2 min"),
    "sleep.other_current": ("200 uA", "5 A"),
    "sleep.charge_budget": ("300 uC", "15 C"),
    "limits.startup": ("200 us", "20 s"),
    "limits.sleep_time": ("10 ms", "4 min"),
}


def usual(name: str) -> tuple[Fraction, Fraction]:
    """The usual range of an input in base units, ends included."""
    dimension = STAGE[name].dimension
    low, high = (parse(text, dimension).value for text in RANGES[name])
    return low, high


def _outside(name: str, band: Band) -> Doubt | None:
    low, high = usual(name)
    if low <= band.low and band.high <= high:
        return None
    if STAGE[name].sign == "zero or more" and not band.typ:
        return None  # none of it
    entry = STAGE[name]
    shifted = (band.typ * Fraction(10) ** power for power in (-3, 3, -6, 6))
    meant = next((v for v in shifted if low <= v <= high), None)
    at = band.high if band.high > high else band.low
    return Doubt(
        name,
        f"{name} of {_shown(at, entry)}",
        f"{_shown(low, entry)} to {_shown(high, entry)}, as power stages have it ({PRACTICE})",
        _shown(meant, entry) if meant is not None and meant != band.typ else "",
        "warning",
    )


def doubts(stage: Mapping[str, Value], chip: Mapping[str, Value]) -> list[Doubt]:
    """What is wrong with the stated inputs of a stage; what is wrong for one reason is told once."""
    given = Given(stage, chip)
    ranges = {
        n: d
        for n, v in stage.items()
        if n in RANGES and isinstance(v, Band) and (d := _outside(n, v)) is not None
    }
    found: dict[str, list[Doubt]] = {}
    for relation in RELATIONS:
        given.used.clear()
        doubt = relation.breach(given)
        # an input that is a slip itself makes others look odd that are not
        if doubt is None or (doubt.severity == "warning" and given.used & set(ranges)):
            continue
        known = found.setdefault(doubt.name, [])
        reason = doubt.expected.rpartition(": ")[2]
        if not any(k.expected.rpartition(": ")[2] == reason for k in known):
            known.append(doubt)
    for name, doubt in ranges.items():
        if name not in found:
            found[name] = [doubt]
    return [d for several in found.values() for d in several] + _system(given)


def _system(given: Given) -> list[Doubt]:
    """A load-dump test of the other vehicle system."""
    try:
        told, volts = given.text("supply.load_dump_class"), given.end("supply.voltage")
    except _AbsentError:
        return []
    system = "12 V" if volts < 18 else "24 V"
    if told.startswith(system):
        return []
    return [
        Doubt(
            "supply.load_dump_class",
            f"{told} at a supply of {_shown(volts, STAGE['supply.voltage'])}",
            f"a test of the {system} system",
            told.replace(told[:4], system),
            "warning",
        )
    ]
