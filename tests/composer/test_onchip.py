"""A simulated chip on a port beside the draft: looked at, compared, and written one register at a time, after a yes."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pytest

from regmap.cautions import FIRST_WRITE
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import load_map
from regmap.twin import Twin

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
Port = Any

#: GATE_HS of coolant_pump by hand: HOLD 240 mA code 2 in 9..8, SINK 160 mA code 9 in 7..4, SOURCE 120 mA code 8
GATE_HS = 2 << 8 | 9 << 4 | 8


@pytest.fixture
def twin() -> Twin:
    return Twin(load_map("quoll16"), seed=1)


def lines(document: Path, state: Path, *typed: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    context = Context(
        stdin=io.StringIO("\n".join(typed) + "\n"),
        stdout=out,
        stderr=err,
        environ={"GATEWORD_STATE": str(state)},
    )
    return (
        main(["compose", str(document)], context),
        " ".join(out.getvalue().split()),
        err.getvalue(),
    )


def test_looking_writes_nothing_and_tells_every_difference(
    pump: Path, state: Path, twin: Twin, gateword_port: Port
) -> None:
    twin.machine.bank.learn("GATE_HS", GATE_HS)
    before = dict(twin.machine.bank.words)
    status, told, _ = lines(pump, state, f"connect {gateword_port(twin)}", "live", "disconnect")
    assert status == 0
    assert "quoll16 answers: ID reads 0x161" in told
    assert "TIMING.DEAD_TIME 2 us -> 1 us" in told
    assert "GATE_HS" not in told.replace("GATE_HS.SOURCE", "").split("TIMING")[0]
    assert twin.machine.bank.words == before


def test_one_register_is_written_after_a_yes_and_read_back(
    pump: Path, state: Path, twin: Twin, gateword_port: Port
) -> None:
    port = gateword_port(twin)
    timing = twin.word("TIMING")
    status, told, err = lines(
        pump, state, f"connect {port}", "send TIMING", "n", "send GATE_HS.SOURCE", "y", "send GATE_HS.SOURCE", "y",
    )  # fmt: skip
    assert status == 0
    assert twin.word("TIMING") == timing
    assert twin.word("GATE_HS") == GATE_HS
    assert f"Write GATE_HS = 0x{GATE_HS:03X} to {port}?" in told
    assert "GATE_HS.SOURCE: 39 mA -> 120 mA" in told
    assert f"verified: write GATE_HS = 0x{GATE_HS:03X}" in told
    assert "nothing that can be read changes" in told
    # before the first write only, and asked again as long as nothing was written
    assert told.count(" ".join(FIRST_WRITE.split())) == 2
    assert f"GATE_HS = 0x{GATE_HS:03X}" in err


def test_a_yes_holds_for_the_word_that_was_asked_about(
    pump: Path, state: Path, twin: Twin, gateword_port: Port
) -> None:
    before = twin.word("GATE_HS")
    typed = ["send GATE_HS", "GATE_HS.SOURCE = 62 mA", "send GATE_HS now"]
    status, told, _ = lines(pump, state, f"connect {gateword_port(twin)}", *typed)
    assert status == 0
    assert told.count("Write GATE_HS = ") == 2
    assert twin.word("GATE_HS") == before


def test_what_can_hurt_is_said_before_it_is_written(
    pump: Path, state: Path, twin: Twin, gateword_port: Port
) -> None:
    _, told, _ = lines(
        pump, state, "MODE.VDS_ACT = off", f"connect {gateword_port(twin)}", "send MODE", "n"
    )
    assert "caution: MODE.VDS_ACT = off" in told


def test_what_the_chip_holds_can_be_taken_into_the_draft(
    driver: Any, twin: Twin, gateword_port: Port
) -> None:
    twin.machine.bank.learn("TIMING", 0x2A7)
    driver.enter(f"connect {gateword_port(twin)}")
    driver.enter("live")
    assert "quoll16 on /dev/" in driver.text
    driver.enter("accept")
    draft = driver.session.draft
    assert draft.bank.words["TIMING"] == 0x2A7
    driver.press("^Z")
    assert draft.bank.words["TIMING"] != 0x2A7
    driver.session.onchip.close()


def test_on_the_screen_a_line_asks_and_a_key_answers(
    driver: Any, twin: Twin, gateword_port: Port
) -> None:
    driver.height = 40
    driver.enter(f"connect {gateword_port(twin)}")
    driver.enter("live")
    driver.press("Enter")
    assert "y  write it, and read it back" in driver.text
    assert "leave a fault unprotected" in driver.said
    before = dict(twin.machine.bank.words)
    driver.press("n")
    assert twin.machine.bank.words == before
    driver.enter("send GATE_HS")
    driver.type("y")
    assert twin.word("GATE_HS") == GATE_HS
    assert "verified: write GATE_HS" in driver.said
    driver.session.onchip.close()


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("live", "no chip is connected; `connect PORT`"),
        ("send GATE_HS", "no chip is connected"),
        ("disconnect", "no chip is connected"),
        ("connect", "connect to what? a serial port"),
        ("connect /dev/ttyNONE7", "cannot open /dev/ttyNONE7"),
    ],
)
def test_without_a_chip_it_is_told(pump: Path, state: Path, typed: str, told: str) -> None:
    status, said, _ = lines(pump, state, typed)
    assert status == 1
    assert told in said


def test_another_chip_is_not_taken(pump: Path, state: Path, gateword_port: Port) -> None:
    status, said, _ = lines(pump, state, f"connect {gateword_port('quokka16')}", "live")
    assert status == 1
    assert "no: " in said
    assert "beside the draft" not in said


def test_a_write_that_does_not_take_is_told_as_that(
    pump: Path, state: Path, twin: Twin, gateword_port: Port
) -> None:
    """Locked by hand: the register keeps its word, and the answer says so."""
    port = gateword_port(twin)
    held = twin.word("GATE_HS")
    twin.disturb("dead_command low after read ID")
    status, said, _ = lines(pump, state, f"connect {port}", "send GATE_HS", "y")
    assert status == 1
    assert "no: " in said
    assert "verified" not in said
    assert twin.word("GATE_HS") == held


def test_registers_on_another_page_are_read_once_that_is_asked_for(
    state: Path, gateword_port: Port
) -> None:
    """potoroo40: PAGE.NUMBER selects; without the word nothing is written, with it the page is put back."""
    twin = Twin(load_map("potoroo40"), seed=1)
    port = gateword_port(twin)
    status, said, _ = lines(Path("potoroo40"), state, f"connect {port}", "live")
    assert status == 0
    assert "SPEED: not known: it is on page 1 and the chip on page 0" in said
    assert "`live pages` writes PAGE.NUMBER to read those, and puts it back" in said
    assert "not known" not in said.split("`live pages`")[1]
    status, said, _ = lines(Path("potoroo40"), state, f"connect {port}", "live pages")
    assert status == 0
    assert "not known" not in said
    assert "`live pages`" not in said.partition("beside the draft:")[2]
    assert twin.word("PAGE") == 0
