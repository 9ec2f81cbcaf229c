"""Pages, and entries written once: frames put together by hand, recognised, simulated, captured and read back."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from regmap.behaviour.plan import plan
from regmap.capture.formats.opening import open_capture
from regmap.chip.bank import Bank
from regmap.chip.values import read
from regmap.cli.main import main
from regmap.frames.codec import Codec
from regmap.trace.tracer import trace_capture
from regmap.twin import Twin

from .test_traits import both_ways, load, refused

# 1 bit read, 2 bits page, 5 bits address, 8 bits data; the answer in the next frame
IN_FRAME = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      page: {bits: 14..13, holds: page}
      address: {bits: 12..8, holds: address}
      data: {bits: 7..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
registers:
  GATE_U: {address: 2, page: 0, reset: 0x10, fields: {ALL: {bits: 7..0}}}
  GATE_V: {address: 2, page: 1, reset: 0x20, fields: {ALL: {bits: 7..0}}}
  GATE_W: {address: 2, page: 3, reset: 0x30, fields: {ALL: {bits: 7..0}}}
""")

# the same without a page in the frame: PAGE.NUMBER selects it; ID is there on every page
SELECTED = """
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..8, holds: address}
      data: {bits: 7..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
page_select: PAGE.NUMBER
registers:
  PAGE: {address: 0x7F, reset: 0, fields: {NUMBER: {bits: 1..0}}}
  ID: {address: 0x01, reset: 0x5C, access: ro, fields: {ALL: {bits: 7..0}}}
  GATE_U: {address: 2, page: 0, reset: 0x10, fields: {ALL: {bits: 7..0}}}
  GATE_V: {address: 2, page: 1, reset: 0x20, fields: {ALL: {bits: 7..0}}}
"""


def test_a_page_in_the_frame() -> None:
    """Three registers at one address: the page's bits alone tell them apart, in both directions."""
    twin = both_ways(
        IN_FRAME,
        [
            ("GATE_U = 0x81", 0b0_00_00010_10000001),
            ("GATE_V = 0x82", 0b0_01_00010_10000010),
            ("GATE_W = 0x84", 0b0_11_00010_10000100),
            ("read:GATE_V", 0b1_01_00010_00000000),
        ],
    )
    assert [twin.word(n) for n in ("GATE_U", "GATE_V", "GATE_W")] == [0x81, 0x82, 0x84]
    # the answer to the read of page 1, in the next frame: 0xA5 and the word
    assert twin.exchange(0b1_11_00010_00000000) == 0xA582
    assert twin.exchange(0b1_11_00010_00000000) == 0xA584
    # a page that has no register there: a sound frame to nobody, which changes nothing
    seen = Codec(IN_FRAME).decode_command(0b0_10_00010_00000001)
    assert (seen.register, seen.page, seen.flaws) == (None, 2, ())
    before = [twin.word(n) for n in ("GATE_U", "GATE_V", "GATE_W")]
    twin.exchange(0b0_10_00010_00000001)
    assert [twin.word(n) for n in ("GATE_U", "GATE_V", "GATE_W")] == before


def test_a_page_that_a_field_selects() -> None:
    """The same bits mean another register after the select; what cannot be known is not named."""
    chip = load(SELECTED)
    codec = Codec(chip)
    planned = plan(chip, ["GATE_V = 0x82"], Bank(chip))
    # to the select register 0x7F page 1, then the write to address 2
    assert [p.sent.word for p in planned] == [0b0_1111111_00000001, 0b0_0000010_10000010]
    # where nobody knows which page is selected, page 0 is selected too
    planned = plan(chip, ["GATE_U = 0x81"], Bank(chip))
    assert [p.sent.word for p in planned] == [0b0_1111111_00000000, 0b0_0000010_10000001]
    on_page = {}
    for page in (0, 1):
        bank = Bank(chip)
        bank.learn("PAGE", page)
        on_page[page] = bank
        seen = codec.decode_command(0b0_0000010_10000010, bank)
        assert seen.register is not None
        assert seen.register.name == ("GATE_U", "GATE_V")[page]
        here = plan(chip, [f"{seen.register.name} = 0x81"], bank)
        assert [p.sent.word for p in here] == [0b0_0000010_10000001]
    lost = Bank(chip)
    seen = codec.decode_command(0b0_0000010_10000010, lost)
    assert (seen.register, seen.flaws) == (None, ())
    # a register of no page is the same on each
    for bank in (*on_page.values(), lost):
        seen = codec.decode_command(0b1_0000001_00000000, bank)
        assert seen.register is not None
        assert seen.register.name == "ID"


