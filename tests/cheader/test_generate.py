"""What is generated: every section, deterministic, hashed, light, and honest about what it cannot do."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.assessment.figures import trip_currents
from regmap.assessment.stage import assess
from regmap.behaviour.settings import bring_up_sequence
from regmap.cheader import SECTIONS, Options, content_hash, depfile, generate, select
from regmap.cheader.chosen import whole
from regmap.cheader.faults import causes_first, clearing
from regmap.cheader.languages import generate_in, self_test_in
from regmap.cheader.selftest import self_test
from regmap.cheader.steps import setting_text
from regmap.chip.model import Access, Field, Register
from regmap.errors import CallError
from regmap.maps.load import bundled, load_map, read_map
from regmap.quantity import Band
from regmap.stages.load import load_stage
from regmap.stages.whatif import with_inputs

STAGE = load_stage("coolant_pump")
CHIP = STAGE.chip


def body(table: str, header: str) -> list[str]:
    """The rows of a table, without comments; of one that is part of another, its rows there."""
    part = re.search(rf"#define {table} \(&(\w+)\[(\d+)U\]\)", header)
    if part is not None:
        size = re.search(rf"#define {table.upper()}_COUNT +(\d+)U", header)
        assert size is not None
        first = int(part[2])
        return body(part[1], header)[first : first + int(size[1])]
    match = re.search(rf"{table}\[\w+\](?: GD_FLASH)? = {{\n(.*?)\n}};", header, re.S)
    assert match is not None
    text = re.sub(r"/\*.*?\*/", "", match[1], flags=re.S)
    return [line.strip() for line in text.split("\n") if line.strip()]


def test_the_same_input_gives_the_same_bytes() -> None:
    a, b = (
        generate(STAGE, Options(prefix="gd")),
        generate(load_stage("coolant_pump"), Options(prefix="gd")),
    )
    assert a == b
    assert "/" + str(Path.home()).strip("/") not in a.header
    assert str(Path(STAGE.file).parent) not in a.header


def test_hash_follows_map_stage_version_and_options() -> None:
    options = Options(prefix="gd")
    base = content_hash(STAGE, options, "gd")
    others = {
        content_hash(replace(STAGE, digest="x"), options, "gd"),
        content_hash(replace(STAGE, chip=replace(CHIP, digest="x")), options, "gd"),
        content_hash(CHIP, options, "gd"),
        content_hash(STAGE, options, "other"),
        content_hash(STAGE, replace(options, version="9.9"), "gd"),
        content_hash(STAGE, replace(options, crc="loop"), "gd"),
        content_hash(STAGE, replace(options, split=True), "gd"),
        content_hash(STAGE, replace(options, sections=("masks",)), "gd"),
    }
    assert base not in others
    assert len(others) == 8
    made = generate(STAGE, options)
    assert made.hash == base
    assert base[:16] in made.header


def test_init_table_follows_the_write_plan() -> None:
    header = generate(STAGE, Options(prefix="gd")).header
    rows = body("gd_init_steps", header)
    actions = bring_up_sequence(CHIP, STAGE.bank)
    # then one read shows that no frame was rejected: nothing else in the replies of this chip does
    rejected = CHIP.field("STATUS2.SPI_ERR")
    assert rejected is not None
    assert f"0x{rejected.mask:03X}U, 0x000U, GD_STEP_EXPECT" in rows.pop()
    # and one after the settings were read back, that the chip has not been reset on the way
    reset = CHIP.field("STATUS2.POR")
    assert reset is not None
    [flag] = [r for r in rows if f"0x{reset.mask:03X}U, 0x000U, GD_STEP_EXPECT" in r]
    rows.remove(flag)
    assert len(rows) == len(actions)
    for row, action in zip(rows, actions, strict=True):
        frame, wait, mask, expect, kind = (c.strip() for c in row.strip("{},").split(","))
        if action.do == "wait":
            assert kind == "GD_STEP_WAIT"
            assert action.wait is not None
            assert int(wait[:-1]) >= action.wait.high * 1_000_000
            continue
        assert action.sent is not None
        assert int(frame[:-1], 16) == action.sent.word
        assert kind == ("GD_STEP_SEND" if action.expect is None else "GD_STEP_EXPECT")
        assert int(mask[:-1], 16) == action.mask
        assert int(expect[:-1], 16) == (action.expect or 0)


def test_the_watch_is_held_against_the_fault_tolerant_time() -> None:
    header = generate(STAGE, Options(prefix="gd")).header
    ticks = int(re.search(r"GD_WATCH_TICKS +(\d+)U", header)[1])  # type: ignore[index]
    assert ticks == len(body("gd_readback_steps", header)) + len(body("gd_locked_steps", header))
    most = int(re.search(r"GD_WATCH_PERIOD_MOST_US +(\d+)U", header)[1])  # type: ignore[index]
    # a rotation and the call that comes just too late, within the 200 ms of the stage less the controller's 100 us
    assert (ticks + 1) * most <= 199_900 < (ticks + 1) * (most + 1)


@pytest.mark.parametrize("language", ["c", "cpp", "rust"])
@pytest.mark.parametrize(
    ("controller", "actuator", "left"), [("500 us", "60 ms", 139_500), ("2 ms", "0.2 s", 0)]
)
def test_what_acts_after_the_watch_has_its_time(
    language: str, controller: str, actuator: str, left: int
) -> None:
    """By hand: 200 ms less the longest reaction of the controller and of the actuator; nothing left is no period."""
    stage = with_inputs(STAGE, {"controller.reaction": controller, "actuator.reaction": actuator})
    options = Options(prefix="gd")
    made = generate(stage, options) if language == "c" else generate_in(language, stage, options)
    text = " ".join(made.header.replace("\n//", "").split())

    def said(name: str) -> int:
        found = re.search(rf"\b(?:gd_)?{name}(?:: u\d+)?(?: =)? (\d+)U?\b", text, re.I)
        assert found is not None, name
        return int(found[1])

    ticks, most = said("watch_ticks"), said("watch_period_most_us")
    assert said("ftti_us") == 200_000
    assert (ticks + 1) * most <= left < (ticks + 1) * (most + 1)
    acting = 200_000 - left if left else 202_000
    assert f"whose reaction takes {acting} us" in text


def test_chosen_values_are_whole_numbers_with_their_unit() -> None:
    """By hand: 1 us of dead time, 120 mA of gate current, 250 mV of VDS threshold, as the stage asks."""
    header = generate(STAGE, Options(prefix="gd")).header
    for name in (
        "GD_TIMING_DEAD_TIME_NS_TYP",
        "GD_GATE_HS_SOURCE_MA_TYP",
        "GD_WATCHDOG_WINDOW_US_TYP",
    ):
        assert name in header
    assert re.search(r"#define GD_TIMING_DEAD_TIME_NS_TYP +1000U", header)
    assert re.search(r"#define GD_GATE_HS_SOURCE_MA_TYP +120U", header)
    assert re.search(r"#define GD_WATCHDOG_WINDOW_US_TYP +60000U", header)
    third = Fraction(1, 3)
    seconds = Band(low=third / 1000, typ=third, high=third, dim=(0, 0, 1, 0, 0))
    assert whole(seconds) == ("NS", (333333, 333333333, 333333334))
    assert whole(Band(low=-third, typ=third, high=third, dim=(1, 0, 0, 0, 0))) is None


def test_settings_stand_beside_their_frames() -> None:
    header = generate(STAGE, Options(prefix="gd")).header
    for setting in STAGE.settings:
        assert setting_text(setting) in header
    setting = next(s for s in STAGE.settings if s.name == "GATE_HS.SOURCE")
    wrong = replace(setting, asked="55 mA", choice=replace(setting.choice, error=Fraction(1, 11)))
    assert ", error +9.09 %, " in setting_text(wrong)


@pytest.mark.parametrize("section", SECTIONS)
def test_each_section_can_be_had_alone_and_left_out(section: str) -> None:
    alone = generate(STAGE, Options(prefix="gd", sections=select([section])))
    rest = generate(STAGE, Options(prefix="gd", sections=select(without=[section])))
    assert alone.header.count("#endif") >= 3
    assert rest.header != generate(STAGE, Options(prefix="gd")).header


def test_leaving_out_everything_is_refused() -> None:
    with pytest.raises(CallError, match="no section is left to generate; expected one at least of"):
        select(without=list(SECTIONS))
    with pytest.raises(CallError, match="no section is left"):
        Options(sections=())


def test_comments_of_the_documents_change_nothing(tmp_path: Path) -> None:
    """Neither tables nor hash, nor any other byte of the header."""
    folder = Path(CHIP.files[0]).parent
    made = []
    for number, remark in enumerate(
        ("", "# a remark\n\n", "#: another, longer one\n# and one more\n")
    ):
        there = tmp_path / str(number)
        there.mkdir()
        for name in ("quoll16", "coolant_pump"):
            text = (folder / f"{name}.yaml").read_text("utf-8")
            (there / f"{name}.yaml").write_text(
                remark + text.replace("\nsettings:", f"\n{remark}settings:"), "utf-8"
            )
        made.append(generate(load_stage(there / "coolant_pump.yaml"), Options(prefix="gd")))
    assert made[0].header == made[1].header == made[2].header
    assert made[0].hash == made[1].hash == made[2].hash


def test_options_that_c_cannot_tell_apart_are_told_apart() -> None:
    """`A+B`, `A-B` and `A/B` are three things: three macros, and a note for each."""
    text = Path(CHIP.files[-1]).read_text("utf-8")
    row = "options: {0: one_input, 1: reserved, 2: six_input, 3: three_input}"
    assert row in text
    changed = text.replace(row, "options: {0: A+B, 1: reserved, 2: A-B, 3: A/B}")
    chip, problems = read_map("m.yaml", text=changed)
    assert chip is not None, problems
    header = generate(chip, Options(prefix="gd"))
    macros = re.findall(r"#define (GD_MODE_\w+_A_B_[0-9A-F]{8}) +(\d)U", header.header)
    assert sorted(code for _, code in macros) == ["0", "2", "3"]
    assert len({name for name, _ in macros}) == 3
    assert sum("would be several things" in n for n in header.notes) >= 3


def test_every_command_stands_in_every_layout_that_carries_it() -> None:
    """Brute force: in each layout, whether a frame of the command can be built there and is that command."""
    chip = load_map("wombat24")
    header = generate(chip, Options(prefix="gd")).header
    assert "#define GD_PLAIN_COMMAND_DIAG_ON" in header
    assert "#define GD_SAFE_COMMAND_DIAG_ON" in header
    assert "#define GD_DIAG_COMMAND_DIAG_OFF" in header
    assert "GD_DIAG_COMMAND_DIAG_ON" not in header  # its data has more bits than that layout


def test_sections_pull_what_they_need() -> None:
    assert select(["run"]) == ("frames", "init", "run")
    assert "init" not in select(without=["frames"])
    with pytest.raises(CallError, match="cannot do without 'frames'"):
        select(["init"], ["frames"])
    with pytest.raises(CallError, match=r"no section 'mask'.*nearest: masks"):
        select(["mask"])


def test_header_and_source_belong_together() -> None:
    made = generate(STAGE, Options(prefix="gd", split=True, include="drive.h"))
    assert made.source is not None
    assert '#include "drive.h"' in made.source
    assert "extern const gd_step_t gd_init_steps[GD_INIT_STEPS_COUNT] GD_FLASH;" in made.header
    assert "static const" not in made.header
    with pytest.raises(CallError, match="cannot stand in an #include"):
        generate(STAGE, Options(split=True, include='a".h'))


def test_a_map_alone() -> None:
    made = generate(CHIP)
    assert made.prefix == "quoll16"
    assert "quoll16_step_t" not in made.header
    assert any("without a stage" in n for n in made.notes)
    assert made.files == CHIP.files


def test_names_that_meet_are_told_apart() -> None:
    """Register A with field B_C beside register A_B with field C: one stem for two fields."""
    fields = [
        Field(name="B_C", register="A", bits=(3, 2), access=Access.RW, reset=0),
        Field(name="C", register="A_B", bits=(1, 0), access=Access.RW, reset=0),
    ]
    registers = {
        f.register: Register(name=f.register, address=i, width=8, reset=0, fields=(f,))
        for i, f in enumerate(fields)
    }
    made = generate(replace(CHIP, registers=registers, faults={}, sequences={}, commands={}))
    defined = re.findall(r"#define (\w+)", made.header)
    assert len([d for d in defined if d.startswith("QUOLL16_A_B_C_MASK_")]) == 2
    assert "QUOLL16_A_B_C_MASK" not in defined
    assert any(n.startswith("mask of A.B_C is called") for n in made.notes)
    assert any(n.startswith("mask of A_B.C is called") for n in made.notes)


def test_names_outside_ascii_are_spelt_out_and_told() -> None:
    fields = tuple(
        Field(name=n, register="R", bits=(i,), access=Access.RW, reset=0)
        for i, n in enumerate(("ö", "ä"))
    )
    registers = {"R": Register(name="R", address=0, width=8, reset=0, fields=fields)}
    made = generate(replace(CHIP, registers=registers, faults={}, sequences={}, commands={}))
    assert made.header.isascii()
    assert "#define QUOLL16_R_U00F6_MASK" in made.header
    assert "#define QUOLL16_R_U00E4_MASK" in made.header
    assert any("is spelt U00F6" in n for n in made.notes)


def test_map_text_cannot_inject_code() -> None:
    evil = '*/ int evil; /* "); system("x ??/\n#error \\'
    register = next(iter(CHIP.registers.values()))
    fault = next(iter(CHIP.faults.values()))
    chip = replace(
        CHIP,
        title=evil,
        source=evil,
        registers={**CHIP.registers, register.name: replace(register, summary=evil)},
        faults={**CHIP.faults, fault.name: replace(fault, title=evil, meaning=evil)},
    )
    header = generate(chip, Options(prefix="gd")).header
    # without comments and strings nothing of it is left
    bare = re.sub(r'/\*.*?\*/|"(?:[^"\\]|\\.)*"', "", header, flags=re.S)
    for word in ("evil", "system", "#error \\", "??"):
        assert word not in bare
    assert "??" not in header


def test_checksum_that_c_cannot_feed_is_refused() -> None:
    text = """
