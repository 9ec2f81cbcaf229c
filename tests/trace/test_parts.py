"""A trace does not depend on how the capture was cut into blocks, read ahead or taken together."""

from __future__ import annotations

import io
import os
import threading
from pathlib import Path
from typing import Any

import pytest

from regmap.capture.formats.blocks import BLOCK
from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.maps.load import load_map
from regmap.trace import tracer
from regmap.trace.telling.story import tell
from regmap.trace.telling.timeline import timeline
from regmap.trace.tracer import trace_capture

#: bundled captures and the chips on their bus
#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
SHIPPED = [
    ("pump_short.vcd", ["quoll16"]),
    ("pump_brown_out.vcd", ["quoll16"]),
    ("pump_locked_write.vcd", ["quoll16"]),
    ("pump_dead_reply.vcd", ["quoll16"]),
][: 4 if EVERY else 1]


def told(path: Path, chips: list[str], source: Any = None, block: int = BLOCK) -> tuple[Any, ...]:
    with open_capture(source or path, name=path.name, options=OpenOptions(block=block)) as capture:
        trace = trace_capture(capture, [load_map(c) for c in chips])
    return (
        trace.frames,
        trace.transfers,
        tell(trace).sentences,
        list(timeline(trace)),
        [w.log.idents().tolist() for w in trace.walkers],
        trace.breaches,
    )


@pytest.mark.parametrize(("name", "chips"), SHIPPED, ids=[n for n, _ in SHIPPED])
def test_cuts_change_nothing(
    name: str, chips: list[str], captures: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = captures / name
    whole = told(path, chips)
    assert whole[0] > 10
    # a stream is read in turn, a file ahead in a thread
    assert told(path, chips, io.BytesIO(path.read_bytes())) == whole
    monkeypatch.setattr(tracer, "_TOGETHER", 1)
    assert told(path, chips, block=4096) == whole
    monkeypatch.setattr(tracer, "_TOGETHER", 200)
    assert told(path, chips, block=4096) == whole


def test_who_stops_leaves_no_thread_behind(captures: Path) -> None:
    met = []

    def progress(done: int, total: int) -> None:
        met.append((done, total))
        raise KeyboardInterrupt

    path = captures / "pump_short.vcd"
    with (
        open_capture(path, options=OpenOptions(block=4096)) as capture,
        pytest.raises(KeyboardInterrupt),
    ):
        trace_capture(capture, [load_map("quoll16")], progress=progress)
    assert len(met) == 1
    assert met[0][0] <= met[0][1] == path.stat().st_size
    assert not [t for t in threading.enumerate() if t.name == "capture-ahead"]
