"""Wrong answers that look right, each once found by review: units, switches, corners, unknowns."""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.assessment.stage import assess, facts_of, role_inputs, with_settings
from regmap.assessment.sweep import sweep
from regmap.behaviour.faults import explain, suspicious
from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.behaviour.settings import bring_up_sequence
from regmap.calc.inputs import describe
from regmap.chip.bank import Bank
from regmap.chip.model import (
    Access,
    Chip,
    Entry,
    External,
    Fault,
    Field,
    Layout,
    Meaning,
    Part,
    Register,
    Scale,
    Step,
)
from regmap.chip.values import choose
from regmap.errors import CallError
from regmap.expr import evaluate, parse_expr
from regmap.frames.codec import Codec, counter_flaws, inspect
from regmap.maps.load import find_document, load_map
from regmap.quantity import NONE, parse_band, show
from regmap.stages.load import load_stage, read_stage

VOLT = (1, 0, 0, 0, 0)
QUOLL = load_map("quoll16")
PUMP = load_stage("coolant_pump")


def _chip(*registers: Register, **more: object) -> Chip:
    """quoll16 with further registers."""
    return replace(QUOLL, registers={**QUOLL.registers, **{r.name: r for r in registers}}, **more)


def _field(
    name: str,
    register: str,
    bits: tuple[int, ...],
    *meanings: Meaning,
    role: str = "",
    access: Access = Access.RW,
) -> Field:
    return Field(
        name=name,
        register=register,
        bits=bits,
        access=access,
        reset=0,
        meanings=meanings,
        role=role,
    )


def _ramp(**entries: str) -> Meaning:
    """0..15 V in 16 codes, some of them options without a value: c0="off"."""
    taken = {int(k[1:]): Entry(code=int(k[1:]), name=v) for k, v in entries.items()}
    return Meaning(
        entries=taken,
        scale=Scale(step=Fraction(1), offset=Fraction(0), dim=VOLT, first=0, last=15),
        dim=VOLT,
    )


def test_three_dots_are_not_a_range_to_half_a_volt() -> None:
    with pytest.raises(CallError, match="too many dots"):
        parse_band("0...5 V")


def test_small_plain_numbers_keep_their_digits() -> None:
    assert show(1.5e-6, NONE) == "0.0000015"
    assert show(1.234e-5, NONE) == "0.00001234"


@pytest.mark.parametrize(
    ("asked", "code"),
    [
        (">= 0 V", 1),
        (">= -5 V", 1),
        ("at most 5 V", 4),
        ("5 V", 4),
        ("5.4 V", 6),
        ("min", 1),
        ("max", 15),
        (">= 5 V", 6),
    ],
)
def test_codes_that_an_option_takes_from_a_scale_are_stepped_over(asked: str, code: int) -> None:
    item = _field("F", "R", (3, 2, 1, 0), _ramp(c0="off", c5="special"))
    assert choose(item, asked).code == code


def test_a_scale_whose_every_code_is_an_option_has_no_values() -> None:
    item = _field("F", "R", (3, 2, 1, 0), _ramp(**{f"c{n}": f"o{n}" for n in range(16)}))
    with pytest.raises(CallError, match="no physical values"):
        choose(item, "3 V")


def test_a_value_is_not_chosen_under_a_meaning_that_may_not_be_in_force() -> None:
    wide = _ramp()
    narrow = replace(
        wide, scale=replace(wide.scale, step=Fraction(1, 10)), when=parse_expr("X.RANGE == 1")
    )  # type: ignore[type-var]
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=10,
            reset=0,
            fields=(_field("LEVEL", "X", (4, 3, 2, 1), narrow, wide), _field("RANGE", "X", (0,))),
        )
    )
    item = chip.field("X.LEVEL")
    assert item is not None
    with pytest.raises(CallError, match=r"depends on X\.RANGE"):
        choose(item, "1 V", Bank(chip))
    assert choose(item, "0 V", Bank(chip)).code == 0  # the same either way
    assert choose(item, "0x7", Bank(chip)).code == 7
    assert choose(item, "1 V", Bank(chip, {"X": 0})).code == 1
    assert choose(item, "1 V", Bank(chip, {"X": 1})).code == 10


