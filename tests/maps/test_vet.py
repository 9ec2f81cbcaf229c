"""What vet warns of in a sound map, and how known frames are proven."""

from __future__ import annotations

import functools
import itertools
import operator
from pathlib import Path

import pytest

from regmap.errors import CallError
from regmap.frames.codec import Codec
from regmap.maps.load import load_map, read_map
from regmap.maps.vet import check_map, vet

BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")
CRC = "crc:     {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}"


def findings(*changes: tuple[str, str]) -> list[str]:
    """Severity and text of every problem of the base with these changes."""
    text = BASE
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    _, problems = check_map("map.yaml", text=text)
    return [f"{p.severity} {p.place.line}: {p.found}" for p in problems]


def one(*changes: tuple[str, str]) -> str:
    (text,) = findings(*changes)
    return text


@pytest.mark.parametrize(
    "name", ["quoll16", "quokka16", "kowari16", "numbat24", "bilby32", "potoroo40", "wombat24"]
)
def test_shipped_maps_vet_clean(name: str) -> None:
    assert [str(p) for p in vet(load_map(name))] == []


# --- warnings ---------------------------------------------------------------------------------------
def test_gaps_in_options() -> None:
    assert one(
        ("{0: six_input, 1: three_input, 2..3: reserved}", "{0: six_input, 1: three_input, 2: x}")
    ) == ("warning 47: MODE.PWM says nothing of code 3")
    assert (
        one(("6: 70 mA, 7: 80 mA}", "6: 70 mA}")) == "warning 57: GATE.LOW says nothing of code 7"
    )


def test_codes_outside_a_scale() -> None:
    assert one(("offset: 50 ns,", "offset: 50 ns, first: 2, last: 12,")) == (
        "warning 48: MODE.TIME says nothing of codes 15..13, 1..0"
    )


def test_a_reset_that_no_option_names() -> None:
    found = findings(
        ("{0: six_input, 1: three_input, 2..3: reserved}", "{0: six_input, 2: a, 3: b}"),
    )
    assert found == [
        "warning 47: MODE.PWM says nothing of code 1",
        "warning 47: MODE.PWM resets to code 1, which no option names",
    ]


def test_meanings_that_are_never_reached() -> None:
    cases = (
        "cases: [{when: GATE.LOW == 1, options: {0: a, 1: b}}, {when: GATE.LOW == 1, options: {0: c, 1: d}},"
        " {options: {0: off, 1: on}}]"
    )
    assert one(('options: {0: "off", 1: "on"}', cases)) == (
        "warning 49: MODE.RUN has a second case for `GATE.LOW == 1`, which is never reached"
    )


def test_commands_that_cannot_be_told_apart() -> None:
    twin = "commands:\n  AGAIN:\n    parts: {op: 3, page: 0, address: 1, data: 0x5A}\n"
    assert one(("commands:\n", twin)) == "warning 33: command CLEAR has the same parts as AGAIN"


def test_faults_without_help() -> None:
    assert one(("    causes: [supply]\n", "")) == "warning 88: fault UV has no causes"
    assert one(("    causes: [supply]\n    check_first: [supply]\n", "")) == (
        "warning 88: fault UV has no causes and no check_first"
    )


def test_a_mode_that_only_reports_and_no_fault_that_says_so() -> None:
    mode = ("2..3: reserved}", "2..3: report}, role: uv.mode")
    assert (
        one(mode) == "warning 47: MODE.PWM can be report, and no fault is reported_only_when it is"
    )
    said = (
        "    cleared_by: [read]\n",
        "    cleared_by: [read]\n    reported_only_when: MODE.PWM == report\n",
    )
    assert not findings(mode, said)


def test_a_field_that_looks_like_a_role() -> None:
    found = findings(("TIME: {bits: 5..2, role: deadtime,", "DEAD: {bits: 5..2,"),
                     ("MODE.TIME", "MODE.DEAD"))  # fmt: skip
    assert found == ["warning 48: MODE.DEAD has no role but looks like deadtime"]


@pytest.mark.parametrize(
    ("polynomial", "distance"),
    [
        # HD 4 up to 119 data bits: P. Koopman's published tables of short CRC polynomials (0x107)
        (0x07, 4),
        # the others are computed for this test by trying every pair and triple of flipped bits
        (0x2F, 4),
        (0x1D, 3),
        (0x4D, 3),
        (0x01, 2),
    ],
)
def test_the_hamming_distance_is_told(polynomial: int, distance: int) -> None:
    assert lightest(polynomial) == distance
    found = findings(
        (CRC, CRC.replace("0x2F", f"0x{polynomial:X}")),
        ("{does: CLEAR, command: 0xC25A97", "{does: CLEAR, reply: 0"),
    )
    told = [f for f in found if "Hamming" in f]
    if distance == 4:
        assert told == []
        return
    text = (
        f"CRC polynomial 0x{polynomial:X} over 16 bits guarantees Hamming distance {distance} only"
    )
    # in a command a parity bit notices every odd number of flips too; a reply has the checksum alone
    lines = (19, 28) if distance == 2 else (28,)
    assert told == [f"warning {line}: {text}" for line in lines]


