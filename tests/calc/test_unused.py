"""No input of a stage is stated for nothing without a word: a verdict uses it, or wants more, or it is told what it lacks."""

from __future__ import annotations

import pytest

from regmap.assessment.stage import Worked, signature
from regmap.calc import Inputs
from regmap.calc.unused import unused
from regmap.parameters import STAGE as PARAMETERS
from tests.calc.conftest import CHIP, ROLES, SHAPES, STAGE, facts, make

#: What every drive has; all else is stated alone beside it.
CORE = [
    "supply.voltage",
    "temperature.ambient",
    "mosfet.qg",
    "mosfet.qgs",
    "mosfet.qgd",
    "mosfet.vth",
    "mosfet.plateau",
    "mosfet.rdson",
    "mosfet.rth",
    "mosfet.tj_max",
    "mosfet.vds_max",
    "mosfet.vgs_max",
    "mosfet.vgs_on",
    "shunt.resistance",
    "pwm.frequency",
    "motor.current.rms",
    "motor.current.peak",
]
#: Values of inputs that the complete stages leave at their default or unsaid.
FURTHER: dict[str, str | int] = {
    "supply.driver": "12 V",
    "temperature.board": "90 degC",
    "vias.conductivity": "380 W/(m K)",
    "mosfet.rdson_tempco": "0.5 %/K",
    "mosfet.internal_resistance": "2 ohm",
    "mosfet.gate_leakage": "200 nA",
    "mosfet.conduction_share": "70 %",
    "diode.vf": "0.9 V",
    "bootstrap.resistor": "3 ohm",
    "shunt.tempco": "80 ppm/K",
    "pwm.deadtime_margin": "80 ns",
    "pwm.half_bridges": 2,
    "controller.clock_tolerance": "-1..1 %",
    "limits.fall_time.min": "20 ns",
    "limits.fall_time.max": "200 ns",
    "limits.spi_load": "20 %",
    "limits.gate_droop": "0.5 V",
    "limits.voltage_error": "3 %",
    "limits.sense_use": "30 %",
    "limits.shunt_drift": "2 %",
    "goals.margin": "30 %",
}
#: Told beside a verdict, and compared with nothing.
BESIDE = {"supply.load_dump_class"}


def examples() -> dict[str, str | int]:
    found: dict[str, str | int] = {}
    for shape in SHAPES.values():
        for name, value in shape.items():
            if name.startswith("stage___"):
                found[name.removeprefix("stage___").replace("__", ".")] = value
    return found | STAGE | FURTHER


def minimal(**more: str | int) -> Inputs:
    table: dict[str, str | int] = {f"chip:{k}": v for k, v in CHIP.items()}
    table |= {f"role:{k}": v for k, v in ROLES.items()}
    table |= {"chip:high_side_supply": "charge pump"} | {f"stage:{k}": STAGE[k] for k in CORE}
    return Inputs([make(n, v) for n, v in (table | more).items()], facts())


def test_of_every_input_there_is_an_example() -> None:
    assert set(PARAMETERS) == examples().keys() | set(CORE)


@pytest.fixture(scope="module")
def bare() -> Worked:
    return Worked.on(minimal())


@pytest.mark.one_in(4)
@pytest.mark.parametrize("name", sorted(set(PARAMETERS) - set(CORE)))
def test_an_input_stated_alone_is_used_or_told(name: str, bare: Worked) -> None:
    worked = Worked.on(minimal(**{f"stage:{name}": examples()[name]}), before=bare)
    before = {v.check: signature(v) for v in bare.all()}
    used = {v.check: signature(v) for v in worked.all()} != before
    wants = [
        v
        for v in worked.all()
        if f"stage:{name}" in v.asked and v.status == "not_computed" and v.missing
    ]
    told = {u.name for u in unused(worked.inputs, worked.all())}
    assert used or wants or f"stage:{name}" in told or name in BESIDE
    assert not (used and f"stage:{name}" in told)


def sentences(*names: str) -> str:
    inputs = minimal(**{f"stage:{n}": examples()[n] for n in names})
    return "\n".join(u.sentence() for u in unused(inputs, Worked.on(inputs).all()))


def test_what_is_missing_is_named_with_the_check() -> None:
    told = sentences("surge.duration", "dclink.esr")
    assert "surge.duration is used by no check (supply.surge-energy: without surge.voltage)" in told
    assert "dclink.ripple-voltage: without dclink.capacitor" in told
    assert "dclink.temperature: without dclink.rth" in told


def test_what_a_verdict_wants_is_not_told_twice() -> None:
    """With the voltage there is a verdict, which says that it wants the rest; with all there is nothing to say."""
    inputs = minimal(**{f"stage:{n}": examples()[n] for n in ("surge.duration", "surge.voltage", "suppressor.energy")})  # fmt: skip
    (energy,) = (v for v in Worked.on(inputs).all() if v.check == "supply.surge-energy")
    assert "stage:surge.resistance" in energy.missing
    assert "surge" not in sentences("surge.duration", "surge.voltage", "suppressor.energy")


def test_what_does_not_belong_to_this_drive_is_told_so() -> None:
    """A capacitor of a bootstrap beside a charge pump."""
    told = sentences("bootstrap.capacitor")
    assert "bootstrap.capacitor is used by no check" in told
    assert "not of this stage" in told


def test_a_complete_stage_states_nothing_in_vain() -> None:
    table = {f"chip:{k}": v for k, v in CHIP.items()} | {f"stage:{k}": v for k, v in STAGE.items()}
    table |= {f"role:{k}": v for k, v in ROLES.items()} | {"chip:high_side_supply": "bootstrap"}
    inputs = Inputs([make(n, v) for n, v in table.items()], facts())
    assert not {u.name for u in unused(inputs, Worked.on(inputs).all())} - {
        "stage:charge_pump.capacitor"
    }
