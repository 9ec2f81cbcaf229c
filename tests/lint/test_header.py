"""Hand-written headers against a map: what disagrees is named at its place, what was not judged too."""

from __future__ import annotations

import operator
import os
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from regmap.cheader import Options, generate
from regmap.cheader.languages import generate_in
from regmap.chip.model import Chip
from regmap.lint.defines import Define, evaluated
from regmap.lint.header import lint
from regmap.lint.preprocess import preprocess
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

#: GATEWORD_ALL=1 takes every prefix
ALL = os.environ.get("GATEWORD_ALL") == "1"


def read_defines(text: str) -> list[Define]:
    """Every macro with a body, evaluated."""
    unit = preprocess(text, "h.h")
    return [evaluated(item, unit.evaluator) for item in unit.items]


MAPS = ("quoll16", "numbat24", "wombat24", "bilby32", "potoroo40", "quokka16", "kowari16")
STAGES = (
    "coolant_pump",
    "conveyor_drum",
    "radiator_fan",
    "fan_second_source",
    "pump_second_source",
)
CHIP = load_map("quoll16")

GOOD = """
#define DRV_STATUS1            0x0
#define DRV_MODE_ADDR          (0x3)
#define DRV_GATE_HS_REG        0x4u          /* GATE_HS */
#define DRV_GATE_HS_SINK_Pos   4
#define DRV_GATE_HS_SINK_Msk   (0xFUL << DRV_GATE_HS_SINK_Pos)  /* bits 7..4 */
#define DRV_GATE_HS_SOURCE_MASK 0x00F
#define DRV_GATE_HS_SINK_75mA  5             // 75 mA
#define DRV_GATE_LS_SINK_51mA  (3u << 4)     /* 51 mA, in place */
#define DRV_TIMING_RESET       UINT16_C(0x297)
#define DRV_TIMING_INIT        0x265         /* 1 us dead time, 2 us full-drive time, 2 us blanking */
#define DRV_SENSE_GAIN_WIDTH   2
#define DRV_STATUS1_OT         BIT(9)
#define DRV_STATUS1_UV_SUPPLY  (1 << 8)      /* bit 8 */
#define DRV_WATCHDOG_ACTION    3             /* a bit number */
"""

BAD = [
    ("DRV_GATE_HS_REG 0x5", "address 0x5", "0x4, the address of GATE_HS"),
    ("DRV_GATE_HS_SINK_SHIFT 5", "shift 5", "4, bits 7..4 of GATE_HS"),
    ("DRV_GATE_HS_SINK_MASK 0x1F0", "mask 0x1F0 of 5 bits", "0x0F0, bits 7..4 of GATE_HS"),
    ("DRV_GATE_HS_SINK_MASK (0xF << 3)", "mask 0x078", "0x0F0, bits 7..4 of GATE_HS"),
    ("DRV_VDS_THRESHOLD_WIDTH 5", "width 5", "4, bits 7..4 of VDS"),
    ("DRV_VDS_RESET 0x090", "reset word 0x090", "0x0A0 for VDS; THRESHOLD differs"),
    ("DRV_GATE_HS_SINK_75mA 4", "0x4 for '75mA'", "code 5 (0x50 in place) of GATE_HS.SINK"),
    ("DRV_MODE_PWM_ODD 5", "0x5", "a code of 2 bits for MODE.PWM, 0..3, or bits within 0x3"),
    ("DRV_STATUS1_OT 2", "0x002", "0x200 or 9, bit 9 of STATUS1"),
    ("DRV_TIMING_INIT 0x400", "0x400", "a word of 10 bits for TIMING"),
    ("DRV_TIMING_INIT 0x26D", "reserved bits 0x008", "0x000 in the reserved bits of TIMING"),
    ("DRV_MODE_ADDR 0x3 /* 0x4 */", "0x3 beside the comment 0x4", "the same number in both"),
    (
        "DRV_GATE_HS_SINK_MASK 0xF0 /* bits 8:5 */",
        "a comment that says bits 8..5",
        "bits 7..4 of GATE_HS",
    ),
    (
        "DRV_TIMING_INIT 0x265 /* 2 us dead time */",
        "a comment that says 2 us",
        "what the number holds: DEAD_TIME 1 us",
    ),
    (
        "DRV_GATE_HS_SINK_75mA 5 /* 62 mA */",
        "a comment that says 62 mA",
        "what the number holds: SINK 75 mA",
    ),
]
# names that make the prefix plain beside the one line in question
ANCHOR = "\n#define DRV_LOCK_ADDR 0xB\n#define DRV_SUPPLY_ADDR 0xC\n"


def test_a_sound_header_has_no_findings() -> None:
    result = lint(CHIP, GOOD, "good.h")
    assert result.problems == ()
    assert result.skipped == ()
    assert result.read == 14
    assert result.prefix == "DRV"


