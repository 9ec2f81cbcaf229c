"""Cells of data sheets in their spellings; common practice, no source, so each is written out by hand."""

from __future__ import annotations

import pytest

from regmap.intake.cells import access_of, bits_of, name_of, number_of, options_of, scale_of


@pytest.mark.parametrize(
    ("text", "bits"),
    [
        ("7:4", (7, 6, 5, 4)),
        ("[7:4]", (7, 6, 5, 4)),
        ("7-4", (7, 6, 5, 4)),
        ("7\u20134", (7, 6, 5, 4)),
        ("4..7", (7, 6, 5, 4)),
        ("D7..D4", (7, 6, 5, 4)),
        ("bits 7 to 4", (7, 6, 5, 4)),
        ("Bit 3", (3,)),
        ("9, 3:1", (9, 3, 2, 1)),
        ("0", (0,)),
        ("7:", None),
        ("GATE", None),
        ("64", None),
        ("3,3", None),
        ("", None),
    ],
)
def test_bits(text: str, bits: tuple[int, ...] | None) -> None:
    assert bits_of(text) == bits


@pytest.mark.parametrize(
    ("text", "access"),
    [
        ("R/W", "rw"), ("read / write", "rw"), ("Read-only", "ro"), ("R", "ro"), ("W", "wo"), ("R/W1C", "w1c"),
        ("rc_w1", "w1c"), ("write 1 to clear", "w1c"), ("RC", "rc"), ("clear on read", "rc"), ("rc_r", "rc"),
        ("W0C", "w0c"), ("self-clearing", "sc"), ("write once", "once"), ("R/W\u00b9", "rw"), ("magic", None), ("", None),
    ],
)  # fmt: skip
def test_access(text: str, access: str | None) -> None:
    assert access_of(text) == access


@pytest.mark.parametrize(
    ("text", "width", "read"),
    [
        ("0x1F", 8, (31, True)),
        ("1Fh", 8, (31, True)),
        ("8'h1F", 8, (31, True)),
        ("4'b0101", 4, (5, True)),
        ("0101b", 4, (5, True)),
        ("0101", 4, (5, True)),
        ("7", 4, (7, True)),
        ("10", 2, (2, True)),
        ("10", 8, (10, False)),  # sixteen in hex: not sure
        ("1F", 8, (31, True)),
        ("reset", 8, None),
        ("", 8, None),
    ],
)
def test_numbers(text: str, width: int, read: tuple[int, bool] | None) -> None:
    assert number_of(text, width=width) == read


@pytest.mark.parametrize(
    ("text", "width", "options"),
    [
        ("0 = off, 1 = on", 1, {0: "off", 1: "on"}),
        ("watchdog\n0b: idle\n1b: running", 1, {0: "idle", 1: "running"}),
        ("00b = 60 mA; 01b = 120 mA; 10b = 250 mA", 2, {0: "60 mA", 1: "120 mA", 2: "250 mA"}),
        ("0x0 \u2192 a b\n0x3 \u2192 c", 2, {0: "a b", 3: "c"}),
        ("10: low\n11: high", 2, {2: "low", 3: "high"}),
        ("nothing is said here", 2, None),
        ("at 5 V = VCC", 2, None),
    ],
)
def test_options(text: str, width: int, options: dict[int, str] | None) -> None:
    found = options_of(text, width)
    assert (found and found[0]) == options


def test_codes_that_read_two_ways_are_in_doubt() -> None:
    options, doubt = options_of("10: low, 11: high", 4) or ({}, "")
    assert options == {}
    assert "binary and as decimal" in doubt


@pytest.mark.parametrize(
    ("text", "scale"),
    [
        ("100 ns + n x 50 ns", ("50 ns", "100 ns")),
        ("dead time: n \u00d7 50 ns + 100 ns", ("50 ns", "100 ns")),
        ("100ns + 50ns \u00b7 code", ("50 ns", "100 ns")),
        ("(n + 1) x 50 ns", ("50 ns", "50 ns")),
        ("0.2 V to 3 V in steps of 0.2 V", ("0.2 V", "0.2 V")),
        ("50 mV per LSB", ("50 mV", "")),
        ("about 50 ns", None),
    ],
)
def test_scales(text: str, scale: tuple[str, str] | None) -> None:
    assert scale_of(text) == scale


def test_names() -> None:
    assert name_of("SOURCE[3:0]") == "SOURCE"
    assert name_of("GATE CTRL 1") == "GATE_CTRL_1"
    assert name_of("DEAD_TIME (2)") == "DEAD_TIME"
