"""Check bits solved from examples: every reading that explains them, and what would decide."""

from __future__ import annotations

import random
from dataclasses import replace

import crccheck
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.chip.guard import Crc, Parity
from regmap.chip.model import Layout, Part
from regmap.frames.solve import Example, factors, solve
from regmap.frames.words import build, guard_value


def layout(check: Part, length: int) -> Layout:
    """The check part at the low end, and the bits above it in three parts."""
    bits = [b for b in range(length - 1, -1, -1) if b not in check.bits]
    cuts = [bits[:1], bits[1:5], bits[5:]]
    parts = [Part(name=n, kind="data", bits=tuple(c)) for n, c in zip("abd", cuts, strict=True)]
    return Layout(length=length, parts=(*parts, check))


def check_part(width: int) -> Part:
    """A checksum of which the map says something that is wrong."""
    return Part(
        name="crc", kind="crc", bits=tuple(range(width - 1, -1, -1)), crc=Crc(width, 1 | 1 << width - 1)
    )  # fmt: skip


# --- against a registry library ------------------------------------------------------------------------
@settings(max_examples=60, deadline=None)
@given(
    width=st.sampled_from([4, 5, 8, 8, 8, 12, 16, 24, 32]),
    reflect=st.booleans(),
    data=st.data(),
)
def test_every_reading_found_makes_the_frames_of_crccheck(
    width: int, reflect: bool, data: st.DataObject
) -> None:
    """The library crccheck computes the frames from random parameters; what is found computes the rest."""
    poly = data.draw(st.integers(0, (1 << width) - 1)) | 1
    init, xor = (
        data.draw(st.sampled_from([0, (1 << width) - 1, 0x9A5B3C71 & ((1 << width) - 1)]))
        for _ in "ix"
    )
    other = crccheck.crc.Crc(width, poly, init, reflect, reflect, xor)
    rng = random.Random(data.draw(st.integers(0, 10**6)))
    size = data.draw(st.integers(2, 4))

    def frame() -> int:
        payload = rng.randbytes(size)
        return int.from_bytes(payload, "big") << width | other.calc(payload)

    part = check_part(width)
    whole = layout(part, 8 * size + width)
    solution = solve(whole, part, [Example(word=frame()) for _ in range(9)])
    assert solution.readings, (width, hex(poly), init, xor, reflect)
    fresh = [frame() for _ in range(20)]
    own = (1 << width) - 1
    if solution.more == 0:
        (reading,) = solution.readings
        assert all(guard_value(reading.part, w & ~own) == w & own for w in fresh)
    assert any(
        all(guard_value(r.part, w & ~own) == w & own for w in fresh) for r in solution.readings
    )


def test_the_published_frames_are_explained() -> None:
    """24 bits 654321 give 86 with polynomial 07 (Analog Devices AD7176-2 data sheet, Rev A, p. 39); further
    frames from the same parameters, bit by bit."""
    part = check_part(8)
    true = Crc(8, 0x07)
    words = [0x654321 << 8 | 0x86]
    for payload in (0x654320, 0x123456, 0xFFFFFF, 0x800001):
        words.append(payload << 8 | true.over_bits(payload >> b & 1 for b in range(23, -1, -1)))
    solution = solve(layout(part, 32), part, [Example(word=w) for w in words])
    assert [r.text() for r in solution.readings] == ["polynomial: 0x07, over: 31..8"]
    assert solution.more == 0


# --- the usual readings of a data sheet -----------------------------------------------------------------
LENGTH = 24
FORMS = {
    "another start": {"crc": Crc(8, 0x2F, init=0xA5)},
    "start shifted in": {"crc": Crc(8, 0x2F), "prefix": (0x3C, 8)},
    "inverted": {"crc": Crc(8, 0x2F, xor_out=0xFF)},
    "reflected": {"crc": Crc(8, 0x2F, init=0xFF, reflect_in=True, reflect_out=True)},
    "reflected in only": {"crc": Crc(8, 0x1D, reflect_in=True)},
    "flushed": {"crc": Crc(8, 0x2F, init=0xFF, flush=8)},
    "other order": {"crc": Crc(8, 0x2F), "over": tuple(range(8, 24))},
    "without the first bit": {"crc": Crc(8, 0x2F, init=0xFF), "over": tuple(range(22, 7, -1))},
}