def test_a_simulated_chip_and_a_capture_follow_the_selected_page() -> None:
    chip = load(SELECTED)
    out = io.StringIO()
    twin = Twin(chip, vcd=out)
    twin.wait(0.001)
    frames = [
        0b0_0000010_10000001,  # GATE_U = 0x81
        0b0_1111111_00000001,  # page 1
        0b0_0000010_10000010,  # GATE_V = 0x82
        0b1_0000010_00000000,  # read GATE_V
        0b1_0000001_00000000,  # read ID; answers GATE_V
        0b0_1111111_00000000,  # page 0; answers ID
        0b1_0000010_00000000,  # read GATE_U
        0b1_0000001_00000000,  # read ID; answers GATE_U
    ]
    answers = [twin.exchange(word) for word in frames]
    assert (answers[4], answers[5], answers[7]) == (0xA582, 0xA55C, 0xA581)
    assert (twin.word("GATE_U"), twin.word("GATE_V")) == (0x81, 0x82)
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="pages") as capture:
        trace = trace_capture(capture, [chip])
    walker = trace.walkers[0]
    named = []
    for ident in walker.log.idents().tolist():
        sent = walker.log.decoded(ident).sent
        assert sent is not None
        named.append(sent.register.name if sent.register else "")
    # the recording begins where nobody knows which page is selected
    assert named == ["", "PAGE", "GATE_V", "GATE_V", "ID", "PAGE", "GATE_U", "ID"]
    bank = walker.belief.bank
    assert (bank.words["GATE_U"], bank.words["GATE_V"]) == (0x81, 0x82)


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("page_select: PAGE.NUMBER", "page_select: PAGE.NUMBR", "13:14: error: the field 'PAGE.NUMBR'"),
        ("page: 1, reset: 0x20", "page: 4, reset: 0x20", "18:30: error: the page 4; expected at most 3"),
        ("page: 1, reset: 0x20", "page: 0, reset: 0x20", "18:21: error: the address 0x2 on page 0 again"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_pages_is_told_at_its_line(old: str, new: str, found: str) -> None:
    assert old in SELECTED
    problems = refused(SELECTED.replace(old, new))
    assert [p.startswith(f"small.yaml:{found}") for p in problems] == [True], problems


# --- written once ------------------------------------------------------------------------------------------
def test_entries_written_once_make_the_frames_of_each() -> None:
    """Address and bits of every copy, in frames put together by hand from the numbers in the lists."""
    chip = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..8, holds: address}, data: {bits: 7..0, holds: data}}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
registers:
  PHASE_{phase}:
    for_each: {phase: [U, V, W], at: [3, 5, 9]}
    address: "{at}"
    reset: 0
    fields:
      "{side}":
        for_each: {side: [H, L], high: [7, 3], low: [4, 0]}
        bits: "{high}..{low}"
""")
    twin = both_ways(
        chip,
        [
            ("PHASE_U.H = 1", 0b0_0000011_0001_0000),
            ("PHASE_V.L = 2", 0b0_0000101_0000_0010),
            ("PHASE_W.H = 7", 0b0_0001001_0111_0000),
            ("PHASE_W.L = 4", 0b0_0001001_0111_0100),
            ("read:PHASE_W", 0b1_0001001_0000_0000),
        ],
    )
    assert twin.exchange(0b1_0000011_0000_0000) == 0xA574
    assert [twin.word(f"PHASE_{p}") for p in "UVW"] == [0x10, 0x02, 0x74]


# --- forbidden codes ---------------------------------------------------------------------------------------
FORBIDDEN = """
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..8, holds: address}, data: {bits: 7..0, holds: data}}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
registers:
  MODE: {address: 4, reset: 0, fields: {M: {bits: 1..0, options: {0: slow, 1: fast, 2: {name: direct, forbidden: both switches can be on}, 3: reserved}}}}
"""


def test_a_forbidden_code_that_was_sent_anyway_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Encoding refuses it; what somebody else sent is recognised for what it is, and simulated as sent."""
    chip = load(FORBIDDEN)
    seen = Codec(chip).decode_command(0b0_0000100_000000_10)
    assert seen.flaws == ()
    assert seen.register is not None
    field = seen.register.field("M")
    assert field is not None
    assert read(field, seen.data or 0).forbidden == "both switches can be on"
    twin = Twin(chip)
    twin.exchange(0b0_0000100_000000_10)
    assert twin.word("MODE") == 2
    file = tmp_path / "forbidden.yaml"
    file.write_text("gateword_map: 1\nchip: {name: small}\n" + FORBIDDEN, encoding="utf-8")
    told = "MODE.M = direct must not be set: both switches can be on"
    for line in (
        ["decode", str(file), "0x0402"],
        ["encode", str(file), "MODE.M=2", "--allow", "MODE.M=a bench"],
    ):
        assert main(line) == 0
        assert told in " ".join(capsys.readouterr().out.split())
    assert main(["encode", str(file), "MODE.M=2"]) == 2
