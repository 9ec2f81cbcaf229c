"""Dumps and tables as other programs write them, against the same exchange written plainly.

The exchange comes from the edge-level model; each form is made from its dump by text alone. Nine-valued logic:
IEEE 1164 (L and H are weak levels). Byte order marks: Unicode Standard, chapter 23.8.
"""

from __future__ import annotations

import importlib.util
import io
import json
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.cli import capturejson
from regmap.cli.context import Context
from regmap.errors import CaptureError
from regmap.maps.load import load_map
from regmap.stages.identity import identity
from regmap.trace import tracer
from regmap.trace.telling.story import Story, tell
from regmap.trace.telling.timeline import Filter
from regmap.trace.tracer import How, Trace, trace_capture


def _edgelevel() -> ModuleType:
    name = "edgelevel"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


edgelevel = _edgelevel()
CHIP = load_map("quoll16")
FRAMES = 16
MADE = edgelevel.run(CHIP, frames=FRAMES)
DUMP = MADE.vcd()
HEAD, BODY = DUMP.split("$enddefinitions $end\n")


def traced(data: bytes, **how: Any) -> tuple[Trace, Story]:
    with open_capture(io.BytesIO(data), name="made") as capture:
        trace = trace_capture(capture, [CHIP], How(**how))
    return trace, tell(trace)


def changed(pattern: str, by: Any) -> str:
    return HEAD + "$enddefinitions $end\n" + re.sub(pattern, by, BODY, flags=re.M | re.S)


FORMS: dict[str, bytes] = {
    "weak levels": changed(r"^([01])(\S+)$", lambda m: "LH"[int(m[1])] + m[2]).encode(),
    "weak levels, small letters": changed(r"^([01])(\S+)$", lambda m: "lh"[int(m[1])] + m[2]).encode(),
    "nine values in a vector beside": (
        HEAD.replace("$upscope", "$var wire 4 * other [3:0] $end\n$upscope")
        + "$enddefinitions $end\n" + BODY.replace("$dumpvars\n", "$dumpvars\nbUU-W *\n", 1)
    ).encode(),
    "UTF-8 with a mark": b"\xef\xbb\xbf" + DUMP.encode(),
    "UTF-16, little end first": DUMP.encode("utf-16"),
    "UTF-16, big end first": b"\xfe\xff" + DUMP.encode("utf-16-be"),
    "times of 19 digits": re.sub(r"(?m)^#(\d+)$", lambda m: f"#{int(m[1]) + 9 * 10**18}", DUMP).encode(),
    "no initial values": changed(r"\$dumpvars\n.*?\$end\n", "").encode(),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_dumps_of_other_simulators(form: str) -> None:
    trace, story = traced(FORMS[form])
    assert trace.problems == ()
    assert story.evidence.commands.good == story.evidence.commands.of == FRAMES
    assert story.evidence.replies.good == story.evidence.replies.of == FRAMES
    assert story.stops == ()


def test_a_time_beyond_every_clock_is_told() -> None:
    trace, _ = traced(re.sub(r"(?m)^#(\d+)$", lambda m: f"#{int(m[1]) + 2**63}", DUMP).encode())
    assert any("is too large" in str(p) for p in trace.problems)


def test_a_gap_in_the_recording_is_not_the_chips_fault() -> None:
    """$dumpoff in one frame, $dumpon in a later one: both are cut, nobody is blamed."""
    lines = DUMP.split("\n")
    times = [i for i, line in enumerate(lines) if line.startswith("#")]
    first, second = times[len(times) // 2], times[len(times) // 2 + 40]
    codes = re.findall(r"\$var wire 1 (\S+)", DUMP)
    held = {m[2]: m[1] for line in lines[:second] if (m := re.match(r"^([01z])(\S+)$", line))}
    off = ["$dumpoff", *("x" + c for c in codes), "$end"]
    on = ["$dumpon", *(held[c] + c for c in codes), "$end"]
    text = "\n".join([*lines[: first + 1], *off, lines[second], *on, *lines[second + 1 :]])
    trace, story = traced(text.encode())
    assert "recording was switched off for a time ($dumpoff)" in trace.notes
    assert [m.name for m in story.diagnosis.mistakes] == ["cut"]
    assert story.stops == ()
    assert FRAMES - 2 <= story.evidence.commands.good < FRAMES


# --- tables and lists ---------------------------------------------------------------------------------
def rows() -> list[tuple[int, list[int]]]:
    """Every instant at which a line moves, with all levels (floating as 0)."""
    level = {n: w.level for n, w in MADE.waves.items()}
    moves = sorted((t, n, v) for n, w in MADE.waves.items() for t, v in w.moves)
    found = {0: [v % 2 for v in level.values()]}
    for time, name, value in moves:
        level[name] = value
        found[time] = [v % 2 for v in level.values()]
    return sorted(found.items())


NAMES = list(MADE.waves)
ROWS = rows()


def table(head: str, row: Any) -> str:
    return head + "\n" + "\n".join(row(t, v) for t, v in ROWS) + "\n"


def plain(unit: str, extra: str = "", cell: str = "") -> str:
    return table(
        f"Time {unit}," + extra + ",".join(NAMES),
        lambda t, v: f"{t / 1000:.3f}," + cell + ",".join(map(str, v)),
    )


@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "cp1252", "utf-16"])
@pytest.mark.parametrize("unit", ["[\u00b5s]", "(\u00b5s)", "/ \u00b5s"])
def test_a_micro_sign_in_any_encoding(encoding: str, unit: str) -> None:
    trace, story = traced(plain(unit).encode(encoding))
    assert trace.clock.seconds(trace.end) < 1
    assert story.evidence.commands.good == FRAMES