def test_an_option_is_the_code_it_has_under_the_meaning_in_force() -> None:
    one = Meaning(
        entries={0: Entry(code=0, name="slow"), 1: Entry(code=1, name="fast")},
        when=parse_expr("X.M == 1"),
    )
    two = Meaning(entries={0: Entry(code=0, name="fast"), 1: Entry(code=1, name="slow")})
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=10,
            reset=0,
            fields=(_field("F", "X", (1,), one, two), _field("M", "X", (0,))),
        )
    )
    fast = parse_expr("X.F == fast")
    assert [evaluate(fast, Bank(chip, {"X": w})) for w in range(4)] == [True, False, False, True]


# --- roles ---------------------------------------------------------------------------------------
THRESHOLD = _ramp(c0="off")


def test_one_monitor_that_is_off_is_not_hidden_by_the_others() -> None:
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=10,
            reset=0,
            fields=(
                _field("A", "X", (7, 6, 5, 4), THRESHOLD, role="vds.threshold.high"),
                _field("B", "X", (3, 2, 1, 0), THRESHOLD, role="vds.threshold.high"),
            ),
        )
    )
    both = role_inputs(chip, Bank(chip, {"X": 0x35}), ["vds.threshold.high"])[0]
    assert (both.value.low, both.value.high) == (3, 5)
    for word, name in ((0x30, "X.B"), (0x05, "X.A")):
        found = role_inputs(chip, Bank(chip, {"X": word}), ["vds.threshold.high"])
        assert [i.value for i in found] == [f"off in {name}"]
    unknown = role_inputs(chip, Bank(chip), ["vds.threshold.high"])
    assert [i.value for i in unknown] == ["not known"]


def test_one_switch_that_is_off_counts_and_words_of_any_case_do() -> None:
    plain = Meaning(entries={0: Entry(code=0, name="On"), 1: Entry(code=1, name="Off")})
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=10,
            reset=0,
            fields=(
                _field("A", "X", (1,), plain, role="vds.enable"),
                _field("B", "X", (0,), plain, role="vds.enable"),
            ),
        )
    )
    values = [role_inputs(chip, Bank(chip, {"X": w}), ["vds.enable"])[0].value for w in range(4)]
    assert values == [1, 0, 0, 0]


@pytest.mark.parametrize(("mode", "word"), [("off", "switched off"), ("report", "report")])
def test_a_monitor_that_does_not_act_protects_nothing(mode: str, word: str) -> None:
    verdicts = {
        v.check: v
        for v in assess(with_settings(PUMP, {"MODE.VDS_ACT": mode, "MODE.OC_ACT": mode})).verdicts
    }
    for name in ("vds.protects.high", "vds.withstand.low", "overcurrent.protects"):
        assert verdicts[name].status in ("fails", "not_computed")
        assert word in " ".join((*verdicts[name].missing, *verdicts[name].steps))
        assert [m["what"] for m in verdicts[name].json()["missing"]] == [
            describe(m) for m in verdicts[name].missing
        ]
    assert (verdicts["vds.blanking.high"].status == "holds") == (mode == "report")


def test_a_threshold_that_is_off_is_told_as_off_and_as_json() -> None:
    stage = load_stage("coolant_pump")
    chip = _chip(
        replace(
            QUOLL.registers["VDS"],
            reset=0,
            fields=(_field("THRESHOLD", "VDS", (3, 2, 1, 0), THRESHOLD, role="vds.threshold"),),
        )
    )
    stage = replace(
        stage, chip=chip, settings=tuple(s for s in stage.settings if s.name != "VDS.THRESHOLD")
    )
    verdicts = {v.check: v for v in assess(stage).verdicts}
    assert verdicts["vds.protects.high"].status in ("fails", "not_computed")
    found = verdicts["vds.no-false-trip.high"]
    assert found.status == "not_computed"
    assert "set to off, which is no quantity: switched off" in found.missing[0]
    assert found.json()["missing"][0]["what"] == "VDS monitor threshold, high side (a field's role)"


def test_a_time_fixed_in_the_chip_belongs_to_the_detection() -> None:
    from regmap.assessment.stage import timing_of
    from regmap.chip.model import Param

    fault = replace(QUOLL.faults["VDS_UH"], uses=("vds.blanking",))
    bare = replace(
        QUOLL.registers["TIMING"],
        fields=tuple(f for f in QUOLL.registers["TIMING"].fields if f.role != "vds.blanking"),
    )
    chip = _chip(
        bare,
        electrical={
            **QUOLL.electrical,
            "vds.blanking": Param(name="vds.blanking", value=parse_band("4 us")),
        },
    )
    assert timing_of(fault, chip, Bank.at_reset(chip)).adds == ("role:vds.blanking",)