gateword_map: 1
chip: {name: x, title: x, invented: yes}
spi: {mode: 0}
frames:
  w:
    length: 64
    command:
      a: {bits: 63..56, holds: address}
      d: {bits: 55..8, holds: data}
      c: {bits: 7..0, holds: crc, polynomial: 0x07, over: 63..8}
    reply:
      parts:
        d: {bits: 63..8, holds: data}
        c: {bits: 7..0, holds: crc, polynomial: 0x07, prefix: 0b10101, reflect_in: yes, over: 63..8, over_command: 63..0}
registers: {R: {address: 0, width: 8, reset: 0, fields: {F: {bits: 7..0}}}}
"""
    chip, problems = read_map("x.yaml", text=text.replace("0b10101", "0b" + "10" * 15 + "1"))
    assert chip is not None, problems
    with pytest.raises(CallError, match=r"part 'c' feeds its checksum with 151 bits"):
        generate(chip)


MUTE = """
gateword_map: 1
chip: {name: mute, title: a chip that answers nothing (invented), invented: yes}
spi: {mode: 0}
frames:
  w:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {write: 1, read: 0}}
      a: {bits: 14..8, holds: address}
      d: {bits: 7..0, holds: data}
registers:
  R: {address: 0, width: 8, reset: 0, fields: {F: {bits: 7..0, options: {0: "off", 1: "on"}}}}
  S: {address: 1, width: 8, reset: 0, access: ro, fields: {BAD: {bits: 0}}}