@pytest.mark.parametrize(("line", "found", "expected"), BAD)
def test_each_kind_of_mistake(line: str, found: str, expected: str) -> None:
    [problem] = lint(CHIP, f"#define {line}{ANCHOR}", "bad.h").problems
    assert problem.found == found
    assert problem.expected == expected
    assert problem.place.line == 1
    name, _, rest = line.partition(" ")
    assert problem.path == name
    assert problem.place.column == len("#define ") + len(name) + 2
    assert problem.place.text.startswith(f"#define {name} {rest[:3]}")
    assert str(problem).startswith("bad.h:1:")


def test_masks_that_overlap_are_found_in_the_header_itself() -> None:
    text = "#define DRV_GATE_HS_SINK_MASK 0x0F0\n#define DRV_GATE_HS_SOURCE_MASK 0x01F" + ANCHOR
    problems = lint(CHIP, text, "bad.h").problems
    assert [p.place.line for p in problems] == [2, 2]
    assert "shares 0x10 with DRV_GATE_HS_SINK_MASK (line 1)" in problems[1].found


def test_what_was_not_read_is_told_with_the_reason() -> None:
    text = """
#define DRV_SET(x) (x)
#define DRV_GATE_HS_SINK_MASK sizeof(long)
#define DRV_GATE_LS_SINK_MASK DRV_GATE_LS_SINK_MASK
#define DRV_VDS_RESET 1.5
#define DRV_MODE_RESET 089
#define DRV_TIMNG_ADDR 6
#define DRV_LOCK_RESET (1 << 99)
#define DRV_SENSE_RESET (3
#define DRV_SUPPLY_RESET 1 / 0
"""
    result = lint(CHIP, text + ANCHOR, "h.h")
    assert result.problems == ()
    assert result.unread == 9
    reasons = [p.found for p in result.skipped]
    assert "takes arguments" in reasons[0]
    assert "'sizeof' is not a macro" in reasons[1]
    assert "defined by itself" in reasons[2]
    assert "'089' is no octal number" in reasons[4]
    assert result.skipped[5].nearest == "TIMING"
    assert "a shift by 99" in reasons[6]
    assert "bracket" in reasons[7]
    assert "division by zero" in reasons[8]


@pytest.mark.one_in(2)
@pytest.mark.parametrize("name", MAPS)
def test_the_generated_header_is_sound_by_this_reading(name: str) -> None:
    """The other direction as an oracle: addresses, masks, shifts, options and reset words agree."""
    chip = load_map(name)
    result = lint(chip, generate(chip, Options(prefix="gd")).header, f"{name}.h")
    fields = sum(len(r.fields) for r in chip.registers.values())
    assert result.problems == (), [str(p) for p in result.problems][:5]
    assert result.read >= 3 * fields
    # each function by itself costs little: none is left out for what those before it cost
    assert [p.found for p in result.skipped if "nested" in p.found] == []


@pytest.mark.one_in(2)
@pytest.mark.parametrize("name", STAGES)
def test_a_generated_header_of_a_stage_is_sound_too(name: str) -> None:
    stage = load_stage(name)
    assert lint(stage.chip, generate(stage, Options(prefix="gd")).header, "gd.h").problems == ()
    values = "#define DRV_TIMING_DEAD_TIME_NS 1000\n#define DRV_MODE_PWM_FREQ_HZ 20000\n"
    assert lint(CHIP, values + ANCHOR, "h.h").problems == ()


@pytest.mark.one_in(3)
@pytest.mark.parametrize("name", [*MAPS, *STAGES])
@pytest.mark.parametrize("prefix", ["gd", "", "acme_drv"] if ALL else [""])
def test_what_is_generated_in_cpp_is_sound_too(prefix: str, name: str) -> None:
    source = load_map(name) if name in MAPS else load_stage(name)
    chip = source if isinstance(source, Chip) else source.chip
    made = generate_in("cpp", source, Options(prefix=prefix or source.name)).header
    result = lint(chip, made, f"{name}.hpp")
    assert result.problems == (), [str(p) for p in result.problems][:5]
    assert result.read >= 2 * sum(len(r.fields) for r in chip.registers.values())


def test_one_header_for_two_boards_is_sound_for_each() -> None:
    stage, other = load_stage("coolant_pump"), load_stage("pump_second_source")
    text = generate(stage, Options(prefix="gd"), [], [other]).header
    for board in ("0", "1"):
        result = lint(stage.chip, text, "gd.h", None, {"GD_VARIANT": board})
        assert result.problems == (), [str(p) for p in result.problems][:5]


