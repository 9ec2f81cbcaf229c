"""Guards against published check values, a second implementation and their own slow reference."""

from __future__ import annotations

import itertools

import crccheck.crc
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.chip.guard import (
    Crc,
    Parity,
    hamming_distance,
    longest_data_word,
    parity_array,
    reverse_bits,
)
from regmap.errors import CallError

ONES = 0xFFFFFFFF

# AUTOSAR, "Specification of CRC Routines": results for the seven listed inputs, then the check
# over "123456789". Seen in several independent copies, not in the original.
AUTOSAR_INPUTS = [
    "00000000",
    "F20183",
    "0FAA0055",
    "00FF5511",
    "332255AABBCCDDEEFF",
    "926B55",
    "FFFFFFFF",
    b"123456789".hex(),
]
AUTOSAR = [
    (Crc(8, 0x1D, 0xFF, False, False, 0xFF), "59 37 79 B8 CB 8C 74 4B"),
    (Crc(8, 0x2F, 0xFF, False, False, 0xFF), "12 C2 C6 77 11 33 6C DF"),
    (Crc(16, 0x1021, 0xFFFF), "84C0 D374 2023 B8F9 F53F 0745 1D0F 29B1"),
    (Crc(16, 0x8005, 0, True, True), "0000 C2E1 0BE3 6CCF AE98 E24E 9401 BB3D"),
    (
        Crc(32, 0x04C11DB7, ONES, True, True, ONES),
        "2144DF1C 24AB9D77 B6C9B287 32A06212 B0AE863D 9CDEA29B FFFFFFFF CBF43926",
    ),
    (
        Crc(32, 0xF4ACFB13, ONES, True, True, ONES),
        "6FB32240 4F721A25 20662DF8 9BD7996E A65A343D EE688A78 FFFFFFFF 1697D06A",
    ),
]

# Public catalogue of parametrised CRC algorithms (G. Cook): width, poly, init, reflected, final
# xor, result over "123456789".
CATALOGUE = """
3 3 0 n 7 4   3 3 7 y 0 6
4 3 0 y 0 7   4 3 F n F B
5 9 9 n 0 00  5 15 0 y 0 07  5 5 1F y 1F 19
6 27 3F n 0 0D  6 07 3F n 0 3B  6 19 0 y 0 26  6 03 0 y 0 06  6 2F 0 n 3F 13
7 9 0 n 0 75  7 4F 7F y 0 53  7 45 0 n 0 61
8 7 0 n 0 F4  8 2F FF n FF DF  8 9B FF n 0 DA  8 D5 0 n 0 BC  8 1D 0 n 0 37
8 49 0 n FF 94  8 1D FD n 0 7E  8 7 0 n 55 A1  8 9B 0 n 0 EA  8 1D FF n FF 4B
8 39 0 y 0 15  8 1D FF y 0 97  8 31 0 y 0 A1  8 7 FF y 0 D0
"""
CHECKS = [
    (
        Crc(
            int(w),
            int(poly, 16),
            int(init, 16),
            reflected == "y",
            reflected == "y",
            int(xor, 16),
        ),
        int(check, 16),
    )
    for w, poly, init, reflected, xor, check in zip(*[iter(CATALOGUE.split())] * 6, strict=True)
]


def bits_of(value: int, nbits: int) -> list[int]:
    return [(value >> i) & 1 for i in reversed(range(nbits))]


