"""The closed tables of everything the calculations may be told.

Three tables, one for each place where a fact can stand:

    CHIP    section `electrical:` of a map: what the chip's data sheet states
    STAGE   a stage file: the power stage around the chip and the goals of its designer
    ROLES   `role:` of a field in a map: what a setting of the chip means to the calculations

Dots in a name are nesting in YAML, so in CHIP and STAGE no name is the beginning of another one:

    mosfet:
      qg: 60 / 75 nC          # mosfet.qg

Loaders generate their schema from these tables; the calculations look values up under the names
`chip:...`, `stage:...` and `role:...`. Nothing else connects a chip's own names to the physics.

A default is text as a user would write it, with a note that says where it comes from; a figure
without a published source says so. What has neither default nor `instead` must be stated, or the
checks that need it are reported as not computed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from regmap.record import dataclass, replace

from .errors import CallError

PRACTICE = "common practice, no source"

#: Names of options (in any case) by which a switch, or what a chip does on a fault, is known to be
#: off, on, or only told to the controller. A switch whose options have other names is off at code 0.
OFF_WORDS = frozenset(
    {"off", "disabled", "disable", "no", "none", "ignore", "ignored", "masked", "inactive"}
)
ON_WORDS = frozenset({"on", "enabled", "enable", "yes", "active", "watch"})
REPORT_WORDS = frozenset(
    {"report", "report_only", "reported", "warn", "warning", "flag", "flag_only"}
)
RETRY_WORDS = frozenset({"retry", "restart", "auto_retry", "hiccup"})
#: What the role `sleep` calls on and off, where the words above do not.
_SLEEP = {
    "asleep": True,
    "sleep": True,
    "standby": True,
    "awake": False,
    "wake": False,
    "run": False,
}


def switched_on(name: str, code: int, role: str = "") -> bool:
    """Whether a switch of this role is on that stands at the option `name` with `code`; "" has no name.

    The name tells; where it says neither on nor off, code 0 is off.
    """
    word = name.casefold()
    if role == "sleep" and word in _SLEEP:
        return _SLEEP[word]
    if word in OFF_WORDS:
        return False
    return word in ON_WORDS or code != 0


#: What a setting is called that nobody has stated or read.
NOT_KNOWN = "not known"

Kind = Literal["quantity", "count", "choice", "switch"]
Sign = Literal["any", "zero or more", "more than zero"]


@dataclass(frozen=True, slots=True)
class Parameter:
    """One name the calculations understand.

    `kind` says how a value is written: a "quantity" (`dimension` is a key of
    `quantity.DIMENSIONS`), a "count" (a whole number), a "choice" (one of `choices`), or, for a
    role that is no quantity, a "switch". `sign` is the range a loader should accept.
    `default` is a value as text, `note` where that default comes from. `instead` names another
    parameter of the same table whose value serves when this one is not stated.
    """

    name: str
    dimension: str | None
    doc: str
    default: str | None = None
    note: str = ""
    choices: tuple[str, ...] = ()
    instead: str | None = None
    kind: Kind = "quantity"
    sign: Sign = "more than zero"


#: What may be negative: temperatures by nature, and bands about zero.
_SIGNED = frozenset(
    {
        "sense.gain_error",
        "sense.common_mode",
        "sense.offset",
        "sense.offset_drift",
        "oscillator.tolerance",
        "mosfet.vth_tempco",
        "shunt.tempco",
        "controller.clock_tolerance",
    }
)
_MAY_BE_ZERO = frozenset(
    {
        "supply.sleep_current",
        "supply.sleep_time",
        "startup.supply_rise",
        "startup.enable_delay",
        "startup.charge_time",
        "sleep.run_down",
        "spi.wake_up",
        "pwm.duty.min",
        "deadtime",
        "deadtime_handshake_delay",
        "vds.blanking",
        "vds.filter",
        "sense.blanking",
        "overcurrent.filter",
        "propagation.on",
        "propagation.off",
        "propagation.mismatch",
        "vds.comparator_delay",
        "gate.hold",
        "charge_pump.dropout",
        "regulator.dropout",
        "bootstrap.vf",
        "bootstrap.bias_current",
        "bootstrap.resistance",
        "bootstrap.trickle_current",
        "sense.output.low",
        "sense.output.headroom",
        "goals.margin",
        "controller.reaction",
        "mosfet.internal_resistance",
        "mosfet.gate_leakage",
        "bridge.damping",
    }
)


def _finish(row: Parameter, table: str) -> Parameter:
    kind: Kind = "quantity"
    if row.dimension is None:
        kind = "switch" if table == "role" else "choice" if row.choices else "count"
    sign: Sign = "more than zero"
    if row.name in _SIGNED or row.dimension == "temperature":
        sign = "any"
    elif table == "role" or row.name in _MAY_BE_ZERO or (row.default or "").startswith("0"):
        sign = "zero or more"
    if (kind, sign) == (row.kind, row.sign):
        return row
    return replace(row, kind=kind, sign=sign)


def _table(name: str, rows: Iterable[Parameter]) -> dict[str, Parameter]:
    table: dict[str, Parameter] = {}
    for row in (_finish(row, name) for row in rows):
        if row.name in table:
            raise ValueError(f"{row.name} is listed twice")
        table[row.name] = row
    return table


_P = Parameter

#: What the chip's data sheet states; section `electrical:` of a map. A name that is also the name
#: of a role is for chips where that value is fixed in silicon or by a resistor.
CHIP: dict[str, Parameter] = _table(
    "chip",
    [
        # supply
        _P("supply.max", "voltage", "absolute maximum at the supply pin"),
        _P("supply.operating", "voltage", "supply range in which the data sheet's figures hold"),
        _P(
            "supply.transient_time",
            "time",
            "how long the supply may lie above its operating range, below the absolute maximum",
        ),
        _P("supply.current", "current", "supply current, awake, without the charge for the gates"),
        _P("supply.sleep_current", "current", "supply current asleep"),
        _P("supply.wake_time", "time", "from the wake request until the outputs may be used"),
        _P(
            "supply.sleep_time", "time", "from the sleep request until only the sleep current flows"
        ),
        _P("uv.threshold", "voltage", "undervoltage threshold of the supply, where it is fixed"),
        _P("ov.threshold", "voltage", "overvoltage threshold of the supply, where it is fixed"),
        # gate supply
        _P(
            "high_side_supply",
            None,
            "what feeds the high-side gates",
            choices=("charge pump", "bootstrap"),
        ),
        _P(
            "charge_pump.current",
            "current",
            "average current the charge pump delivers at the lowest operating supply",
        ),
        _P(
            "charge_pump.ratio",
            "ratio",
            "high-side gate voltage for each volt of supply while the supply is too low to regulate "
            "(1 for a doubling pump, 2 for a tripling one)",
            "1",
            "a doubling pump; " + PRACTICE,
        ),
        _P(
            "charge_pump.input_ratio",
            "ratio",
            "supply current drawn for each ampere delivered above the supply",
            "2",
            "charge balance of a doubling pump",
        ),
        _P("charge_pump.dropout", "voltage", "voltage the pump loses at the lowest supply"),
        _P(
            "regulator.current",
            "current",
            "average current the low-side gate supply delivers at the lowest operating supply",
        ),
        _P(
            "regulator.ratio",
            "ratio",
            "low-side gate voltage for each volt of supply while the supply is too low to regulate "
            "(1 for a regulator from the supply, 2 where a pump doubles it first)",
            "1",
            "a regulator from the supply; " + PRACTICE,
        ),
        _P(
            "regulator.dropout",
            "voltage",
            "voltage the low-side gate supply loses at the lowest supply",
        ),
        _P("bootstrap.resistance", "resistance", "on-resistance of the internal bootstrap path"),
        _P("bootstrap.vf", "voltage", "forward voltage of the internal bootstrap diode"),
        _P("bootstrap.bias_current", "current", "current the floating high-side circuit draws"),
        _P(
            "bootstrap.trickle_current",
            "current",
            "current that keeps a bootstrap up at 100 % duty",
        ),
        _P("bootstrap.uv", "voltage", "undervoltage threshold of the floating supply"),
        # gate drive
        _P("gate.voltage.high", "voltage", "gate-source voltage of the high side in regulation"),
        _P(
            "gate.voltage.low",
            "voltage",
            "gate-source voltage of the low side in regulation",
            instead="gate.voltage.high",
        ),
        _P("gate.source", "current", "gate source current, where it is fixed"),
        _P("gate.sink", "current", "gate sink current, where it is fixed"),
        _P(
            "gate.soft_off",
            "current",
            "gate sink current of a soft turn-off after a short circuit, where it is fixed",
        ),
        _P("gate.hold", "current", "current that holds a gate off while the other side switches"),
        _P(
            "gate.pulldown",
            "resistance",
            "resistance from gate to source while a gate is held off, where the hold-off is resistive",
        ),
        _P("gate.drive_time", "time", "how long the full gate current flows, where it is fixed"),
        _P("drive.resistance.source", "resistance", "output resistance towards the gate supply"),
        _P("drive.resistance.sink", "resistance", "output resistance towards the source"),
        _P("propagation.on", "time", "input edge to the start of gate charge"),
        _P("propagation.off", "time", "input edge to the start of gate discharge"),
        _P(
            "propagation.mismatch",
            "time",
            "largest difference of delays between the two sides of a half-bridge",
        ),
        _P("deadtime", "time", "dead time the chip inserts, where it is fixed"),
        _P(
            "deadtime_with_controller",
            None,
            "how the chip's dead time joins the controller's: the larger one counts, or both add",
            "max",
            "the chip only fills up what the inputs lack; " + PRACTICE,
            choices=("max", "sum"),
        ),
        _P(
            "deadtime_handshake_delay",
            "time",
            "voltage past the handshake's level until the chip has seen it",
            "0..50 ns",
            PRACTICE,
        ),
        _P(
            "deadtime_handshake_timeout",
            "time",
            "after this time the chip goes on without having seen a drain voltage, which does not move "
            "while the switch's own diode carries the current",
        ),
        _P("gate.adjustment.min", "current", "smallest gate current to which the chip adjusts"),
        _P("gate.adjustment.max", "current", "largest gate current to which the chip adjusts"),
        # VDS monitor
        _P("vds.threshold", "voltage", "threshold of the VDS monitor, where it is fixed"),
        _P("vds.blanking", "time", "blanking time of the VDS monitor, where it is fixed"),
        _P("vds.filter", "time", "filter time of the VDS monitor, where it is fixed"),
        _P(
            "vds.blanking_from",
            None,
            "what starts the blanking time: the edge at the input that turns the switch on, or the "
            "start of gate charge",
            "input edge",
            "the safer reading: dead time and propagation pass meanwhile",
            choices=("input edge", "gate edge"),
        ),
        _P("vds.comparator_delay", "time", "delay of the VDS comparator itself"),
        # current sense
        _P("sense.gain", "gain", "gain of the current-sense amplifier, where it is fixed"),
        _P(
            "sense.gain_error",
            "percent",
            "gain error, as a band about zero; where the gain's options have a tolerance of their "
            "own, the wider of the two counts",
            "-1..1 %",
            PRACTICE,
        ),
        _P("sense.offset", "voltage", "offset referred to the input, as a band about zero"),
        _P(
            "sense.offset_drift",
            "voltage drift",
            "offset drift referred to the input, about zero",
            "0 V/K",
            "left out where it is not stated",
        ),
        _P(
            "sense.settling",
            "time",
            "settling of the output to the accuracy wanted",
            "1 us",
            PRACTICE,
        ),
        _P(
            "sense.wake_time",
            "time",
            "from awake until the current-sense amplifier works",
            "0 s",
            "left out where it is not stated",
        ),
        _P("sense.slew_rate", "voltage slew", "slew rate of the amplifier's output"),
        _P(
            "sense.common_mode",
            "voltage",
            "common-mode range of the amplifier's inputs, min to max",
        ),
        _P("sense.blanking", "time", "blanking time of the amplifier, where it is fixed"),
        _P("sense.reference", "voltage", "output voltage at zero current, where it is fixed"),
        _P(
            "sense.reference_share",
            "percent",
            "output at zero current as a share of the controller's ADC reference",
            "50 %",
            "half the reference for current of both directions; " + PRACTICE,
        ),
        _P("sense.output.low", "voltage", "lowest output voltage with full accuracy"),
        _P(
            "sense.output.headroom",
            "voltage",
            "distance from the ADC reference to the highest output voltage with full accuracy",
            instead="sense.output.low",
        ),
        _P(
            "overcurrent.threshold",
            "voltage",
            "overcurrent comparator threshold, where it is fixed",
        ),
        _P(
            "overcurrent.measured_at",
            None,
            "where the overcurrent comparator looks",
            "shunt",
            PRACTICE,
            choices=("shunt", "output"),
        ),
        _P(
            "overcurrent.filter",
            "time",
            "filter time of the overcurrent comparator, where it is fixed",
        ),
        # time base and watchdog
        _P(
            "oscillator.tolerance",
            "percent",
            "tolerance of the chip's oscillator, as a band about zero; it widens the watchdog window",
            "0 %",
            "taken as contained in the stated times",
        ),
        _P("watchdog.window", "time", "total watchdog window, where it is fixed"),
        _P(
            "watchdog.closed_share",
            "percent",
            "share of the window, at its start, in which a service is an error",
            "0 %",
            "a watchdog without a closed part",
        ),
        # temperature
        _P("driver.rth", "thermal resistance", "junction to ambient on the board used"),
        _P("driver.tj_max", "temperature", "highest junction temperature permitted"),
        _P(
            "temperature.warning", "temperature", "junction temperature of the warning, where fixed"
        ),
        _P(
            "temperature.shutdown",
            "temperature",
            "junction temperature of the shutdown, where fixed",
        ),
        # SPI
        _P("spi.clock_max", "frequency", "highest SPI clock"),
        _P("spi.idle", "time", "shortest time chip select is inactive between two frames"),
        _P("spi.wake_up", "time", "from the wake request until the chip takes frames"),
        _P(
            "spi.lead",
            "time",
            "chip select active to first clock edge",
            "0 s",
            "left out where it is not stated",
        ),
        _P(
            "spi.lag",
            "time",
            "last clock edge to chip select inactive",
            "0 s",
            "left out where it is not stated",
        ),
    ],
)

#: The power stage around the chip and what its designer wants; keys of a stage file.
STAGE: dict[str, Parameter] = _table(
    "stage",
    [
        # supply
        _P("supply.voltage", "voltage", "bridge supply in operation, min to max"),
        _P(
            "supply.driver",
            "voltage",
            "supply of the driver chip, where it is not the bridge supply",
            instead="supply.voltage",
        ),
        _P(
            "supply.crank",
            "voltage",
            "lowest level of the starting profile to be lived through (from your specification); taken from "
            "`courses` where a starting profile is stated there",
        ),
        _P(
            "supply.load_dump",
            "voltage",
            "load-dump voltage at the stage (from your specification)",
        ),
        _P(
            "supply.load_dump_class",
            None,
            "which load-dump test of ISO 16750-2 that is: A without central suppression, which the stage's suppressor "
            "takes; B with one, in which it must stay silent (supply.surge-standoff). It is told beside the level, which stands "
            "in supply.load_dump, and doubted where that is the other test's",
            choices=("12 V test A", "12 V test B", "24 V test A", "24 V test B"),
        ),
        _P("supply.jump_start", "voltage", "supply while another battery helps to start"),
        _P(
            "supply.reverse",
            "voltage",
            "voltage of a battery put in the wrong way round, as a magnitude",
        ),
        _P(
            "supply.negative_pulse",
            "voltage",
            "height of a negative pulse on the supply, as a magnitude",
        ),
        _P("supply.blocking", "voltage", "rating of the part that blocks a reversed supply"),
        _P("surge.voltage", "voltage", "open-circuit peak of a surge on the supply, above ground"),
        _P("surge.resistance", "resistance", "source resistance of the surge"),
        _P("surge.duration", "time", "duration of the surge, to a tenth of its height"),
        _P(
            "suppressor.breakdown",
            "voltage",
            "voltage at which the suppressor begins to conduct, cold to hot",
        ),
        _P(
            "suppressor.resistance",
            "resistance",
            "differential resistance of the conducting suppressor",
        ),
        _P(
            "suppressor.energy",
            "energy",
            "energy that the suppressor stands in a pulse of that duration",
        ),
        _P("suppressor.current", "current", "peak current that the suppressor stands"),
        _P(
            "supply.charge_budget",
            "battery charge",
            "charge the driver may take from the battery in standby",
        ),
        _P("standby.time", "duration", "how long the drive must rest on the battery, as 30 d"),
        _P(
            "standby.wakes_per_day",
            None,
            "how often the chip wakes in standby",
            "0",
            "never, where it is not stated",
        ),
        _P(
            "standby.wake_time",
            "time",
            "how long it stays awake each time",
            "0 s",
            "left out where it is not stated",
        ),
        _P(
            "standby.other_current",
            "current",
            "what else the stage takes from the battery in standby: leakage of MOSFETs, capacitors, dividers",
            "0 A",
            "the chip alone, unless stated",
        ),
        # start-up and the way back to sleep
        _P(
            "startup.supply_rise",
            "time",
            "from power-on until the supplies are in their range; 0 s where time counts from there",
        ),
        _P(
            "startup.enable_delay",
            "time",
            "from supplies in range until the controller requests the chip to wake; 0 s where the supply does",
        ),
        _P(
            "startup.calibration_samples",
            None,
            "samples that the controller averages for the offset, where it calibrates",
        ),
        _P("startup.calibration_period", "time", "from one such sample to the next"),
        _P(
            "startup.charge_time",
            "time",
            "how long the controller waits between enabling the outputs and the first PWM for the supply "
            "of the high side, the low sides on where a bootstrap charges; without it, until it is charged",
        ),
        _P(
            "sleep.run_down",
            "time",
            "from the last PWM edge until the controller begins to send the chip to sleep",
        ),
        _P(
            "sleep.other_current",
            "current",
            "what else the stage takes from the battery on the way to sleep: the controller",
            "0 A",
            "the chip alone, unless stated",
        ),
        _P(
            "sleep.charge_budget",
            "charge",
            "charge that the way to sleep may take from the battery",
        ),
        # surroundings
        _P("temperature.ambient", "temperature", "air around the power stage, min to max"),
        _P(
            "temperature.board",
            "temperature",
            "board at the driver chip, min to max",
            instead="temperature.ambient",
        ),
        # board
        _P(
            "board.coupling",
            "thermal resistance",
            "rise of the board at the driver for each watt that the bridge loses",
        ),
        _P(
            "heatsink.temperature",
            "temperature",
            "what cools the underside below the vias, min to max",
            instead="temperature.ambient",
        ),
        _P("vias.count", None, "thermal vias of one MOSFET"),
        _P("vias.diameter", "length", "diameter of a thermal via as drilled"),
        _P("vias.plating", "length", "thickness of its plating"),
        _P("vias.length", "length", "length of a thermal via: thickness of the board"),
        _P(
            "vias.conductivity",
            "thermal conductivity",
            "thermal conductivity of the plating, and of the copper in which the heat spreads",
            "350..400 W/(m K)",
            "copper; " + PRACTICE,
        ),
        _P(
            "vias.interface",
            "thermal resistance",
            "from the underside of the board to what cools it",
            "0 K/W",
            "left out where it is not stated",
        ),
        _P(
            "vias.pad_radius",
            "length",
            "vias around the pad: radius of a circle as large as the pad from which the heat spreads",
        ),
        _P(
            "vias.ring_radius",
            "length",
            "vias around the pad: radius of the circle on which they lie; nothing spreads where it is not stated",
        ),
        _P(
            "vias.copper",
            "length",
            "vias around the pad: thickness of the copper that leads there, of all layers side by side",
        ),
        _P("copper.length", "length", "length of the copper path of a phase"),
        _P("copper.width", "length", "its width"),
        _P("copper.thickness", "length", "its thickness, of all layers side by side"),
        # MOSFET and its gate
        _P("mosfet.qg", "charge", "total gate charge, up to mosfet.test.gate_voltage"),
        _P("mosfet.qgs", "charge", "gate-source charge, up to the plateau"),
        _P("mosfet.qgd", "charge", "gate-drain charge, along the plateau"),
        _P(
            "mosfet.crss",
            "capacitance",
            "reverse transfer capacitance at the supply voltage; without it, fitted to qgd",
        ),
        _P(
            "mosfet.coss",
            "capacitance",
            "output capacitance at the supply voltage; left out where it is not stated, which is "
            "safe for slopes and overshoot",
        ),
        _P("mosfet.qoss", "charge", "output charge from 0 V to the supply; without it, from coss"),
        _P(
            "mosfet.qrr",
            "charge",
            "reverse recovery charge of the body diode, at mosfet.test.recovery_current and the slope met",
        ),
        _P(
            "mosfet.avalanche_energy",
            "energy",
            "avalanche energy that the MOSFET stands in every period, hot",
        ),
        _P("mosfet.vth", "voltage", "gate threshold voltage at 25 degC"),
        _P(
            "mosfet.vth_tempco",
            "voltage drift",
            "drift of the threshold with temperature",
            "-8..-4 mV/K",
            PRACTICE,
        ),
        _P(
            "mosfet.plateau",
            "voltage",
            "gate voltage of the plateau at 25 degC and the current of mosfet.test.current; without that "
            "the stage's own; its band and that of vth are pairs: min and min, typ and typ, max and max",
        ),
        _P(
            "mosfet.test.current",
            "current",
            "drain current at which plateau, qg, qgs and qgd were measured; without it the stage's own",
        ),
        _P(
            "mosfet.test.drain_voltage",
            "voltage",
            "drain voltage at which qg, qgs and qgd were measured; without it the stage's own supply",
        ),
        _P(
            "mosfet.test.gate_voltage",
            "voltage",
            "gate voltage up to which qg was measured; without it the stage's own",
        ),
        _P(
            "mosfet.test.recovery_current",
            "current",
            "current at which qrr was measured; without it the stage's own",
        ),
        _P("mosfet.vgs_on", "voltage", "gate voltage that the stated on-resistance needs"),
        _P("mosfet.vgs_max", "voltage", "gate-source rating"),
        _P("mosfet.vds_max", "voltage", "drain-source rating"),
        _P("mosfet.rdson", "resistance", "on-resistance at 25 degC, typ and max"),
        _P(
            "mosfet.rdson_tempco",
            "temperature coefficient",
            "rise of the on-resistance from 25 degC",
            "0.4..0.6 %/K",
            "silicon MOSFETs below 100 V; " + PRACTICE,
        ),
        _P("mosfet.rth", "thermal resistance", "junction to ambient, as mounted"),
        _P("mosfet.rth_case", "thermal resistance", "junction to case"),
        _P("mosfet.tj_max", "temperature", "highest junction temperature permitted"),
        _P(
            "mosfet.temperature",
            "temperature",
            "junction temperatures met in operation; without it, from the lowest ambient to tj_max",
        ),
        _P(
            "mosfet.internal_resistance",
            "resistance",
            "gate resistance inside the MOSFET",
            "1..3 ohm",
            PRACTICE,
        ),
        _P("mosfet.short_circuit_time", "time", "how long the MOSFET survives a short circuit"),
        _P("mosfet.pulse_current", "current", "largest current the MOSFET survives for that time"),
        _P(
            "mosfet.short_circuit_current",
            "current",
            "largest current in a switch during a short circuit, as source, wiring and MOSFET let it",
            instead="mosfet.pulse_current",
        ),
        _P(
            "mosfet.short_circuit_energy",
            "energy",
            "energy of a short circuit that the MOSFET survives",
        ),
        _P(
            "mosfet.pulse.zth",
            "thermal resistance",
            "transient thermal impedance, junction to case, of a single short pulse",
        ),
        _P("mosfet.pulse.time", "time", "duration of that pulse"),
        _P(
            "mosfet.soa.current",
            "current",
            "current of a point of the safe operating area at the highest supply and 25 degC",
        ),
        _P("mosfet.soa.time", "time", "duration of that point of the safe operating area"),
        _P(
            "mosfet.soa.long_current",
            "current",
            "current of a longer point of the safe operating area, same conditions",
        ),
        _P("mosfet.soa.long_time", "time", "duration of that longer point"),
        _P(
            "mosfet.ladder.r1",
            "thermal resistance",
            "step 1 of the Foster ladder from junction to ambient: its resistance",
            "0 K/W",
            "a ladder with fewer steps; what the steps leave of mosfet.rth counts at once",
        ),
        _P(
            "mosfet.ladder.t1",
            "time",
            "step 1 of the Foster ladder: its time constant",
            "1 s",
            "a step without resistance counts nothing",
        ),
        _P(
            "mosfet.ladder.r2",
            "thermal resistance",
            "step 2 of the Foster ladder from junction to ambient: its resistance",
            "0 K/W",
            "a ladder with fewer steps; what the steps leave of mosfet.rth counts at once",
        ),
        _P(
            "mosfet.ladder.t2",
            "time",
            "step 2 of the Foster ladder: its time constant",
            "1 s",
            "a step without resistance counts nothing",
        ),
        _P(
            "mosfet.ladder.r3",
            "thermal resistance",
            "step 3 of the Foster ladder from junction to ambient: its resistance",
            "0 K/W",
            "a ladder with fewer steps; what the steps leave of mosfet.rth counts at once",
        ),
        _P(
            "mosfet.ladder.t3",
            "time",
            "step 3 of the Foster ladder: its time constant",
            "1 s",
            "a step without resistance counts nothing",
        ),
        _P(
            "mosfet.ladder.r4",
            "thermal resistance",
            "step 4 of the Foster ladder from junction to ambient: its resistance",
            "0 K/W",
            "a ladder with fewer steps; what the steps leave of mosfet.rth counts at once",
        ),
        _P(
            "mosfet.ladder.t4",
            "time",
            "step 4 of the Foster ladder: its time constant",
            "1 s",
            "a step without resistance counts nothing",
        ),
        _P("mosfet.gate_leakage", "current", "gate leakage current", "0..100 nA", PRACTICE),
        _P(
            "mosfet.conduction_share",
            "percent",
            "share of the phase current's time in one switch",
            "50 %",
            "a sine current shared by two switches; for a stall state 100 %",
        ),
        _P(
            "gate.resistor.on",
            "resistance",
            "external resistance in the charging path",
            "0 ohm",
            "none fitted unless stated",
        ),
        _P(
            "gate.resistor.off",
            "resistance",
            "external resistance in the discharging path",
            "0 ohm",
            "none fitted unless stated",
        ),
        _P("gate.resistor.pulldown", "resistance", "external resistor from gate to source"),
        _P(
            "diode.vf",
            "voltage",
            "forward voltage of the body diode",
            "0.6 / 0.9 / 1.2 V",
            PRACTICE,
        ),
        _P("dclink.capacitor", "capacitance", "capacitance of the DC link at its voltage"),
        _P("dclink.esr", "resistance", "series resistance of the DC-link capacitor"),
        _P("dclink.ripple_current", "current", "ripple current the DC-link capacitor stands, rms"),
        _P(
            "dclink.voltage_max",
            "voltage",
            "voltage that the DC link stands: the rating of its capacitor",
            instead="mosfet.vds_max",
        ),
        _P("dclink.rth", "thermal resistance", "DC-link capacitor's hot spot to ambient"),
        _P("dclink.temperature_max", "temperature", "highest hot spot of the DC-link capacitor"),
        _P("precharge.resistor", "resistance", "resistor through which the DC link is precharged"),
        _P("precharge.energy", "energy", "pulse energy that the precharge resistor stands"),
        _P("precharge.time", "time", "from the start of precharge until its resistor is bridged"),
        _P("discharge.resistor", "resistance", "resistor that discharges the DC link"),
        _P("discharge.power", "power", "what the discharge resistor stands while it discharges"),
        _P("bridge.inductance", "inductance", "stray inductance of the commutation loop"),
        _P(
            "bridge.damping",
            "ratio",
            "damping ratio of the commutation loop's ringing, as seen on an oscilloscope: each crest is "
            "exp(-2 pi z) of the one before it; without it gate.miller leaves the ringing out and says so",
        ),
        _P(
            "bridge.source_inductance",
            "inductance",
            "inductance that gate path and load current share at the source; left out, which is safe "
            "for slopes, where it is not stated",
        ),
        _P("snubber.resistor", "resistance", "resistor of an RC snubber across a switch"),
        _P("snubber.capacitor", "capacitance", "capacitor of an RC snubber across a switch"),
        _P("snubber.power", "power", "what the snubber's resistor stands"),
        _P("gate.resistor_power", "power", "what the resistor at a gate stands"),
        # storage for the gates
        _P("charge_pump.capacitor", "capacitance", "storage capacitor of the charge pump"),
        _P("bootstrap.capacitor", "capacitance", "bootstrap capacitor of one half-bridge"),
        _P(
            "bootstrap.resistor",
            "resistance",
            "resistor in series with the bootstrap diode",
            "0 ohm",
            "none fitted unless stated",
        ),
        # current sense
        _P("shunt.resistance", "resistance", "shunt with its tolerance"),
        _P(
            "shunt.tempco",
            "temperature coefficient",
            "temperature coefficient, as a band about zero",
            "-100..100 ppm/K",
            PRACTICE,
        ),
        _P(
            "shunt.arrangement",
            None,
            "where shunts are: one in each low side, in two of them, or one for all in the DC link",
            "one per phase",
            PRACTICE,
            choices=("one per phase", "in two phases", "one in the DC link"),
        ),
        _P("shunt.inductance", "inductance", "series inductance of the shunt and its wiring"),
        _P("shunt.power", "power", "power rating at the highest ambient temperature"),
        _P(
            "shunt.rth",
            "thermal resistance",
            "element to ambient",
            "0 K/W",
            "self-heating left out where it is not stated",
        ),
        # PWM and load
        _P("pwm.frequency", "frequency", "switching frequency"),
        _P(
            "pwm.duty.min",
            "percent",
            "lowest duty cycle of the high side but for 0 %, at which it is off: its shortest pulse; 0 % (also "
            "0..5 %) where there is none, as pulses of any width come",
        ),
        _P(
            "pwm.duty.max",
            "percent",
            "highest duty cycle of the high side but for 100 %, at which the low side is off: the shortest pulse "
            "of the low side; 100 % where there is none, as pulses of any width come",
        ),
        _P(
            "pwm.deadtime",
            "time",
            "dead time the controller inserts",
            "0 s",
            "none, where it is not stated",
        ),
        _P(
            "pwm.deadtime_margin",
            "time",
            "time added to the dead time that is needed",
            "50 ns",
            PRACTICE,
        ),
        _P(
            "pwm.compensation",
            "time",
            "time that the controller adds to a pulse, by the current's sign, for the dead time",
        ),
        _P(
            "pwm.compensation_current",
            "current",
            "phase current from which on the controller adds all of it",
        ),
        _P(
            "pwm.half_bridges",
            None,
            "half-bridges that switch at the same time (1, 2 or 3)",
            "3",
            "sine commutation switches three; " + PRACTICE,
            choices=("1", "2", "3"),
        ),
        _P("motor.current.rms", "current", "phase current, rms, in continuous operation"),
        _P("motor.current.peak", "current", "highest phase current in normal operation"),
        _P("motor.stall.current", "current", "phase current while the motor stands still, blocked"),
        _P("motor.stall.time", "time", "how long it lasts until the controller takes it back"),
        _P("motor.pulse.current", "current", "phase current in a pulse that is repeated"),
        _P("motor.pulse.time", "time", "duration of such a pulse"),
        _P("motor.pulse.period", "time", "from one such pulse to the next"),
        _P(
            "motor.modulation",
            "percent",
            "modulation index met in operation: phase voltage's peak to half the supply",
            "0..100 %",
            "any, unless stated",
        ),
        _P(
            "motor.power_factor",
            "percent",
            "power factor of the motor, cos phi",
            "0..100 %",
            "any, unless stated",
        ),
        _P(
            "motor.back_emf",
            "voltage",
            "peak of the back-EMF between two phases at the highest speed, driven from outside too",
        ),
        _P(
            "motor.phase_resistance",
            "resistance",
            "resistance of one phase, star equivalent, cold to hot",
        ),
        _P("motor.phase_inductance", "inductance", "inductance of one phase, star equivalent"),
        _P("motor.frequency_max", "frequency", "electrical frequency at the highest speed"),
        _P(
            "motor.braking_energy",
            "energy",
            "energy that braking returns at most, where the supply takes none of it back",
        ),
        _P(
            "motor.kinetic_energy",
            "energy",
            "energy of motor and load that turn at the highest speed",
        ),
        # controller
        _P("adc.bits", None, "resolution of the controller's ADC, bits"),
        _P("adc.reference", "voltage", "reference of the ADC, also supply of the sense amplifier"),
        _P("adc.sampling", "time", "sampling time of the ADC"),
        _P(
            "adc.trigger",
            None,
            "where in the low-side on-time sampling starts or ends",
            "centre",
            "sampling starts in the middle with centre-aligned PWM; " + PRACTICE,
            choices=("centre", "end"),
        ),
        _P(
            "adc.reconstruction",
            None,
            "how currents are found where a sample does not fit: the phase with the highest duty from the "
            "other two, or, with a single shunt, by shifted edges",
            "none",
            "every phase is read in every period, unless stated",
            choices=("none", "two of three", "shifted edges"),
        ),
        _P(
            "adc.calibration",
            None,
            "whether the controller measures the output at zero current, at any board temperature met, "
            "and subtracts it",
            "none",
            "offset and drift count whole, unless stated",
            choices=("none", "at zero current"),
        ),
        _P(
            "controller.clock_tolerance",
            "percent",
            "tolerance of the controller's clock, about zero",
            "-2..2 %",
            "an internal oscillator; " + PRACTICE,
        ),
        _P(
            "controller.reaction",
            "time",
            "from a fault being known to the outputs being safe: the software's part",
        ),
        _P(
            "actuator.reaction",
            "time",
            "from the outputs being safe to what they drive being safe: MOSFETs off, the motor at rest, a relay "
            "or valve in its place",
            "0 s",
            "left out where it is not stated",
        ),
        _P("watchdog.service_period", "time", "period at which the controller serves the watchdog"),
        _P("spi.clock", "frequency", "SPI clock used"),
        _P("poll.period", "time", "period at which all status registers are read"),
        _P(
            "readback.period",
            "time",
            "period at which the settings are read back while the drive runs; captures are held against it",
        ),
        # safety
        _P("safety.ftti", "time", "fault tolerant time interval"),
        _P("safety.lifetime", "duration", "hours of operation over which rates are added up"),
        # limits and goals
        _P("limits.dvdt", "voltage slew", "steepest edge permitted at the phase node"),
        _P("limits.ring_frequency", "frequency", "lowest frequency at which the loop may ring"),
        _P("limits.didt", "current slew", "steepest current slope permitted in a switch"),
        _P("limits.rise_time.min", "time", "shortest VDS edge wanted at turn-on"),
        _P("limits.rise_time.max", "time", "longest VDS edge wanted at turn-on"),
        _P(
            "limits.fall_time.min",
            "time",
            "shortest VDS edge wanted at turn-off",
            instead="limits.rise_time.min",
        ),
        _P(
            "limits.fall_time.max",
            "time",
            "longest VDS edge wanted at turn-off",
            instead="limits.rise_time.max",
        ),
        _P(
            "limits.supply_ripple",
            "voltage",
            "largest ripple of the DC link at the switching frequency",
        ),
        _P(
            "limits.inrush",
            "current",
            "largest current into the empty DC link",
        ),
        _P(
            "limits.precharge_gap",
            "voltage",
            "largest voltage left across the precharge resistor when it is bridged",
        ),
        _P("limits.safe_voltage", "voltage", "voltage to which the DC link must be discharged"),
        _P("limits.discharge_time", "time", "time in which the DC link must be discharged"),
        _P(
            "limits.braking_current",
            "current",
            "largest steady phase current, rms, with the phases shorted by the bridge",
        ),
        _P(
            "limits.spi_load",
            "percent",
            "largest share of time that polls and readback may take on the SPI",
            "50 %",
            PRACTICE,
        ),
        _P("limits.spfm", "percent", "single-point fault metric wanted (ISO 26262-5)"),
        _P("limits.lfm", "percent", "latent fault metric wanted (ISO 26262-5)"),
        _P(
            "limits.pmhf",
            "failure rate",
            "rate of random hardware failures that violate the safety goal, at most (ISO 26262-5)",
        ),
        _P(
            "limits.gate_droop",
            "voltage",
            "largest sag of the gate supply at one switching event",
            "1 V",
            PRACTICE,
        ),
        _P(
            "limits.voltage_error",
            "percent",
            "dead-time voltage error as a share of the supply",
            "5 %",
            PRACTICE,
        ),
        _P(
            "limits.diode_loss",
            "power",
            "loss in the two body diodes of a half-bridge in dead time",
        ),
        _P(
            "limits.current_error",
            "current",
            "largest error of a measured current at the peak current",
        ),
        _P("limits.copper_loss", "power", "largest loss in the copper path of a phase"),
        _P(
            "limits.copper_temperature",
            "temperature",
            "highest temperature of the copper path of a phase",
        ),
        _P("limits.pause", "time", "longest time that a starting profile may stop the drive"),
        _P("limits.current_step", "current", "coarsest step of the measured current"),
        _P(
            "limits.sense_use",
            "percent",
            "least share of the amplifier's swing the peak must use",
            "30 %",
            PRACTICE,
        ),
        _P(
            "limits.shunt_drift",
            "percent",
            "largest drift of the shunt over temperature",
            "1 %",
            PRACTICE,
        ),
        _P("limits.wake_time", "time", "longest wake-up time permitted"),
        _P("limits.startup", "time", "longest time from power-on to the first PWM"),
        _P("limits.sleep_time", "time", "longest time from the last PWM edge until asleep"),
        _P(
            "goals.margin",
            "percent",
            "margin below which a verdict that holds has a low margin",
            "10 %",
            PRACTICE,
        ),
    ],
)


def _sided(name: str, dimension: str, doc: str) -> list[Parameter]:
    """A role for both sides, and one for each side that is looked up first."""
    return [
        _P(name, dimension, f"{doc}, both sides"),
        _P(f"{name}.high", dimension, f"{doc}, high side", instead=name),
        _P(f"{name}.low", dimension, f"{doc}, low side", instead=name),
    ]


#: What a field of the map means to the calculations (and to twin, faults and bring-up sequences).
#: A role with a dimension needs options or a scale of that dimension; the others are switches.
ROLES: dict[str, Parameter] = _table(
    "role",
    [
        *_sided("gate.source", "current", "gate source current"),
        *_sided("gate.sink", "current", "gate sink current"),
        _P(
            "gate.soft_off", "current", "gate sink current of a soft turn-off after a short circuit"
        ),
        *_sided("gate.precharge", "current", "gate current of the first step of turn-on"),
        *_sided("gate.precharge_time", "time", "how long that step lasts"),
        *_sided("gate.source_time", "time", "how long gate.source flows before gate.after_source"),
        *_sided("gate.after_source", "current", "gate current after the edge of turn-on"),
        *_sided("gate.predischarge", "current", "gate current of the first step of turn-off"),
        *_sided("gate.predischarge_time", "time", "how long that step lasts"),
        *_sided("gate.sink_time", "time", "how long gate.sink flows before gate.after_sink"),
        *_sided("gate.after_sink", "current", "gate current after the edge of turn-off"),
        _P(
            "gate.adjust",
            None,
            "switches the adjustment of the steps to the wanted delays and slope",
        ),
        *_sided("gate.delay_on", "time", "wanted time from gate charge to the edge of VDS"),
        *_sided("gate.delay_off", "time", "wanted time from gate discharge to the edge of VDS"),
        *_sided("gate.slew", "voltage slew", "wanted slope of the phase node"),
        *_sided("gate.hold", "current", "hold-off current while the other side switches"),
        *_sided("gate.voltage", "voltage", "gate-source voltage"),
        *_sided("vds.threshold", "voltage", "VDS monitor threshold"),
        _P("gate.drive_time", "time", "how long the full gate current flows (full-drive time)"),
        _P(
            "deadtime",
            "time",
            "dead time the chip inserts; after the handshake, where there is one",
        ),
        _P(
            "deadtime.handshake",
            None,
            "switches waiting for the other switch: until its measured gate voltage is below a level, or its "
            "drain voltage above one",
        ),
        _P("deadtime.handshake_level", "voltage", "gate voltage that counts as off"),
        _P(
            "deadtime.handshake_drain",
            "voltage",
            "the handshake looks at the drain: drain-source voltage of the switch that turns off, above "
            "which it counts as off; at an option without a number it looks at the gate",
        ),
        _P("vds.blanking", "time", "blanking time of the VDS monitor"),
        _P("vds.filter", "time", "filter time of the VDS monitor"),
        _P("vds.enable", None, "switches the VDS monitor"),
        _P("vds.mode", None, "what the chip does on a VDS fault"),
        _P("sense.gain", "gain", "gain of the current-sense amplifier"),
        _P("sense.reference", "voltage", "output voltage at zero current"),
        _P(
            "sense.reference_share",
            "percent",
            "output at zero current as a share of the ADC reference",
        ),
        _P("sense.blanking", "time", "blanking time of the current-sense amplifier"),
        _P("sense.calibrate", None, "offset calibration of the current-sense amplifier"),
        _P("overcurrent.threshold", "voltage", "threshold of the overcurrent comparator"),
        _P("overcurrent.filter", "time", "filter time of the overcurrent comparator"),
        _P("overcurrent.enable", None, "switches the overcurrent comparator"),
        _P("overcurrent.mode", None, "what the chip does on overcurrent"),
        _P("uv.threshold", "voltage", "undervoltage threshold of the supply"),
        _P("uv.mode", None, "what the chip does on undervoltage"),
        _P("ov.threshold", "voltage", "overvoltage threshold of the supply"),
        _P("ov.mode", None, "what the chip does on overvoltage"),
        _P("temperature.warning", "temperature", "junction temperature of the warning"),
        _P("temperature.shutdown", "temperature", "junction temperature of the shutdown"),
        _P("temperature.mode", None, "what the chip does when it is too hot"),
        _P("retry.time", "time", "pause before the chip tries again after a fault"),
        _P("watchdog.enable", None, "switches the watchdog"),
        _P("watchdog.window", "time", "total watchdog window"),
        _P("watchdog.closed_share", "percent", "share of the watchdog window that is closed"),
        _P("watchdog.service", None, "field whose write serves the watchdog"),
        _P("watchdog.mode", None, "what the chip does on a watchdog fault"),
        _P("pwm.mode", None, "how the inputs command the outputs"),
        _P("drive.enable", None, "switches all outputs"),
        _P("sleep", None, "sends the chip to sleep"),
        _P("lock", None, "locks the configuration"),
        _P("clear", None, "clears latched faults"),
        _P("fault.mask", None, "hides a fault from the outputs or from the fault pin"),
        _P("spi.check_bits", None, "switches parity or CRC on the SPI"),
    ],
)


@dataclass(frozen=True, slots=True)
class Rounding:
    """Which way a wish between two options goes, and what the other way would do.

    `always` is for what must not fall short of the wish; else only a tie is decided so.
    """

    way: Literal["up", "down"]
    why: str
    always: bool = True


_LATER = "would protect later"
#: By role (both sides alike): toward protection, away from shoot-through.
ROUNDING: dict[str, Rounding] = {
    "deadtime": Rounding("up", "a shorter dead time would be nearer to shoot-through"),
    "vds.threshold": Rounding("down", f"a higher threshold {_LATER}"),
    "overcurrent.threshold": Rounding("down", f"a higher threshold {_LATER}"),
    "uv.threshold": Rounding("up", f"a lower threshold {_LATER}"),
    "ov.threshold": Rounding("down", f"a higher threshold {_LATER}"),
    "temperature.warning": Rounding("down", "a higher threshold would warn later"),
    "temperature.shutdown": Rounding("down", f"a higher threshold {_LATER}"),
    "watchdog.window": Rounding("down", f"a longer window {_LATER}"),
    "gate.precharge": Rounding("down", "more current would switch on faster", always=False),
    "gate.precharge_time": Rounding(
        "down", "a longer step would reach into the edge", always=False
    ),
    "gate.predischarge_time": Rounding(
        "down", "a longer step would reach into the edge", always=False
    ),
    "gate.slew": Rounding("down", "the edge would be steeper", always=False),
    "deadtime.handshake_level": Rounding("down", "a higher level would be nearer to shoot-through"),
    "deadtime.handshake_drain": Rounding("up", "a lower level would be nearer to shoot-through"),
    "gate.source": Rounding("down", "more current would switch on faster", always=False),
    "gate.sink": Rounding("up", "less current would be nearer to shoot-through", always=False),
    "gate.hold": Rounding("up", "less current would be nearer to shoot-through", always=False),
}


def rounding_of(role: str) -> Rounding | None:
    """Which way a wish for this role goes that no option meets; None: to the nearest, the lower of two."""
    return ROUNDING.get(role) or ROUNDING.get(role.removesuffix(".high").removesuffix(".low"))


TABLES: dict[str, dict[str, Parameter]] = {"chip": CHIP, "stage": STAGE, "role": ROLES}


def add_stage_inputs(rows: Iterable[Parameter]) -> None:
    """Further inputs of stages, for checks that another package adds (see regmap.outside).

    Raises CallError for a name that is taken, or that is the beginning of another one up to a dot.
    """
    for row in rows:
        for known in STAGE:
            if (
                known == row.name
                or known.startswith(f"{row.name}.")
                or row.name.startswith(f"{known}.")
            ):
                raise CallError(f"the stage input {row.name!r} is taken (by {known})")
        STAGE[row.name] = _finish(row, "stage")
