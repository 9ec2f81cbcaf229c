"""Tables whose rows all end alike: read from their line ends alone, and never otherwise than field by field."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats import table
from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.capture.formats.tableeven import even_fields
from regmap.errors import GatewordError

from .harm import Harm, harmed, harms

EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"


def read(data: bytes, block: int, reader: Callable[..., object] = even_fields) -> object:
    """All that a capture is, or what is said against it."""
    with patch.object(table, "even_fields", reader):
        try:
            with open_capture(
                io.BytesIO(data), name="t.csv", format="csv", options=OpenOptions(block=block)
            ) as capture:
                s = capture.read()
                return (
                    [(e.times.tolist(), e.values.tolist()) for e in s.edges],
                    s.initial.tolist(), s.start, s.end, str(s.tick),
                    [str(p) for p in capture.problems], list(capture.notes),
                )  # fmt: skip
        except GatewordError as error:
            return str(error)


def field_by_field(data: bytes, block: int) -> object:
    return read(data, block, lambda *_: None)


@st.composite
def tables(draw: st.DrawFn) -> bytes:
    mark = draw(st.sampled_from([",", ";", "\t"]))
    end = draw(st.sampled_from(["\n", "\r\n"]))
    lines = draw(st.integers(1, 5))
    out = [mark.join(["Time [ns]", *(f"line{i}" for i in range(lines))])]
    now = draw(st.sampled_from([0, 7, 95, 9_990, 10**9]))
    point = draw(st.booleans())
    for _ in range(draw(st.integers(3, 60))):
        now += draw(st.sampled_from([0, 1, 1, 5, 100]))
        levels = [draw(st.sampled_from("0011xz")) for _ in range(lines)]
        out.append(mark.join([f"{now}.25" if point else str(now), *levels]))
    return (end.join(out) + end).encode()


@settings(max_examples=600 if EVERY else 60, derandomize=not EVERY, deadline=None)
@given(tables(), st.integers(64, 300))
def test_rows_that_end_alike_are_what_the_general_reader_reads(data: bytes, block: int) -> None:
    whole = read(data, block)
    assert not isinstance(whole, str)
    assert whole == field_by_field(data, block) == read(data, 1 << 20)


@settings(max_examples=4000 if EVERY else 200, derandomize=not EVERY, deadline=None)
@given(
    tables(),
    st.integers(64, 300),
    harms(b"01x,;\t\n\r \"'#%!/9-\0\xff"),
)
def test_one_odd_byte_is_never_overlooked(data: bytes, block: int, harm: Harm) -> None:
    data = harmed(data, data.index(b"\n") + 1, harm)
    assert read(data, block) == field_by_field(data, block)


@pytest.mark.parametrize(
    "odd",
    ["", "5,1\n", "5,1,0,1\n", "# halt\n", '5,"1",0\n', "5, 1,0\n", ",1,0\n", "5,11,0\n", "\n"],
)
def test_large_tables_go_the_short_way_where_they_can(odd: str) -> None:
    rows = [f"{10 * i}.5,{i & 1},{i >> 3 & 1}\n" for i in range(9000)]
    # behind what the head is read from
    rows[8000] += odd.replace("5", "80000.5", 1)
    data = ("Time [us],sclk,ncs\n" + "".join(rows)).encode()
    seen: list[bool] = []

    def watched(*given: object) -> object:
        found = even_fields(*given)  # type: ignore[arg-type]
        seen.append(found is not None)
        return found

    assert read(data, 1 << 14, watched) == field_by_field(data, 1 << 14)
    assert seen.count(False) == bool(odd)
