"""From tables in text to a map: merged sources, doubts at their lines, nothing invented."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from regmap.document.doubts import doubt_line, stated_doubts
from regmap.document.schema import Reader
from regmap.document.source import Sources, compose_file
from regmap.errors import FileError
from regmap.intake import map_text, read_sources
from regmap.maps.shapes import Params
from regmap.maps.vet import check_map
from regmap.parameters import CHIP

SHEET = """\
# Tuatara (invented)

SPI mode 1. Each 16-bit frame has odd parity. The reply comes in the next frame. R/W: 0 = write.

Command frame (SDI)

| 15 | 14 | 13 | 12 | 11 | 10 | 9 | 8 | 7 | 6 | 5 | 4 | 3 | 2 | 1 | 0 |
|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|
| R/W | A3 | A2 | A1 | A0 | D9 | D8 | D7 | D6 | D5 | D4 | D3 | D2 | D1 | D0 | P |

Reply frame (SDO)

| 15 | 14 | 13 | 12 | 11 | 10 | 9 | 8 | 7 | 6 | 5 | 4 | 3 | 2 | 1 | 0 |
|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|
| UV | A3 | A2 | A1 | A0 | D9 | D8 | D7 | D6 | D5 | D4 | D3 | D2 | D1 | D0 | P |

## STATUS register (address 0x0, reset 0x001)

| Bit | Name | Type | Reset | Description |
|---|---|---|---|---|
| 9:2 | Reserved | R | 0 | |
| 1 | UV | RC | 0 | supply undervoltage |
| 0 | POR | RC | 1 | power-on reset |

## GATE register (address 0x1)

| Bit | Name | Type | Reset | Description |
|---|---|---|---|---|
| 9:8 | Reserved | R | 0 | |
| 7:6 | SOURCE | R/W | 01 | source current 00 = 33 mA, 01 = 82 mA, 10 = 150 mA, 11 = 330 mA |
| 5:4 | SINK | R/W | 00b | sink current<br>00b = 56 mA<br>01b = 110 mA<br>10b = 240 mA<br>11b = 390 mA |
| 3:0 | DEAD_TIME | R/W | 0x1 | dead time: 100 ns + n x 100 ns |

