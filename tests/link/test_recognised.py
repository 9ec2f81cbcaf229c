"""The link to chips whose registers are told apart by operation codes, by layout, or by what they can do."""

from __future__ import annotations

from typing import Any

import pytest

from regmap.link.bringup import identify
from regmap.link.session import Link
from regmap.maps.load import read_map

CODES = """
gateword_map: 1
chip: {name: small}
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15..12, holds: operation, codes: {get_status: 1, get_setup: 2, put_setup: 10}}, data: {bits: 11..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b0110}, data: {bits: 11..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}}
registers:
  STATUS: {operation: {read: get_status}, access: ro, reset: 0x155, fields: {ALL: {bits: 10..0}}}
  SETUP:  {operation: {read: get_setup, write: put_setup}, reset: 0x0F0, fields: {ALL: {bits: 10..0}}}
"""

SPACES = """
gateword_map: 1
chip: {name: small}
spi: {mode: 1, extra_clocks: last_count}
frames:
  word:
    length: 20
    command: {op: {bits: 19..18, holds: operation, codes: {write: 0, read: 1, peek: 2, poke: 3}}, address: {bits: 17..16, holds: address}, data: {bits: 15..4, holds: data}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}
    reply: {after: 1, parts: {mark: {bits: 19..16, holds: fixed, value: 0b1001}, data: {bits: 15..4, holds: data}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}}
registers:
  STATUS: {address: 1, access: ro, reset: 0x155, fields: {ALL: {bits: 11..0}}}
  SETUP:  {address: 1, operation: {read: peek, write: poke}, reset: 0x0F0, fields: {ALL: {bits: 11..0}}}
"""


@pytest.mark.parametrize(
    "text", [CODES, SPACES], ids=["operation codes", "address spaces, 20 bits"]
)
def test_such_registers_are_found_read_and_written(text: str, make_bench: Any) -> None:
    chip, problems = read_map("small.yaml", text=text)
    assert chip is not None, problems
    bench = make_bench(chip)
    link: Link = bench.link
    assert identify(link).ok
    assert (link.read("STATUS").word, link.read("SETUP").word) == (0x155, 0x0F0)
    assert link.write("SETUP", 0x2A5).result == "verified"
    assert bench.twin.word("SETUP") == 0x2A5
    assert (link.read("STATUS").word, link.read("SETUP").word) == (0x155, 0x2A5)
    assert [e.text for e in bench.twin.events if e.kind in ("rejected", "refused")] == []
