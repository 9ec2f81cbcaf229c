"""Modes of a stage: each a whole stage with what it changes, judged by every check."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.assessment.matrix import STATED, matrix
from regmap.assessment.stage import assess, signature
from regmap.quantity import parse_band
from regmap.stages.load import load_stage, read_stage
from regmap.stages.new import new_stage

PUMP = Path(__file__).parents[2] / "devices" / "coolant_pump.yaml"
PLAIN = PUMP.read_text().partition("\nmodes:")[0]
MODES = """
modes:
  limp:
    title: half the current after a warning
    after: [OT_WARN, controller]
    motor.current.rms: 10 A
    settings: {TIMING: {DEAD_TIME: 2 us}, VDS.THRESHOLD: 520 mV}
    waive: {sense.range: not used here}
  fast:
    pwm: {frequency: 60 kHz}
"""


def put(folder: Path, text: str, name: str = "m.yaml") -> Path:
    path = folder / name
    path.write_text(text)
    return path


def test_a_mode_is_the_stage_with_what_it_changes(tmp_path: Path) -> None:
    stage = load_stage(put(tmp_path, PLAIN + MODES))
    limp, fast = stage.modes["limp"], stage.modes["fast"]
    assert (limp.mode, limp.mode_title) == ("limp", "half the current after a warning")
    assert (limp.entry.after, fast.entry.after) == (("OT_WARN", "controller"), ())
    asked = {s.name: s.asked for s in limp.settings}
    assert (asked["TIMING.DEAD_TIME"], asked["VDS.THRESHOLD"]) == ("2 us", "520 mV")
    base = {s.name: s.asked for s in stage.settings}
    assert {n for n in asked if asked[n] != base.get(n)} == {"TIMING.DEAD_TIME", "VDS.THRESHOLD"}
    assert limp.params["motor.current.rms"].value == parse_band("10 A")
    assert fast.params["pwm.frequency"].value == parse_band("60 kHz")
    assert limp.waive == {**stage.waive, "sense.range": "not used here"}
    changed = {n for n, p in limp.params.items() if p.value != stage.params[n].value}
    assert changed == {"motor.current.rms"}
    # the base is what it is without modes
    alone = load_stage(put(tmp_path, PLAIN, "alone.yaml"))
    assert [signature(v) for v in assess(stage).verdicts] == [
        signature(v) for v in assess(alone).verdicts
    ]


def test_every_check_runs_in_every_mode_as_in_a_stage_of_its_own(tmp_path: Path) -> None:
    stage = load_stage(put(tmp_path, PLAIN + MODES))
    found = matrix([stage])
    assert found.names == (STATED, "limp", "fast")
    by_hand = put(
        tmp_path,
        "gateword_stage: 1\nextends: m.yaml\nwithout: modes\nstage: {name: x}\npwm.frequency: 60 kHz\n",
        "fast.yaml",
    )
    single = {v.check: v for v in assess(load_stage(by_hand)).verdicts}
    for row in found.rows:
        assert signature(row.verdicts[2]) == signature(single.get(row.check)), row.check
    worst = {row.check: found.names[row.worst] for row in found.rows}
    assert worst["deadtime.voltage-error"] == "fast"
    assert worst["vds.protects.high"] == "limp"
    assert next(r for r in found.rows if r.check == "sense.range").verdicts[1] is None


def test_a_variant_changes_a_mode_of_what_it_extends(tmp_path: Path) -> None:
    put(tmp_path, PLAIN + MODES, "base.yaml")
    stage = load_stage(
        put(
            tmp_path,
            "gateword_stage: 1\nextends: base.yaml\nstage: {name: v}\nsupply.voltage: 10 / 12 / 14 V\n"
            "modes: {limp: {motor.current.rms: 5 A}, brake: {title: shorted}}\n",
        )
    )
    assert list(stage.modes) == ["limp", "fast", "brake"]
    limp = stage.modes["limp"]
    assert limp.params["motor.current.rms"].value == parse_band("5 A")
    assert limp.params["supply.voltage"].value == parse_band("10 / 12 / 14 V")
    assert {s.name: s.asked for s in limp.settings}["VDS.THRESHOLD"] == "520 mV"


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("OT_WARN,", "OT_WRN,", "5: 'OT_WRN'"),
        ("520 mV", "520 m", "7: '520 m' is a length; THRESHOLD is a voltage"),
        ("motor.current.rms: 10 A", "motor.current.rsm: 10 A", "6: the parameter 'motor.current.rsm'"),
        ("title: half the current after a warning", "titel: x", "4: the key 'titel'"),
        ("TIMING: {DEAD_TIME", "TIMNG: {DEAD_TIME", "7: quoll16 has no register"),
        ("10 A", "10 V", "6: '10 V'"),
        ("fast:", "limp:", "9: the key 'limp' again"),
    ],
)  # fmt: skip
def test_mistakes_in_a_mode_are_told_once_at_their_line(
    tmp_path: Path, old: str, new: str, found: str
) -> None:
    head = "gateword_stage: 1\nstage: {name: m}\nmap: quoll16\npwm.frequency: 20 kHz\nmotor.current: {rms: 20 A}\n"
    lines = head.count("\n")
    stage, problems = read_stage(put(tmp_path, head + MODES.replace(old, new, 1)))
    errors = [p for p in problems if p.severity == "error"]
    assert stage is None
    assert len(errors) == 1, [str(p) for p in errors]
    line, _, text = found.partition(": ")
    # the modes begin with an empty line
    assert errors[0].place.line == lines + 1 + int(line) - 1, str(errors[0])
    assert errors[0].found.startswith(text) or text in errors[0].found


def test_a_new_stage_shows_what_a_mode_looks_like(tmp_path: Path) -> None:
    """Taken out of the comment it loads, with the faults that this chip leaves to the controller."""
    text = new_stage("quoll16")
    begin = text.index("# modes:")
    assert text[begin:].count("\n#") >= 6
    block = "\n".join(line[2:] for line in text[begin:].splitlines())
    (stage, problems) = read_stage(tmp_path / "s.yaml", text=text[:begin] + block + "\n")
    assert stage is not None, [str(p) for p in problems]
    entry = stage.modes["limp"].entry
    assert entry.after == ("OT_WARN", "OV_SUPPLY", "SPI_ERR", "controller")
    assert entry.within == parse_band("5 ms")
