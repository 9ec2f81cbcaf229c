"""A capture read as it grows: the same events as at once, as they come, in chapters, with bounded memory.

Each test plays a recorder: it writes a dump piece by piece into a file or a pipe while it is read. The JSON lines are held
against the published schema by a general validator.
"""

from __future__ import annotations

import io
import json
import os
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest

from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.capture.growing import Growing
from regmap.cli.capturefollow import Follower
from regmap.cli.capturejson import JsonLines
from regmap.cli.captureschema import capture_schema
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import load_map
from regmap.stages.identity import identity
from regmap.trace import chapters
from regmap.trace.telling.story import tell
from regmap.trace.telling.timeline import Filter
from regmap.trace.tracer import trace_capture

CAPTURES = Path(__file__).parents[2] / "captures"
MAPS = {"pump": "quoll16", "drum": "numbat24", "wrong": "quoll16", "chain": "numbat24"}


def run(*arguments: str, stdin: Any = None) -> tuple[int, list[dict[str, Any]]]:
    out = io.StringIO()
    status = main(
        [*arguments, "--json"],
        Context(stdout=out, stderr=io.StringIO(), environ={}, stdin=stdin or io.StringIO()),
    )
    return status, [json.loads(x) for x in out.getvalue().splitlines()]


def events(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [r for r in rows if r["kind"] == "event"]


class Recorder(threading.Thread):
    """Writes a text in pieces, cut in mid-line too, with pauses between."""

    def __init__(self, path: Path, text: str, pieces: int, pause: float) -> None:
        super().__init__(daemon=True)
        self.path, self.text, self.pieces, self.pause = path, text, pieces, pause

    def run(self) -> None:
        size = len(self.text) // self.pieces + 1
        with self.path.open("a") as out:
            for at in range(0, len(self.text), size):
                out.write(self.text[at : at + size])
                out.flush()
                time.sleep(self.pause)


def test_a_growing_file_is_waited_for(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text("0x8001 0x0000\n")
    told: list[float] = []
    recorder = Recorder(path, "0x8002 0x0001\n" * 50, 7, 0.02)
    recorder.start()
    with Growing(path, idle=0.8, waiting=lambda: told.append(time.monotonic())) as growing:
        parts = []
        while data := growing.read(4096):
            parts.append(data)
    recorder.join()
    assert b"".join(parts).split() == path.read_bytes().split()
    assert told
    assert growing.trouble == ""


def test_a_file_that_becomes_shorter_ends_it(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    path.write_text("1\n" * 100)
    with Growing(path, idle=5) as growing:
        assert growing.read(1000)
        path.write_text("")
        while growing.read(1000):
            pass
        assert growing.trouble == "the file became shorter"


@pytest.mark.parametrize("name", ["drum_short.vcd", "pump_brown_out.vcd"])
def test_the_same_events_as_at_once(name: str, tmp_path: Path) -> None:
    chip = MAPS[name.partition("_")[0]]
    whole_status, whole = run("capture", str(CAPTURES / name), "--map", chip)
    path = tmp_path / name
    path.write_text("")
    recorder = Recorder(path, (CAPTURES / name).read_text(), 9, 0.05)
    recorder.start()
    status, rows = run("capture", str(path), "--map", chip, "--follow", "--idle", "1 s")
    recorder.join()
    assert status == whole_status
    assert events(rows) == events(whole)
    for row in (rows[-1], whole[-1]):
        row.pop("file")
        row.pop("limits")
    assert rows[-1] == whole[-1]


def test_events_come_before_the_recording_ends(tmp_path: Path) -> None:
    text = (CAPTURES / "drum_short.vcd").read_text()
    path = tmp_path / "drum.vcd"
    cut = text.rindex("\n#", 0, len(text) // 2) + 1
    path.write_text(text[:cut])
    out, err = io.StringIO(), io.StringIO()
    seen: list[int] = []

    def record() -> None:
        # as soon as what there is was told, the rest is written
        for _ in range(600):
            seen[:] = [out.getvalue().count('"event"')]
            if seen[0] > 20:
                break
            time.sleep(0.05)
        with path.open("a") as more:
            more.write(text[cut:])

    thread = threading.Thread(target=record)
    thread.start()
    main(["capture", str(path), "--map", "numbat24", "--follow", "--idle", "6 s", "--json"], Context(stdout=out, stderr=err, environ={}))  # fmt: skip
    thread.join()
    assert 20 < seen[0] < out.getvalue().count('"event"')


def test_a_pipe_that_is_closed_ends_it() -> None:
    ends = os.pipe()
    text = (CAPTURES / "drum_short.vcd").read_bytes()

    def feed() -> None:
        with os.fdopen(ends[1], "wb") as out:
            for at in range(0, len(text), 4096):
                out.write(text[at : at + 4096])
                out.flush()

    thread = threading.Thread(target=feed)
    thread.start()
    with os.fdopen(ends[0], "rb") as stdin:
        _, rows = run(
            "capture", "-", "--map", "numbat24", "--follow", stdin=SimpleNamespace(buffer=stdin)
        )
    thread.join()
    _, whole = run("capture", str(CAPTURES / "drum_short.vcd"), "--map", "numbat24")
    assert events(rows) == events(whole)


def test_chapters_keep_what_is_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut after every 8 frames or so: no fault is raised twice, no register is new again, each chapter is small."""
    monkeypatch.setattr(chapters, "FRAMES", 8)
    monkeypatch.setattr(chapters, "BATCHES", 3)
    chip = load_map("numbat24")
    out = io.StringIO()
    lines = JsonLines(
        lambda _trace: Filter(), Context(stdout=out, stderr=out, environ={}), live=True
    )
    follower = Follower(lines, tell, identity(chip))
    most = [0]

    def part(trace: Any) -> None:
        follower.part(trace)
        most[0] = max(most[0], *(w.log.count for w in trace.walkers))

    data = io.BytesIO((CAPTURES / "drum_short.vcd").read_bytes())
    with open_capture(data, name="made", options=OpenOptions(block=2048)) as capture:
        trace = trace_capture(capture, [chip], part_done=part, live=True)
    course = follower.finish(trace)
    lines.finish(trace, tell(trace), None, identity(chip), course=course)
    rows = [json.loads(x) for x in out.getvalue().splitlines()]
    summaries = [r for r in rows if r["kind"] == "summary"]
    assert len(summaries) >= 4
    assert [r.get("chapter") for r in summaries[:-1]] == list(range(1, len(summaries)))
    assert most[0] <= 24
    raised = [n["fault"] for r in events(rows) for n in r["notes"] if n["kind"] == "raised"]
    assert sorted(raised) == ["ANY", "POR", "SUM_VDS", "VDS_VH"]
    assert not any(n["kind"] == "reset" for r in events(rows) for n in r["notes"])
    assert sum(r["frames"] for r in summaries) == 55
    # all chapters together say what the capture says at once, each fault once
    assert course is not None
    told = summaries[-1]["whole"]
    assert (told["chapters"], told["frames"]) == (len(summaries), 55)
    [at_once] = [
        r
        for r in run("capture", str(CAPTURES / "drum_short.vcd"), "--map", "numbat24")[1]
        if r["kind"] == "summary"
    ]
    assert {f["fault"]: (f["raised"], f["first_s"]) for f in told["faults"]} == {
        i["fault"]: (1, i["raised_s"])
        for i in at_once["faults"]["0"]
        if not i["normal_at_power_up"]
    }
    assert "55 frames" in course.text(trace)
    assert "VDS_VH at" in course.text(trace)
    jsonschema.Draft202012Validator(capture_schema()).validate(summaries[-1])
    # the same frames are told, at the same times
    _, whole = run("capture", str(CAPTURES / "drum_short.vcd"), "--map", "numbat24")
    assert [r["time_s"] for r in events(rows)] == [r["time_s"] for r in events(whole)]


# --- the published schema -----------------------------------------------------------------------------
def test_every_line_is_as_the_schema_says() -> None:
    schema = capture_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    check = jsonschema.Draft202012Validator(schema)
    kinds = set()
    for path in sorted(CAPTURES.glob("*.vcd")):
        chip = MAPS[path.stem.partition("_")[0]]
        chain = ["--chain", "2"] if path.stem == "chain_pair" else []
        stage = {"pump": "coolant_pump", "drum": "conveyor_drum"}.get(path.stem.partition("_")[0])
        options = [*chain, *(["--stage", stage] if stage else ["--map", chip])]
        _, rows = run("capture", str(path), *options, "--at", "1 ms")
        for row in rows:
            kinds.add(row["kind"])
            problem = next(iter(check.iter_errors(row)), None)
            # oneOf tells little: the shape of this kind says what is wrong
            if problem is not None:
                [shape] = [
                    s for s in schema["oneOf"] if s["properties"]["kind"]["const"] == row["kind"]
                ]
                jsonschema.Draft202012Validator(shape).validate(row)
    assert {"event", "quiet", "at", "summary"} <= kinds


def test_the_schema_is_printed() -> None:
    out = io.StringIO()
    assert (
        main(["vet", "--schema", "capture"], Context(stdout=out, stderr=io.StringIO(), environ={}))
        == 0
    )
    assert json.loads(out.getvalue()) == json.loads(json.dumps(capture_schema()))
