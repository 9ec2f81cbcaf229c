"""An invented chip and stage, complete enough for every check; not any real part."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import pytest

from regmap.assessment.stage import inputs_of
from regmap.calc import Course, Facts, FailureMode, FaultTiming, FrameRun, Input, Inputs
from regmap.calc.inputs import Value, parameter
from regmap.quantity import parse, parse_band
from regmap.stages.load import load_stage
from tests.calc.parts import Part, parts_of

CHIP = {
    "supply.max": "45 V",
    "supply.operating": "5.5..40 V",
    "supply.current": "8 / 10 / 13 mA",
    "supply.sleep_current": "2 / 5 / 15 uA",
    "supply.wake_time": "0.6..1 ms",
    "supply.sleep_time": "20..90 us",
    "sense.wake_time": "30..70 us",
    "charge_pump.current": "20..30 mA",
    "charge_pump.dropout": "0.5..1.5 V",
    "regulator.current": "20..30 mA",
    "regulator.ratio": "1",
    "regulator.dropout": "0.2..0.5 V",
    "bootstrap.resistance": "5..12 ohm",
    "bootstrap.vf": "0.5..0.9 V",
    "bootstrap.bias_current": "50..120 uA",
    "bootstrap.trickle_current": "150..250 uA",
    "bootstrap.uv": "4.2..4.8 V",
    "gate.voltage.high": "9.5 / 11 / 12 V",
    "gate.voltage.low": "9.5 / 11 / 12 V",
    "gate.pulldown": "2..5 ohm",
    "propagation.on": "60..120 ns",
    "propagation.off": "60..150 ns",
    "propagation.mismatch": "5..30 ns",
    "vds.comparator_delay": "50..150 ns",
    "sense.offset": "-0.5..0.5 mV",
    "sense.offset_drift": "-3..3 uV/K",
    "sense.output.low": "0.1..0.2 V",
    "sense.slew_rate": "2 / 3 / 4 V/us",
    "sense.common_mode": "-0.3..0.3 V",
    "supply.transient_time": "500 ms",
    "oscillator.tolerance": "-8..8 %",
    "driver.rth": "28..32 K/W",
    "driver.tj_max": "150 degC",
    "spi.clock_max": "10 MHz",
    "spi.idle": "400..600 ns",
    "spi.wake_up": "300..500 us",
    "spi.lead": "50..60 ns",
    "spi.lag": "50..60 ns",
}
STAGE = {
    "supply.voltage": "9 / 13.5 / 18 V",
    "supply.crank": "6.5 V",
    "supply.load_dump": "35 V",
    "supply.jump_start": "26 V",
    "supply.reverse": "14 V",
    "supply.negative_pulse": "100..150 V",
    "supply.blocking": "200 V",
    "surge.voltage": "80..90 V",
    "surge.resistance": "1..2 ohm",
    "surge.duration": "100..200 ms",
    "suppressor.breakdown": "28 / 30 / 33 V",
    "suppressor.resistance": "20..60 mohm",
    "suppressor.energy": "300 J",
    "suppressor.current": "80 A",
    "supply.charge_budget": "0.1 Ah",
    "standby.time": "30 d",
    "standby.wakes_per_day": 24,
    "standby.wake_time": "50..100 ms",
    "temperature.ambient": "-40 / 25 / 85 degC",
    "mosfet.qg": "50 / 60 / 75 nC",
    "mosfet.qgs": "11 / 14 / 17 nC",
    "mosfet.qgd": "9 / 12 / 15 nC",
    "mosfet.vth": "2.2 / 2.8 / 3.4 V",
    "mosfet.plateau": "4.2 / 4.6 / 5 V",
    "mosfet.vgs_on": "7 V",
    "mosfet.vgs_max": "20 V",
    "mosfet.vds_max": "40 V",
    "mosfet.rdson": "1.6 / 1.8 / 2.2 mohm",
    "mosfet.rth": "14..18 K/W",
    "mosfet.tj_max": "175 degC",
    "mosfet.short_circuit_time": "8..12 us",
    "mosfet.pulse_current": "400 A",
    "mosfet.short_circuit_current": "250..350 A",
    "mosfet.short_circuit_energy": "50 mJ",
    "mosfet.pulse.zth": "0.02..0.03 K/W",
    "mosfet.pulse.time": "10 us",
    "mosfet.soa.current": "300 A",
    "mosfet.soa.time": "10 us",
    "mosfet.rth_case": "0.8..1 K/W",
    "board.coupling": "1.5..2 K/W",
    "heatsink.temperature": "-40 / 40 / 70 degC",
    "vias.count": 24,
    "vias.diameter": "0.28 / 0.3 / 0.32 mm",
    "vias.plating": "20 / 25 / 30 um",
    "vias.length": "1.5 / 1.6 / 1.7 mm",
    "vias.interface": "0.5..1 K/W",
    "copper.length": "30 mm",
    "copper.width": "9 / 10 / 11 mm",
    "copper.thickness": "60 / 70 / 80 um",
    "limits.copper_loss": "2 W",
    "limits.copper_temperature": "130 degC",
    "limits.pause": "100 ms",
    "motor.pulse.current": "45..50 A",
    "motor.pulse.time": "9 / 10 / 11 ms",
    "motor.pulse.period": "95 / 100 / 105 ms",
    "pwm.compensation": "880 / 900 / 920 ns",
    "standby.other_current": "10 / 20 / 40 uA",
    "mosfet.ladder.r1": "0.2..0.3 K/W",
    "mosfet.ladder.t1": "1..2 ms",
    "mosfet.ladder.r2": "0.8..1 K/W",
    "mosfet.ladder.t2": "50..80 ms",
    "mosfet.ladder.r3": "5..6 K/W",
    "mosfet.ladder.t3": "5..6 s",
    "mosfet.ladder.r4": "9.5 K/W",
    "mosfet.ladder.t4": "45 s",
    "motor.stall.current": "48..50 A",
    "motor.stall.time": "400..500 ms",
    "gate.resistor.pulldown": "95..105 kohm",
    "bridge.inductance": "6..12 nH",
    "bridge.damping": "0.2..0.4",
    "dclink.capacitor": "400 / 470 / 560 uF",
    "dclink.esr": "5..20 mohm",
    "dclink.ripple_current": "16 A",
    "dclink.voltage_max": "63 V",
    "dclink.rth": "8..12 K/W",
    "dclink.temperature_max": "125 degC",
    "precharge.resistor": "9.5 / 10 / 10.5 ohm",
    "precharge.energy": "0.5 J",
    "precharge.time": "30..35 ms",
    "discharge.resistor": "950 / 1000 / 1050 ohm",
    "discharge.power": "2 W",
    "motor.back_emf": "18..22 V",
    "motor.phase_resistance": "8 / 10 / 15 mohm",
    "motor.phase_inductance": "60 / 80 / 100 uH",
    "motor.frequency_max": "480..500 Hz",
    "motor.braking_energy": "0.2..0.4 J",
    "motor.kinetic_energy": "0.5..0.8 J",
    "limits.inrush": "3 A",
    "limits.precharge_gap": "0.5 V",
    "limits.safe_voltage": "5 V",
    "limits.discharge_time": "1 s",
    "limits.braking_current": "120 A",
    "motor.modulation": "20..110 %",
    "motor.power_factor": "70..95 %",
    "shunt.inductance": "0.3..1 nH",
    "limits.supply_ripple": "2 V",
    "charge_pump.capacitor": "0.8 / 1 / 1.2 uF",
    "bootstrap.capacitor": "180 / 220 / 260 nF",
    "shunt.resistance": "0.99 / 1 / 1.01 mohm",
    "shunt.power": "3 W",
    "shunt.rth": "20..25 K/W",
    "pwm.frequency": "19.8 / 20 / 20.2 kHz",
    "pwm.duty.min": "3 %",
    "pwm.duty.max": "85 %",
    "pwm.deadtime": "900 ns",
    "motor.current.rms": "20..22 A",
    "motor.current.peak": "45..50 A",
    "adc.bits": 12,
    "adc.reference": "3.25 / 3.3 / 3.35 V",
    "adc.sampling": "200..250 ns",
    "controller.reaction": "80..150 us",
    "watchdog.service_period": "9 ms",
    "spi.clock": "5 MHz",
    "poll.period": "1 ms",
    "readback.period": "3 ms",
    "safety.ftti": "5 ms",
    "safety.lifetime": "400 d",
    "limits.spfm": "90 %",
    "limits.lfm": "60 %",
    "limits.pmhf": "100 FIT",
    "limits.dvdt": "300 V/us",
    "limits.ring_frequency": "10 MHz",
    "mosfet.qrr": "20..40 nC",
    "mosfet.avalanche_energy": "50 uJ",
    "snubber.resistor": "1.9..2.1 ohm",
    "snubber.capacitor": "4 / 4.7 / 5.4 nF",
    "snubber.power": "250 mW",
    "gate.resistor_power": "100 mW",
    "limits.didt": "1500 A/us",
    "limits.rise_time.min": "60 ns",
    "limits.rise_time.max": "400 ns",
    "limits.diode_loss": "2 W",
    "limits.current_error": "2.5 A",
    "limits.current_step": "100 mA",
    "limits.wake_time": "2 ms",
    "startup.supply_rise": "1 / 1.5 / 2 ms",
    "startup.enable_delay": "3 / 4 / 6 ms",
    "startup.calibration_samples": 64,
    "startup.calibration_period": "50..52 us",
    "startup.charge_time": "1 ms",
    "sleep.run_down": "90 / 100 / 120 ms",
    "sleep.other_current": "10..20 mA",
    "sleep.charge_budget": "8 mC",
    "limits.startup": "60 ms",
    "limits.sleep_time": "150 ms",
}
ROLES = {
    "gate.source": "60 mA +- 20 %",
    "gate.sink": "120 mA +- 20 %",
    "gate.hold": "25..35 mA",
    "gate.soft_off": "15..25 mA",
    "gate.drive_time": "1.8..2.2 us",
    "deadtime": "800 / 850 / 900 ns",
    "vds.threshold": "0.26 / 0.3 / 0.34 V",
    "vds.blanking": "1.8 / 2 / 2.2 us",
    "vds.filter": "0.8 / 1 / 1.2 us",
    "sense.gain": "20 V/V",
    "sense.blanking": "150..250 ns",
    "overcurrent.threshold": "75 / 80 / 85 mV",
    "overcurrent.filter": "0.8 / 1 / 1.2 us",
    "uv.threshold": "5 / 5.2 / 5.5 V",
    "ov.threshold": "28 / 29 / 30 V",
    "temperature.warning": "125 / 130 / 140 degC",
    "watchdog.window": "12 ms",
    "watchdog.closed_share": "50 %",
    "watchdog.enable": 1,
}


def make(name: str, value: str | int) -> Input:
    entry = parameter(name)
    parsed: Value = value
    if isinstance(value, str) and entry.kind == "quantity":
        parsed = parse_band(value.replace(" V/V", ""), entry.dimension)
    return Input(name, parsed, f"test, {name}")


def failure_mode(name: str, fit: str, safe: str, dc: str, dcl: str) -> FailureMode:
    shares = (parse_band(text, "percent") for text in (safe, dc, dcl))
    safe_share, coverage, latent = shares
    return FailureMode(
        name=name,
        rate=parse_band(fit, "failure rate"),
        safe=safe_share,
        coverage=coverage,
        latent_coverage=latent,
    )


def course(name: str, kind: str, *points: tuple[str, str], resistance: str = "") -> Course:
    return Course(
        name=name,
        kind=kind,
        points=tuple((parse(t, "time").value, parse_band(v, "voltage")) for t, v in points),
        resistance=parse_band(resistance, "resistance") if resistance else None,
    )


def facts() -> Facts:
    return Facts(
        courses=(
            course(
                "start",
                "starting",
                ("0 s", "12..14 V"),
                ("5 ms", "6 / 6.5 / 7 V"),
                ("15 ms", "4..4.5 V"),
                ("40 ms", "8..9 V"),
                ("1 s", "12..14 V"),
            ),
            course(
                "dump",
                "load dump",
                ("0 s", "13..14 V"),
                ("5 ms", "55..60 V"),
                ("80 ms", "40..42 V"),
                ("200 ms", "14 V"),
                resistance="2..3 ohm",
            ),
        ),
        first_wait=parse_band("0.4..1 ms", "time"),
        bring_up=(
            FrameRun(name="power_up", lengths=(24, 24)),
            FrameRun(
                name="configure", lengths=(24,) * 20 + (32,) * 4, waits=(parse_band("50 us"),)
            ),
            FrameRun(name="lock", lengths=(32,)),
        ),
        outputs_on=(FrameRun(name="outputs on", lengths=(32,)),),
        to_sleep=(
            FrameRun(name="outputs off", lengths=(32,)),
            FrameRun(name="sleep", lengths=(32,), waits=(parse_band("10..20 us"),)),
        ),
        status_registers=5,
        setting_registers=12,
        failure_modes=(
            failure_mode("switch", "10..14 FIT", "40..50 %", "97..99 %", "80..90 %"),
            failure_mode("shunt", "2..3 FIT", "0 %", "85..90 %", "50..60 %"),
        ),
        frame_bits=24,
        extra_frames=1,
        extra_setting_frames=1,
        origin="map test.yaml",
        faults=(
            FaultTiming(
                name="VDS_UH",
                adds=("role:vds.blanking", "role:vds.filter"),
                decided_by=("role:vds.threshold", "role:vds.blanking", "role:vds.filter"),
                react=parse_band("0.5..1 us"),
                how="chip",
            ),
            FaultTiming(name="OTW", detect=parse_band("10..30 us"), how="poll"),
            FaultTiming(name="UV", detect=parse_band("5..10 us"), how="pin", masked_by="CFG.UV_M"),
            FaultTiming(name="INFO", needed=False, masked_by="CFG.INFO_M"),
        ),
    )


def complete(without: tuple[str, ...] = (), **changes: str | int) -> Inputs:
    """All inputs; `without` leaves names out, `changes` (dots as __, colon as ___) replace some."""
    table: dict[str, str | int] = {}
    for kind, rows in (("chip", CHIP), ("stage", STAGE), ("role", ROLES)):
        table.update({f"{kind}:{name}": value for name, value in rows.items()})
    table.update({k.replace("___", ":").replace("__", "."): v for k, v in changes.items()})
    return Inputs([make(n, v) for n, v in table.items() if n not in without], facts())


@pytest.fixture(scope="session")
def build() -> Callable[..., Inputs]:
    return complete


@pytest.fixture(scope="session")
def given() -> Callable[[dict[str, str | int]], Inputs]:
    """Inputs from just the names given, for published examples."""
    return lambda table: Inputs([make(n, v) for n, v in table.items()], facts())


#: The same stage in its other shapes, so that every branch of every check is reached.
SHAPES: dict[str, dict[str, str | int]] = {
    "current drive, charge pump": {
        "chip___high_side_supply": "charge pump",
        "stage___supply__load_dump": "33..35 V",
        "stage___supply__load_dump_class": "12 V test B",
        "stage___supply__jump_start": "24..26 V",
    },
    "resistive drive, bootstrap": {
        "chip___high_side_supply": "bootstrap",
        "chip___drive__resistance__source": "4..8 ohm",
        "chip___drive__resistance__sink": "2..5 ohm",
        "stage___gate__resistor__on": "45 / 47 / 49 ohm",
        "stage___gate__resistor__off": "21 / 22 / 23 ohm",
        "stage___bridge__source_inductance": "0.5..1 nH",
        "stage___mosfet__coss": "0.7 / 0.8 / 0.9 nF",
        "stage___pwm__compensation_current": "2 A",
        "stage___vias__pad_radius": "1.9 / 2 / 2.1 mm",
        "stage___vias__ring_radius": "4.5 / 5 / 5.5 mm",
        "stage___vias__copper": "60 / 70 / 80 um",
        "stage___mosfet__vth_tempco": "-6 mV/K",
    },
    "always on, pump": {
        "chip___high_side_supply": "charge pump",
        "stage___pwm__duty__min": "0 %",
        "stage___pwm__duty__max": "100 %",
        "stage___adc__reconstruction": "two of three",
        "stage___mosfet__test__recovery_current": "30 A",
    },
    "always on, bootstrap": {
        "chip___high_side_supply": "bootstrap",
        "stage___shunt__arrangement": "one in the DC link",
        "stage___adc__reconstruction": "shifted edges",
        "stage___motor__modulation": "20..90 %",
        "stage___mosfet__test__drain_voltage": "20 V",
        "stage___mosfet__coss": "0.9 / 1 / 1.2 nF",
        "stage___pwm__duty__min": "0..5 %",
        "stage___pwm__duty__max": "100 %",
    },
    "other choices": {
        "chip___high_side_supply": "charge pump",
        "chip___deadtime_with_controller": "sum",
        "chip___overcurrent__measured_at": "output",
        "role___overcurrent__threshold": "2.9..3 V",
        "stage___adc__trigger": "end",
        "stage___mosfet__soa__long_current": "250 A",
        "stage___mosfet__soa__long_time": "100 us",
        "role___sense__reference": "1.6..1.7 V",
        "stage___mosfet__temperature": "-40..160 degC",
        "stage___supply__load_dump": "79..101 V",
        "stage___mosfet__vth_tempco": "-7 / -6 / -4 mV/K",
        "stage___mosfet__test__drain_voltage": "20 V",
        "stage___mosfet__test__current": "25 A",
        "stage___mosfet__test__gate_voltage": "10 V",
        "stage___supply__load_dump_class": "12 V test A",
        "stage___actuator__reaction": "80 / 100 / 120 us",
        "stage___mosfet__crss": "300..600 pF",
        "stage___mosfet__coss": "0.9 / 1 / 1.2 nF",
        "stage___mosfet__qoss": "20 / 24 / 30 nC",
        "role___vds__mode": "retry",
        "role___retry__time": "4 / 5 / 6 ms",
    },
    "currents in steps": {
        "chip___high_side_supply": "charge pump",
        "role___gate__precharge": "180..220 mA",
        "role___gate__precharge_time": "40..60 ns",
        "role___gate__source_time": "200..300 ns",
        "role___gate__after_source": "100..140 mA",
        "role___gate__predischarge": "200..240 mA",
        "role___gate__predischarge_time": "80..120 ns",
        "role___gate__sink_time": "150..250 ns",
        "role___gate__after_sink": "160..240 mA",
        "stage___mosfet__test__current": "20 A",
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_level": "0.8..1.2 V",
        "role___deadtime": "100..150 ns",
    },
    "adjusted by the chip": {
        "chip___high_side_supply": "charge pump",
        "chip___gate__adjustment__min": "18..20 mA",
        "chip___gate__adjustment__max": "380..420 mA",
        "role___gate__precharge": "180..220 mA",
        "role___gate__precharge_time": "40..60 ns",
        "role___gate__after_source": "100..140 mA",
        "role___gate__source_time": "200..300 ns",
        "role___gate__adjust": 1,
        "role___gate__delay_on": "110..130 ns",
        "role___gate__delay_off": "250..300 ns",
        "role___gate__slew": "80..100 V/us",
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_drain": "1.8..2.2 V",
        "role___deadtime": "400..500 ns",
        "chip___deadtime_handshake_timeout": "1.8..2.2 us",
        "chip___deadtime_with_controller": "sum",
    },
    "options with a tolerance": {
        "role___sense__gain": "19.4 / 20 / 20.6 V/V",
        "stage___adc__calibration": "at zero current",
        "stage___gate__resistor__off": "10 ohm",
        "stage___mosfet__vth": "2.8 V",
        "stage___mosfet__plateau": "4.6 V",
    },
}
HEAVY = (
    "stage:vias.count",
    "stage:board.coupling",
    "stage:motor.pulse.current",
    "stage:motor.stall.current",
    "stage:motor.kinetic_energy",
)
LEFT_OUT: dict[str, tuple[str, ...]] = {
    "resistive drive, bootstrap": (
        "role:gate.source",
        "role:gate.sink",
        "role:gate.hold",
        "chip:propagation.mismatch",
        "chip:gate.pulldown",
        "stage:motor.kinetic_energy",
    ),
    # the controller looks whether the high side's supply is charged
    "current drive, charge pump": ("stage:startup.charge_time",),
    "always on, bootstrap": ("stage:startup.charge_time",),
    "other choices": (
        "role:temperature.warning",
        "role:vds.filter",
        "chip:vds.comparator_delay",
    ),
    "options with a tolerance": ("chip:gate.pulldown", "stage:bridge.inductance"),
    # which work the junction once more each: the other shapes hold them
    "currents in steps": (*HEAVY, "stage:mosfet.soa.current", "stage:mosfet.pulse.zth"),
    "adjusted by the chip": HEAVY,
}


#: The stages that are shipped take part too.
BUNDLED = ("conveyor_drum", "coolant_pump", "radiator_fan", "fan_second_source")


@cache
def stage_of(name: str) -> Inputs:
    """The inputs of a shape or of a bundled stage, one and the same for all tests: what is derived is shared."""
    if name in BUNDLED:
        return inputs_of(load_stage(name))
    return complete(LEFT_OUT.get(name, ()), **SHAPES[name])


@pytest.fixture(scope="session", params=list(SHAPES))
def shape(request: pytest.FixtureRequest) -> Inputs:
    return stage_of(request.param)


@pytest.fixture(scope="session")
def parts() -> dict[str, Part]:
    """All shapes and bundled stages, each with the checks that are worked in it."""
    return parts_of({name: stage_of(name) for name in (*SHAPES, *BUNDLED)})


@pytest.fixture(scope="session", params=[*SHAPES, *BUNDLED])
def part(request: pytest.FixtureRequest, parts: dict[str, Part]) -> Part:
    return parts[request.param]