faults:
  BAD: {at: S.BAD, title: bad, severity: stop, meaning: bad}
"""


def test_a_chip_that_answers_nothing_expects_nothing(tmp_path: Path) -> None:
    (tmp_path / "mute.yaml").write_text(MUTE, "utf-8")
    (tmp_path / "stage.yaml").write_text(
        "gateword_stage: 1\nstage: {name: quiet, invented: yes}\nmap: mute.yaml\nsettings: {R.F: on}\n",
        "utf-8",
    )
    made = generate(load_stage(tmp_path / "stage.yaml"), Options(prefix="gd"))
    assert body("gd_init_steps", made.header) == ["{0x8001U, 0U, 0x00U, 0x00U, GD_STEP_SEND},"]
    assert "gd_read_status" not in made.header
    assert "gd_readback_steps" not in made.header
    assert any("'read back R' is left out, because frame w has no reply" in n for n in made.notes)
    (tmp_path / "gd.h").write_text(made.header, "ascii")
    flags = ["-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-fsyntax-only", "-x", "c"]
    if gcc := shutil.which("gcc"):
        subprocess.run([gcc, *flags, tmp_path / "gd.h"], check=True)


def test_causes_stand_before_what_follows() -> None:
    for name in ("quoll16", "numbat24", "bilby32"):
        chip = load_map(name)
        ordered = [f.name for f in causes_first(chip)]
        assert sorted(ordered) == sorted(chip.faults)
        for fault in chip.faults.values():
            for cause in fault.follows_from:
                assert ordered.index(cause) < ordered.index(fault.name)


@given(st.lists(st.text(st.sampled_from("aZ09._-/ #$+,@!ü"), min_size=1), min_size=1))
def test_depfile_names_every_file(files: list[str]) -> None:
    text = depfile("out dir/a$b#.h", files)
    assert text.startswith("out\\ dir/a$$b\\#.h: \\\n")
    assert text.count("\n\n") >= len(set(files))


def test_loading_is_light() -> None:
    code = (
        "import sys, regmap.cheader, regmap.stages.load as s; regmap.cheader.generate(s.load_stage('coolant_pump'));"
        "print([m for m in ('numpy','construct','prompt_toolkit','serial') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", ["numbat24", "potoroo40"])
def test_every_status_that_tells_of_a_rejected_frame_is_one(name: str) -> None:
    """Faults raised by wrong check bits alone, too: a part of the reply that holds one says `rejected`."""
    chip = load_map(name)
    rejecting = {n for n, f in chip.faults.items() if {"check_bits", "clocks"} & set(f.raised_by)}
    parts = {
        p.name
        for frame in chip.frames.values()
        for layout in frame.replies.values()
        for p in layout.parts
        if p.fault in rejecting
    }
    assert parts
    header = generate(chip, Options(prefix="gd")).header
    for part in parts:
        assert f"if (parts.{part}) {{\n            errors |= GD_FRAME_ERROR_REJECTED;" in header


def test_a_fault_says_what_clears_it() -> None:
    """By hand from the maps: a read, a 1 and a command, only a reset."""
    for name, fault, ways in (
        ("wombat24", "VDS", 1),
        ("numbat24", "OC_U", 2 + 32),
        ("numbat24", "TRIM_ERR", 16),
    ):
        assert clearing(load_map(name).faults[fault]) == ways
        header = generate(load_map(name), Options(prefix="gd")).header
        assert f", {ways}U, 0U, " in header
        assert "#define GD_CLEARED_BY_COMMAND" in header


def test_trip_currents_stand_in_the_header_as_in_the_checks() -> None:
    """Overcurrent by hand: 90 mV over 2 milliohm is 45 A; bounds as the checks give them, rounded outward."""
    stage = load_stage("conveyor_drum")
    found = {name: band for name, _, band in trip_currents(stage)}
    assert found["trip.overcurrent"].typ == 45
    verdicts = {v.check: v for v in assess(stage).verdicts}
    silent = verdicts["overcurrent.no-false-trip"].value
    assert silent is not None
    assert silent.low == pytest.approx(float(found["trip.overcurrent"].low))
    options = Options(prefix="gd", figures=trip_currents(stage))
    header = generate(stage, options).header
    for name, (low, high) in {
        "OVERCURRENT": (found["trip.overcurrent"].low, found["trip.overcurrent"].high),
        "VDS_HIGH": (found["trip.vds.high"].low, found["trip.vds.high"].high),
    }.items():
        ends = [
            int(re.search(rf"#define GD_TRIP_{name}_MA_{end} +(\d+)U", header)[1])  # type: ignore[index]
            for end in ("MIN", "MAX")
        ]
        assert ends[0] <= low * 1000 < ends[0] + 1
        assert ends[1] - 1 < high * 1000 <= ends[1]
    assert content_hash(stage, options, "gd") != content_hash(stage, Options(prefix="gd"), "gd")


def test_no_name_of_a_file_stands_in_header_or_source(tmp_path: Path) -> None:
    """The same stage in another folder, under another name, commented: the same bytes, with --source too."""
    known = bundled("devices")
    stage = "# to be read by people\n" + known["coolant_pump"].read_text("utf-8")
    stage = stage.replace("map: quoll16", "map: copied_map.yaml  # here")
    (tmp_path / "moved_stage.yaml").write_text(stage, "utf-8")
    map_text = known["quoll16"].read_text("utf-8").replace("\n", "\n# nothing\n", 3)
    (tmp_path / "copied_map.yaml").write_text(map_text, "utf-8")
    options = Options(prefix="gd", split=True, include="gd.h")
    moved = generate(load_stage(tmp_path / "moved_stage.yaml"), options)
    for text in (moved.header, str(moved.source)):
        for name in ("moved_stage", "copied_map", ".yaml", str(tmp_path)):
            assert name not in text
    # the hash of the documents is that of what they say, in whatever files
    assert moved.hash == generate(STAGE, options).hash
    assert moved.hash == generate(STAGE, replace(options, include="another.h")).hash
    # settings alone have a hash of their own, beside those of map and stage
    told = generate(STAGE, options).header
    [ours] = re.findall(r"settings\s+(?:\* )?(\w{16})", moved.header.replace("\n *", "\n"))
    [theirs] = re.findall(r"settings\s+(?:\* )?(\w{16})", told.replace("\n *", "\n"))
    assert ours == theirs


DUAL = """
gateword_map: 1
chip: {name: dual, title: values that depend on the supply (invented), invented: yes}
spi: {mode: 0}
frames:
  only:
    length: 16
    command:
      rw:   {bits: 15, holds: operation, codes: {read: 0, write: 1}}
      addr: {bits: 14..12, holds: address}
      data: {bits: 11..0, holds: data}
    reply:
      parts:
        two:  {bits: 15..12, holds: fixed, value: 1}
        data: {bits: 11..0, holds: data}