def test_a_poll_of_a_mixed_chain_is_as_long_as_all_its_frames() -> None:
    other = load_map("numbat24")
    stage = replace(PUMP, chain=(PUMP.chip, other), position=0)
    assert facts_of(stage, stage.bank).frame_bits == 16 + Codec(other).frame_in_force().length


# --- chip behaviour and faults -------------------------------------------------------------------
def test_clearing_one_fault_of_a_field_keeps_another() -> None:
    which = Meaning(
        entries={n: Entry(code=n, name=t) for n, t in enumerate(("none", "over", "under"))}
    )
    faults = {
        n: Fault(name=n, register="X", field="WHAT", code=c, title=n, cleared_by=(w,))
        for n, c, w in (("OVER", 1, "read"), ("UNDER", 2, "clear_by_hand"))
    }
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=10,
            reset=0,
            fields=(_field("WHAT", "X", (1, 0), which, access=Access("ro")),),
        ),
        faults=faults,
    )
    machine = Machine(chip, Bank(chip, {"X": 2}))
    machine.read(chip.registers["X"])
    assert machine.bank.words["X"] == 2
    machine = Machine(chip, Bank(chip, {"X": 1}))
    machine.read(chip.registers["X"])
    assert machine.bank.words["X"] == 0


def test_a_command_that_sets_a_field_says_nothing_of_the_rest() -> None:
    from regmap.chip.model import Command

    chip = replace(
        QUOLL,
        commands={
            "GO": Command(
                name="GO", frames=("main",), parts={}, effects=("MODE.PWM = three_input",)
            )
        },
    )
    machine = Machine(chip, Bank(chip))
    machine.command(chip.commands["GO"])
    assert machine.bank.code("MODE.PWM") == 3
    assert machine.bank.code("MODE.VDS_ACT") is None


def test_active_low_status_of_several_bits() -> None:
    parts = (
        Part(name="n", kind="status", bits=(9, 8), active=0),
        Part(name="data", kind="data", bits=tuple(range(7, -1, -1))),
    )
    frame = replace(QUOLL.frames["main"], length=16)
    layout = Layout(length=10, parts=parts)
    chip = replace(QUOLL, frames={"main": replace(frame, replies={"any": layout})})
    codec = Codec(chip)
    sent = codec.read(chip.registers["STATUS1"])
    for raised in (True, False):
        word = codec.build_reply(sent, 0, {"n": raised})
        assert codec.decode_reply(word, sent).status == {"n": raised}


def test_faults_that_all_follow_from_each_other_are_arranged_at_once() -> None:
    fields = tuple(_field(f"B{n}", "X", (n,), access=Access("ro")) for n in range(40))
    faults = {
        f"B{n}": Fault(
            name=f"B{n}",
            register="X",
            field=f"B{n}",
            code=1,
            title=str(n),
            follows_from=tuple(f"B{m}" for m in range(n)),
        )
        for n in range(40)
    }
    chip = _chip(Register(name="X", address=0x5, width=41, reset=0, fields=fields), faults=faults)
    begun = time.monotonic()
    found = explain(chip, {"X": (1 << 40) - 1})
    assert time.monotonic() - begun < 5
    assert [f.name for f in found.raised] == [f"B{n}" for n in range(40)]


def test_a_healthy_chip_that_answers_zero_is_alive() -> None:
    # reserved bits of a register that can be written say how to write them, not how they read
    status = Register(
        name="X",
        address=0x5,
        width=10,
        reset=0,
        reserved=0x300,
        reserved_write=0x300,
        fields=(_field("OC", "X", (0,), access=Access("w1c")),),
    )
    chip = _chip(
        status,
        faults={"OC": Fault(name="OC", register="X", field="OC", code=1, title="overcurrent")},
    )
    assert not explain(chip, {"X": 0}).wiring
    # two status registers read without a fault, over a layout of data only
    data = Layout(length=16, parts=(Part(name="data", kind="data", bits=tuple(range(15, -1, -1))),))
    assert suspicious(data, 16, [0, 0], [0x8000, 0x8800]) == ""
    assert "stuck high" in suspicious(data, 16, [0xFFFF, 0xFFFF], [0x8000, 0x8800])
    echo = Layout(
        length=16,
        parts=(
            Part(name="at", kind="echo", of="address", bits=(15, 14, 13, 12)),
            Part(name="data", kind="data", bits=tuple(range(11, -1, -1))),
        ),
    )
    assert "stuck low" in suspicious(echo, 16, [0, 0], [0x8000, 0x8800])


