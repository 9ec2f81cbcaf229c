"""Every wrong mode and every wiring mistake, injected into a capture of a Verilog model, is named.

The controller and the chip are written in Verilog and simulated by Icarus Verilog, which also writes
the dump; what a mode does to a chip that needs another one is the simulator's doing.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from regmap.maps.load import load_map
from regmap.trace.findings.wiring import diagnose
from regmap.trace.telling.story import tell

#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
BENCH = ("wiring.v", "quoll16.v")


def names(trace: Any, *, grave: bool | None = True) -> list[str]:
    return [m.name for m in diagnose(trace).mistakes if grave is None or m.grave is grave]


def test_a_sound_capture_has_no_mistake(verilog: Any, traced: Any) -> None:
    trace = traced(verilog(*BENCH))
    assert names(trace, grave=None) == []
    assert not tell(trace).faulty


@pytest.mark.parametrize("mode", [0, 2, 3])
def test_a_controller_in_the_wrong_mode(mode: int, verilog: Any, traced: Any) -> None:
    found = diagnose(traced(verilog(*BENCH, MODE=mode))).mistakes
    assert [m.name for m in found if m.grave] == ["mode"]
    assert f"the controller drives mode {mode} and the chip needs mode 1" in found[0].text


@pytest.mark.parametrize(
    ("wanted", "mode"),
    [(w, m) for w in range(4) for m in range(4) if EVERY or m == w ^ w // 2 ^ 1],
)
def test_every_pair_of_modes(mode: int, wanted: int, verilog: Any, traced: Any) -> None:
    """The controller's mode is named whatever the map asks for."""
    chip = load_map("quoll16")
    chip = replace(chip, spi=replace(chip.spi, mode=wanted))
    found = [
        m for m in diagnose(traced(verilog(*BENCH, MODE=mode), chip)).mistakes if m.name == "mode"
    ]
    if mode == wanted:
        assert not any("drives mode" in m.text for m in found)
    else:
        assert f"drives mode {mode} and the chip needs mode {wanted}" in found[0].text


@pytest.mark.parametrize("asked", [0, 2, 3])
def test_read_in_a_wrong_mode_on_purpose(asked: int, verilog: Any, traced: Any) -> None:
    found = diagnose(traced(verilog(*BENCH), spi={"mode": asked})).mistakes
    assert found[0].name == "mode"
    assert f"read in SPI mode {asked} as asked, but this SPI runs in mode 1" in found[0].text


MISTAKES: dict[str, tuple[str, Callable[[Any], Any]]] = {
    "data lines swapped": ("data_swapped", lambda v: v.swapped("mosi", "miso")),
    "reply stuck high": ("stuck_high", lambda v: v.stuck("miso", "1")),
    "reply stuck low": ("stuck_low", lambda v: v.stuck("miso", "0")),
    "reply floating": ("floating", lambda v: v.stuck("miso", "z")),
    "reply unknown": ("floating", lambda v: v.stuck("miso", "x")),
    "data lines bridged": ("twice", lambda v: v.copied("mosi", "miso")),
    "echo a little later": ("echo", lambda v: v.copied("mosi", "miso", delay=12)),
    "clock and select swapped": ("clock_select_swapped", lambda v: v.swapped("sclk", "ncs")),
    "select inverted": ("select_inverted", lambda v: v.inverted("ncs")),
    "one line captured twice": ("twice", lambda v: v.same("mosi", "miso")),
    "clock captured as command": ("twice", lambda v: v.same("sclk", "mosi")),
    "reply inverted": ("inverted", lambda v: v.inverted("miso")),
    "command inverted": ("inverted", lambda v: v.inverted("mosi")),
}


@pytest.mark.parametrize("case", list(MISTAKES)[:: 1 if EVERY else 2])
def test_wiring_mistakes(case: str, verilog: Any, traced: Any) -> None:
    name, change = MISTAKES[case]
    trace = traced(change(verilog(*BENCH)))
    assert names(trace)[0] == name
    story = tell(trace)
    assert story.episodes == ()
    assert story.faulty
    assert story.telling[-1][1:10] == diagnose(trace).mistakes[0].text[1:10]


REMARKS: dict[str, tuple[str, Callable[[Any], Any]]] = {
    "select not captured": ("select_missing", lambda v: v.without("ncs")),
    "select tied low": ("select_still", lambda v: v.stuck("ncs", "0")),
}


@pytest.mark.parametrize("case", REMARKS)
def test_words_are_still_read_without_select(case: str, verilog: Any, traced: Any) -> None:
    name, change = REMARKS[case]
    sound = traced(verilog(*BENCH))
    trace = traced(change(verilog(*BENCH)))
    assert names(trace) == []
    assert name in names(trace, grave=False)
    assert tell(trace).counts == tell(sound).counts