registers:
  A:
    address: 1
    width: 12
    reset: 0
    fields:
      CURRENT:
        bits: 2..0
        cases:
          - {when: supply < 8 V, table: {unit: mA, typ: [20, 40, 60, 80, 100, 120, 140, 160]}}
          - {table: {unit: mA, typ: [10, 20, 30, 40, 50, 60, 70, 80]}}
      LEVEL:
        bits: 3
        cases:
          - {when: supply < 8 V, options: {0: {name: low, value: 2 V}, 1: {name: high, value: 4 V}}}
          - {options: {0: {name: low, value: 1 V}, 1: {name: high, value: 3 V}}}
    reserved: {11..4: 0}
sequences:
  configure: [{configure: [A]}]
"""


@pytest.mark.parametrize(("supply", "low"), [("6 / 12 / 16 V", True), ("9 / 12 / 16 V", False)])
def test_values_that_depend_on_the_supply_are_told_for_all_of_it(
    supply: str, low: bool, tmp_path: Path
) -> None:
    """By hand: code 3 is 40 mA at 12 V and 80 mA below 8 V, `high` 3 V and 4 V."""
    (tmp_path / "dual.yaml").write_text(DUAL, "utf-8")
    (tmp_path / "stage.yaml").write_text(
        "gateword_stage: 1\nstage: {name: dual, invented: yes}\nmap: dual.yaml\n"
        f"supply.voltage: {supply}\nsettings: {{A.CURRENT: 40 mA, A.LEVEL: high}}\n", "utf-8",
    )  # fmt: skip
    header = generate(load_stage(tmp_path / "stage.yaml"), Options(prefix="gd")).header
    numbers = dict(re.findall(r"#define (GD_A_\w+_M[AV]_M?\w+) +(\d+)U", header))
    assert [numbers[f"GD_A_CURRENT_MA_{e}"] for e in ("MIN", "TYP", "MAX")] == [
        "40",
        "40",
        "80" if low else "40",
    ]
    assert [numbers[f"GD_A_LEVEL_MV_{e}"] for e in ("MIN", "TYP", "MAX")] == [
        "3000",
        "3000",
        "4000" if low else "3000",
    ]
    text = " ".join(header.replace("\n     * ", " ").split())
    told = "chosen 40 mA, no error at the typical supply, 80 mA elsewhere in its range, code 3"
    assert (told in text) == low
    assert ("chosen 40 mA, no error, code 3" in text) != low
    # an option of one name has the value of each case beside it
    assert re.search(r"GD_A_LEVEL_HIGH +1U +/\* 4 V; while supply < 8 V; 3 V; else \*/", header)


def test_bits_to_keep_of_a_chip_that_only_takes_writes(tmp_path: Path) -> None:
    """They cannot be read, so they are written as after a reset, and a note says so; once no header came at all."""
    (tmp_path / "m.yaml").write_text(
        """gateword_map: 1