def test_lines_comments_and_splices() -> None:
    text = (
        "#define A 1 /* one\n   more */\n# define B \\\n  (A + \\\n 2) // three\r\n"
        '/* #define C 4 */\n#define D "/* no comment */"\n#define E 0x1F\'\n#define F (uint8_t)~A'
    )
    items = {i.name: i for i in read_defines(text)}
    assert items["A"].value == 1
    assert items["A"].comment == "one more"
    assert (items["B"].value, items["B"].line, items["B"].comment) == (3, 3, "three")
    assert "C" not in items
    assert items["D"].value is None
    assert items["F"].value == 254  # unsigned, ISO C 6.3.1.3


@given(st.text(st.sampled_from("#define AB_()<>|&~+-*/%0123456789xuUL \\\n\"'/*.,")))
def test_any_text_is_survived(text: str) -> None:
    lint(CHIP, text, "x.h")
    lint(CHIP, "#define DRV_MODE_RESET " + text, "x.h")


class Int:
    """An `int` of 32 bits: what leaves it comes back at the other end, as every compiler here has it."""

    def __init__(self, value: int) -> None:
        self.value = (value + (1 << 31)) % (1 << 32) - (1 << 31)

    def __invert__(self) -> Int:
        return Int(~self.value)

    def __neg__(self) -> Int:
        return Int(-self.value)


for _operator in ("add", "sub", "mul", "and", "or", "xor", "lshift", "rshift"):
    _function = getattr(operator, f"__{_operator}__")
    setattr(Int, f"__{_operator}__", lambda a, b, f=_function: Int(f(a.value, b.value)))


@example("~~1 << 2 + 29")
@example("1 << 2 + 29 >> 1 | 0")
@given(st.recursive(st.integers(0, 255).map(str), lambda inner: st.one_of(
    st.tuples(inner, st.sampled_from(["+", "-", "*", "|", "&", "^"]), inner).map(lambda t: f"({t[0]} {t[1]} {t[2]})"),
    inner.map(lambda e: f"~{e}"), inner.map(lambda e: f"(-{e})"),
    st.tuples(inner, st.sampled_from(["+", "-", "*", "|", "&", "^", "<< 2 +", ">> 1 |"]), inner).map(" ".join),
), max_leaves=12))  # fmt: skip
def test_expressions_by_the_rules_of_c(text: str) -> None:
    """Python's integers with C's precedence of these operators (ISO C 6.5) as the oracle."""
    # Python binds | ^ & << + in the same order as C does; comparisons do not occur
    [item] = read_defines(f"#define X {text}")
    assume("shift" not in item.why)
    assert item.value == eval(re.sub(r"\d+", r"Int(\g<0>)", text)).value, text