def test_a_complement_is_that_of_what_is_written() -> None:
    one = Register(
        name="X",
        address=0xD,
        width=10,
        reset=0,
        reserved=0x300,
        reserved_write=0x300,
        fields=(_field("F", "X", (0,)),),
    )
    two = Register(name="Y", address=0xE, width=10, reset=0x3FF, complement_of="X", fields=())
    from regmap.behaviour.plan import word_to_write

    chip = _chip(one, two)
    bank = Bank.at_reset(chip)
    bank.learn("X", 1)
    assert word_to_write(chip, "X", bank) ^ word_to_write(chip, "Y", bank) == 0x3FF
    assert [p.sent.data for p in plan(chip, ["X.F = 1"])] == [0x301, 0x0FE]


# --- stages --------------------------------------------------------------------------------------
STAGE_HEAD = "gateword_stage: 1\nstage: {name: s}\nmap: quoll16\n"


def _problems(text: str) -> list[str]:
    return [str(p) for p in read_stage("s.yaml", text=STAGE_HEAD + text)[1]]


def test_a_field_set_twice_is_told() -> None:
    text = "settings:\n  VDS: {THRESHOLD: 250 mV}\n  VDS.THRESHOLD: 430 mV\n"
    assert any("VDS.THRESHOLD, whose bits VDS.THRESHOLD sets too" in p for p in _problems(text))
    assert not _problems("settings:\n  VDS: {THRESHOLD: 250 mV}\n  SENSE.GAIN: x18\n")


def test_settings_that_hang_on_each_other_are_read_in_any_order() -> None:
    def pair(name: str, by: str, bits: tuple[int, ...]) -> Field:
        wide = _ramp()
        narrow = replace(
            wide, scale=replace(wide.scale, step=Fraction(1, 10)), when=parse_expr(f"X.{by} >= 5 V")
        )  # type: ignore[type-var]
        return _field(name, "X", bits, narrow, wide)

    last = _field("C", "X", (3, 2, 1, 0), _ramp())
    chip = _chip(
        Register(
            name="X",
            address=0x5,
            width=12,
            reset=0,
            fields=(pair("A", "B", (11, 10, 9, 8)), pair("B", "C", (7, 6, 5, 4)), last),
        )
    )
    from regmap.stages.load import choices_of

    # C = 6 V puts B on the fine scale, where 5 V is out of reach; at 1 V it is code 10
    for asked in (
        [("X.A", "1 V"), ("X.B", "1 V"), ("X.C", "6 V")],
        [("X.C", "6 V"), ("X.B", "1 V"), ("X.A", "1 V")],
    ):
        found, errors = choices_of(chip, asked, {})
        assert not any(errors)
        assert {n: c.code for (n, _), c in zip(asked, found, strict=True) if c} == {
            "X.A": 1,
            "X.B": 10,
            "X.C": 6,
        }
    # before the third round A believes that B is at 8 V
    found, errors = choices_of(chip, [("X.A", "1 V"), ("X.B", "8 V"), ("X.C", "1 V")], {})
    assert [c.code for c in found if c] == [10, 8, 1]


def test_a_changed_setting_moves_what_others_mean() -> None:
    wide = _ramp()
    narrow = replace(
        wide,
        scale=replace(wide.scale, step=Fraction(1, 10)),
        when=parse_expr("MODE.PWM == one_input"),
    )  # type: ignore[type-var]
    chip = _chip(
        replace(
            QUOLL.registers["VDS"],
            reset=0,
            fields=(_field("THRESHOLD", "VDS", (3, 2, 1, 0), narrow, wide),),
        )
    )
    from regmap.stages.load import Setting

    item = chip.field("VDS.THRESHOLD")
    assert item is not None
    stage = replace(
        PUMP,
        chip=chip,
        settings=(
            Setting(
                name="VDS.THRESHOLD",
                asked="1 V",
                choice=choose(item, "1 V", Bank.at_reset(chip)),
                origin="",
            ),
        ),
    )
    assert stage.bank.code("VDS.THRESHOLD") == 1
    assert with_settings(stage, {"MODE.PWM": "one_input"}).bank.code("VDS.THRESHOLD") == 10


