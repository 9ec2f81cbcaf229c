"""Limits of the SPI and the watchdog's window; periods are made on purpose, limits come from the map.

What a window watchdog asks (not before its closed part ends, not after the window) is common practice;
the closed part at the start is as in Texas Instruments SLLSF80B.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from regmap.maps.load import load_map
from regmap.quantity import parse_band
from regmap.trace.telling.story import tell

BENCH = ("wiring.v", "quoll16.v")


def with_limits(**limits: str) -> Any:
    chip = load_map("quoll16")
    dims = {"clock_max": "frequency"}
    bands = {k: parse_band(v, dims.get(k, "time")) for k, v in limits.items()}
    return replace(chip, spi=replace(chip.spi, **bands))


def test_a_bus_inside_its_limits(verilog: Any, traced: Any) -> None:
    assert traced(verilog(*BENCH)).breaches == ()


@pytest.mark.parametrize(
    ("limits", "text", "count"),
    [
        (
            {"clock_max": "4 MHz"},
            "clock of 5 MHz; at most 4 MHz allowed (27 of 27 times, worst in transfer 0 at 1.25 ms)",
            27,
        ),
        ({"clock_high": "120 ns"}, "clock high time of 100 ns; at least 120 ns needed", 27),
        ({"clock_low": "120 ns"}, "clock low time of 100 ns; at least 120 ns needed", 27),
        ({"lead": "200 ns"}, "select to first clock edge of 150 ns; at least 200 ns needed", 27),
        ({"lag": "300 ns"}, "last clock edge to select end of 200 ns; at least 300 ns needed", 27),
        (
            {"idle": "900 ns"},
            "select inactive between frames of 800 ns; at least 900 ns needed",
            20,
        ),
        (
            {"wake_up": "2 ms"},
            "first frame 1.15 ms after the enable pin rose; the chip needs up to 2 ms to wake",
            1,
        ),
    ],
)
def test_each_limit_with_its_worst_place(
    limits: dict[str, str], text: str, count: int, verilog: Any, traced: Any
) -> None:
    [breach] = traced(verilog(*BENCH), with_limits(**limits)).breaches
    assert breach.text.startswith(text)
    assert breach.count == count
    assert breach.transfer in (0, 1)


def test_the_worst_place_is_the_worst(verilog: Any, traced: Any) -> None:
    """One clock pulse of one frame is made short: that transfer is named."""
    vcd = verilog(*BENCH)
    lines = vcd.text.splitlines(keepends=True)
    code = vcd.code("sclk")
    rises = [i for i, line in enumerate(lines) if line.strip() == f"1{code}"]
    fall = next(i for i in range(rises[5 * 16 + 3], len(lines)) if lines[i].strip() == f"0{code}")
    start = next(i for i in range(rises[5 * 16 + 3], -1, -1) if lines[i].startswith("#"))
    time = int(lines[start][1:])
    del lines[fall]
    lines.insert(
        next(i for i in range(rises[5 * 16 + 3] + 1, len(lines)) if lines[i].startswith("#")),
        f"#{time + 1}\n",
    )
    at = lines.index(f"#{time + 1}\n")
    lines.insert(at + 1, f"0{code}\n")
    breaches = {b.limit: b for b in traced("".join(lines)).breaches}
    assert breaches["high"].transfer == 5
    assert breaches["high"].count == 1
    assert breaches["high"].worst == Fraction(1, 10**9)


# --- watchdog: Quoll-16 with a window of 60 ms, 10 %, its first half closed -------------------------------
SERVE = 0x00B


def served(talk: Any, *gaps_ms: float) -> Any:
    lines = (
        talk("quoll16")
        .read("STATUS2", 0x200, "reset")
        .write("WATCHDOG", 0x00D, "reset")
        .read("WATCHDOG", 0x00D, "reset")
    )
    for gap in gaps_ms:
        lines.wait(gap)
        lines.write("SERVICE", SERVE, "reset")
    return lines


def test_served_in_time(talk: Any, traced: Any, notes: Any) -> None:
    assert notes(traced(served(talk, 45, 45, 45)), "watchdog") == []


@pytest.mark.parametrize(
    ("gap", "text"),
    [(70, "too late"), (58, "late"), (31, "early"), (20, "too early")],
)
def test_served_outside_its_window(
    gap: float, text: str, talk: Any, traced: Any, notes: Any
) -> None:
    """54 to 66 ms is where the window may end, 27 to 33 ms where its closed part may."""
    [(number, found)] = notes(traced(served(talk, 45, gap, 45)), "watchdog")
    assert number == 4
    assert found.startswith(f"watchdog served {text}: {gap} ms after the one before")


def test_not_served_again(talk: Any, traced: Any, notes: Any) -> None:
    lines = served(talk, 45)
    lines.wait(100)
    trace = traced(lines.read("STATUS1", 0))
    [(number, text)] = notes(trace, "watchdog")
    assert number == -1
    assert (
        text
        == "watchdog not served for 100 ms until the capture ends; its window is 54 ms to 66 ms"
    )
    assert tell(trace).faulty


def test_a_watchdog_that_is_off_needs_no_service(talk: Any, traced: Any, notes: Any) -> None:
    lines = (
        talk("quoll16")
        .read("STATUS2", 0x200, "reset")
        .write("WATCHDOG", 0x004)
        .wait(500)
        .read("STATUS1", 0)
    )
    assert notes(traced(lines), "watchdog") == []