def test_expressions_as_the_compiler_has_them(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    texts = [
        "1 << 2 + 3",
        "0x10 | 1 ^ 3 & 2",
        "7 / 2 * 2",
        "-7 / 2",
        "-7 % 4",
        "(int)~0 & 0xF",
        "010 + 1",
        "5 - 3 - 1",
    ]
    lines = [f'printf("%d\\n", ({t}));' for t in texts]
    (tmp_path / "t.c").write_text(
        "#include <stdio.h>\nint main(void){" + "\n".join(lines) + "return 0;}\n"
    )
    subprocess.run([need_tool("gcc"), "-w", "t.c", "-o", "t"], cwd=tmp_path, check=True)
    got = subprocess.run([tmp_path / "t"], capture_output=True, text=True, check=True).stdout
    assert [i.value for t in texts for i in read_defines(f"#define X {t}")] == [
        int(n) for n in got.split()
    ]


def test_macros_within_macros_cost_no_more_than_their_text() -> None:
    """Each name is evaluated once: thirty levels that double (2^29 ways), or a thousand, end."""
    text = "#define A0 1\n" + "".join(f"#define A{i} (A{i - 1} + A{i - 1})\n" for i in range(1, 30))
    assert read_defines(text)[29].value == 1 << 29
    calls = "#define F0(x) ((x) + 1)\n" + "".join(
        f"#define F{i}(x) (F{i - 1}(x) + F{i - 1}(x))\n" for i in range(1, 40)
    )
    items = {i.name: i for i in read_defines(f"{calls}#define B F39(1)\n")}
    assert items["B"].value is None
    assert "nested too deeply" in items["B"].why
    chain = "#define C0 1\n" + "".join(f"#define C{i} C{i - 1}\n" for i in range(1, 3000))
    assert read_defines(chain)[10].value == 1


@pytest.mark.parametrize(
    "text", ["(" * 190 + "1" + ")" * 190, "(" * 100_000, "~" * 5000 + "1", "1" + "?1:1" * 1500]
)
def test_deep_nesting_ends_in_a_message(text: str) -> None:
    result = lint(CHIP, f"#define DRV_MODE_RESET {text}\n{ANCHOR}", "h.h")
    assert result.problems == ()
    [skipped] = result.skipped
    assert "nested too deeply" in skipped.found
    deep = "struct a {" * 300 + "int x : 1;" + "};" * 300
    result = lint(CHIP, f"enum {{ DRV_MODE_RESET = {text} }};\n{deep}\n{ANCHOR}", "h.h")
    assert any("nested too deeply" in p.found for p in result.skipped)


def test_brackets_within_macros_within_macros_end_in_a_message() -> None:
    """Each within its bound, both together deeper than the evaluator can go: once a traceback."""
    rows = [f"#define A{n} {'(' * 90}A{n + 1}{')' * 90}" for n in range(30)]
    text = "\n".join([*rows, "#define A30 1", "#define DRV_MODE_RESET A0", ANCHOR])
    assert any("nested too deeply" in p.found for p in lint(CHIP, text, "h.h").skipped)


def test_nothing_compared_is_a_finding() -> None:
    for text in ("", "int main(void) { return 0; }\n", "#define OTHER_THING 3\n"):
        [problem] = lint(CHIP, text, "h.h").problems
        assert "nothing that could be compared with quoll16" in problem.found
        assert problem.severity == "error"


def test_an_included_header_gives_values() -> None:
    text = '#include "base.h"\n#define DRV_MODE_ADDR (BASE + 3)\n#define DRV_VDS_ADDR (BASE + 8)\n'
    assert lint(CHIP, text + ANCHOR, "h.h").unread == 3  # the file too
    result = lint(CHIP, text + ANCHOR, "h.h", lambda _of, name: (name, "#define BASE 0\n"))
    assert result.unread == 0
    [problem] = result.problems
    assert problem.place.line == 3


@pytest.mark.parametrize(("one", "two"), [("t1us", "t2_2us"), ("v1us", "v2_2us")])
def test_codes_that_are_swapped_in_a_scoped_enumeration_are_found(one: str, two: str) -> None:
    """By the map 1 us is code 2 and 2.2 us code 3 of TIMING.FILTER."""
    text = f"namespace quoll {{ namespace timing {{ constexpr unsigned address = 6; namespace filter {{\nenum class option : unsigned char {{ {one} = 3, {two} = 2 }};\n}} }} }}\n"
    assert [p.expected[:6] for p in lint(CHIP, text, "e.hpp").problems] == ["code 2", "code 3"]
    text = text.replace("= 3", "= 2", 1).replace(f"{two} = 2", f"{two} = 3")
    assert lint(CHIP, text, "e.hpp").problems == ()


@pytest.mark.parametrize(
    ("name", "code", "wrong"),
    [
        ("TIMING_FILTER_1000NS", 2, 3),
        ("TIMING_FILTER_2200_NS", 3, 2),
        ("SENSE_GAIN_36", 2, 3),
        ("GATE_HS_SINK_51000UA", 3, 4),
        ("GATE_HS_SINK_0P051A", 3, 4),
        ("TIMING_BLANKING_3US3", 2, 1),
        ("TIMING_BLANKING_3P3US", 2, 1),
        ("SENSE_GAIN_36X", 2, 3),
        ("SENSE_GAIN_36_V_V", 2, 3),
        ("SUPPLY_UV_5500MV", 1, 2),
        ("SUPPLY_UV_5V5", 1, 2),
        ("SUPPLY_UV_5V50", 1, 2),
    ],
)
def test_an_option_by_its_value_in_another_spelling(name: str, code: int, wrong: int) -> None:
    """By the map: 1 us and 2.2 us are codes 2 and 3 of FILTER, a gain of 36 is code 2, 51 mA is code 3 of SINK."""
    line = f"#define DRV_{name} {{}}{ANCHOR}"
    assert lint(CHIP, line.format(code), "h.h").problems == ()
    [problem] = lint(CHIP, line.format(wrong), "h.h").problems
    assert problem.expected.startswith(f"code {code} ")


@pytest.mark.parametrize("comment", ["", " /* the slow one */", " // see page 12", " /* 5 V */"])
def test_a_name_that_tells_no_option_is_not_counted_as_compared(comment: str) -> None:
    result = lint(CHIP, f"#define DRV_TIMING_FILTER_SLOW 3{comment}{ANCHOR}", "h.h")
    assert (result.read, result.problems) == (2, ())
    assert [p.found for p in result.skipped] == [
        "'DRV_TIMING_FILTER_SLOW' names no option of TIMING.FILTER"
    ]


def test_a_name_that_tells_no_option_is_compared_by_its_comment() -> None:
    line = f"#define DRV_TIMING_FILTER_SLOW 3 /* {{}} */{ANCHOR}"
    sound = lint(CHIP, line.format("2.2 us"), "h.h")
    assert (sound.read, sound.problems, sound.skipped) == (3, (), ())
    assert [p.found for p in lint(CHIP, line.format("1 us"), "h.h").problems] == [
        "a comment that says 1 us"
    ]
