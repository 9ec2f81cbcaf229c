"""Blocks whose lines are all alike: read from their times alone, and never otherwise than line by line."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from unittest.mock import patch

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats import vcd
from regmap.capture.formats.source import CaptureSource
from regmap.capture.formats.vcd import VcdCapture
from regmap.capture.formats.vcdeven import EvenBlock, read_even

from .harm import Harm, harmed, harms
from .test_vcd import as_reference, reference

EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
#: codes that look like times, values, vectors and keywords among them
CODES = "!#01bx$r%"


def read(data: bytes, block: int, reader: Callable[..., EvenBlock | None] = read_even) -> tuple:
    """All that a capture is: edges, levels, limits, problems, notes."""
    source = CaptureSource(io.BytesIO(data), "t.vcd")
    with patch.object(vcd, "read_even", reader), VcdCapture(source, block=block) as capture:
        s = capture.read()
        return (
            [(e.times.tolist(), e.values.tolist()) for e in s.edges],
            s.initial.tolist(), s.start, s.end,
            [str(p) for p in capture.problems], list(capture.notes), capture.gaps,
        )  # fmt: skip


def line_by_line(data: bytes, block: int) -> tuple:
    return read(data, block, lambda *_: None)


def head(codes: str) -> str:
    declared = "".join(f"$var wire 1 {c} n{i} $end\n" for i, c in enumerate(codes))
    return f"$timescale 1 ns $end\n{declared}$enddefinitions $end\n"


@st.composite
def even_dumps(draw: st.DrawFn) -> bytes:
    codes = "".join(draw(st.lists(st.sampled_from(CODES), min_size=1, max_size=8, unique=True)))
    # so that the number of digits moves seldom, often, or has more than eight
    now = draw(st.sampled_from([0, 5, 97, 99_990, 10**8 - 40, 10**11]))
    out = []
    for _ in range(draw(st.integers(2, 60))):
        now += draw(st.sampled_from([0, 1, 1, 1, 2, 7]))
        out.append(f"#{now}\n")
        for _ in range(draw(st.sampled_from([0, 1, 1, 1, 1, 2, 3, 9]))):
            out.append(f"{draw(st.sampled_from('01'))}{draw(st.sampled_from(codes))}\n")
    return (head(codes) + "".join(out)).encode()


@settings(max_examples=800 if EVERY else 80, derandomize=not EVERY, deadline=None)
@given(even_dumps(), st.integers(64, 300))
def test_even_lines_are_what_the_simple_reader_reads(data: bytes, block: int) -> None:
    whole = read(data, block)
    assert whole == line_by_line(data, block) == read(data, 1 << 20)
    assert not whole[4]
    with VcdCapture(CaptureSource(io.BytesIO(data), "t.vcd"), block=block) as capture:
        as_reference(capture.read(), reference(data))


@settings(max_examples=4000 if EVERY else 80, derandomize=not EVERY, deadline=None)
@given(
    even_dumps(),
    st.integers(64, 300),
    harms(b"#01xzXb$!\n\r 9-\0\xff"),
)
def test_one_odd_byte_is_never_overlooked(data: bytes, block: int, harm: Harm) -> None:
    data = harmed(data, data.index(b"$enddefinitions $end\n") + 21, harm)
    assert read(data, block) == line_by_line(data, block)


@pytest.mark.parametrize(
    "odd", ["", "x!\n", "#9999\n", "b1 !\n", "$comment a $end\n", "1?\n", "\n", "0! 1%\n"]
)
def test_large_blocks_go_the_short_way_where_they_can(odd: str) -> None:
    rng = np.random.default_rng(1)
    lines = [
        f"#{10_000 + 3 * i}\n{i & 1}!\n" + "1%\n0%\n"[: 3 * int(rng.integers(3))]
        for i in range(9000)
    ]
    lines[4000] += odd
    data = (head("!%") + "".join(lines)).encode()
    seen: list[bool] = []

    def watched(*given: object) -> EvenBlock | None:
        found = read_even(*given)  # type: ignore[arg-type]
        seen.append(found is not None)
        return found

    assert read(data, 1 << 14, watched) == line_by_line(data, 1 << 14)
    assert sum(seen) >= len(seen) - (2 if odd else 1)
    assert all(seen[1:]) == (not odd)
