"""Write-only fields over the link: never written at a value that nobody asked for."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.link.script import words_for
from regmap.maps.load import find_document, read_map

from .bench import Bench


def _chip() -> Chip:
    """quoll16 with GATE_HS.SINK write-only."""
    text = Path(find_document("quoll16")).read_text()
    start = text.index("  GATE_HS:")
    at = text.index("SINK:", start)
    end = text.index("bits:", at)
    chip, problems = read_map("quoll16.yaml", text=text[:end] + "access: wo\n        " + text[end:])
    assert chip is not None, problems
    assert str(chip.registers["GATE_HS"].field("SINK").access) == "wo"  # type: ignore[union-attr]
    return chip


CHIP = _chip()


def _write(bench: Bench, *requests: str) -> list[str]:
    return [bench.link.write(n, w).result for n, w in words_for(bench.link, requests)]


def test_a_write_only_field_is_never_written_back_as_zero() -> None:
    """SINK of 240 mA is code 8 (bits 5..2); writing SOURCE afterwards must carry it on."""
    bench = Bench(CHIP)
    assert _write(bench, "GATE_HS.SINK = 240 mA; GATE_HS.SOURCE = 120 mA") == ["verified"]
    sink = CHIP.field("GATE_HS.SINK")
    assert sink is not None
    code = bench.twin.word("GATE_HS") & sink.mask
    assert code
    bench.link.read("GATE_HS")
    assert _write(bench, "GATE_HS.SOURCE = 60 mA") == ["verified"]
    assert bench.twin.word("GATE_HS") & sink.mask == code
    [line] = [t for t in bench.link.account().lines() if "GATE_HS =" in t]
    assert "SINK cannot be read: as last written" in line


def test_a_session_that_never_wrote_it_refuses_to_guess() -> None:
    bench = Bench(CHIP)
    before = bench.twin.word("GATE_HS")
    with pytest.raises(CallError, match=r"what GATE_HS.SINK holds cannot be read"):
        _write(bench, "GATE_HS.SOURCE = 60 mA")
    assert bench.twin.word("GATE_HS") == before
    bench.link.read("GATE_HS")  # a read shows 0 there and proves nothing
    with pytest.raises(CallError, match=r'"GATE_HS.SINK = VALUE"'):
        _write(bench, "GATE_HS.SOURCE = 60 mA")
    [line] = [t for t in bench.link.account().lines() if "GATE_HS =" in t]
    assert "SINK cannot be read: not known" in line
    assert _write(bench, "GATE_HS.SOURCE = 60 mA; GATE_HS.SINK = 120 mA") == ["verified"]
