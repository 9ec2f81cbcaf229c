"""The whole map proven: what does not go out, is not understood or does not come back is an error."""

from __future__ import annotations

import pytest

from regmap.maps.load import bundled, load_map
from regmap.maps.proof import prove_whole
from regmap.maps.vet import check_map

from .test_traps import HEAD


def errors(body: str, head: str = HEAD) -> list[str]:
    chip, found = check_map("t.yaml", text=head + body)
    assert chip is not None, found
    return [str(p) for p in found if p.severity == "error"]


@pytest.mark.parametrize(
    ("body", "line", "text"),
    [
        # a command that swallows the writes of a register
        (
            "registers:\n  A: {address: 0, fields: {F: {bits: 7..0}}}\ncommands:\n  GO: {parts: {write: 1, address: 0}}\n",
            14,
            "a write of A, 0x80",
        ),
        # a setting that no read shows
        (
            "registers:\n  A:\n    address: 0\n    read_mask: 0x0F\n    fields:\n      F: {bits: 5..0}\n",
            18,
            "bits 5..4 of A.F, which hold a setting and never come back: a read does not show them (read_mask)",
        ),
        (
            "registers:\n  A:\n    address: 0\n    write_mask: 0x0F\n    fields:\n      F: {bits: 5..0}\n",
            18,
            "bits 5..4 of A.F, which hold a setting and never come back: a write does not reach them",
        ),
        (
            "registers:\n  A: {address: 0, reads_as: zero, fields: {F: {bits: 5..0}}}\n",
            14,
            "bits 5..0 of A.F, which hold a setting and never come back: a read shows something else (reads_as: zero)",
        ),
        # steps that cannot run
        (
            "registers:\n  A: {address: 0, writable: open, fields: {F: {bits: 0}}}\n"
            "  L: {address: 1, fields: {K: {bits: 0}}}\n"
            "states: {open: {entered_by: L.K = 1}}\nsequences:\n  configure:\n    - {write: L.K = 0}\n    - {write: A.F = 1}\n",
            20,
            "sequence configure, A.F = 1: the write would be refused: A is writable only while open",
        ),
        (
            "registers:\n  A: {address: 0, access: once, fields: {F: {bits: 0}}}\n"
            "sequences:\n  clear_faults:\n    - {write: A.F = 1}\n    - {write: A.F = 0}\n",
            18,
            "sequence clear_faults, A.F = 0: the write would be refused: F can be written once only",
        ),
    ],
)  # fmt: skip
def test_what_does_not_hold_is_an_error_at_its_line(body: str, line: int, text: str) -> None:
    found = errors(body)
    assert any(text in e and e.startswith(f"t.yaml:{line}:") for e in found), found


def test_a_register_that_nothing_reaches() -> None:
    head = HEAD.replace("{read: 0, write: 1}", "{read: 0}")
    found = errors("registers:\n  A: {address: 0, access: wo, fields: {F: {bits: 0}}}\n", head)
    assert "t.yaml:14:3: error: nothing can reach it: frame 'word' cannot write" in found[0]


def test_what_is_right_stays_right() -> None:
    body = (
        "registers:\n  A: {address: 0, read_mask: 0x0F, fields: {F: {bits: 3..0}, W: {bits: 7..4, access: wo}}}\n"
        "  I: {address: 1, reads_as: inverted, fields: {F: {bits: 7..0}}}\n"
        "  S: {address: 2, reads_as: zero, fields: {GO: {bits: 0, access: sc}}}\n"
        "commands:\n  GO: {parts: {write: 1, address: 5}}\n"
    )
    assert errors(body) == []


def test_a_chip_that_only_takes_writes() -> None:
    """No reply, no operation code: nothing comes back, and nothing is asked to."""
    head = """gateword_map: 1
chip: {name: t, invented: yes}
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      address: {bits: 15..8, holds: address}
      data:    {bits: 7..0, holds: data}
"""
    assert (
        errors("registers:\n  A: {address: 0, access: wo, fields: {F: {bits: 7..0}}}\n", head) == []
    )
    assert errors("registers:\n  A: {address: 0, fields: {F: {bits: 7..0}}}\n", head) == []


@pytest.mark.parametrize("name", [n for n, p in bundled("devices").items() if "gateword_map" in p.read_text()])  # fmt: skip
def test_shipped_maps_hold(name: str) -> None:
    assert list(prove_whole(load_map(name))) == []


# --- tests of monitors -----------------------------------------------------------------------------
WOMBAT = bundled("devices")["wombat24"].read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("vds: [FAULT.VDS = 1], ", "", "FAULT reads 0x0 where 0x4000 is expected"),
        ("vds: [FAULT.VDS = 1], ", "", "VDS is never shown in the test"),
        (
            "      - {write: TEST.FORCE = none}\n",
            "",
            "after the test bits 0x1 of TEST are not as before",
        ),
        (
            "      - {read: FAULT, why: what was forced is gone with its read}\n      - {expect: FAULT.VDS = 0}\n",
            "      - {write: TEST.FORCE = oc}\n      - {write: TEST.FORCE = none}\n",
            "after the test OC stays raised",
        ),
        ("TEST.FORCE = vds}", "FAULT.VDS = 1}", "FAULT.VDS cannot be written (rc)"),
    ],
)
def test_a_test_of_monitors_runs_on_the_simulated_chip(old: str, new: str, text: str) -> None:
    assert WOMBAT.count(old)
    _, found = check_map("wombat24.yaml", text=WOMBAT.replace(old, new, 1))
    told = [str(p) for p in found if p.severity == "error"]
    assert any(text in t for t in told), told
    assert all("wombat24.yaml:" in t for t in told)
