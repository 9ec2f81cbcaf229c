"""Apply, then verify, over a real pseudo-terminal for every bundled chip and stage; chains; the C bridge's floor."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from regmap.behaviour.settings import setting_registers
from regmap.chip import values
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.link.bringup import apply, verify
from regmap.link.look import final_bank
from regmap.link.port import AdapterPort
from regmap.link.session import Link
from regmap.maps.load import bundled, load_map
from regmap.stages.load import load_stage
from regmap.twin import Twin
from regmap.twin.adapter import Adapter, Terminal
from regmap.twin.chain import TwinChain
from regmap.wire.ports import Reopener

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")


def documents(key: str) -> list[str]:
    return [n for n, p in bundled("devices").items() if f"{key}:" in p.read_text()]


def another(chip: Chip) -> Bank:
    """A configuration in which every setting that the map's sequence writes differs from reset."""
    bank = Bank.at_reset(chip)
    steps = [s for s in chip.sequences.get("configure", ()) if s.do == "configure"]
    written = {n for s in steps for n in s.targets}
    layouts = {n for f in chip.frames.values() if f.when is not None for n in f.when.names()}
    for register in setting_registers(chip):
        if written and not written & {"all", register.name}:
            continue
        if register.complement_of or register.reads_as not in ("written", "inverted"):
            continue
        for field in register.fields:
            left_alone = (
                field.access != "rw" or field.ref in layouts or field.role in ("lock", "sleep")
            )
            if left_alone or field.ref == chip.page_select or field.role == "watchdog.enable":
                continue
            codes = [r.code for r in values.options(field, bank, limit=64) if r.defined]
            other = [c for c in codes if c != field.reset]
            if other:
                bank.put(field, other[-1])
    for register in chip.registers.values():
        if register.complement_of:
            bank.learn(register.name, ~bank.words[register.complement_of] & register.mask)
    return bank


@contextmanager
def linked(
    twin: Twin | TwinChain, chip: Chip, chips: tuple[Chip, ...] = (), position: int = 0
) -> Iterator[Link]:
    cores = twin.cores if isinstance(twin, TwinChain) else [twin]
    with Terminal(Adapter(twin.bus, list(cores)), chip.name) as terminal:
        port = AdapterPort(
            Reopener(terminal.path),
            chip.spi,
            name=terminal.path,
            timeout=5.0,
            sleep=lambda _: None,
        )
        port.open()
        try:
            yield Link(chip, port, chips=chips, position=position)
        finally:
            port.close()


@pytest.mark.parametrize("name", documents("gateword_map"))
def test_apply_then_verify_for_every_shipped_chip(name: str) -> None:
    chip = load_map(name)
    twin = Twin(chip)
    wanted = another(chip)
    assert any(wanted.words[r.name] != r.reset for r in setting_registers(chip))
    with linked(twin, chip) as link:
        done = apply(link, wanted)
        assert done.ok, (done.stopped, done.account.lines())
        checked = verify(link, final_bank(chip, wanted))
        assert checked
        assert all(c.ok for c in checked)
    # the chip itself agrees, looked at past the bus
    for register in setting_registers(chip):
        for field in register.fields:
            if field.access == "rw" and field.role != "lock":
                assert twin.machine.bank.field_code(field) == final_bank(chip, wanted).field_code(
                    field
                ), field.ref


@pytest.mark.parametrize("name", documents("gateword_stage"))
def test_apply_then_verify_for_every_shipped_stage(name: str) -> None:
    stage = load_stage(name)
    chips = stage.chain
    twin = TwinChain(chips) if len(chips) > 1 else Twin(stage.chip)
    with linked(twin, stage.chip, chips, stage.position) as link:
        done = apply(link, stage.bank)
        assert done.ok, (done.stopped, done.account.lines())
        assert all(c.ok for c in verify(link, final_bank(stage.chip, stage.bank)))
        assert verify(link, Bank.at_reset(stage.chip))[0].changes or any(
            c.changes for c in verify(link, Bank.at_reset(stage.chip))
        )


@pytest.mark.parametrize("position", [0, 1, 2])
def test_apply_then_verify_at_every_place_of_a_chain(position: int) -> None:
    chip = load_map("quokka16")
    chain = TwinChain([chip] * 3)
    wanted = another(chip)
    with linked(chain, chip, (chip,) * 3, position) as link:
        done = apply(link, wanted)
        assert done.ok, (done.stopped, done.account.lines())
        assert all(c.ok for c in verify(link, final_bank(chip, wanted)))
    for index, core in enumerate(chain.cores):
        expected = wanted.words["GATE_HS"] if index == position else chip.registers["GATE_HS"].reset
        assert core.machine.bank.words["GATE_HS"] == expected


def test_a_capture_of_the_bring_up_shows_it(tmp_path: Path) -> None:
    """What the link did is seen by the capture side too, which knows nothing of it."""
    from regmap.capture.formats.opening import open_capture
    from regmap.trace.tracer import trace_capture

    stage = load_stage("coolant_pump")
    path = tmp_path / "link.vcd"
    twin = Twin(stage.chip, vcd=path)
    with linked(twin, stage.chip) as link:
        assert apply(link, stage.bank).ok
    twin.close()
    with open_capture(str(path)) as capture:
        trace = trace_capture(capture, [stage.chip])
    assert not trace.problems
    assert path.stat().st_size > 10_000


def test_a_real_port_pulled_out_in_mid_write() -> None:
    """The terminal is closed under the link: the serial library sees what it sees of a pulled cable."""
    chip = load_map("quoll16")
    twin = Twin(chip)
    terminal = Terminal(Adapter(twin.bus, [twin]), chip.name)
    port = AdapterPort(
        Reopener(terminal.path), chip.spi, name=terminal.path, timeout=1.0, reconnect=0.2
    )
    port.open()
    link = Link(chip, port)
    assert link.write("VDS", 0x030).result == "verified"
    # the adapter stops answering, and the port goes while the answer is waited for
    terminal.stop()
    timer = threading.Timer(0.3, terminal.terminal.close)
    timer.start()
    written = link.write("GATE_HS", 0x123)
    timer.join()
    port.close()
    assert written.result == "unknown"
    account = link.account()
    # the supply may have gone with the plug, so what was known before is in doubt as well
    assert [u.register for u in account.unknown] == ["GATE_HS", "VDS"]
    assert account.unknown[0].open
    assert account.unknown[0].candidates == (0x123, chip.registers["GATE_HS"].reset)
    assert account.unknown[1].candidates == (0x030, chip.registers["VDS"].reset)
    text = " ".join("\n".join(account.lines()).split())
    assert "it holds a word that is not known, or 0x123, or 0x143 if power" in text
    assert not account.certain
    assert any("gateword link" in step for step in account.safe_state)