chip: {name: deaf, invented: yes}
spi: {mode: 1}
frames:
  word: {length: 16, command: {address: {bits: 15..8, holds: address}, data: {bits: 7..0, holds: data}}}
registers:
  KEPT: {address: 2, reset: 0x90, reserved: {7..4: keep}, fields: {A: {bits: 3..0}}}
""",
        encoding="utf-8",
    )
    (tmp_path / "s.yaml").write_text(
        "gateword_stage: 1\nstage: {name: s}\nmap: m.yaml\nsettings: {KEPT.A: 5}\n",
        encoding="utf-8",
    )
    made = generate(load_stage(tmp_path / "s.yaml"))
    assert "{0x0295U, " in made.header
    assert any("KEPT: bits 0xF0 must stay as they are, but cannot be read" in n for n in made.notes)


def test_notes_in_other_languages_name_what_stands_there() -> None:
    """Options that one name would mean, words of the language, parts: each note's name is an identifier of that very text."""
    text = Path(CHIP.files[-1]).read_text("utf-8")
    row = "options: {0: one_input, 1: reserved, 2: six_input, 3: three_input}"
    chip, problems = read_map(
        "m.yaml", text=text.replace(row, "options: {0: A+B, 1: A-B, 2: A/B, 3: default}")
    )
    assert chip is not None, problems
    told = {}
    for language, made in (
        ("c", generate(chip, Options(prefix="gd"))),
        ("cpp", generate_in("cpp", chip, Options(prefix="gd"))),
        ("rust", generate_in("rust", chip, Options(prefix="gd"))),
    ):
        code = re.sub(r"/\*.*?\*/|//[^\n]*", "", made.header, flags=re.DOTALL)
        words = set(re.findall(r"\w+", code))
        told[language] = [m[1] for n in made.notes if (m := re.search(r" is called (\w+)", n))]
        assert told[language]
        assert [w for w in told[language] if w not in words] == [], language
    assert {"a_b", "a_b_code_1", "a_b_code_2", "default_"} <= set(told["cpp"])
    assert {"A_B", "A_B_CODE_1", "A_B_CODE_2"} <= set(told["rust"])
    assert not [w for w in told["cpp"] + told["rust"] if w.startswith("GD_")]