def test_a_rule_that_cannot_be_judged_is_no_silent_yes(tmp_path: Path) -> None:
    pump = Path(find_document("coolant_pump")).read_text().partition("\nmodes:")[0]
    chip = Path(find_document("quoll16")).read_text()
    loose = chip.replace(
        "role: vds.blanking, options: {0: 1.2 us, 1: 2 us,",
        "role: vds.blanking, options: {0: 1.2 us, 1: none,",
    )
    assert loose != chip
    (tmp_path / "loose.yaml").write_text(loose)
    (tmp_path / "s.yaml").write_text(
        pump.replace("map: quoll16", "map: loose.yaml")
        .replace("BLANKING: 2 us", "BLANKING: none")
        .replace("DEAD_TIME: 1 us", "DEAD_TIME: 2 us")
    )
    stage, problems = read_stage(tmp_path / "s.yaml")
    assert stage is not None
    assert ["rule blanking_covers_dead_time cannot be judged" in str(p) for p in problems] == [True]


# --- bring-up sequences ---------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["bilby32", "wombat24", "numbat24", "potoroo40"])
def test_counters_count_on_through_a_whole_plan(name: str) -> None:
    chip = load_map(name)
    before: dict[str, int] = {}
    for action in bring_up_sequence(chip, Bank.at_reset(chip)):
        if action.sent is not None:
            layout = action.sent.frame.command
            assert not counter_flaws(layout, before, action.sent.parts)
            assert not inspect(layout, action.sent.word)
            before = {**before, **action.sent.parts}


def test_a_complement_is_written_beside_its_partner_even_where_no_step_names_it() -> None:
    one = Register(name="X", address=0xD, width=10, reset=0, fields=(_field("F", "X", (0,)),))
    all_of_it = _field("F_N", "Y", tuple(range(9, -1, -1)))
    two = Register(
        name="Y", address=0xE, width=10, reset=0x3FF, complement_of="X", fields=(all_of_it,)
    )
    chip = replace(
        _chip(one, two), sequences={"configure": (Step(do="configure", targets=("X",)),)}
    )
    bank = Bank.at_reset(chip)
    bank.learn("X", 1)
    written = [
        (a.sent.register.name, a.sent.data)
        for a in bring_up_sequence(chip, bank)
        if a.do == "write" and a.sent is not None and a.sent.register is not None
    ]
    at = written.index(("X", 1))
    assert written[at + 1] == ("Y", 0x3FE)


def test_a_gate_current_that_is_weaker_at_low_supply_is_judged_there_too() -> None:
    text = (
        "gateword_stage: 1\nstage: {name: s}\nmap: potoroo40\n"
        "supply.voltage: SUPPLY\nsettings: {OUTPUT.SOURCE: 0x7}\n"
    )

    def source(supply: str) -> tuple[Fraction, Fraction, Fraction]:
        stage, problems = read_stage("s.yaml", text=text.replace("SUPPLY", supply))
        assert stage is not None, problems
        band = role_inputs(stage.chip, stage.bank, ["gate.source"])[0].value
        return band.low, band.typ, band.high

    # 15 mA and 25 mA for each step and one more, with 25 % below 8 V and 20 % above
    weak = (Fraction(90, 1000), Fraction(120, 1000), Fraction(150, 1000))
    strong = (Fraction(160, 1000), Fraction(200, 1000), Fraction(240, 1000))
    assert source("7 V") == weak
    assert source("12 V") == strong
    assert source("9 / 12 / 16 V") == strong
    assert source("6 / 12 / 16 V") == (weak[0], strong[1], strong[2])
    assert source("8 / 12 / 16 V") == strong