def test_a_column_of_text_is_passed_over() -> None:
    trace, story = traced(plain("[us]", "note,", "start,").encode())
    assert story.evidence.commands.good == FRAMES
    assert "column 'note' holds text ('start') and is left out" in trace.notes


@pytest.mark.parametrize(
    ("head", "cell", "says"),
    [
        (
            "when",
            "2026-01-02 10:00:00.5",
            "'2026-01-02 10:00:00.5' in column 'when' is a time of day",
        ),
        ("time", "00:00:01.25", "'00:00:01.25' in column 'time' is a time of day"),
    ],
)
def test_a_time_of_day_is_refused_with_its_cell(head: str, cell: str, says: str) -> None:
    text = table(head + "," + ",".join(NAMES), lambda _t, v: cell + "," + ",".join(map(str, v)))
    with pytest.raises(CaptureError, match=re.escape(says)):
        traced(text.encode())


def test_what_is_no_table_is_refused_with_the_cell() -> None:
    text = "a,b\n1,what\n2,ever\n3,else\n"
    with pytest.raises(CaptureError, match=r"line 2, column 2: 'what' is no value"):
        traced(text.encode())


def test_a_hex_column_of_lines_is_not_a_list_of_frames() -> None:
    bus = table(
        "Time [us],bus",
        lambda t, v: f"{t / 1000:.3f},0x{sum(b << i for i, b in enumerate(v)):02X}",
    )
    place = {n: f"bus[{i}]" for i, n in enumerate(NAMES)}
    roles = {
        "clock": place["sclk"],
        "select": place["ncs"],
        "command": place["mosi"],
        "reply": place["miso"],
    }
    _, story = traced(bus.encode(), roles=roles)
    assert story.evidence.commands.good == FRAMES
    # asked for by its lines it is none either, however wide
    with open_capture(io.BytesIO(bus.replace(",0x", ",0x00").encode()), lines=True) as capture:
        assert capture.kind == "edges"


WORDS = [(edgelevel.word_of(a), edgelevel.word_of(b)) for a, b in MADE.words]
LISTS = {
    "hex": "\n".join(f"0x{a:04X} 0x{b:04X}" for a, b in WORDS),
    "binary with 0b": "\n".join(f"0b{a:016b} 0b{b:016b}" for a, b in WORDS),
    "binary": "\n".join(f"{a:016b} {b:016b}" for a, b in WORDS),
    "labels": "\n".join(f"tx=0x{a:04X} rx=0x{b:04X}" for a, b in WORDS),
}


@pytest.mark.parametrize("form", LISTS)
def test_lists_of_frames(form: str) -> None:
    trace, story = traced(LISTS[form].encode())
    assert trace.problems == ()
    assert (story.evidence.commands.good, story.evidence.replies.good) == (FRAMES, FRAMES)


def test_decimal_words_need_their_number_of_bits() -> None:
    text = "\n".join(f"{a} {b}" for a, b in [*WORDS, (7, 12)])
    with pytest.raises(CaptureError, match="numbers that look decimal"):
        traced(text.encode())
    with open_capture(io.BytesIO(text.encode()), options=OpenOptions(frame_bits=16)) as capture:
        trace = trace_capture(capture, [CHIP], How())
    assert tell(trace).evidence.commands.good >= FRAMES


# --- what is written while a capture is read ------------------------------------------------------------
def test_json_comes_while_the_capture_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same events, however small the parts that are read at once; most before the last part."""
    data = edgelevel.run(CHIP, frames=500).vcd().encode()
    monkeypatch.setattr(tracer, "_TOGETHER", 1)

    def lines(block: int) -> tuple[list[Any], list[int]]:
        context = Context(stdout=io.StringIO(), stderr=io.StringIO(), environ={})
        stream = capturejson.JsonLines(lambda _trace: Filter(), context)
        seen: list[int] = []

        def part(trace: Any) -> None:
            stream.part(trace)
            seen.append(context.stdout.getvalue().count("\n"))

        with open_capture(io.BytesIO(data), options=OpenOptions(block=block)) as capture:
            trace = trace_capture(capture, [CHIP], part_done=part)
        stream.finish(trace, tell(trace), None, identity(CHIP))
        return [json.loads(x) for x in context.stdout.getvalue().splitlines()], seen

    whole, _ = lines(1 << 20)
    parts, seen = lines(16384)
    events = [[r for r in rows if r["kind"] == "event"] for rows in (whole, parts)]
    assert events[0] == events[1]
    assert parts[-1] == whole[-1]
    assert len(seen) > 4
    assert seen[-1] > 0.5 * len(events[0])
    quiet = [
        sum(r["last"] - r["first"] + 1 for r in rows if r["kind"] == "quiet")
        for rows in (whole, parts)
    ]
    assert quiet[0] == quiet[1]
