"""Names of documents: a bundled one is never hidden by what the program itself writes, or by a folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.mark.parametrize(
    "arguments",
    [
        ["propose", "coolant_pump", "--goal", "spi", "-o", "coolant_pump"],
        ["new", "stage", "coolant_pump"],
        ["new", "stage", "-o", "coolant_pump"],
        ["header", "quoll16", "-o", "quoll16"],
    ],
    ids=" ".join,
)
def test_no_output_hides_a_bundled_document(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    result = gateword(*arguments)
    assert result.status == 2
    assert "would hide the bundled document" in result.err
    assert list(tmp_path.iterdir()) == []


def test_a_file_with_an_ending_hides_nothing(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = gateword("check", "coolant_pump", "--json").out
    assert (
        gateword("propose", "coolant_pump", "--goal", "spi", "-o", "coolant_pump.yaml").status == 0
    )
    assert (tmp_path / "coolant_pump.yaml").is_file()
    assert gateword("check", "coolant_pump", "--json").out == before


def test_a_folder_of_that_name_hides_nothing(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "coolant_pump").mkdir()
    (tmp_path / "quoll16").mkdir()
    assert gateword("check", "coolant_pump").status == 0
    assert gateword("show", "quoll16").status == 0
    assert "a directory" in gateword("show", "elsewhere/..").err + gateword("show", ".").err


def test_arguments_stand_in_any_order(gateword: Run) -> None:
    """Options before, between and behind; the same answer, whatever the order."""
    orders = {
        ("check", "coolant_pump", "deadtime", "--set", "TIMING.DEAD_TIME=2 us"): [
            ("check", "--set", "TIMING.DEAD_TIME=2 us", "coolant_pump", "deadtime"),
            ("check", "coolant_pump", "--set", "TIMING.DEAD_TIME=2 us", "deadtime"),
        ],
        ("encode", "quoll16", "GATE_HS.SOURCE=56 mA", "read:STATUS1", "--bytes"): [
            ("encode", "--bytes", "quoll16", "GATE_HS.SOURCE=56 mA", "read:STATUS1"),
            ("encode", "quoll16", "GATE_HS.SOURCE=56 mA", "--bytes", "read:STATUS1"),
        ],
        ("decode", "quoll16", "0x2000", "0x2291", "--json"): [
            ("decode", "--json", "quoll16", "0x2000", "0x2291"),
            ("decode", "quoll16", "0x2000", "--json", "0x2291"),
        ],
        ("explain", "quoll16", "STATUS1=0x109", "STATUS2=0x40", "--brief"): [
            ("explain", "quoll16", "STATUS1=0x109", "--brief", "STATUS2=0x40"),
        ],
        ("sweep", "coolant_pump", "pwm.frequency", "10..60kHz", "--steps", "3"): [
            ("sweep", "coolant_pump", "pwm.frequency", "--steps", "3", "10..60kHz"),
            ("sweep", "--steps", "3", "coolant_pump", "pwm.frequency", "10..60kHz"),
        ],
        ("diff", "coolant_pump", "STATUS1=0", "VDS=0", "--brief"): [
            ("diff", "coolant_pump", "STATUS1=0", "--brief", "VDS=0"),
        ],
    }
    for order, others in orders.items():
        first = gateword(*order)
        assert first.out, first
        for other in others:
            assert gateword(*other) == first, other


def test_a_name_is_written_in_full_alone_where_it_is_unique_or_as_an_address(gateword: Run) -> None:
    same = [
        [("sweep", "coolant_pump", n) for n in ("TIMING.DEAD_TIME", "DEAD_TIME", "dead_time", "timing.dead_time")],
        [("show", "quoll16", n) for n in ("TIMING", "timing", "0x06", "6")],
        [("encode", "quoll16", f"{n}=2 us") for n in ("TIMING.DEAD_TIME", "DEAD_TIME")],
        [("encode", "quoll16", f"{n}=0x148") for n in ("TIMING", "0x06")],
        [("encode", "quoll16", f"read:{n}") for n in ("STATUS1", "status1", "0x00")],
        [("explain", "quoll16", f"{n}=0x302") for n in ("STATUS2", "status2", "0x1", "1")],
        [("decode", "quoll16", "0x2291", "--from", f"{n}=0x155") for n in ("GATE_HS", "gate_hs", "0x4")],
        [("decode", "quoll16", "0x8000:0x2302", "--to", n) for n in ("STATUS1", "status1", "0x0")],
        [("diff", "coolant_pump", f"{n}=0x155") for n in ("GATE_HS", "gate_hs", "0x4")],
        [("propose", "coolant_pump", "--goal", "spi", "--keep", n) for n in ("TIMING.DEAD_TIME", "DEAD_TIME")],
        [("check", "coolant_pump", "deadtime", "--set", f"{n}=2 us") for n in ("TIMING.DEAD_TIME", "DEAD_TIME")],
    ]  # fmt: skip
    from regmap.maps.load import load_map

    chip = load_map("quoll16")
    assert (chip.registers["TIMING"].address, chip.registers["STATUS1"].address) == (6, 0)
    for first, *others in same:
        wanted = gateword(*first)
        assert wanted.out
        assert wanted.status in (0, 1)
        for other in others:
            assert gateword(*other) == wanted, other


def test_a_name_of_several_fields_is_refused_with_all_of_them(gateword: Run) -> None:
    result = gateword("encode", "quoll16", "SOURCE=56 mA")
    assert result.status == 2
    assert "one of GATE_HS.SOURCE, GATE_LS.SOURCE" in result.err