def test_a_mask_that_hangs_on_something_unknown_is_asked_for() -> None:
    pin = External(
        name="PIN",
        width=1,
        meanings=(Meaning(entries={0: Entry(code=0, name="low"), 1: Entry(code=1, name="high")}),),
    )
    fault = replace(QUOLL.faults["VDS_UH"], masked_when=parse_expr("PIN == high"))
    chip = _chip(externals={"PIN": pin}, faults={**QUOLL.faults, "VDS_UH": fault})
    stage = replace(PUMP, chip=chip)

    def status(bank: Bank) -> tuple[str, str]:
        found = {v.check: v for v in assess(stage, bank).verdicts}
        return found["reaction.time.VDS_UH"].status, found["reaction.masked"].status

    bank = stage.bank
    assert status(bank) == ("not_computed", "not_computed")
    bank.externals["PIN"] = 0
    assert status(bank) == ("holds", "holds")
    bank.externals["PIN"] = 1
    assert status(bank) == ("fails", "fails")


def test_a_sweep_of_many_codes_has_both_ends_and_the_present_one() -> None:
    item = QUOLL.field("VDS.THRESHOLD")
    assert item is not None
    fine = replace(
        _field(
            "THRESHOLD",
            "VDS",
            tuple(range(9, -1, -1)),
            replace(_ramp(), scale=replace(_ramp().scale, step=Fraction(1, 1000), last=1023)),
            role="vds.threshold",
        ),  # type: ignore[type-var]
        reset=517,
    )
    chip = _chip(replace(QUOLL.registers["VDS"], reset=517, fields=(fine,), reserved=0))
    stage = replace(
        PUMP, chip=chip, settings=tuple(s for s in PUMP.settings if s.name != "VDS.THRESHOLD")
    )
    rows = sweep(stage, "VDS.THRESHOLD", 8).rows
    assert [r.reading.code for r in rows if r.current] == [517]
    assert {0, 1023} <= {r.reading.code for r in rows}
    assert len(rows) in (8, 9)


def test_a_setting_of_both_sides_is_named_beside_a_fault_of_one() -> None:
    fault = replace(QUOLL.faults["VDS_UH"], uses=("vds.threshold.high",))
    chip = _chip(faults={**QUOLL.faults, "VDS_UH": fault})
    found = explain(chip, {"STATUS1": 0x009}, PUMP.bank)
    assert found.findings[0].settings == ("VDS.THRESHOLD = 250 mV",)


def test_options_called_by_numbers_mean_the_same_in_conditions_and_in_settings() -> None:
    shunts = Meaning(entries={0: Entry(code=0, name="3"), 1: Entry(code=1, name="1")})
    item = _field("SHUNTS", "X", (1, 0), shunts)
    chip = _chip(Register(name="X", address=0x5, width=10, reset=0, fields=(item,)))
    for word, asked, truth in (
        (0, "3", True),
        (1, "3", False),
        (1, "1", True),
        (1, "0x1", True),
        (0, "0x1", False),
        (2, "2", True),
    ):
        assert evaluate(parse_expr(f"X.SHUNTS == {asked}"), Bank(chip, {"X": word})) is truth
        assert (choose(item, asked).code == word) is truth
    assert evaluate(parse_expr("X.SHUNTS in (3, 0x2)"), Bank(chip, {"X": 0})) is True


@pytest.mark.parametrize("key", ["follows_from", "summary_of"])
def test_long_lines_and_circles_of_faults_are_refused_where_they_are_written(key: str) -> None:
    from regmap.maps.load import read_map
    from regmap.maps.new import new_map

    def problems(links: dict[int, int], count: int) -> list[str]:
        fields = "".join(f"      B{i}: {{bits: {i}, access: ro}}\n" for i in range(8))
        faults = "".join(
            f"  L{i}: {{at: LINE{i // 8}.B{i % 8}, title: t, {key}: [{f'L{links[i]}' if i in links else ''}]}}\n"
            for i in range(count)
        )
        lines = "".join(
            f"  LINE{r}:\n    address: {16 + r}\n    access: ro\n    fields:\n{fields}"
            for r in range((count + 7) // 8)
        )
        text = (
            new_map()
            .replace("registers:\n", "registers:\n" + lines, 1)
            .replace("faults:\n", "faults:\n" + faults, 1)
        )
        return [
            str(p)
            for p in read_map("m.yaml", text=text)[1]
            if p.severity == "error" and key in p.found
        ]

    assert not problems({i: i - 1 for i in range(1, 40)}, 40)
    assert f"{key} over more than 40 faults" in problems({i: i - 1 for i in range(1, 48)}, 48)[0]
    assert f"a circle of {key}" in problems({0: 1, 1: 0}, 8)[0]