def every_way(crc: Crc, value: int, nbits: int) -> int:
    """The result, after checking that all four ways agree on it."""
    result = crc.over_bits(bits_of(value, nbits))
    assert crc.over_int(value, nbits) == result
    if nbits % 8 == 0:
        assert crc.over_bytes(value.to_bytes(nbits // 8, "big")) == result
    if nbits <= 64:
        array = crc.over_array(np.array([[value], [0]], dtype=np.uint64), nbits)
        assert array.dtype == np.uint64
        assert array.tolist() == [[result], [crc.over_int(0, nbits)]]
    return result


@pytest.mark.parametrize(("crc", "results"), AUTOSAR)
def test_autosar_table(crc: Crc, results: str) -> None:
    for text, result in zip(AUTOSAR_INPUTS, results.split(), strict=True):
        assert every_way(crc, int(text, 16), 4 * len(text)) == int(result, 16), text


def test_the_catalogue_is_whole() -> None:
    assert len(CHECKS) == 29


@pytest.mark.parametrize(("crc", "check"), CHECKS)
def test_catalogue_checks(crc: Crc, check: int) -> None:
    assert every_way(crc, int.from_bytes(b"123456789", "big"), 72) == check


@pytest.mark.parametrize(
    ("crc", "value", "nbits", "result"),
    [
        # Analog Devices AD7176-2 data sheet Rev. A, p. 39, every division step printed.
        (Crc(8, 0x07), 0x654321, 24, 0x86),
        # Texas Instruments SNAU265C.
        (Crc(8, 0x31, 0xFF), 0xABAB, 16, 0x72),
        # Sensirion data sheets; from memory.
        (Crc(8, 0x31, 0xFF), 0xBEEF, 16, 0x92),
    ],
)
def test_printed_spi_frames(crc: Crc, value: int, nbits: int, result: int) -> None:
    assert every_way(crc, value, nbits) == result


# --- parity -----------------------------------------------------------------------------------


def test_three_overlapping_parity_bits() -> None:
    """TI SLVSI23A: b7..b3 = 10011; P2 = b7^b6^b5, P1 = b6^b5^b4, P0 = b5^b4^b3 (derived: 0x9E)."""
    payload = [1, 0, 0, 1, 1]
    even = Parity(even=True)
    p = [even.over_bits(payload[i : i + 3]) for i in range(3)]
    assert int("".join(map(str, payload + p)), 2) == 0x9E


@given(st.integers(0, 2**31 - 1))
def test_odd_parity_in_bit_0_of_32(data: int) -> None:
    """TI TIC12400-Q1 data sheet: odd parity over all 32 bits, parity bit last."""
    frame = data << 1 | Parity(even=False).over_int(data, 31)
    assert bin(frame).count("1") % 2 == 1


@given(st.integers(0, 1), st.integers(0, 63), st.integers(0, 255))
def test_parity_within_the_word(read: int, address: int, data: int) -> None:
    """TI SLAA941: read flag, 6 address bits, parity, 8 data bits; parity bit counted as 0."""
    word = read << 15 | address << 9 | data
    parity = Parity(even=True).over_int(word, 16)
    frame = word | parity << 8
    assert bin(frame).count("1") % 2 == 0
    assert Parity(even=True).over_int(frame, 16) == 0


@given(
    st.booleans(),
    st.integers(0, 64).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, 2**n - 1))),
)
def test_parity_every_way(even: bool, case: tuple[int, int]) -> None:
    nbits, value = case
    parity = Parity(even)
    expected = (sum(bits_of(value, nbits)) + (0 if even else 1)) % 2
    assert parity.over_bits(bits_of(value, nbits)) == expected
    assert parity.over_int(value, nbits) == expected
    words = np.array([value], dtype=np.uint64)
    assert parity.over_array(words, nbits).tolist() == [expected]
    assert parity_array(words, even).tolist() == [expected]
    assert words.tolist() == [value]  # not changed in place
    if nbits % 8 == 0:
        assert parity.over_bytes(value.to_bytes(nbits // 8, "big")) == expected


# --- agreement --------------------------------------------------------------------------------


@st.composite
def crcs(draw: st.DrawFn, flush: bool = True) -> Crc:
    width = draw(st.integers(3, 32))
    top = (1 << width) - 1
    return Crc(
        width,
        draw(st.integers(1, top)),
        draw(st.integers(0, top)),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(st.integers(0, top)),
        flush=draw(st.integers(0, 40)) if flush else 0,
        flush_value=draw(st.integers(0, 1)),
    )


@settings(max_examples=150)
@given(crcs(flush=False), st.binary(min_size=1, max_size=20))
def test_agrees_with_a_second_implementation(crc: Crc, data: bytes) -> None:
    other = crccheck.crc.Crc(
        crc.width, crc.poly, crc.init, crc.reflect_in, crc.reflect_out, crc.xor_out
    )
    assert crc.over_bytes(data) == other.process(data).final()
    assert crc.over_bits(bits_of(int.from_bytes(data, "big"), 8 * len(data))) == other.final()


@settings(max_examples=150)
@given(
    crcs(), st.integers(0, 80).flatmap(lambda n: st.tuples(st.just(n), st.integers(0, 2**n - 1)))
)
def test_all_ways_agree(crc: Crc, case: tuple[int, int]) -> None:
    nbits, value = case
    every_way(crc, value, nbits)


def test_a_short_last_group_is_reversed_within_itself() -> None:
    plain, reflected = Crc(8, 0x2F, 0x5A), Crc(8, 0x2F, 0x5A, reflect_in=True)
    bits = [1, 1, 0, 1, 0, 0, 0, 1, 1, 1, 0]
    assert reflected.over_bits(bits) == plain.over_bits([1, 0, 0, 0, 1, 0, 1, 1, 0, 1, 1])


def test_flush_is_the_same_as_more_data_bits() -> None:
    bits = [1, 0, 1, 1, 0]
    plain = Crc(5, 0x15, 0x1F, xor_out=3)
    assert Crc(5, 0x15, 0x1F, xor_out=3, flush=5).over_bits(bits) == plain.over_bits(bits + [0] * 5)
    ones = Crc(5, 0x15, 0x1F, xor_out=3, flush=9, flush_value=1)
    assert ones.over_bits(bits) == plain.over_bits(bits + [1] * 9)
    assert ones != Crc(5, 0x15, 0x1F, xor_out=3)


@given(crcs(flush=False), st.integers(1, 64), st.data())
def test_a_single_flip_is_always_found(crc: Crc, nbits: int, data: st.DataObject) -> None:
    crc = Crc(crc.width, crc.poly | 1, crc.init, crc.reflect_in, crc.reflect_out, crc.xor_out)
    value = data.draw(st.integers(0, 2**nbits - 1))
    flipped = value ^ 1 << data.draw(st.integers(0, nbits - 1))
    assert crc.over_int(value, nbits) != crc.over_int(flipped, nbits)


@pytest.mark.parametrize(
    ("width", "poly", "nbits"), [(3, 0x3, 4), (5, 0x5, 26), (8, 0x2F, 24), (8, 0x1D, 24)]
)
def test_double_flips_are_found_where_distance_3_is_promised(
    width: int, poly: int, nbits: int
) -> None:
    assert hamming_distance(poly, width, nbits) >= 3
    crc = Crc(width, poly, init=1, xor_out=2)
    good = crc.over_int(0, nbits)
    for i, j in itertools.combinations(range(nbits + width), 2):
        flips = 1 << i | 1 << j
        check = crc.over_int(flips >> width, nbits) ^ (flips & ((1 << width) - 1))
        assert check != good, (i, j)


# --- Hamming distance -------------------------------------------------------------------------

# P. Koopman's published tables of CRC polynomials: explicit polynomial (top bit included), then
# the longest data word in bits at Hamming distance 3, 4, 5, 6 or more.
KOOPMAN = [
    (0xB, [4]),
    (0x13, [11]),
    (0x25, [26]),
    (0x2B, [10, 10]),
    (0x67, [57, 5]),
    (0x47, [25, 25]),
    (0xCB, [120, 14, 3]),
    (0xB7, [56, 56, 2, 2]),
    (0xE5, [120, 7, 4]),
    (0x1CF, [247, 19, 1, 1]),
    (0x14D, [247, 15, 6]),
    (0x107, [119, 119]),
    (0x1D7, [9, 9, 9, 2]),
    (0x137, [118, 118, 4, 4]),
    (0x1D5, [85, 85, 2, 2]),
]


@pytest.mark.parametrize(("explicit", "row"), KOOPMAN)
def test_koopman_rows(explicit: int, row: list[int]) -> None:
    width = explicit.bit_length() - 1
    poly = explicit ^ 1 << width
    for hd, longest in enumerate(row, start=3):
        assert longest_data_word(poly, width, hd) == longest, hd
        assert hamming_distance(poly, width, longest) >= hd
        assert hamming_distance(poly, width, longest + 1) < hd


def test_distance_of_crcs_over_24_bits() -> None:
    assert hamming_distance(0x07, 8, 24) == 4  # Koopman's row for 0x107
    assert Crc(8, 0x1D).hamming_distance(24) == 3  # these two: no source, brute force
    assert Crc(8, 0x2F).hamming_distance(24) == 4


def brute_force(poly: int, width: int, data_bits: int) -> int:
    crc = Crc(width, poly)
    return min(
        bin(data).count("1") + bin(crc.over_int(data, data_bits)).count("1")
        for data in range(1, 1 << data_bits)
    )


@settings(max_examples=60, deadline=None)
@given(
    st.integers(3, 32).flatmap(lambda w: st.tuples(st.just(w), st.integers(1, 2**w - 1))),
    st.integers(1, 9),
)
def test_distance_agrees_with_all_code_words(case: tuple[int, int], data_bits: int) -> None:
    width, poly = case
    expected = brute_force(poly, width, data_bits)
    assert hamming_distance(poly, width, data_bits) == min(expected, 7)


def test_the_longest_search_of_a_frame_stays_short() -> None:
    # CRC-32 over 64 bits: Koopman gives distance 8 up to 91 bits (from memory).
    assert hamming_distance(0x04C11DB7, 32, 64) == 7


# --- wrong calls ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Crc(2, 1), "3 to 32 bits wide, not 2"),
        (lambda: Crc(33, 1), "3 to 32 bits wide, not 33"),
        (lambda: Crc(8, 0x107), r"includes the top bit x\^8; write it without: 0x7"),
        (lambda: Crc(8, 0), "protects nothing"),
        (lambda: Crc(8, 7, init=0x100), "init 0x100 does not fit in 8 bits"),
        (lambda: Crc(8, 7, xor_out=-1), "xor_out -0x1 does not fit in 8 bits"),
        (lambda: Crc(8, 7, flush=65), "flush is 0 to 64 bits, not 65"),
        (lambda: Crc(8, 7, flush_value=2), "a bit is 0 or 1, not 2"),
        (lambda: Crc(8, 7).over_int(256, 8), "value 0x100 does not fit in 8 bits"),
        (lambda: Crc(8, 7).over_bits([0, 2]), "a bit is 0 or 1, not 2"),
        (lambda: Crc(8, 7).over_array(np.array([256], np.uint64), 8), "does not fit in 8 bits"),
        (lambda: Crc(8, 7).over_array(np.array([-1]), 8), "unsigned integers"),
        (lambda: Crc(8, 7).over_array(np.array([1]), 65), "0 to 64 bits each, not 65"),
        (lambda: Parity(True).over_int(2, 1), "value 0x2 does not fit in 1 bits"),
        (lambda: hamming_distance(7, 8, 257), "1 to 256 bits here, not 257"),
        (lambda: longest_data_word(7, 8, 8), "2 to 7 here, not 8"),
    ],
)
def test_impossible_calls_say_so(make, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(CallError, match=message):
        make()


def test_reverse_bits_is_its_own_inverse() -> None:
    assert reverse_bits(0b1101, 6) == 0b101100
    assert all(reverse_bits(reverse_bits(v, 7), 7) == v for v in range(128))


def test_name_does_not_change_the_result() -> None:
    assert Crc(8, 7, name="a").over_bytes(b"x") == Crc(8, 7, name="b").over_bytes(b"x")
    assert Crc(8, 7, name="a") == Crc(8, 7, name="b") != Crc(8, 7, 1)