def test_names_of_files_change_neither_hash(tmp_path: Path) -> None:
    """Of a stage, what it extends, a part, a map and what that extends; what they say changes that of the documents."""
    base = Path(CHIP.files[0]).read_text("utf-8")
    pump = Path(STAGE.files[0]).read_text("utf-8")
    ours = "gateword_map: 1\nextends: {base}\nchip: {{name: quoll16, title: Invented, invented: yes}}\n"
    part = (
        "gateword_part: 1\npart: {name: second source, invented: yes}\nmosfet: {rdson: 2.5 mohm}\n"
    )
    made = []
    for number, (top, below, fet, ours_in, base_in) in enumerate(
        (("a", "b", "c", "d", "e"), ("v", "w", "x", "y", "z"), ("a", "b", "c", "d", "e"))
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / f"{base_in}.yaml").write_text(base, "utf-8")
        (folder / f"{ours_in}.yaml").write_text(ours.format(base=f"{base_in}.yaml"), "utf-8")
        (folder / f"{fet}.yaml").write_text(
            part.replace("2.5", "2.4") if number == 2 else part, "utf-8"
        )
        (folder / f"{below}.yaml").write_text(
            pump.replace("map: quoll16", f"map: {ours_in}.yaml"), "utf-8"
        )
        text = f"gateword_stage: 1\nextends: {below}.yaml\nmosfet: {fet}.yaml\n"
        (folder / f"{top}.yaml").write_text(text, "utf-8")
        made.append(load_stage(folder / f"{top}.yaml"))
    texts = [generate(stage, Options(prefix="gd")) for stage in made]
    assert texts[0].hash == texts[1].hash
    assert texts[0].hash != texts[2].hash
    macros = [re.findall(r"#define GD_SETTINGS_HASH(?:_TEXT)? +(\S+)", t.header) for t in texts]
    assert macros[0] == macros[1] == macros[2]
    assert len(macros[0]) == 2


