"""Which line is which: by the trade's names, by behaviour, by order of the user."""

from __future__ import annotations

from fractions import Fraction
from itertools import permutations

import numpy as np
import pytest

from regmap.capture.arrays import Z
from regmap.capture.lines.channels import find_roles, guess_mode, role_by_name, words_of
from regmap.capture.lines.signals import Channel, Edges, Signals
from regmap.capture.spi import Roles
from regmap.errors import CallError

TICK = Fraction(1, 10**9)


def bus(
    mode: int = 0,
    frames: int = 40,
    bits: int = 16,
    *,
    floats: bool = False,
    active_low: bool = True,
    delay: int = 0,
) -> list[tuple[int, Edges]]:
    """(initial, edges) of clock, select, command, reply: random words, noise-free."""
    rng = np.random.default_rng(mode + bits)
    idle, late = mode >> 1, mode & 1
    events: list[list[tuple[int, int]]] = [[], [], [], []]
    now = 1000
    for _ in range(frames):
        events[1].append((now, 0))
        now += 150
        if floats:
            events[3].append((now - 140, 0))
        for _ in range(bits):
            a, b = rng.integers(0, 2, 2).tolist()
            first, lead, mid = now - 40, now, now + 50
            at = lead + 5 if late else first
            events[2].append((at, a))
            events[3].append((at + delay, b))
            events[0] += [(lead, 1 - idle), (mid, idle)]
            now += 100
        events[1].append((now + 50, 1))
        if floats:
            events[3].append((now + 60, Z))
        now += 50 + int(rng.integers(800, 3000))
    out = []
    for line, changes in enumerate(events):
        first_value = {0: idle, 1: 1, 2: 0, 3: Z if floats else 0}[line]
        if line == 1 and not active_low:
            changes = [(t, 1 - v) for t, v in changes]
            first_value = 0
        times, values, last = [], [], first_value
        for t, v in changes:
            if v != last:
                times.append(t)
                values.append(v)
                last = v
        out.append((first_value, Edges(np.array(times, np.int64), np.array(values, np.uint8))))
    return out


def capture(lines: list[tuple[int, Edges]], names: list[str]) -> Signals:
    end = max([int(e.times[-1]) for _, e in lines if len(e)] + [1000]) + 1000
    return Signals(
        name="c",
        format="drawn",
        tick=TICK,
        start=0,
        end=end,
        channels=tuple(Channel(index=i, name=n) for i, n in enumerate(names)),
        initial=np.array([v for v, _ in lines], np.uint8),
        edges=tuple(e for _, e in lines),
    )


# Terms of the trade; common practice, no source.
@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("sclk", "clock"),
        ("SCK", "clock"),
        ("top.dut.SPI_CLK", "clock"),
        ("spi1_sck", "clock"),
        ("spiClk", "clock"),
        ("CLK0", "clock"),
        ("nCS", "select"),
        ("CS_N", "select"),
        ("cs#", "select"),
        ("nSCS", "select"),
        ("SS", "select"),
        ("U3.ncs_1", "select"),
        ("CSB", "select"),
        ("n_cs", "select"),
        ("MOSI", "command"),
        ("spi.COPI", "command"),
        ("SDI", "command"),
        ("DI", "command"),
        ("SIMO", "command"),
        ("MISO", "reply"),
        ("cipo", "reply"),
        ("SDO [0]", "reply"),
        ("somi", "reply"),
        ("DOUT", "reply"),
        ("nFAULT", "fault"),
        ("drv_fault_n", "fault"),
        ("ENABLE", "enable"),
        ("drv_en", "enable"),
        ("nSLEEP", "enable"),
        ("D0", None),
        ("Channel 3", None),
        ("pwm_ah", None),
        ("phase_u", None),
    ],
)
def test_names_of_the_trade(name: str, role: str | None) -> None:
    found = role_by_name(name)
    assert (found[0] if found else None) == role, words_of(name)


@pytest.mark.parametrize("mode", range(4))
@pytest.mark.parametrize("active_low", [True, False])
def test_by_behaviour_in_any_order(mode: int, active_low: bool) -> None:
    lines = bus(mode, floats=True, active_low=active_low)
    for order in list(permutations(range(4)))[::5]:
        s = capture([lines[k] for k in order], [f"D{k}" for k in range(4)])
        finding = find_roles(s)
        where = {line: place for place, line in enumerate(order)}
        assert finding.roles == Roles(
            clock=where[0], select=where[1], command=where[2], reply=where[3]
        ), finding.text
        assert finding.select_active_low == active_low
        assert set(finding.how.values()) == {"behaviour"}
        assert not finding.certain
        assert "floats (z)" in finding.text
        guess = guess_mode(s, finding)
        assert guess.mode == mode, guess.text
        assert "the clock rests" in guess.text