@pytest.mark.parametrize("form", FORMS)
def test_each_usual_reading_is_found(form: str) -> None:
    part = check_part(8)
    true = replace(part, over=tuple(range(23, 7, -1)))
    true = replace(true, **FORMS[form])
    whole = layout(part, LENGTH)
    rng = random.Random(form)
    words = []
    for _ in range(10):
        word = rng.getrandbits(16) << 8
        words.append(word | guard_value(true, word))
    solution = solve(whole, part, [Example(word=w) for w in words])
    assert solution.readings
    best = solution.readings[0]
    for _ in range(50):
        word = rng.getrandbits(16) << 8
        assert guard_value(best.part, word) == guard_value(true, word)
    if form == "without the first bit":
        assert best.dropped == ("a",)
    if form == "start shifted in":
        assert "prefix: 0b00111100" in " / ".join((best.text(), *best.same))


def test_a_reply_whose_checksum_covers_the_command() -> None:
    part = check_part(4)
    true = replace(
        part,
        crc=Crc(4, 0x3, init=0xF),
        over=tuple(range(15, 3, -1)),
        over_command=tuple(range(15, -1, -1)),
    )
    rng = random.Random(1)
    examples = []
    for _ in range(12):
        command, word = rng.getrandbits(16), rng.getrandbits(12) << 4
        examples.append(Example(word=word | guard_value(true, word, command), command=command))
    solution = solve(layout(part, 16), part, examples)
    assert "polynomial: 0x3, init: 0xF, over: 15..4, over_command: 15..0" in [
        r.text() for r in solution.readings
    ]


# --- how much is decided --------------------------------------------------------------------------------
def test_few_examples_leave_many_readings_and_say_how_many_more_decide() -> None:
    part = check_part(8)
    true = replace(part, crc=Crc(8, 0x2F, init=0xFF), over=tuple(range(23, 7, -1)))
    whole = layout(part, LENGTH)
    rng = random.Random(7)
    words = []
    counts = []
    for _ in range(10):
        word = rng.getrandbits(16) << 8
        words.append(word | guard_value(true, word))
        solution = solve(whole, part, [Example(word=w) for w in words])
        counts.append(len(solution.readings))
        if len(words) > 1:
            assert any(
                r.part.crc == Crc(8, 0x2F, init=0xFF) and r.part.over == true.over
                for r in solution.readings
            )
            assert (solution.more == 0) == (counts[-1] == 1)
    assert counts[1] > 20 > counts[3] >= counts[-1] == 1
    # nothing differs in one example alone: nothing can be said
    assert counts[0] == 0


def test_what_is_the_same_in_all_examples_is_named() -> None:
    part = check_part(8)
    true = replace(part, crc=Crc(8, 0x2F), over=tuple(range(23, 7, -1)))
    words = [w | guard_value(true, w) for w in (0x112300, 0x155500, 0x1ABC00, 0x10F000)]
    solution = solve(layout(part, LENGTH), part, [Example(word=w) for w in words])
    assert solution.open == ("a", "b")[: len(solution.open)]
    assert "a" in solution.open


def test_check_bits_that_nothing_explains() -> None:
    part = check_part(8)
    rng = random.Random(3)
    words = [rng.getrandbits(24) for _ in range(12)]
    assert solve(layout(part, LENGTH), part, [Example(word=w) for w in words]).readings == ()


