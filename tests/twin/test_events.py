"""What a simulated chip tells of itself: once where something begins and once where it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from fractions import Fraction

import pytest

from regmap.behaviour.plan import plan
from regmap.frames.codec import bursts
from regmap.maps.load import load_map
from regmap.twin import Twin

MS = Fraction(1, 1000)


def ask(twin: Twin, *requests: str) -> None:
    for planned in plan(twin.chip, requests, twin.machine.bank):
        twin.transfer(bursts(planned.sent.frame, planned.sent.word))


def told(twin: Twin) -> list[str]:
    return [e.text for e in twin.events if e.kind == "watchdog"]


def running() -> Twin:
    """quoll16 with its watchdog on: windows of 60 ms, the first half closed (code 0xD of its map)."""
    twin = Twin(load_map("quoll16"))
    ask(twin, "WATCHDOG = 0x00D")
    return twin


def test_unserved_windows_are_told_where_they_begin_and_where_they_end() -> None:
    twin = running()
    twin.wait(60 * MS * 20 + MS)
    assert told(twin) == ["not served within its window"]
    assert twin.watchdog.missed == 20
    twin.wait(35 * MS)
    ask(twin, "SERVICE.WD_KEY = serve")
    assert told(twin)[1:] == ["served again after 20 windows unserved"]
    twin.wait(61 * MS)
    assert told(twin)[2:] == ["not served within its window"]
    ask(twin, "WATCHDOG = 0x000")
    assert told(twin)[3:] == ["stopped after 1 window unserved"]


@pytest.mark.parametrize("what", ["no_power", "reset"])
def test_what_stops_the_chip_ends_the_row(what: str) -> None:
    twin = running()
    twin.wait(200 * MS)
    twin.disturb(what)
    twin.wait(MS)
    assert told(twin) == ["not served within its window", "stopped after 3 windows unserved"]


def test_the_fault_is_told_once_and_again_after_it_was_cleared() -> None:
    twin = running()
    twin.wait(200 * MS)
    ask(twin, "SERVICE.CLEAR = clear")
    assert not twin.word("STATUS2") & 0x80
    twin.wait(200 * MS)
    assert [e.text for e in twin.events if e.kind == "fault"] == ["WD raised by watchdog"] * 2
    assert twin.word("STATUS2") & 0x80


def test_more_events_than_are_kept_are_counted() -> None:
    twin = Twin(load_map("quoll16"))
    before = twin.happened
    for _ in range(10):
        twin.transfer([(0x7C00, 15)])
    assert twin.happened - before >= 10
    assert twin.happened >= len(twin.events)


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")
def test_the_command_tells_of_an_unserved_watchdog_once() -> None:
    program = [sys.executable, "-m", "regmap.cli.main"]
    process = subprocess.Popen(
        [*program, "twin", "quoll16", "--events"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    port = process.stdout.readline().strip()
    write = [*program, "link", port, "write", "quoll16", "WATCHDOG = 0x00D", "--allow-writes"]
    assert subprocess.run(write, capture_output=True, timeout=60, check=False).returncode == 0
    time.sleep(0.4)  # nobody asks the chip anything meanwhile
    process.send_signal(signal.SIGINT)
    _, text = process.communicate(timeout=20)
    assert text.count("not served within its window") == 1
    assert text.count("WD raised by watchdog") == 1
    [end] = [line for line in text.splitlines() if "still not served" in line]
    assert int(end.split()[-5]) >= 3, end
