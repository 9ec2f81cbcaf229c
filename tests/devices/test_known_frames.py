"""The known frames of every bundled map, computed here from the data sheets' words alone.

Nothing of the library is imported: fields are shifted into place and guards are worked out bit by
bit from the sentences in the comments. The maps are read with a plain YAML loader. What a frame
does is stated here by hand beside it, so a map, its codec and this file must all be wrong in the
same way for a wrong frame to pass.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import yaml

DEVICES = Path(__file__).parents[2] / "devices"


def ones(value: int) -> int:
    return bin(value).count("1")


def crc_msb(bits: str, width: int, poly: int, start: int) -> int:
    """The shift register of a checksum, one bit at a time, most significant end first."""
    register = start
    for bit in bits:
        top = register >> (width - 1) & 1
        register = register << 1 & (1 << width) - 1
        if top != int(bit):
            register ^= poly
    return register


def crc_lsb(data: bytes, poly_reversed: int, start_reversed: int) -> int:
    """The same for bytes that enter least significant bit first; the register runs the other way."""
    register = start_reversed
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (poly_reversed if register & 1 else 0)
    return register


# --- quoll16 ---------------------------------------------------------------------------------------
# "Sixteen bits, most significant first: read flag (1 reads), four address bits, ten data bits, and a
# parity bit that makes the number of ones odd. The answer comes in the same frame: fault, reset,
# 1 0 1, ten data bits, odd parity."
def quoll(read: int, address: int, data: int) -> int:
    word = read << 15 | address << 11 | data << 1
    return word | (ones(word) + 1) % 2


def quoll_reply(fault: int, reset: int, data: int) -> int:
    word = fault << 15 | reset << 14 | 0b101 << 11 | data << 1
    return word | (ones(word) + 1) % 2


# --- numbat24 --------------------------------------------------------------------------------------
# "Two operation bits (01 read, 10 write, 11 command), six address bits, eight data bits, then eight
# bits of checksum over those sixteen: x^8 + x^5 + x^3 + x^2 + x + 1, start value all ones."
# "Each answer opens with a status byte: fault, warning, locked, reset, frame error, toggle, awake, 1."
def numbat(op: int, address: int, data: int) -> int:
    word = op << 14 | address << 8 | data
    return word << 8 | crc_msb(f"{word:016b}", 8, 0b0010_1111, 0xFF)


def numbat_reply(status: int, data: int) -> int:
    word = status << 8 | data
    return word << 8 | crc_msb(f"{word:016b}", 8, 0b0010_1111, 0xFF)


# --- bilby32 ---------------------------------------------------------------------------------------
# "Bit 31 writes, 30..29 are the chip's address (01 unless strapped otherwise), the register's address
# stands in bits 28 and 26..24, bit 27 toggles from frame to frame and starts at 1, 23..22 are the
# page, 21..14 the checksum, 13..0 the data. The checksum runs over the byte 1001 0110 and the 24 other
# bits in their order, least significant bit of each byte first; x^8 + x^5 + x^3 + x^2 + x + 1 with
# start value 0100 1100; it is sent bit-reversed."
def bilby_guard(above: int, data: int) -> int:
    covered = (above << 14 | data).to_bytes(3, "big")
    # bits mirrored: 0x2F is 0010 1111, mirrored 1111 0100; 0100 1100 mirrored is 0011 0010
    checksum = crc_lsb(bytes([0b1001_0110]) + covered, 0b1111_0100, 0b0011_0010)
    return above << 22 | checksum << 14 | data


def bilby(write: int, page: int, address: int, data: int, toggle: int = 1) -> int:
    high, low = address >> 3, address & 7
    return bilby_guard(write << 9 | 1 << 7 | high << 6 | toggle << 5 | low << 2 | page, data)


# "The answer comes two frames later: bit 31 is low while a fault is latched, 30 is the temperature
# warning, 29 is 1 for a read and 0 for a write; address, page and, for a write, data are repeated."
def bilby_reply(
    fine: int, hot: int, read: int, page: int, address: int, data: int, toggle: int
) -> int:
    high, low = address >> 3, address & 7
    above = fine << 9 | hot << 8 | read << 7 | high << 6 | toggle << 5 | low << 2 | page
    return bilby_guard(above, data)


# --- potoroo40 -------------------------------------------------------------------------------------
# "First burst: operation (0011 read, 1100 write, 0110 command), eight address bits, a zero, and three
# parity bits: P2 even over op3 op2 op1 a7 a6 a5 a1, P1 even over op3 op2 op0 a7 a4 a3 a0, P0 odd over
# op3 op1 op0 a6 a4 a2 a1 a0. Second burst: sixteen data bits, eight of checksum over both bursts:
# x^8 + x^2 + x + 1, start value 1011 0100, eight more zeros shifted in, result inverted with 0101 0101."
def potoroo_guard(first: int, data: int) -> int:
    covered = first << 16 | data
    return covered << 8 | crc_msb(f"{covered:032b}" + "0" * 8, 8, 0b0000_0111, 0xB4) ^ 0x55


def potoroo(op: int, address: int, data: int) -> int:
    o = [op >> i & 1 for i in range(4)]
    a = [address >> i & 1 for i in range(8)]
    p2 = (o[3] + o[2] + o[1] + a[7] + a[6] + a[5] + a[1]) % 2
    p1 = (o[3] + o[2] + o[0] + a[7] + a[4] + a[3] + a[0]) % 2
    p0 = (o[3] + o[1] + o[0] + a[6] + a[4] + a[2] + a[1] + a[0] + 1) % 2
    return potoroo_guard(op << 12 | address << 4 | p2 << 2 | p1 << 1 | p0, data)


def potoroo_reply(fault: int, ready: int, bus_fine: int, data: int) -> int:
    return potoroo_guard(fault << 15 | ready << 14 | bus_fine << 13, data)


# --- wombat24 --------------------------------------------------------------------------------------
# "After power-up: read flag, five address bits, a one, sixteen data bits, odd parity. With the
# checksum on: eight bits of checksum first (x^8 + x^2 + x + 1, start value all ones, over the other
# 24), then read flag, five address bits, a counter of two bits that starts at 1, sixteen data bits."
def wombat(read: int, address: int, data: int) -> int:
    word = read << 23 | address << 18 | 1 << 17 | data << 1
    return word | (ones(word) + 1) % 2


def wombat_reply(fault: int, reset: int, data: int) -> int:
    word = fault << 23 | reset << 22 | 0b01010 << 17 | data << 1
    return word | ones(word) % 2


def wombat_safe(read: int, address: int, counter: int, data: int) -> int:
    word = read << 23 | address << 18 | counter << 16 | data
    return crc_msb(f"{word:024b}", 8, 0b0000_0111, 0xFF) << 24 | word


# "While diagnosing: read flag, five address bits, 0 0 1 1, twelve data bits, even parity over the ten
# bits above the data, odd parity over the data."
def wombat_diag(read: int, address: int, data: int) -> int:
    above = read << 9 | address << 4 | 0b0011
    return above << 14 | data << 2 | ones(above) % 2 << 1 | (ones(data) + 1) % 2


def wombat_diag_reply(address: int, fault: int, data: int) -> int:
    above = address << 5 | fault << 4 | 0b1100
    return above << 14 | data << 2 | ones(above) % 2 << 1 | (ones(data) + 1) % 2


#: chip -> what the map says that the frame does -> (command, reply or None), worked out here
EXPECTED: dict[str, dict[str, tuple[int, int | None]]] = {
    "quoll16": {
        "read:STATUS1": (quoll(1, 0x0, 0), None),
        # hold 240 mA is code 2, sink 130 mA is code 8, source 56 mA is code 4
        "GATE_HS.SOURCE = 56 mA; GATE_HS.SINK = 130 mA; GATE_HS.HOLD = 240 mA": (
            quoll(0, 0x4, 2 << 8 | 8 << 4 | 4),
            None,
        ),
        "LOCK.KEY = locked": (quoll(0, 0xB, 0x4B), None),
        "read:ID": (quoll(1, 0xF, 0), quoll_reply(0, 0, 0x161)),
    },
    "quokka16": {
        "read:ID": (quoll(1, 0xF, 0), quoll_reply(0, 1, 0x171)),
        # this variant's table: 33 mA is code 6; sink and hold stay at reset (0x143: 4 and 1)
        "GATE_HS.SOURCE = 33 mA": (quoll(0, 0x4, 1 << 8 | 4 << 4 | 6), None),
    },
    "kowari16": {
        "read:ID": (quoll(1, 0xF, 0), quoll_reply(0, 1, 0x191)),
        # 270 mA is code 4, 50 ns code 1; edge time and the current after it stay at reset (3 and 2)
        "STEPS_ON.PRE = 270 mA; STEPS_ON.PRE_TIME = 50 ns": (
            quoll(0, 0xD, 4 << 7 | 1 << 5 | 3 << 3 | 2 << 1),
            None,
        ),
        # 120 ns is code 2, 180 V/us code 4
        "ADJUST.DELAY_ON = 120 ns; ADJUST.SLEW = 180 V/us; ADJUST.ENABLE = on": (
            quoll(0, 0x9, 2 << 7 | 4 << 1 | 1),
            None,
        ),
    },
    "numbat24": {
        "read:STATUS": (numbat(0b01, 0x00, 0), None),
        "read:ID": (numbat(0b01, 0x06, 0), numbat_reply(0b0011_0011, 0x4E)),
        # 500 ns = 60 ns + 22 x 20 ns
        "DEADTIME.TIME = 500 ns": (numbat(0b10, 0x16, 22), None),
        # 100 mA = 20 mA + 4 x 20 mA
        "SRC_HS.CURRENT = 100 mA": (numbat(0b10, 0x11, 4), None),
        "KEY.CODE = first": (numbat(0b10, 0x3E, 0x5A), None),
        "KEY.CODE = second": (numbat(0b10, 0x3E, 0xA5), None),
        "CLEAR_ALL": (numbat(0b11, 0x0A, 0x35), None),
    },
    "bilby32": {
        "read:FLAGS": (bilby(0, 0, 0x0, 0), bilby_reply(0, 0, 1, 0, 0x0, 1 << 13 | 1 << 8, 0)),
        # 10 strong steps: 600 mA is code 10 = 1010, its top bit in bit 13, the others in 6..4;
        # 400 mA sink is code 2; the reserved bits keep 0
        "DRIVE.RANGE = strong; DRIVE.SOURCE = 600 mA; DRIVE.SINK = 400 mA": (
            bilby(1, 1, 0x0, 1 << 13 | 1 << 12 | 0b010 << 4 | 2),
            None,
        ),
        # the complement belongs to the pair; 100 mV = 5 mV + 95 x 1 mV
        "LIMIT_N = 0xA0": (
            bilby(1, 1, 0xA, 0xA0, toggle=0),
            bilby_reply(1, 0, 0, 1, 0xA, 0xA0, 1),
        ),
        # three codes in a row, the second with toggle 0
        "KEY.CODE = second": (bilby(1, 2, 0xE, 0xC5, toggle=0), None),
    },
    "potoroo40": {
        "read:PAGE": (potoroo(0b0011, 0x00, 0), potoroo_reply(1, 1, 1, 0)),
        "PAGE.NUMBER = setup": (potoroo(0b1100, 0x00, 1), None),
        "CLEAR": (potoroo(0b0110, 0x01, 0), None),
        "NAP = 250": (potoroo(0b0110, 0x02, 250), None),
        # 500 ns dead time = 20 ns + 24 x 20 ns
        "DEAD.TIME = 500 ns": (potoroo(0b1100, 0x13, 24), None),
    },
    "wombat24": {
        "read:FAULT": (wombat(1, 0x00, 0), wombat_reply(0, 1, 0x8000)),
        "SAFETY.CRC = on": (wombat(0, 0x01, 1), None),
        "DIAG_ON": (wombat(0, 0x1F, 0xD1A6), None),
        # with the checksum on: 1.5 us blanking = 250 ns + 5 x 250 ns, dead time stays at 20 steps
        "TIMING.BLANKING = 1.5 us": (wombat_safe(0, 0x04, 2, 5 << 8 | 20), None),
        # while diagnosing: -10.5 degC is -84 steps of 0.125 degC
        "read:JUNCTION": (wombat_diag(1, 0x10, 0), wombat_diag_reply(0x10, 0, -84 & 0xFFF)),
        "DIAG_OFF": (wombat_diag(0, 0x1F, 0x5E1), None),
    },
}


def known_frames(chip: str) -> list[dict[str, Any]]:
    text = (DEVICES / f"{chip}.yaml").read_text(encoding="utf-8")
    document: dict[str, Any] = yaml.safe_load(text)
    frames: list[dict[str, Any]] = document["known_frames"]
    return frames


@pytest.mark.parametrize("chip", EXPECTED)
def test_every_known_frame_is_worked_out_here(chip: str) -> None:
    frames = known_frames(chip)
    assert sorted(f["does"] for f in frames) == sorted(EXPECTED[chip])
    for frame in frames:
        command, reply = EXPECTED[chip][frame["does"]]
        assert hex(frame["command"]) == hex(command), frame["does"]
        if reply is not None:
            assert hex(frame["reply"]) == hex(reply), frame["does"]


def test_every_shipped_map_is_covered() -> None:
    maps = {p.stem for p in DEVICES.glob("*.yaml") if "gateword_map:" in p.read_text("utf-8")}
    assert maps == set(EXPECTED)


def test_the_helpers_against_published_values() -> None:
    """CRC-8 checks of the public catalogue for "123456789": SMBUS F4, AUTOSAR DF (xor FF), MAXIM A1."""
    text = b"123456789"
    bits = "".join(f"{byte:08b}" for byte in text)
    assert crc_msb(bits, 8, 0x07, 0) == 0xF4
    assert crc_msb(bits, 8, 0x2F, 0xFF) ^ 0xFF == 0xDF
    # poly 0x31 mirrored is 0x8C
    assert crc_lsb(text, 0x8C, 0) == 0xA1