def test_the_hash_of_settings_alone_follows_the_settings_alone(tmp_path: Path) -> None:
    pump = Path(STAGE.files[0]).read_text("utf-8").replace("map: quoll16", f"map: {CHIP.files[0]}")
    known = set()
    for old, new in (("", ""), ("title:", "title: Other;"), ("FILTER: 1 us", "FILTER: 500 ns")):
        path = tmp_path / "stage.yaml"
        path.write_text(pump.replace(old, new, 1) if old else pump, "utf-8")
        stage = load_stage(path)
        found = [
            re.findall(r"(?i)settings_hash(?:: u32)? *=? (0x\w{8})", t)
            for t in (
                generate(stage, Options(prefix="gd")).header,
                generate_in("cpp", stage, Options(prefix="gd")).header,
                generate_in("rust", stage, Options(prefix="gd")).header,
            )
        ]
        assert found[0] == found[1] == found[2]
        known.add(found[0][0])
    assert len(known) == 2


NAMING = re.compile(r"^(map|extends): *(\w+?)(?:\.yaml)?$", re.MULTILINE)


@pytest.fixture(scope="module")
def under_other_names(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Every bundled document in a folder elsewhere, each under another name, by which the others name it."""
    folder = tmp_path_factory.mktemp("elsewhere") / "deeper"
    folder.mkdir()
    moved = {}
    for name, path in sorted(bundled("devices").items()):
        text = NAMING.sub(r"\1: moved_\2.yaml", path.read_text("utf-8"))
        moved[name] = folder / f"moved_{name}.yaml"
        moved[name].write_text("# comments, too, change nothing\n\n" + text, "utf-8")
    return moved


@pytest.mark.parametrize("name", sorted(bundled("devices")))
def test_what_files_are_called_and_where_they_lie_changes_no_byte(
    name: str, under_other_names: dict[str, Path]
) -> None:
    """Header, source and test for the target in every language: the digests of documents that stand in them as well."""
    is_map = "\ngateword_map:" in "\n" + bundled("devices")[name].read_text("utf-8")
    load = load_map if is_map else load_stage
    here, there = load(name), load(under_other_names[name])
    texts = []
    for source in (here, there):
        files = {str(Path(f).name) for f in source.files}
        made = [
            generate(source, Options(prefix="gd")).header,
            *(lambda m: (m.header, m.source or ""))(
                generate(source, Options(prefix="gd", split=True, include="gd.h"))
            ),
            self_test(source, Options(prefix="gd"), "gd.h"),
        ]
        for language in ("cpp", "rust"):
            made.append(generate_in(language, source, Options(prefix="gd")).header)
            made.append(self_test_in(language, source, Options(prefix="gd"), "gd.hpp"))
        texts.append(made)
        assert not [f for f in files for text in made if f in text]
    assert all(texts[0])
    assert texts[0] == texts[1]


def test_a_map_of_another_name_in_a_chain_and_in_a_variant_changes_no_byte(tmp_path: Path) -> None:
    """`chain.maps` and the `map` of a second board name files, too."""
    ours, base = (bundled("devices")[n].read_text("utf-8") for n in ("quokka16", "quoll16"))
    texts = []
    for number, name in enumerate(("a", "another")):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / f"{name}.yaml").write_text(NAMING.sub(rf"\1: {name}_base.yaml", ours), "utf-8")
        (folder / f"{name}_base.yaml").write_text(base, "utf-8")
        made = []
        for position in (0, 1):
            path = folder / f"{name}_stage_{position}.yaml"
            path.write_text(
                f"gateword_stage: 1\nstage: {{name: s{position}, invented: yes}}\nmap: {name}.yaml\n"
                f"chain: {{maps: [{name}.yaml, {name}.yaml], position: {position}}}\n", "utf-8",
            )  # fmt: skip
            made.append(load_stage(path))
        alone = []
        for board in (0, 1):
            path = folder / f"{name}_board_{board}.yaml"
            path.write_text(
                f"gateword_stage: 1\nstage: {{name: b{board}, invented: yes}}\nmap: {name}.yaml\n", "utf-8",
            )  # fmt: skip
            alone.append(load_stage(path))
        options = Options(prefix="gd")
        texts.append(
            [
                generate(made[0], options, made[1:]).header,
                generate_in("cpp", made[0], options, made[1:]).header,
                generate_in("rust", made[0], options, made[1:]).header,
                generate(alone[0], options, (), alone[1:]).header,
            ]
        )
    assert texts[0] == texts[1]


def test_of_several_boards_it_is_said_whose_the_times_and_values_are() -> None:
    boards = [load_stage("coolant_pump"), load_stage("pump_second_source")]
    header = generate(boards[0], Options(prefix="gd"), (), boards[1:]).header
    left = {s.name: s.params["safety.ftti"].value.low for s in boards if "safety.ftti" in s.params}  # type: ignore[union-attr]
    least = min(left, key=lambda n: left[n])
    assert f"interval of the stage {least}, which leaves the least time" in header
    assert "the longest of all" in header
    assert "/* --- what stage pump_second_source chose ---" in header
    alone = generate(boards[0], Options(prefix="gd")).header
    assert "fault tolerant time interval of the stage */" in alone
