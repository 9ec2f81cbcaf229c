"""Frames that are no whole bytes: clocked bit for bit by an adapter that can, else refused with what it would need."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.machine import as_read
from regmap.errors import LinkError
from regmap.link.look import look
from regmap.maps.load import load_map
from regmap.twin.adapter import ABILITIES
from regmap.wire.layout import Capability

#: an invented chip of 13-bit frames; `{order}` and `{more}` are lines of `spi:`
ODD = """\
gateword_map: 1
chip: {{name: odd13, title: Thirteen bits (invented), invented: yes, source: Odd-13 data sheet (invented), summary: odd}}
spi: {{mode: 1, clock_max: 5 MHz{more}}}
frames:
  word:
    length: 13
    command:
      rw: {{bits: 12, holds: operation, codes: {{read: 1, write: 0}}}}
      address: {{bits: 11..9, holds: address}}
      data: {{bits: 8..1, holds: data}}
      parity: {{bits: 0, holds: parity, parity: odd}}
    reply:
      after: 0
      parts:
        mark: {{bits: 12..9, holds: fixed, value: 0b1010}}
        data: {{bits: 8..1, holds: data, on_write: old}}
        parity: {{bits: 0, holds: parity, parity: odd}}
registers:
  ID: {{address: 0, access: ro, width: 8, reset: 0x5A, summary: id, fields: {{CHIP: {{bits: 7..0, summary: code}}}}}}
  A: {{address: 1, width: 8, reset: 0x11, summary: a, fields: {{X: {{bits: 7..0, summary: x}}}}}}
  B: {{address: 6, width: 8, reset: 0xC3, summary: b, fields: {{X: {{bits: 7..0, summary: x}}}}}}
"""


def odd(folder: Path, more: str = "") -> Any:
    path = folder / "odd13.yaml"
    path.write_text(ODD.format(more=more), encoding="utf-8")
    return load_map(path)


@pytest.mark.parametrize("more", ["", ", bit_order: lsb_first", ", extra_clocks: rejected"])
def test_thirteen_bits_are_thirteen_clocks(make_bench: Any, tmp_path: Path, more: str) -> None:
    bench = make_bench(odd(tmp_path, more))
    clocks: list[int] = []
    receive = bench.twin.receive
    bench.twin.receive = lambda value, bits: clocks.append(bits) or receive(value, bits)
    for reading in look(bench.link):
        assert reading.good
        register = bench.chip.registers[reading.register]
        assert reading.word == as_read(bench.chip, register, bench.twin.machine.bank.words)
    assert bench.link.write("A", 0x81).result == "verified"
    assert bench.twin.word("A") == 0x81
    assert set(clocks) == {13}


def without_bit_counts(make_bench: Any, monkeypatch: pytest.MonkeyPatch) -> type:
    monkeypatch.setattr("regmap.twin.adapter.ABILITIES", ABILITIES & ~Capability.BIT_COUNTS)
    found: type = make_bench
    return found


def test_an_adapter_of_whole_bytes_is_told_what_it_would_need(
    make_bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = without_bit_counts(make_bench, monkeypatch)
    with pytest.raises(LinkError) as told:
        bench(odd(tmp_path))
    for said in ("bursts of 13 bits", "whole bytes only", "extra_clocks", "bit counts", "kind 05"):
        assert said in str(told.value)


@pytest.mark.parametrize("takes", ["first_count", "last_count"])
def test_a_chip_that_takes_more_clocks_needs_no_bit_counts(
    make_bench: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, takes: str
) -> None:
    bench = without_bit_counts(make_bench, monkeypatch)(odd(tmp_path, f", extra_clocks: {takes}"))
    assert bench.link.write("B", 0x3C).result == "verified"
    assert bench.twin.word("B") == 0x3C