@pytest.mark.parametrize(
    ("clocks", "text"),
    [
        (15, "one clock is missing"),
        (17, "one extra clock"),
        (32, "the word of 16 bits is in the first 16 of 32 clocks"),
        (8, "select rises inside the frame"),
    ],
)
def test_wrong_number_of_clocks(clocks: int, text: str, verilog: Any, traced: Any) -> None:
    found = diagnose(traced(verilog(*BENCH, CLOCKS=clocks))).mistakes
    assert found[0].name == "clocks"
    assert found[0].grave
    assert text in found[0].text


def test_wrong_bit_order(verilog: Any, traced: Any) -> None:
    """Odd parity does not mind the order: only what makes sense tells it."""
    found = diagnose(traced(verilog(*BENCH, LSB=1))).mistakes
    assert [m.name for m in found] == ["order"]
    assert "least significant bit first" in found[0].text


def test_another_chip(verilog: Any, traced: Any) -> None:
    found = diagnose(traced(verilog(*BENCH), "bilby32", spi={"mode": 1})).mistakes
    assert any(m.grave for m in found)
    assert "16 instead of 32" in found[0].text


def test_the_ways_of_reading_are_ranked(verilog: Any, traced: Any) -> None:
    ranked = diagnose(traced(verilog(*BENCH, LSB=1))).command
    assert ranked[0].way.order == "lsb"
    assert [f.share for f in ranked] == sorted((f.share for f in ranked), reverse=True)
    assert {(f.way.line, f.way.rising, f.way.shift, f.way.order, f.way.inverted) for f in ranked} >= {
        (line, rising, shift, order, inverted)
        for line in ("command", "reply") for rising in (False, True) for shift in (-1, 0, 1)
        for order in ("msb", "lsb") for inverted in (False, True)
    }  # fmt: skip


def test_a_line_that_dies_in_mid_work(verilog: Any, traced: Any) -> None:
    """From the middle on SDO is high: what came before is still believed."""
    text = verilog(*BENCH).text
    code = verilog(*BENCH).code("miso")
    head, changes = text.split("$enddefinitions $end\n")
    out, time, cut = [], 0, 1_700_000
    for line in changes.splitlines(keepends=True):
        if line.startswith("#"):
            time = int(line[1:])
        if time >= cut and line[1:].strip() == code and line[0] in "01xz":
            line = "1" + line[1:]
        out.append(line)
    trace = traced(head + "$enddefinitions $end\n" + "".join(out))
    found = diagnose(trace).mistakes
    assert [(m.name, m.grave) for m in found] == [("dead", False)]
    assert "every bit of the reply is 1" in found[0].text
    story = tell(trace)
    assert story.faulty
    assert "SDO died" in story.telling[-1]
    assert story.counts["read"] == 20


def with_pulse(vcd: Any, frame: int, clock: int, width: int, shift: int) -> str:
    """A short extra clock pulse after one clock of one frame."""
    code = vcd.code("sclk")
    head, changes = vcd.text.split("$enddefinitions $end\n")
    moves: list[tuple[int, str]] = []
    time, falls, place = 0, 0, 0
    for line in changes.splitlines():
        if line.startswith("#"):
            time = int(line[1:])
        elif line and line[0] in "01xz":
            moves.append((time, line))
            if line == f"0{code}" and time:
                falls += 1
                if falls == 16 * frame + clock:
                    place = time
    moves += [(place + shift, f"1{code}"), (place + shift + width, f"0{code}")]
    moves.sort(key=lambda m: m[0])
    out, last = [], None
    for when, line in moves:
        out.append((f"#{when}\n" if when != last else "") + line + "\n")
        last = when
    return head + "$enddefinitions $end\n" + "".join(out)


def test_a_glitch_on_the_clock_in_one_frame(verilog: Any, traced: Any) -> None:
    """One extra pulse of 4 ns: that frame is not taken, the runt is named, everything else is believed."""
    trace = traced(with_pulse(verilog(*BENCH), frame=7, clock=5, width=4, shift=40))
    found = {m.name: m for m in diagnose(trace).mistakes}
    assert not any(m.grave for m in found.values())
    assert "first in transfer 7" in found["runt"].text
    assert (
        "1 of 27 frames have a wrong number of clocks, most of these 17 instead of 16"
        in found["clocks"].text
    )
    assert tell(trace).counts["rejected"] == 1


def test_a_capture_that_starts_and_ends_in_mid_frame(verilog: Any, traced: Any) -> None:
    text = verilog(*BENCH).text
    head, changes = text.split("$enddefinitions $end\n")
    # in the first frame, and some clocks before the last select ends
    start = changes.index("#1251")
    last = changes.rindex("\n1" + verilog(*BENCH).code("ncs"))
    end = changes.rindex("#", 0, last - 200)
    trace = traced(
        head
        + '$enddefinitions $end\n#1251000\n0!\n0"\n0#\n0$\n1%\n1&\n'
        + changes[changes.index("#", start + 1) : end]
    )
    found = [m.name for m in diagnose(trace).mistakes]
    assert "cut" in found
    assert not any(m.grave for m in diagnose(trace).mistakes)