# --- parity --------------------------------------------------------------------------------------------
@settings(max_examples=50, deadline=None)
@given(subset=st.sets(st.integers(1, 15), min_size=1), even=st.booleans(), seed=st.integers(0, 999))
def test_parity_over_any_subset_of_bits(subset: set[int], even: bool, seed: int) -> None:
    part = Part(name="p", kind="parity", bits=(0,), over=tuple(range(15, 0, -1)))
    true = Parity(even=even)
    rng = random.Random(seed)
    words = []
    for _ in range(40):
        word = rng.getrandbits(15) << 1
        words.append(word | true.over_bits(word >> b & 1 for b in sorted(subset)))
    solution = solve(layout(part, 16), part, [Example(word=w) for w in words])
    assert solution.subsets == 0
    (reading,) = solution.readings
    assert (set(reading.part.over), reading.part.even) == (subset, even)
    assert solution.more == 0


def test_too_few_parity_examples_say_how_many_subsets_are_left() -> None:
    part = Part(name="p", kind="parity", bits=(0,), over=tuple(range(15, 0, -1)))
    solution = solve(layout(part, 16), part, [Example(word=w) for w in (0x8001, 0x4001, 0xC000)])
    # 15 bits and even or odd: 16 unknowns, three equations of rank three
    assert solution.subsets == 13
    assert ("parity: even, over: 15..1") in [r.text() for r in solution.readings]


def test_several_parity_bits_taken_for_a_checksum() -> None:
    """P2 = b7^b6^b5, P1 = b6^b5^b4, P0 = b5^b4^b3 (Texas Instruments SLVSI23A), all 32 frames."""
    part = check_part(3)
    words = []
    for payload in range(32):
        b = [payload >> i & 1 for i in range(5)]
        words.append(
            payload << 3
            | (b[4] ^ b[3] ^ b[2]) << 2
            | (b[3] ^ b[2] ^ b[1]) << 1
            | b[2] ^ b[1] ^ b[0]
        )
    assert 0x9E in words
    plain = Layout(length=8, parts=(Part(name="d", kind="data", bits=(7, 6, 5, 4, 3)), part))
    solution = solve(plain, part, [Example(word=w) for w in words])
    assert [(r.part.bits, r.part.over, r.part.even) for r in solution.readings] == [
        ((2,), (7, 6, 5), True), ((1,), (6, 5, 4), True), ((0,), (5, 4, 3), True),
    ]  # fmt: skip


# --- the algebra ---------------------------------------------------------------------------------------
@given(st.integers(2, 1 << 80))
def test_factors_multiply_to_the_polynomial_and_are_irreducible(a: int) -> None:
    def times(x: int, y: int) -> int:
        return sum_xor(x << i for i in range(y.bit_length()) if y >> i & 1)

    def sum_xor(values: object) -> int:
        total = 0
        for value in values:  # type: ignore[attr-defined]
            total ^= value
        return total

    product = 1
    for factor in factors(a):
        product = times(product, factor)
        if factor.bit_length() <= 11:  # by trial: no smaller polynomial divides it
            for divisor in range(2, 1 << factor.bit_length() // 2 + 1):
                rest = factor
                while rest.bit_length() >= divisor.bit_length():
                    rest ^= divisor << rest.bit_length() - divisor.bit_length()
                assert rest or divisor == factor
    assert product == a


def test_a_frame_built_from_a_solved_reading_has_the_check_bits_of_the_examples() -> None:
    part = check_part(8)
    true = replace(part, crc=Crc(8, 0x2F, init=0xFF, reflect_in=True), over=tuple(range(23, 7, -1)))
    rng = random.Random(11)
    words = [w | guard_value(true, w) for w in (rng.getrandbits(16) << 8 for _ in range(9))]
    whole = layout(part, LENGTH)
    (reading,) = solve(whole, part, [Example(word=w) for w in words]).readings
    solved = Layout(length=LENGTH, parts=(*whole.parts[:3], reading.part))
    for word in words:
        assert (
            build(solved, {"a": word >> 23, "b": word >> 19 & 15, "d": word >> 8 & 0x7FF}) == word
        )
