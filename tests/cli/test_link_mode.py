"""`link PORT mode`: a chip goes from mode to mode and back on a simulated port; what it must not do is refused."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from regmap.maps.load import load_map
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, Terminal

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")

DEVICES = Path(__file__).parents[2] / "devices"
PUMP = """
modes:
  limp:
    after: [OT_WARN, OV_SUPPLY, SPI_ERR, controller]
    motor.current: {rms: 10 A, peak: 18 A}
    settings: {GATE_HS: {SOURCE: 80 mA}, GATE_LS: {SOURCE: 80 mA}, TIMING: {DEAD_TIME: 1.4 us}, SENSE.OC_TH: 18 mV}
  rough:
    after: [controller]
    settings: {GATE_HS: {SINK: 36 mA}}
"""
DRUM = """
modes:
  asleep: {after: [controller], driving: no, settings: {CONTROL.SLEEP: asleep}}
  near: {after: [controller], settings: {OVERCURRENT.THRESHOLD: 60 mV}, motor.current: {rms: 8 A, peak: 15 A}}
"""


def document(folder: Path, name: str, modes: str) -> str:
    path = folder / f"{name}.yaml"
    path.write_text((DEVICES / path.name).read_text().partition("\nmodes:")[0] + modes)
    return str(path)


@pytest.fixture
def pump() -> Iterator[tuple[Twin, str]]:
    twin = Twin(load_map("quoll16"))
    with Terminal(Adapter(twin.bus, [twin]), "quoll16") as terminal:
        yield twin, terminal.path


@pytest.fixture
def drum() -> Iterator[tuple[Twin, str]]:
    twin = Twin(load_map("numbat24"))
    with Terminal(Adapter(twin.bus, [twin]), "numbat24") as terminal:
        yield twin, terminal.path


def test_there_and_back(
    gateword: Callable[..., Any], pump: tuple[Twin, str], tmp_path: Path
) -> None:
    twin, port = pump
    stage = document(tmp_path, "coolant_pump", PUMP)
    assert gateword("link", port, "apply", stage, "--allow-writes").status == 0
    before = dict(twin.machine.bank.words)
    there = gateword("link", port, "mode", stage, "limp", "--allow-writes")
    assert there.status == 0, there.out + there.err
    assert "the controller takes the values of limp now" in there.out
    assert "holds limp" in there.out
    assert twin.machine.bank.code("SENSE.OC_TH") != before["SENSE"]
    assert gateword("link", port, "verify", stage, "--drive-mode", "limp").status == 0
    assert gateword("link", port, "verify", stage).status == 1
    again = gateword("link", port, "mode", stage, "limp", "--allow-writes")
    assert (again.status, "already" in again.out) == (0, True)
    back = gateword("link", port, "mode", stage, "as_stated", "--allow-writes")
    assert back.status == 0
    settings = [r.name for r in twin.chip.registers.values() if r.holds_settings]
    assert {n: twin.machine.bank.words[n] for n in settings} == {n: before[n] for n in settings}
    assert (
        gateword(
            "link", port, "apply", stage, "--drive-mode", "limp", "--allow-writes", "--any-state"
        ).status
        == 0
    )


def test_a_chip_in_no_mode_is_told_and_left_alone(
    gateword: Callable[..., Any], pump: tuple[Twin, str], tmp_path: Path
) -> None:
    twin, port = pump
    stage = document(tmp_path, "coolant_pump", PUMP)
    before = dict(twin.machine.bank.words)
    done = gateword("link", port, "mode", stage, "limp", "--allow-writes")
    assert done.status == 1
    assert "none of the modes" in done.out
    assert " -> " in done.out
    assert twin.machine.bank.words == before


def test_a_way_with_findings_is_not_gone_unasked(
    gateword: Callable[..., Any], pump: tuple[Twin, str], tmp_path: Path
) -> None:
    """The mode itself has too little dead time: into it a state destroys the bridge only by its own fault."""
    twin, port = pump
    modes = PUMP.replace(
        "settings: {GATE_HS: {SINK: 36 mA}}",
        "within: 1 us\n    settings: {GATE_HS: {SINK: 110 mA}}",
    )
    stage = document(tmp_path, "coolant_pump", modes)
    assert gateword("link", port, "apply", stage, "--allow-writes").status == 0
    held = dict(twin.machine.bank.words)
    done = gateword("link", port, "mode", stage, "rough", "--allow-writes")
    assert done.status == 2
    assert "not clean" in done.err
    assert twin.machine.bank.words == held
    assert (
        gateword(
            "link", port, "mode", stage, "rough", "--allow-writes", "--despite-findings"
        ).status
        == 0
    )


def test_outputs_that_are_on_stay_on_and_none_are_enabled(
    gateword: Callable[..., Any], drum: tuple[Twin, str], tmp_path: Path
) -> None:
    twin, port = drum
    stage = document(tmp_path, "conveyor_drum", DRUM)
    assert gateword("link", port, "apply", stage, "--allow-writes").status == 0
    enable = twin.chip.field("CONTROL.ENABLE")
    assert enable is not None
    assert twin.machine.bank.code(enable.ref) == 0
    # the outputs are off: nothing enables them
    assert gateword("link", port, "mode", stage, "near", "--allow-writes").status == 0
    assert twin.machine.bank.code(enable.ref) == 0
    assert gateword("link", port, "mode", stage, "as_stated", "--allow-writes").status == 0
    twin.machine.bank.put(enable, 1)  # the controller drives
    assert gateword("link", port, "mode", stage, "near", "--allow-writes").status == 0
    assert twin.machine.bank.code(enable.ref) == 1
    done = gateword("link", port, "mode", stage, "asleep", "--allow-writes")
    assert done.status == 0, done.out + done.err
    assert twin.machine.bank.code(enable.ref) == 0
    assert twin.machine.bank.code("CONTROL.SLEEP") == 1


def test_a_dry_run_needs_both_ends(
    gateword: Callable[..., Any], pump: tuple[Twin, str], tmp_path: Path
) -> None:
    twin, port = pump
    stage = document(tmp_path, "coolant_pump", PUMP)
    before = dict(twin.machine.bank.words)
    assert "--from MODE" in gateword("link", port, "mode", stage, "limp", "--dry-run").err
    done = gateword("link", port, "mode", stage, "limp", "--dry-run", "--from", "as_stated")
    assert done.status == 0
    assert "GATE_HS" in done.out
    assert twin.machine.bank.words == before
    wrong = gateword("link", port, "mode", stage, "limb", "--allow-writes")
    assert wrong.status == 2
    assert "limp" in wrong.err
