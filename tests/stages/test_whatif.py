"""Other inputs for a stage: as if its file said so, with the same refusals."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.assessment.stage import assess
from regmap.assessment.sweep import sweep_input
from regmap.errors import CallError
from regmap.maps.load import find_document
from regmap.parameters import STAGE
from regmap.quantity import Band, parse_band
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.stages.whatif import changed_inputs, input_of, is_input, span_of, with_inputs

PUMP = load_stage("coolant_pump")


def edited(old: str, new: str, tmp_path: Path) -> Stage:
    """The shipped pump with one line of its file written anew."""
    for name in ("coolant_pump", "quoll16"):
        text = Path(find_document(name)).read_text()
        assert name == "quoll16" or old in text
        (tmp_path / f"{name}.yaml").write_text(text.replace(old, new))
    return load_stage(tmp_path / "coolant_pump.yaml")


@pytest.mark.parametrize(
    ("name", "value", "old", "new"),
    [
        ("supply.max", "18V", "8 / 13.5 / 16 V", "8 / 13.5 / 18 V"),
        ("supply.voltage.min", "6 V", "8 / 13.5 / 16 V", "6 / 13.5 / 16 V"),
        ("supply.voltage", "9..15 V", "8 / 13.5 / 16 V", "9..15 V"),
        ("pwm.frequency", "25 kHz", "frequency: 20 kHz", "frequency: 25 kHz"),
        ("pwm.duty.max", "80 %", "duty.max: 88 %", "duty.max: 80 %"),
        ("adc.bits", "10", "bits: 12", "bits: 10"),
    ],
)
def test_verdicts_are_those_of_the_file_that_says_so(
    name: str, value: str, old: str, new: str, tmp_path: Path
) -> None:
    there = assess(with_inputs(PUMP, {name: value})).verdicts
    written = assess(edited(old, new, tmp_path)).verdicts
    assert [(v.check, v.status, v.relative) for v in there] == [
        (v.check, v.status, v.relative) for v in written
    ]
    assert there != assess(PUMP).verdicts


def test_an_end_moves_the_others_along() -> None:
    made = with_inputs(PUMP, {"supply.max": "12 V"}).params["supply.voltage"]
    assert made.value == parse_band("8 / 12 / 12 V")
    assert made.origin == "shell line"
    both = with_inputs(PUMP, {"supply.min": "9 V", "supply.max": "18 V"})
    assert both.params["supply.voltage"].value == parse_band("9 / 13.5 / 18 V")
    assert changed_inputs(both) == {"supply.voltage": parse_band("9 / 13.5 / 18 V")}
    assert changed_inputs(PUMP) == {}


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("pwm.frequencie", "20 kHz", "no input 'pwm.frequencie'; nearest: pwm.frequency"),
        ("pwm.frequency", "20 V", "'20 V' is a voltage"),
        ("pwm.frequency", "-20 kHz", "expected"),
        ("pwm.frequency", "20 kHz\nmosfet.qg: 1 nC", "expected"),
        ("adc.trigger", "middle", "expected"),
        ("pwm.duty.max", "150 %", "expected at most 100 %"),
        ("supply.max", "8..18 V", "expected one value for one end"),
        ("supply.jump_start.max", "40 V", "supply.jump_start is not stated"),
        ("supply.max", "{a: b}", "expected"),
    ],
)
def test_what_cannot_be_is_refused(name: str, value: str, said: str) -> None:
    with pytest.raises(CallError) as caught:
        with_inputs(PUMP, {name: value})
    assert said in str(caught.value)


def test_hardly_plausible_inputs_are_doubted() -> None:
    made = with_inputs(PUMP, {"bridge.inductance": "3 uH"})
    (doubt,) = made.doubts
    assert str(doubt).startswith("shell line: warning: bridge.inductance of 3 uH")


def test_names() -> None:
    assert input_of("pwm.duty.max") == ("pwm.duty.max", "")
    assert input_of("supply.max") == ("supply.voltage", "max")
    assert input_of("temperature.min") == ("temperature.ambient", "min")
    assert input_of("motor.current.peak.typ") == ("motor.current.peak", "typ")
    assert all(is_input(n) for n in STAGE)
    assert not is_input("GATE_HS.SOURCE")
    with pytest.raises(CallError):
        input_of("adc.bits.max")  # a count has no ends


def test_a_span_has_both_ends_and_what_is_shown_is_worked_with() -> None:
    assert span_of("pwm.frequency", "10..60kHz", 6) == [f"{n}0 kHz" for n in range(1, 7)]
    assert span_of("pwm.duty.max", "80..95 %", 4) == ["80 %", "85 %", "90 %", "95 %"]
    assert span_of("temperature.max", "-40..85 degC", 2) == ["-40 degC", "85 degC"]
    for text, steps in (("20 kHz", 3), ("10..60 V", 3), ("10..60 kHz", 1), ("10..60 kHz", 5000)):
        with pytest.raises(CallError):
            span_of("pwm.frequency", text, steps)
    with pytest.raises(CallError):
        span_of("adc.bits", "8..12", 3)


def test_a_sweep_of_an_input_tells_where_all_hold() -> None:
    result = sweep_input(PUMP, "pwm.frequency", "10..60kHz", 6)
    assert [r.reading.name for r in result.rows] == [f"{n}0 kHz" for n in range(1, 7)]
    for row in result.rows:
        there = {
            v.check: v
            for v in assess(with_inputs(PUMP, {"pwm.frequency": row.reading.name})).verdicts
        }
        assert all(there[n].relative == v.relative for n, v in row.verdicts.items())
        fails = any(v.status == "fails" for n, v in there.items() if n in result.moved)
        assert (row in result.holding) == (not fails)
        assert isinstance(row.reading.band, Band)
    assert result.best is None
    assert 0 < len(result.holding) < 6
    past = sweep_input(PUMP, "pwm.duty.max", "80..110 %", 4)
    assert [text for text, _ in past.left_out] == ["110 %"]
    with pytest.raises(CallError, match="at most 100 %"):
        sweep_input(PUMP, "pwm.duty.max", "110..120 %", 2)


def test_settings_are_read_anew_under_another_supply() -> None:
    """A value whose meaning hangs on the supply keeps what was asked, not its code."""
    text = Path(find_document("conveyor_drum")).read_text()
    stage, _ = read_stage("conveyor_drum")
    assert stage is not None
    assert text
    made = with_inputs(stage, {"supply.voltage": "22..26 V", "supply.crank": "18 V"})
    assert [s.asked for s in made.settings] == [s.asked for s in stage.settings]
    assert made.bank.supply_range != stage.bank.supply_range