def lightest(polynomial: int, data: int = 16) -> int:
    """The fewest flipped bits (2, 3 or 4) of 16 data bits and 8 check bits that cancel out."""
    powers = []
    value = 1
    for _ in range(data + 8):
        powers.append(value)
        value = value << 1 ^ (polynomial | 0x100 if value & 0x80 else 0)
    for weight in (2, 3):
        for picked in itertools.combinations(powers, weight):
            if functools.reduce(operator.xor, picked) == 0:
                return weight
    return 4


def test_bits_outside_the_checksum() -> None:
    found = findings((CRC, CRC.replace("over: 23..8", "over: [22..17, 15..8]")),
                     ("command: 0xC25A97", "command: 0xC25A0D"))  # fmt: skip
    # bit 23 has its parity in the command; in the reply nothing covers it, nor the counter
    assert [f for f in found if "outside" in f] == ["warning 28: bits outside the CRC: 23, 16"]


def test_no_known_frames() -> None:
    text = BASE[: BASE.index("known_frames:")]
    _, problems = check_map("map.yaml", text=text)
    assert [p.found for p in problems] == ["no known_frames"]


# --- known frames -----------------------------------------------------------------------------------
def known(line: str) -> list[str]:
    return findings(
        ("  - {does: CLEAR, command: 0xC25A97, source: page 9}", f"  - {{{line}, source: page 9}}")
    )


def test_a_wrong_guard_is_named() -> None:
    assert known("does: CLEAR, command: 0xC25A96") == [
        "error 120: 'CLEAR' encodes to 0xC25A97 (differs in crc)"
    ]


def test_a_wrong_address_is_named() -> None:
    assert known("does: CLEAR, command: 0xC45A97") == [
        "error 120: 'CLEAR' encodes to 0xC25A97 (differs in address)"
    ]


def test_a_word_too_wide() -> None:
    assert known("does: CLEAR, command: 0x1C25A97") == ["error 120: the command 0x1C25A97"]


def test_a_reply_that_does_not_fit() -> None:
    chip, _ = read_map("m", text=BASE)
    assert chip is not None
    codec = Codec(chip)
    sent = codec.read(chip.registers["STATUS"])
    read = f"does: 'read:STATUS', command: 0x{sent.word:X}"
    reply = codec.build_reply(sent, 0x01)
    assert known(f"{read}, reply: 0x{reply:X}, data: 1") == []
    assert known(f"{read}, reply: 0x{reply:X}, data: 2") == ["error 120: the reply carries 0x1"]
    (text,) = known(f"{read}, reply: 0x{reply ^ 1:X}, data: 1")
    assert text.startswith(f"error 120: the reply 0x{reply ^ 1:06X}: CRC 'crc' is 0x")
    assert known(f"{read}, reply: 0x{reply:X}, given: {{count: 1}}") == [
        "error 120: the reply's 'count' is 0x0"
    ]


def test_a_reply_where_there_is_none() -> None:
    reply = BASE[BASE.index("    reply:\n") : BASE.index("commands:\n")]
    assert (
        findings((reply, ""), ("command: 0xC25A97", "command: 0xC25A97, reply: 0"))[-1]
        == "error 111: a reply"
    )


def test_more_than_one_frame() -> None:
    assert known("does: 'CLEAR; read:STATUS', command: 0xC25A97") == [
        "error 120: 'CLEAR; read:STATUS' takes 2 frames"
    ]


# --- pages and frames that cannot tell ----------------------------------------------------------------
POTOROO = (Path(__file__).parents[2] / "devices" / "potoroo40.yaml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "  CURRENT:\n    page: 2",
            "  CURRENT:\n    page: 4",
            "the page 4; expected at most 3, as PAGE.NUMBER selects",
        ),
        (
            "  PAGE:\n    address: 0x00",
            "  PAGE:\n    page: 1\n    address: 0x00",
            "the page 1 for the register that selects the page; expected no page: it must be reachable on each",
        ),
        (
            "page_select: PAGE.NUMBER",
            "page_select: PAGE.NUMBR",
            "the field 'PAGE.NUMBR'; expected a field of PAGE; nearest: PAGE.NUMBER",
        ),
    ],
)
def test_pages_that_a_field_selects(old: str, new: str, message: str) -> None:
    assert old in POTOROO
    chip, problems = check_map("map.yaml", text=POTOROO.replace(old, new, 1))
    assert chip is None
    (problem,) = [p for p in problems if p.severity == "error"]
    assert message in str(problem)


def test_frames_that_cannot_tell_registers_or_directions_apart() -> None:
    text = """
gateword_map: 1
chip: {name: bare}
spi: {mode: 0}
frames:
  word: {length: 8, command: {data: {bits: 7..0, holds: data}}}
registers:
  A: {address: 0, fields: {ALL: {bits: 7..0}}}
"""
    chip, problems = read_map("bare.yaml", text=text)
    assert chip is not None, problems
    codec = Codec(chip)
    assert codec.write(chip.registers["A"], 0x5A).word == 0x5A
    with pytest.raises(CallError, match="cannot read: no part of it says read or write"):
        codec.read(chip.registers["A"])
    chip, problems = read_map(
        "bare.yaml", text=text + "  B: {address: 1, fields: {ALL: {bits: 7..0}}}\n"
    )
    assert chip is None
    assert [str(p) for p in problems] == [
        "bare.yaml:9:16: error: a second register in frame 'word', which holds no address;"
        " expected one ('A' is it), or a part that holds address [registers.B]"
    ]