| Parameter | Symbol | Min | Typ | Max | Unit |
|---|---|---|---|---|---|
| clock frequency | fSCLK | | | 8 | MHz |
| select high time | tHI_nCS | 500 | | | ns |
"""


def _sheet(folder: Path, text: str, name: str = "sheet.md") -> str:
    (folder / name).write_text(text, encoding="utf-8")
    return str(folder / name)


def test_a_map_out_of_a_sheet_loads_and_states_its_origins(tmp_path: Path) -> None:
    text = map_text(read_sources([_sheet(tmp_path, SHEET)]), "tuatara")
    chip, problems = check_map("tuatara.yaml", text=text)
    assert chip is not None, [str(p) for p in problems]
    assert chip.registers["GATE"].address == 1
    assert chip.registers["GATE"].reset == 0x41
    assert chip.registers["STATUS"].reset == 1
    dead = next(f for f in chip.registers["GATE"].fields if f.name == "DEAD_TIME")
    assert (dead.role, dead.bits) == ("deadtime", (3, 2, 1, 0))
    assert str(chip.spi.clock_max).startswith("8 MHz")
    assert "bits: 3..0" in text
    assert "DEAD_TIME:  # sheet.md line" in text
    doubted = [p.found for p in problems if "doubt" in p.found]
    assert not [d for d in doubted if d.startswith(("serious", "open"))]
    assert chip.frames["main"].after == 1
    assert any("role deadtime is proposed by dead" in d for d in doubted)
    assert any("the texts of UV are proposed" in d for d in doubted)


def test_doubts_are_settled_by_deleting_their_lines(tmp_path: Path) -> None:
    text = map_text(read_sources([_sheet(tmp_path, SHEET)]), "tuatara")
    kept = "\n".join(line for line in text.splitlines() if "# doubt, " not in line)
    _, problems = check_map("tuatara.yaml", text=kept)
    assert not [p for p in problems if "doubt" in p.found]


@pytest.mark.parametrize(
    ("change", "doubt"),
    [
        (("| 5:4 | SINK", "| 6:5 | SINK"), "serious: bit 6 belongs to SOURCE and to SINK"),
        (("| 5:4 | SINK", "| 5 | SINK"), "open: nothing was found about bits 4"),
        (("reset 0x001", "reset 0x000"), "serious: reset 1 of the field, and 0 in the reset word 0x0"),
        (("(address 0x1)", "(address 0x0)"), "serious: address 0x0 is also that of STATUS"),
        (("| 01 | source", "| 9 | source"), "serious: reset '9' does not fit 2 bits"),
        (("SOURCE | R/W", "SOURCE | magic"), "open: access 'magic' is none that is known"),
        (("| 3:0 | DEAD_TIME", "| 3;0 | DEAD_TIME"), "serious: the row at sheet.md line 3"),
        (("| 01 | source", "| | source"), "open: no reset was found"),
    ],
)  # fmt: skip
def test_what_does_not_agree_is_a_doubt(
    tmp_path: Path, change: tuple[str, str], doubt: str
) -> None:
    assert SHEET.count(change[0]) == 1
    text = map_text(read_sources([_sheet(tmp_path, SHEET.replace(*change))]), "tuatara")
    assert f"# doubt, {doubt}" in text


def test_a_second_source_completes_the_first(tmp_path: Path) -> None:
    first = _sheet(tmp_path, SHEET.replace("(address 0x1)", ""))
    second = _sheet(tmp_path, "Register;Address;Reset\nGATE;1h;041h\nMODE;2h;000h\n", "list.csv")
    sheet = read_sources([first, second])
    gate, mode = sheet.named("GATE"), sheet.named("MODE")
    assert gate
    assert mode
    assert (gate.address, gate.reset, mode.address) == (1, 0x41, 2)
    assert any(d.register == "MODE" and "no fields" in d.text for d in sheet.doubts)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|", "  "])
def test_the_same_rows_in_every_kind_of_text(tmp_path: Path, mark: str) -> None:
    rows = [
        ("Register", "Address", "Bits", "Field", "Access", "Reset"),
        ("GATE", "0x1", "7:6", "SOURCE", "R/W", "1"),
        ("GATE", "0x1", "5:4", "SINK", "R/W", "2"),
    ]
    suffix = {"\t": "tsv", "  ": "txt", "|": "md"}.get(mark, "csv")
    pad = [max(len(r[i]) for r in rows) for i in range(6)]
    text = "\n".join(
        mark.join(c.ljust(w) if mark == "  " else c for c, w in zip(r, pad, strict=True))
        for r in rows
    )
    sheet = read_sources([_sheet(tmp_path, text + "\n", f"rows.{suffix}")])
    [gate] = sheet.registers
    assert [(f.name, f.bits, f.access, f.reset) for f in gate.fields] == [
        ("SOURCE", (7, 6), "rw", 1),
        ("SINK", (5, 4), "rw", 2),
    ]


def test_bit_rows_pasted_with_blanks(tmp_path: Path) -> None:
    text = "MODE register, address 0x3\n7 6 5 4 3 2 1 0\nEN RUN FLT[1] FLT[0] A B C D\n"
    sheet = read_sources([_sheet(tmp_path, text, "bits.txt")])
    [mode] = sheet.registers
    assert [(f.name, f.bits) for f in mode.fields[:3]] == [
        ("EN", (7,)),
        ("RUN", (6,)),
        ("FLT", (5, 4)),
    ]


def test_what_holds_no_registers_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="no table of registers"):
        read_sources([_sheet(tmp_path, "a poem\n", "poem.txt")])


def test_doubts_read_back() -> None:
    text = f"a: 1\n  {doubt_line('minor', 'one  thing')}\n{doubt_line('serious', 'another')}\n# doubtful\n"
    assert [(d.line, d.grade, d.text) for d in stated_doubts(text)] == [
        (3, "serious", "another"),
        (2, "minor", "one thing"),
    ]


def test_a_spreadsheet_with_merged_cells(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    page = book.active
    page.append(["Address", "Register", 7, 6, 5, 4, 3, 2, 1, 0])
    page.append(["0x2", "MODE", "ACT", None, "EN", "Reserved", None, None, None, "RUN"])
    page.merge_cells("C2:D2")
    page.merge_cells("F2:I2")
    book.save(tmp_path / "map.xlsx")
    [mode] = read_sources([str(tmp_path / "map.xlsx")]).registers
    assert mode.address == 2
    assert [(f.name, f.bits) for f in mode.fields] == [
        ("ACT", (7, 6)),
        ("EN", (5,)),
        ("", (4, 3, 2, 1)),
        ("RUN", (0,)),
    ]


def test_bits_of_a_frame_that_nothing_explains_are_a_doubt_at_their_line(tmp_path: Path) -> None:
    changed = SHEET.replace("| UV | A3 |", "| XY | A3 |")
    text = map_text(read_sources([_sheet(tmp_path, changed)]), "tuatara")
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if "what does xy hold?" in line)
    assert lines[at + 1].strip().startswith("xy: {bits: 15}")


def test_fixed_bits_of_a_frame(tmp_path: Path) -> None:
    rows = "| UV | A3 | A2 | A1 | A0"
    assert SHEET.count(rows) == 1
    text = map_text(
        read_sources([_sheet(tmp_path, SHEET.replace(rows, "| UV | 0 | 1 | 0 | 1"))]), "t"
    )
    chip, problems = check_map("t.yaml", text=text)
    assert chip is not None, [str(p) for p in problems]
    reply = chip.frames["main"].replies["any"]
    assert [(p.bits, p.value) for p in reply.parts if p.kind == "fixed"] == [
        ((14,), 0),
        ((13,), 1),
        ((12,), 0),
        ((11,), 1),
    ]


LIMITS = """
| Symbol | Parameter | Min | Typ | Max | Unit |
| --- | --- | --- | --- | --- | --- |
| fSCLK | clock frequency | | | 8 | MHz |
| VM | Operating supply voltage | 6 | 12 | 36 | V |
| | Absolute maximum supply voltage | -0.3 | | 40 | V |
| I_Q | Supply current | 4 | 6 | 9 | mA |
| Isleep | current in sleep | | 5 | | µA |
| V_UVLO | threshold | 4.3 | 4.6 | 4.9 | V |
| tpd_on | delay | 60 | | 180 | ns |
| R_θJA | | | 32 | | °C/W |
| | Thermal shutdown | 150 | 165 | 180 | °C |
| V_UV | threshold again | 4.0 | 4.1 | 4.2 | V |
| I_OP | of the wrong kind | 1 | 2 | 3 | V |
| t_SD | no numbers | | | | °C |
| IQX | nothing known | 1 | 2 | 3 | A |
"""


def test_electrical_limits_by_their_usual_symbols_and_words(tmp_path: Path) -> None:
    """What a row names and states with a unit of its kind; nothing else, and two rows for one under a doubt."""
    path = tmp_path / "limits.md"
    path.write_text(SHEET + LIMITS, encoding="utf-8")
    sheet = read_sources([str(path)])
    assert {n: v for n, (v, _, _) in sheet.electrical.items()} == {
        "supply.operating": "6..36 V",
        "supply.max": "40 V",
        "supply.current": "4 / 6 / 9 mA",
        "supply.sleep_current": "5 uA",
        "uv.threshold": "4.3 / 4.6 / 4.9 V",
        "propagation.on": "60..180 ns",
        "driver.rth": "32 K/W",
        "temperature.shutdown": "150 / 165 / 180 degC",
    }
    assert sheet.electrical["uv.threshold"][2] == "V_UVLO"
    [twice] = [d.text for d in sheet.doubts if "uv.threshold" in d.text]
    assert "stands twice: 4.3 / 4.6 / 4.9 V" in twice
    text = map_text(sheet, "m")
    written = yaml.safe_load(text)["electrical"]
    shape = Params(CHIP)
    source = compose_file(tmp_path / "electrical.yaml", yaml.safe_dump(written))
    sources = Sources()
    sources.add(source)
    reader = Reader(sources)
    values = shape.read(source.node, reader, "")
    assert reader.problems == []
    assert set(values) == set(sheet.electrical)
    assert "supply.max: 40 V  # limits.md" in text.replace(str(tmp_path) + "/", "")
