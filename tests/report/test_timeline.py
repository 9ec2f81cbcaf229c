"""The timeline of a capture as SVG: every lane against the trace it shows, well-formed, bounded at 100,000 frames.

Read back with the standard library's XML parser; what a lane must show is worked out from the frames written here.
"""

from __future__ import annotations

import importlib.util
import io
import os
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any
from xml.etree import ElementTree

import pytest

from regmap.capture.formats.opening import open_capture
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import load_map
from regmap.report import review
from regmap.report.timeline import draw
from regmap.stages.load import load_stage
from regmap.trace.telling.lanes import MEANINGS, Lanes, lanes
from regmap.trace.telling.story import tell
from regmap.trace.tracer import Trace, trace_capture

CAPTURES = Path(__file__).parents[2] / "captures"
SVG = "{http://www.w3.org/2000/svg}"


def edgelevel() -> ModuleType:
    name = "edgelevel"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "trace" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


def traced(source: Any, chip: str) -> Trace:
    with open_capture(source, name="made") as capture:
        return trace_capture(capture, [load_map(chip)])


def drawn(trace: Trace, **part: Any) -> tuple[Lanes, ElementTree.Element]:
    found = lanes(trace, tell(trace), **part)
    return found, ElementTree.fromstring(draw(found, trace.clock))


def lane(found: Lanes, name: str) -> Any:
    [one] = [x for x in found.lanes if x.name == name]
    return one


def test_what_the_brown_out_shows() -> None:
    """Times and frames as tests/captures/pump_brown_out.txt tells them."""
    found, root = drawn(traced(CAPTURES / "pump_brown_out.vcd", "quoll16"))
    names = [x.name for x in found.lanes]
    assert names[:4] == ["reads", "writes", "beyond belief", "fault pin"]
    [pin] = lane(found, "fault pin").pieces
    assert "active from 3.123 ms" in pin.text
    [cause] = [p for p in lane(found, "UV_SUPPLY").pieces if p.meaning == "raised"]
    assert "raised in frame 29 at 3.1263 ms" in cause.text
    # set, read, and lost with the reset
    assert [p.meaning for p in lane(found, "VDS").pieces][-2:] == ["shown", "reset"]
    titles = [t.text or "" for t in root.iter(f"{SVG}title")]
    assert any("raised in frame 29" in t for t in titles)
    told = "".join(root.itertext())
    assert all(MEANINGS[p.meaning] in told for x in found.lanes for p in x.pieces)


@pytest.mark.parametrize(
    ("name", "chip"),
    [
        ("pump_short", "quoll16"),
        ("drum_short", "numbat24"),
        ("wrong_mode", "quoll16"),
        ("pump_dead_reply", "quoll16"),
    ],
)
def test_every_bundled_capture_is_drawn_the_same_every_time(name: str, chip: str) -> None:
    texts = []
    for _ in range(2):
        trace = traced(CAPTURES / f"{name}.vcd", chip)
        texts.append(draw(lanes(trace, tell(trace)), trace.clock))
    assert texts[0] == texts[1]
    root = ElementTree.fromstring(texts[0])
    wide, high = (float(root.get(k) or 0) for k in ("width", "height"))
    for box in root.iter(f"{SVG}rect"):
        if box.get("x"):
            assert -1 <= float(box.get("x") or 0) <= wide
            assert float(box.get("x") or 0) + float(box.get("width") or 0) <= wide + 1
            assert float(box.get("y") or 0) <= high


def test_lost_evidence_and_switched_off_recording_are_marked() -> None:
    text = (CAPTURES / "drum_bring_up.vcd").read_text()
    lines = text.split("\n")
    times = [i for i, x in enumerate(lines) if x.startswith("#")]
    first, second = times[len(times) // 2], times[len(times) // 2 + 40]
    codes = re.findall(r"\$var \w+ 1 (\S+)", text)
    off = ["$dumpoff", *("x" + c for c in codes), "$end"]
    on = ["$dumpon", *("0" + c for c in codes), "$end"]
    made = "\n".join([*lines[: first + 1], *off, lines[second], *on, *lines[second + 1 :]])
    found, root = drawn(traced(io.BytesIO(made.encode()), "numbat24"))
    assert [p.meaning for p in lane(found, "evidence lost").pieces] == ["gap"]
    assert any("recording off" in (t.text or "") for t in root.iter(f"{SVG}title"))


def test_thousands_of_frames_are_counted_not_drawn() -> None:
    """As many columns as before, each with its number: the sum is every frame of the list."""
    many_times = 500 if os.environ.get("GATEWORD_ALL") == "1" else 100  # 100,000 frames
    made = edgelevel().run(load_map("quoll16"), frames=200)
    words = [(edgelevel().word_of(a), edgelevel().word_of(b)) for a, b in made.words]
    rows = "\n".join(
        f"{10 * i}us 0x{a:04X} 0x{b:04X}" for i, (a, b) in enumerate(words * many_times)
    )
    trace = traced(io.BytesIO(rows.encode()), "quoll16")
    assert trace.frames == 200 * many_times
    found, root = drawn(trace)
    total = 0
    for name in ("reads", "writes"):
        pieces = lane(found, name).pieces
        assert len(pieces) <= found.columns
        for piece in pieces:
            many = re.match(r"(\d+) frames from", piece.text)
            total += int(many[1]) if many else 1
    assert total == trace.frames
    assert len(list(root.iter())) < 15_000
    # a part of it shows its frames one by one
    some, _ = drawn(trace, since=trace.start, until=trace.start + (trace.end - trace.start) // 2000)
    assert any(re.match(r"frame \d+ at ", p.text) for p in lane(some, "reads").pieces)


def test_the_command_writes_it_and_the_record_holds_it(tmp_path: Path) -> None:
    path = tmp_path / "short.svg"
    err = io.StringIO()
    capture = str(CAPTURES / "drum_short.vcd")
    given = ["capture", capture, "--map", "numbat24", "--summary", "--picture", str(path)]
    main(given, Context(stdout=io.StringIO(), stderr=err, environ={}))
    assert f"wrote {path}" in err.getvalue()
    ElementTree.parse(path)
    # never over its input
    before = path.read_bytes()
    clash = ["capture", str(path), "--map", "numbat24", "--picture", str(path)]
    assert main(clash, Context(stdout=io.StringIO(), stderr=io.StringIO(), environ={})) == 2
    assert path.read_bytes() == before
    html = review(load_stage("conveyor_drum"), capture=capture, date="2031-05-04").html
    assert "What happened when" in html
    assert "What firmware did in time" in html
    assert "raised in frame 48" in html
