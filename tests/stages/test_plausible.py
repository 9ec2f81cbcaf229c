"""Stages that cannot be: each relation between inputs at its boundary, at the input's own line."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
import yaml

from regmap.assessment.stage import assess
from regmap.errors import Problem
from regmap.maps.load import find_document, load_map
from regmap.parameters import CHIP, STAGE
from regmap.quantity import Band, parse_band, show
from regmap.stages.load import load_stage, read_stage
from regmap.stages.plausible import RANGES, RELATIONS, Given, doubts, usual

SHIPPED = ("coolant_pump", "conveyor_drum", "radiator_fan")
HEAD = "gateword_stage: 1\nstage: {name: t}\nmap: quoll16\n"


def flat(name: str) -> dict[str, str]:
    """The inputs of a bundled stage as dotted names and their texts."""
    made = yaml.load(Path(find_document(name)).read_text(), yaml.BaseLoader)
    tops = {n.partition(".")[0] for n in STAGE}

    def walk(node: object, path: str) -> dict[str, str]:
        if isinstance(node, dict):
            return {k: v for n, sub in node.items() for k, v in walk(sub, f"{path}.{n}").items()}
        return {path.lstrip("."): str(node)}

    return {
        n: t
        for key, node in made.items()
        if key.partition(".")[0] in tops
        for n, t in walk(node, key).items()
    }


PUMP = flat("coolant_pump")


def problems(**changes: str) -> list[Problem]:
    """What vet says of the bundled pump with some inputs changed (dots as __)."""
    table = {**PUMP, **{n.replace("__", "."): v for n, v in changes.items()}}
    text = HEAD + "".join(f"{n}: {v}\n" for n, v in table.items())
    return [p for p in read_stage("s.yaml", text=text)[1] if p.path != "settings"]


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_stages_give_no_reason_to_doubt(name: str) -> None:
    stage, found = read_stage(name)
    assert stage is not None
    assert found == []
    assert stage.doubts == ()


#: Nine stages that cannot be: the change, and the input at whose line it is told.
IMPOSSIBLE = [
    ({"mosfet__qg": "25 nC"}, "mosfet.qg"),
    ({"mosfet__plateau": "1.9 V"}, "mosfet.plateau"),
    ({"pwm__duty__max": "150 %"}, "pwm.duty.max"),
    ({"pwm__duty__min": "95 %"}, "pwm.duty.min"),
    ({"adc__bits": "99"}, "adc.bits"),
    ({"motor__current__rms": "40 A"}, "motor.current.rms"),
    ({"mosfet__vds_max": "15 V"}, "mosfet.vds_max"),
    ({"mosfet__rdson": "2 ohm"}, "mosfet.rdson"),
    ({"mosfet__qg": "60 uC"}, "mosfet.qg"),
]


@pytest.mark.parametrize(("change", "where"), IMPOSSIBLE)
def test_what_cannot_be_is_told_at_its_own_line(change: dict[str, str], where: str) -> None:
    found = problems(**change)
    table = {**PUMP, **{n.replace("__", "."): v for n, v in change.items()}}
    line = 4 + list(table).index(where)
    mine = [p for p in found if p.place.line == line]
    assert mine, found
    problem = mine[0]
    assert (problem.place.file, problem.place.column) == ("s.yaml", len(where) + 3)
    assert problem.path == where
    assert where in problem.found
    assert problem.expected
    # what is told is told of this input only
    assert {p.path for p in found} <= {where, "limits.current_error", "bootstrap.capacitor"} | {
        "charge_pump.capacitor"
    }


#: Every relation: the input, its limit in words, what else is stated, the value that just holds and
#: the one that just does not. Figures by hand.
BOUNDARIES: list[tuple[str, str, dict[str, str], str, str]] = [
    ("mosfet.coss", "mosfet.crss", {"mosfet.crss": "100 pF"}, "100 pF", "99 pF"),
    (
        "mosfet.qoss",
        "mosfet.coss times supply.voltage",
        {"mosfet.coss": "1 nF", "supply.voltage": "10 V"},
        "10 nC",
        "9.9 nC",
    ),
    ("mosfet.qoss", "mosfet.qgd", {"mosfet.qgd": "8 nC"}, "8 nC", "7.9 nC"),
    ("snubber.capacitor", "100 times mosfet.coss", {"mosfet.coss": "1 nF"}, "100 nF", "101 nF"),
    (
        "bridge.source_inductance",
        "bridge.inductance",
        {"bridge.inductance": "5 nH"},
        "5 nH",
        "5.1 nH",
    ),
    ("mosfet.qg", "mosfet.qgs + mosfet.qgd", {"mosfet.qgs": "17 nC", "mosfet.qgd": "11 nC"}, "28 nC", "27.99 nC"),
    ("mosfet.qgs", "a hundredth of mosfet.qg", {"mosfet.qg": "60 nC"}, "0.6 nC", "0.599 nC"),
    ("mosfet.qgd", "a hundredth of mosfet.qg", {"mosfet.qg": "60 nC"}, "0.6 nC", "0.599 nC"),
    ("mosfet.plateau", "mosfet.vth", {"mosfet.vth": "2 V"}, "2.001 V", "2 V"),
    ("mosfet.plateau", "mosfet.vgs_max", {"mosfet.vgs_max": "10 V"}, "9.99 V", "10 V"),
    ("mosfet.vgs_on", "mosfet.vth", {"mosfet.vth": "2 V"}, "2.001 V", "2 V"),
    ("mosfet.vgs_on", "mosfet.vgs_max", {"mosfet.vgs_max": "20 V"}, "20 V", "20.01 V"),
    ("mosfet.vgs_on", "mosfet.plateau", {"mosfet.plateau": "3.2 V"}, "3.2 V", "3.19 V"),
    ("mosfet.crss", "mosfet.qgd / supply.voltage", {"mosfet.qgd": "12 nC", "supply.voltage": "24 V"}, "500 pF", "500.1 pF"),
    ("mosfet.vds_max", "the highest supply.voltage", {"supply.voltage": "8 / 13.5 / 16 V"}, "16 V", "15.99 V"),
    ("mosfet.pulse_current", "motor.current.peak", {"motor.current.peak": "30..35 A"}, "35 A", "34.99 A"),
    ("mosfet.rdson", "the lowest supply.voltage / motor.current.peak", {"supply.voltage": "8 / 13.5 / 16 V", "motor.current.peak": "40 A"}, "0.199 ohm", "0.2 ohm"),
    ("mosfet.conduction_share", "100 %", {}, "100 %", "100.1 %"),
    ("mosfet.tj_max", "the highest temperature.ambient", {"temperature.ambient": "-40..105 degC"}, "105.1 degC", "105 degC"),
    ("mosfet.temperature", "mosfet.tj_max", {"mosfet.tj_max": "175 degC"}, "-40..175 degC", "-40..175.1 degC"),
    ("temperature.board", "the highest temperature.ambient", {"temperature.ambient": "-40..85 degC"}, "85 degC", "84.9 degC"),
    ("temperature.board", "the chip's driver.tj_max", {"chip:driver.tj_max": "150 degC"}, "149.9 degC", "150 degC"),
    ("motor.current.rms", "motor.current.peak", {"motor.current.peak": "35 A"}, "35 A", "35.01 A"),
    ("motor.current.peak", "30 times motor.current.rms", {"motor.current.rms": "1 A"}, "30 A", "30.1 A"),
    ("supply.crank", "the highest supply.voltage", {"supply.voltage": "8..16 V"}, "16 V", "16.1 V"),
    ("supply.load_dump", "the highest supply.voltage", {"supply.voltage": "8..16 V"}, "16 V", "15.9 V"),
    ("supply.driver", "the chip's supply.max", {"chip:supply.max": "45 V"}, "45 V", "45.1 V"),
    ("pwm.duty.max", "100 %", {}, "100 %", "100.1 %"),
    ("pwm.duty.min", "pwm.duty.max", {"pwm.duty.max": "90 %"}, "90 %", "90.1 %"),
    ("pwm.deadtime", "half a PWM period", {"pwm.frequency": "100 kHz"}, "4.99 us", "5 us"),
    ("pwm.deadtime_margin", "half a PWM period", {"pwm.frequency": "200 kHz"}, "2.49 us", "2.5 us"),
    ("adc.bits", "32", {}, "32", "33"),
    ("adc.bits", "4", {}, "4", "3"),
    ("adc.sampling", "a PWM period", {"pwm.frequency": "20 kHz"}, "49.9 us", "50 us"),
    ("shunt.resistance", "adc.reference / motor.current.peak", {"adc.reference": "3.3 V", "motor.current.peak": "10 A"}, "329 mohm", "330 mohm"),
    ("shunt.resistance", "the lowest supply.voltage / motor.current.peak", {"supply.voltage": "8..16 V", "motor.current.peak": "10 A"}, "0.799 ohm", "0.8 ohm"),
    ("limits.current_error", "motor.current.peak", {"motor.current.peak": "35 A"}, "34.9 A", "35 A"),
    ("limits.current_step", "limits.current_error", {"limits.current_error": "5 A"}, "5 A", "5.01 A"),
    ("bootstrap.capacitor", "mosfet.qg / mosfet.vgs_max", {"mosfet.qg": "45 / 60 / 72 nC", "mosfet.vgs_max": "20 V"}, "3.61 nF", "3.6 nF"),
    ("charge_pump.capacitor", "mosfet.qg / mosfet.vgs_max", {"mosfet.qg": "45 / 60 / 72 nC", "mosfet.vgs_max": "20 V"}, "3.61 nF", "3.6 nF"),
    ("mosfet.qg", "1 A / (6 pwm.frequency)", {"pwm.frequency": "100 kHz"}, "1666 nC", "1667 nC"),
    ("limits.rise_time.min", "limits.rise_time.max", {"limits.rise_time.max": "500 ns"}, "500 ns", "501 ns"),
    ("limits.fall_time.min", "limits.fall_time.max", {"limits.fall_time.max": "500 ns"}, "500 ns", "501 ns"),
    ("limits.rise_time.max", "a PWM period", {"pwm.frequency": "100 kHz"}, "9.99 us", "10 us"),
    ("limits.fall_time.max", "a PWM period", {"pwm.frequency": "100 kHz"}, "9.99 us", "10 us"),
    ("poll.period", "safety.ftti", {"safety.ftti": "200 ms"}, "200 ms", "201 ms"),
    ("controller.reaction", "safety.ftti", {"safety.ftti": "20 ms"}, "20 ms", "20.1 ms"),
    ("watchdog.service_period", "safety.ftti", {"safety.ftti": "200 ms"}, "200 ms", "201 ms"),
    ("poll.period", "8 / spi.clock", {"spi.clock": "100 kHz"}, "80.1 us", "80 us"),
    ("limits.safe_voltage", "supply.voltage", {"supply.voltage": "48 V"}, "47.9 V", "48 V"),
    ("limits.precharge_gap", "supply.voltage", {"supply.voltage": "48 V"}, "47.9 V", "48 V"),
    ("surge.voltage", "supply.voltage", {"supply.voltage": "14 V"}, "14.1 V", "14 V"),
    ("suppressor.breakdown", "supply.voltage", {"supply.voltage": "14 V"}, "14.1 V", "14 V"),
    ("motor.frequency_max", "pwm.frequency", {"pwm.frequency": "4 kHz"}, "3.9 kHz", "4 kHz"),
    ("standby.wake_time", "a day / standby.wakes_per_day", {"standby.wakes_per_day": "24"}, "3600 s", "3601 s"),
    ("vias.plating", "half of vias.diameter", {"vias.diameter": "0.3 mm"}, "0.15 mm", "0.151 mm"),
    ("vias.ring_radius", "vias.pad_radius", {"vias.pad_radius": "2.5 mm"}, "2.5 mm", "2.49 mm"),
    ("mosfet.rth_case", "mosfet.rth", {"mosfet.rth": "20 K/W"}, "20 K/W", "20.1 K/W"),
    ("mosfet.soa.long_time", "mosfet.soa.time", {"mosfet.soa.time": "10 us"}, "10.1 us", "10 us"),
    ("mosfet.soa.long_current", "mosfet.soa.current", {"mosfet.soa.current": "300 A"}, "300 A", "301 A"),
    ("motor.pulse.time", "motor.pulse.period", {"motor.pulse.period": "1 ms"}, "0.99 ms", "1 ms"),
    ("pwm.compensation", "half a PWM period", {"pwm.frequency": "100 kHz"}, "4.99 us", "5 us"),
    ("goals.margin", "100 %", {}, "99.9 %", "100 %"),
    ("limits.voltage_error", "100 %", {}, "99.9 %", "100 %"),
    ("limits.sense_use", "100 %", {}, "100 %", "100.1 %"),
    ("limits.shunt_drift", "100 %", {}, "99.9 %", "100 %"),
]  # fmt: skip


def value(name: str, text: str) -> Band | int:
    kind, _, key = name.rpartition(":")
    entry = (CHIP if kind else STAGE)[key]
    return parse_band(text, entry.dimension) if entry.dimension is not None else int(text)


def told(name: str, words: str, stated: dict[str, str]) -> list[str]:
    stage = {n: value(n, t) for n, t in stated.items() if ":" not in n}
    chip = {n.partition(":")[2]: value(n, t) for n, t in stated.items() if ":" in n}
    return [
        d.severity
        for d in doubts(stage, chip)
        if d.name == name
        and d.expected.partition(" ")[2]
        .removeprefix("least ")
        .removeprefix("most ")
        .startswith(words)
    ]


@pytest.mark.parametrize(("name", "words", "others", "good", "bad"), BOUNDARIES)
def test_each_relation_at_its_boundary(
    name: str, words: str, others: dict[str, str], good: str, bad: str
) -> None:
    (relation,) = [r for r in RELATIONS if (r.name, r.words) == (name, words)]
    assert told(name, words, {**others, name: good}) == []
    assert told(name, words, {**others, name: bad}) == [relation.severity]
    # with anything missing nothing is said
    for absent in others:
        rest = {n: t for n, t in others.items() if n != absent}
        assert told(name, words, {**rest, name: bad}) == []


def test_the_table_of_boundaries_has_every_relation() -> None:
    assert {(n, w) for n, w, *_ in BOUNDARIES} == {(r.name, r.words) for r in RELATIONS}
    assert len(RELATIONS) >= 9 + 30
    for relation in RELATIONS:
        assert relation.name in STAGE
        assert relation.because


@pytest.mark.parametrize("name", RANGES)
def test_each_usual_range_at_its_ends(name: str) -> None:
    low, high = usual(name)
    dim = parse_band(RANGES[name][1], STAGE[name].dimension).dim
    wide = (high - low) / 1000

    def said(at: Fraction) -> list[str]:
        return [d.severity for d in doubts({name: Band.of(at, dim)}, {})]

    assert said(low) == said(high) == []
    assert said(low - wide) == said(high + wide) == ["warning"]


@pytest.mark.parametrize("stage", SHIPPED)
def test_a_unit_off_by_a_thousand_is_noticed(stage: str) -> None:
    """Every input of the bundled stages a thousand times as large, and as small."""
    loaded = load_stage(stage)
    values = {n: p.value for n, p in loaded.params.items()}
    chip = {n: p.value for n, p in loaded.chip.electrical.items()}
    missed = []
    count = 0
    for name, band in values.items():
        if not isinstance(band, Band) or STAGE[name].dimension in ("percent", "temperature"):
            continue
        for factor in (1000, Fraction(1, 1000)):
            count += 1
            slip = Band(band.low * factor, band.typ * factor, band.high * factor, band.dim)
            if not doubts({**values, name: slip}, chip):
                missed.append(f"{name} {show(slip.typ, slip.dim)}")
    assert count > 60
    assert missed == []


def test_a_unit_off_by_a_thousand_is_told_with_what_may_be_meant() -> None:
    for name, text, meant in (
        ("mosfet.rth", "30 kK/W", ""),
        ("shunt.resistance", "2 ohm", "2 mohm"),
        ("mosfet.qg", "60 uC", "60 nC"),
        ("pwm.frequency", "20 Hz", "20 kHz"),
        ("bridge.inductance", "3 uH", "3 nH"),
        ("supply.voltage", "13.5 mV", "13.5 V"),
    ):
        if meant:
            (doubt,) = doubts({name: value(name, text)}, {})
            assert doubt.nearest == meant


def test_a_load_dump_test_of_the_other_system() -> None:
    (found,) = problems(supply__load_dump_class="24 V test B")
    assert "24 V test B at a supply of 13.5 V" in found.found
    assert found.nearest == "12 V test B"
    assert found.severity == "warning"


def test_a_fallback_is_told_where_it_is_stated() -> None:
    """Without a supply of its own the driver is at the bridge's: that line is to blame."""
    assert load_map("quoll16").electrical["supply.max"]
    found = problems(supply__voltage="8 / 13.5 / 60 V", mosfet__vds_max="80 V")
    assert [p.path for p in found if "supply.max" in p.expected] == ["supply.voltage"]


def test_warnings_stay_with_the_stage() -> None:
    text = HEAD + "goals.margin: 120 %\n"
    stage, found = read_stage("s.yaml", text=text)
    assert stage is not None
    assert stage.doubts == tuple(found)
    assert str(found[0]).startswith(
        "s.yaml:4:15: warning: goals.margin of 120 %; expected below 100 %"
    )


@pytest.mark.parametrize("name", SHIPPED)
def test_no_worst_corner_stands_where_no_device_can(name: str) -> None:
    """Qg min with Qgd max, a plateau below its threshold: no named corner needs such a part."""
    stage = load_stage(name)
    chip = {n: p.value for n, p in stage.chip.electrical.items()}
    told = 0
    for verdict in assess(stage).verdicts:
        values = {n: p.value for n, p in stage.params.items()}
        for key, at in (verdict.at or {}).items():
            band = values.get(key.removeprefix("stage:"))
            if isinstance(band, Band):
                values[key.removeprefix("stage:")] = Band.of(Fraction(at), band.dim)
        breaches = [r.breach(Given(values, chip)) for r in RELATIONS if r.severity == "error"]
        assert not any(breaches), (verdict.check, verdict.corner)
        told += verdict.at is not None
    assert told > 80
