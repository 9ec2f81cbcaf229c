"""Items one step ahead: same items, same errors, no thread left behind."""

from __future__ import annotations

import io
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.capture.lines.track import behind
from regmap.capture.transfers.ahead import ahead, blocks_ahead

#: more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"


def alive() -> list[str]:
    return [t.name for t in threading.enumerate() if t.name == "capture-ahead"]


def test_same_items_in_order() -> None:
    assert list(ahead(iter(range(1000)))) == list(range(1000))
    assert list(ahead(iter([]))) == []
    assert not alive()


def test_an_error_comes_where_its_item_would_have_come() -> None:
    def items() -> Iterator[int]:
        yield 1
        yield 2
        raise KeyError("third")

    stream = ahead(items())
    assert [next(stream), next(stream)] == [1, 2]
    with pytest.raises(KeyError, match="third"):
        next(stream)
    assert not alive()


def test_stopping_early_ends_the_thread() -> None:
    given = []

    def items() -> Iterator[int]:
        for k in range(10**9):
            given.append(k)
            yield k

    stream = ahead(items(), depth=2)
    assert next(stream) == 0
    stream.close()  # type: ignore[attr-defined]
    assert not alive()
    assert len(given) < 10


def test_a_stream_is_read_in_turn_and_a_file_ahead(tmp_path: Path) -> None:
    """A thread that waits for a stream could not be stopped by Ctrl-C."""
    text = b"$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end\n"
    text += b"".join(b"#%d\n%d!\n" % (t, t % 2) for t in range(4000))
    path = tmp_path / "a.vcd"
    path.write_bytes(text)
    found = []
    for source, threads in ((path, 1), (io.BytesIO(text), 0)):
        with open_capture(source, name="a", options=OpenOptions(block=512)) as capture:
            blocks = blocks_ahead(capture)
            first = next(blocks)
            assert len(alive()) == threads
            found.append([(b.start, b.until, b.edges[0].times.tolist()) for b in (first, *blocks)])
        assert not alive()
    assert found[0] == found[1]
    assert len(found[0]) > 20


@given(
    st.lists(st.integers(0, 300), max_size=400).map(sorted),
    st.lists(st.integers(0, 300), max_size=400, min_size=60).map(sorted),
)
@settings(max_examples=50 if EVERY else 15, derandomize=not EVERY, deadline=None)
def test_merging_finds_what_searching_finds(samples: list[int], times: list[int]) -> None:
    a, b = np.array(samples, np.int64), np.array(times, np.int64)
    assert behind(a, b).tolist() == [sum(s <= t for s in samples) for t in times]