def test_command_and_reply_by_their_delay_or_as_a_guess() -> None:
    lines = bus(1, delay=20)
    s = capture([lines[3], lines[2], lines[1], lines[0]], list("abcd"))
    finding = find_roles(s)
    assert finding.roles == Roles(clock=3, select=2, command=1, reply=0)
    assert "follows the clock's edge last, after 25 ns" in finding.text
    s = capture(bus(1), list("abcd"))
    finding = find_roles(s)
    assert finding.roles == Roles(clock=0, select=1, command=2, reply=3)
    assert "a guess" in finding.text


def test_other_lines_do_not_confuse() -> None:
    lines = bus(0, floats=True)
    end = int(lines[1][1].times[-1])
    pwm = np.arange(0, end, 937)
    slow = np.arange(500, end, end // 7)
    extra = [
        (0, Edges(pwm, (np.arange(1, len(pwm) + 1) & 1).astype(np.uint8))),
        (1, Edges(slow, (np.arange(len(slow)) & 1).astype(np.uint8))),
        (1, Edges(np.array([end // 2], np.int64), np.array([0], np.uint8))),
    ]
    s = capture(
        [extra[0], lines[3], extra[1], lines[0], lines[1], extra[2], lines[2]],
        [f"D{k}" for k in range(7)],
    )
    finding = find_roles(s)
    assert (
        finding.roles.clock,
        finding.roles.select,
        finding.roles.command,
        finding.roles.reply,
    ) == (3, 4, 6, 1), finding.text


def test_names_and_behaviour_together_and_given_choices() -> None:
    lines = bus(0)
    s = capture(lines, ["SCLK", "A", "B", "MISO"])
    finding = find_roles(s)
    assert finding.roles == Roles(clock=0, select=1, command=2, reply=3)
    assert finding.how == {
        "clock": "name",
        "select": "behaviour",
        "command": "behaviour",
        "reply": "name",
    }
    finding = find_roles(s, {"command": "MISO", "reply": "B", "select": "-"})
    assert finding.roles == Roles(clock=0, command=3, reply=2)
    assert finding.why["select"] == "not captured (given)"
    with pytest.raises(CallError, match="no role 'clk'"):
        find_roles(s, {"clk": "A"})
    with pytest.raises(CallError, match="nearest: MISO"):
        find_roles(s, {"reply": "MISU"})
    with pytest.raises(CallError, match="given as clock and as select"):
        find_roles(s, {"clock": "A", "select": "A"})


def test_several_selects_take_the_busy_one() -> None:
    lines = bus(0)
    quiet = (1, Edges(np.empty(0, np.int64), np.empty(0, np.uint8)))
    s = capture([quiet, *lines], ["cs0", "sclk", "cs1", "mosi", "miso"])
    finding = find_roles(s)
    assert finding.roles.select == 2
    assert "also possible: cs0" in finding.text


def test_fault_and_enable_by_name_only() -> None:
    lines = [
        *bus(0),
        (1, Edges(np.array([5], np.int64), np.array([0], np.uint8))),
        (0, Edges(np.empty(0, np.int64), np.empty(0, np.uint8))),
    ]
    finding = find_roles(capture(lines, ["sck", "cs", "sdi", "sdo", "nFAULT", "EN"]))
    assert (finding.roles.fault, finding.roles.enable) == (4, 5)
    assert finding.certain


def test_missing_and_dead_lines() -> None:
    lines = bus(0)
    finding = find_roles(capture([lines[0], lines[2], lines[3]], list("abc")))
    assert finding.roles.select is None
    assert "none found" in finding.why["select"]
    dead = (0, Edges(np.empty(0, np.int64), np.empty(0, np.uint8)))
    finding = find_roles(capture([lines[0], lines[1], lines[2], dead], list("abcd")))
    assert finding.roles.reply == 3
    assert "it never moves" in finding.why["reply"]
    with pytest.raises(CallError, match="no line can be the clock"):
        find_roles(capture([dead, dead], list("ab")))
    with pytest.raises(CallError, match="no channels"):
        find_roles(capture([], []))
