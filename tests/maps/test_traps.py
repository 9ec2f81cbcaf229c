"""What a map can say and hardly means: told with its line, before a bring-up finds out."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from regmap.behaviour.settings import bring_up_registers, bring_up_sequence
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.link.bringup import apply
from regmap.maps.load import find_document, read_map
from regmap.maps.vet import check_map
from tests.link.bench import Bench

HEAD = """gateword_map: 1
chip: {name: t, invented: yes}
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      write:   {bits: 15, holds: operation, codes: {read: 0, write: 1}}
      address: {bits: 14..8, holds: address}
      data:    {bits: 7..0, holds: data}
    reply:
      parts: {rest: {bits: 15..8, holds: ignored}, data: {bits: 7..0, holds: data}}
"""


def problems(body: str) -> list[str]:
    """Every error and warning of a map with this body, in one line each."""
    _, found = check_map("t.yaml", text=HEAD + body)
    return [str(p) for p in found]


def told(body: str, text: str) -> bool:
    return any(text in line for line in problems(body))


def test_bits_that_run_upwards_are_refused_with_both_right_spellings() -> None:
    [line] = [
        p for p in problems("registers: {A: {address: 0, fields: {F: {bits: 0..3}}}}\n") if "error" in p
    ]  # fmt: skip
    assert "t.yaml:13:48: error: '0..3', which runs upwards" in line
    assert "3..0 where bit 3 is the most significant" in line
    assert "[0, 1, 2, 3] where bit 0 is" in line
    assert not told("registers: {A: {address: 0, fields: {F: {bits: [0, 1, 2, 3]}}}}\n", "error")


@pytest.mark.parametrize(
    ("body", "text"),
    [
        (
            "registers: {A: {address: 0, reset: 0x40, fields: {F: {bits: 3..0}}, reserved: {7..4: 0}}}\n",
            "0 in reserved bits 7..4, which the reset word 0x40 holds as 0b100",
        ),
        (
            "registers: {A: {address: 0, access: w1c, fields: {F: {bits: 0}}}}\n"
            "faults: {X: {at: A.F, is: 0, title: x}}\n",
            "a fault at code 0 of A.F, which clears to 0 (write 1 to clear)",
        ),
        (
            "registers: {A: {address: 0, fields: {F: {bits: 3..0, scale: {step: 0.4, offset: 10 %}}}}}\n",
            "step 0.4 without a unit beside one with it: it is 40 %; expected 0.4 % or 40 %",
        ),
        (
            "registers:\n  A_HS: {address: 0, fields: {SRC: {bits: 3..0, role: gate.source.high, options: {0: 1 A}}}}\n"
            "  A_LS: {address: 1, fields: {SRC: {bits: 3..0, role: gate.source.high, options: {0: 1 A}}}}\n",
            "A_LS.SRC has the role gate.source.high, and is called after the low side",
        ),
        (
            "registers: {A: {address: 0, fields: {F: {bits: 0, access: once}}}}\n"
            "sequences: {configure: [{write: A.F = 1}, {write: A.F = 0}]}\n",
            "F can be written once only after power-up",
        ),
        (
            "registers: {A: {address: 0, fields: {F: {bits: 0, access: once}}}}\n"
            "sequences: {configure: [{configure: A}]}\n",
            "configure writes A, and A.F can be written once only",
        ),
    ],
)  # fmt: skip
def test_a_trap_is_told(body: str, text: str) -> None:
    assert told(body, text), problems(body)


@pytest.mark.parametrize(
    "body",
    [
        "registers: {A: {address: 0, reset: 0x40, fields: {F: {bits: 3..0}}, reserved: {7..4: 4}}}\n",
        "registers: {A: {address: 0, reset: 0x40, fields: {F: {bits: 3..0}}, reserved: {7..4: keep}}}\n",
        "registers: {A: {address: 0, fields: {F: {bits: 3..0, scale: {step: 0.4 %, offset: 10 %}}}}}\n",
        "registers: {A: {address: 0, access: w1c, fields: {F: {bits: 0}}}}\nfaults: {X: {at: A.F, title: x}}\n",
    ],
)
def test_its_neighbours_are_not(body: str) -> None:
    assert not [p for p in problems(body) if "error" in p]


def _wombat(configure: str) -> Chip:
    text = Path(find_document("wombat24")).read_text()
    start, end = text.index("  configure:\n"), text.index("  clear_faults:")
    chip, found = read_map("w.yaml", text=text[:start] + configure + text[end:])
    assert chip is not None, found
    return chip


@pytest.mark.parametrize(
    "configure",
    [
        "  configure:\n    - {configure: all}\n    - {verify: all}\n",
        "  configure:\n    - {configure: [GATE, TIMING, VDS, SENSE]}\n    - {verify: all}\n    - {write: SAFETY.CRC = on}\n",
    ],
)  # fmt: skip
def test_a_bring_up_that_switches_the_layout_goes_through(configure: str) -> None:
    """What switches comes last, and is read back as it is by then, not as it will be."""
    chip = _wombat(configure)
    wanted = Bank.at_reset(chip)
    field = chip.field("SAFETY.CRC")
    assert field is not None
    wanted.put(field, 1)
    done = apply(Bench(chip).link, wanted)
    assert done.stopped == ""
    assert done.ok


def test_a_write_once_register_is_not_written_unasked() -> None:
    """bilby32 TRIM: what `new map` proposes, `configure: all`, must not burn it."""
    text = Path(find_document("bilby32")).read_text()
    start = text.index("    - {configure: [")
    end = text.index("\n", start)
    chip, found = read_map("b.yaml", text=text[:start] + "    - {configure: all}" + text[end:])
    assert chip is not None, found
    trim, wanted = chip.registers["TRIM"], Bank.at_reset(chip)
    written = {a.sent.register.name for a in bring_up_sequence(chip, wanted) if a.do == "write" and a.sent and a.sent.register}  # fmt: skip
    assert "TRIM" not in written
    assert len(written) > 5
    wanted.learn("TRIM", 0x11)
    assert trim in bring_up_registers(chip, wanted)


def test_a_write_that_would_spend_a_neighbour_is_refused() -> None:
    body = "registers: {A: {address: 0, fields: {F: {bits: 0, access: once}, G: {bits: 1}}}}\n"
    chip, _ = read_map("t.yaml", text=HEAD + body)
    assert chip is not None
    wanted = Bank.at_reset(chip)
    wanted.learn("A", 2)
    with pytest.raises(CallError, match=r"writing A would spend A\.F"):
        bring_up_sequence(chip, wanted)


def test_a_stage_is_told_what_a_setting_is_at_all_its_supplies(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Code 3 is 25 + 3 x 25 = 100 mA from 8 V on, and 15 + 3 x 15 = 60 mA below, less 25 %: 45 mA."""
    from regmap.cli.main import main

    file = tmp_path / "wide.yaml"
    text = "gateword_stage: 1\nstage: {name: wide}\nmap: potoroo40\nsupply: {voltage: 6..28 V}\nsettings:\n  OUTPUT.SOURCE: 100 mA\n"
    file.write_text(text, encoding="utf-8")
    assert main(["vet", str(file)]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert (
        "wide.yaml:6:3: warning: OUTPUT.SOURCE = 100 mA, which is 60 mA at other supplies" in told
    )
    assert main(["encode", str(file), "OUTPUT.SOURCE=100 mA"]) == 0
    shown = capsys.readouterr().out
    assert "60 mA" in shown
    assert "supply < 8 V" in shown
    assert main(["header", str(file), "-o", str(tmp_path / "wide.h")]) == 0
    header = (tmp_path / "wide.h").read_text(encoding="utf-8")
    assert re.search(r"WIDE_OUTPUT_SOURCE_MA_MIN +45U", header)
    assert re.search(r"WIDE_OUTPUT_SOURCE_MA_MAX +120U", header)
    capsys.readouterr()
    # where the supply stays above, there is nothing to tell
    file.write_text(text.replace("6..28", "9..28"), encoding="utf-8")
    assert main(["vet", str(file)]) == 0
    assert "other supplies" not in capsys.readouterr().out
