"""Dumps and tables as other programs write them, against the same exchange written plainly.

The exchange comes from the edge-level model; each form is made from its dump by text alone. Nine-valued logic:
IEEE 1164 (L and H are weak levels). Byte order marks: Unicode Standard, chapter 23.8.
"""

from __future__ import annotations

import gzip
import importlib.util
import io
import json
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.cli import capturejson
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.errors import CaptureError
from regmap.maps.load import load_map
from regmap.stages.identity import identity
from regmap.trace import tracer
from regmap.trace.filed import trace_file
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


def clock(ns: int, day: str = "", start: int = 36_000) -> str:
    """A time of day, ten o'clock at 0 ns as a rule."""
    seconds, rest = divmod(ns, 10**9)
    seconds += start
    text = f"{seconds // 3600 % 24:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.{rest:09d}"
    return f"{day}{text}"


@pytest.mark.parametrize("day", ["", "2026-01-02 ", "2026-01-02T", "02.01.2026 "])
def test_times_as_a_clock_shows_them(day: str) -> None:
    text = table(
        "when," + ",".join(NAMES), lambda t, v: clock(t, day) + "," + ",".join(map(str, v))
    )
    trace, story = traced(text.encode())
    assert story.evidence.commands.good == FRAMES
    assert trace.clock.seconds(trace.end) == pytest.approx(36_000 + ROWS[-1][0] / 1e9, abs=1e-9)
    told = " on 2026-01-02" if day else ""
    assert f"times of day: 0 is midnight{told}" in trace.notes
    # the same durations as in plain times
    plainly, _ = traced(plain("[us]").encode())
    assert trace.end - trace.start == plainly.end - plainly.start


def test_midnight_passes() -> None:
    text = table(
        "time," + ",".join(NAMES),
        lambda t, v: clock(t, start=86_399 - t // 10**9) + "," + ",".join(map(str, v)),
    )
    late = [(t * 50_000, v) for t, v in ROWS]
    rows = "\n".join(clock(t, start=86_399) + "," + ",".join(map(str, v)) for t, v in late)
    trace, _ = traced(("time," + ",".join(NAMES) + "\n" + rows).encode())
    assert trace.problems == ()
    assert trace.clock.seconds(trace.end - trace.start) == pytest.approx(late[-1][0] / 1e9)
    assert text


@pytest.mark.parametrize("cell", ["03/04/2026 10:00:00.5", "2026-13-01 10:00:00", "10:61:00.5"])
def test_a_time_that_cannot_be_told_is_refused_with_its_cell(cell: str) -> None:
    text = table("time," + ",".join(NAMES), lambda _t, v: cell + "," + ",".join(map(str, v)))
    with pytest.raises(CaptureError, match=re.escape(f"{cell!r} in column 'time' is no time")):
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


@pytest.mark.parametrize(
    "form", ["{} 0x{:04X} 0x{:04X}", "[{}] tx=0x{:04X} rx=0x{:04X}", "{};{:04X};{:04X}"]
)
def test_a_log_with_times_of_day(form: str) -> None:
    rows = [
        form.format(clock(i * 12_500_000, start=86_399), a, b) for i, (a, b) in enumerate(WORDS * 8)
    ]
    trace, story = traced("\n".join(rows).encode())
    assert trace.problems == ()
    assert story.evidence.commands.good == story.evidence.replies.good == 8 * FRAMES
    assert trace.clock.tick is not None
    assert trace.clock.seconds(trace.end - trace.start) == pytest.approx((8 * FRAMES - 1) * 0.0125)


# --- one byte a row -----------------------------------------------------------------------------------
def bytewise(row: Any, *, between: int = 2, after: int = 40) -> str:
    """Rows for every byte: `row(time in us, frame, byte of SDI, byte of SDO, first of its frame)`."""
    out, time = [], 5
    for number, (a, b) in enumerate(WORDS):
        for place, shift in enumerate((8, 0)):
            out += row(time, number, a >> shift & 255, b >> shift & 255, place)
            time += between
        time += after
    return "\n".join(out) + "\n"


BYTES = {
    "packet numbers": "Time [us],Packet ID,MOSI,MISO\n" + bytewise(lambda t, n, a, b, _p: [f"{t},{n},0x{a:02X},0x{b:02X}"], after=0),
    "packet numbers, bare hex": "time (us);packet;sdi (hex);sdo (hex)\n" + bytewise(lambda t, n, a, b, _p: [f"{t};{n};{a:02x};{b:02x}"], after=0),
    "decimal": "Time [us],frame no,MOSI (dec),MISO (dec)\n" + bytewise(lambda t, n, a, b, _p: [f"{t},{n},{a},{b}"], after=0),
    "select": "Time [us],cs,MOSI,MISO\n" + bytewise(lambda t, _n, a, b, p: [f"{t},0,{a:#04x},{b:#04x}"] + [f"{t + 1},1,,"] * p, after=0),
    "pauses": "Time [us],MOSI,MISO\n" + bytewise(lambda t, _n, a, b, _p: [f"{t},0x{a:02X},0x{b:02X}"]),
    "pauses, times of day": "time,tx,rx\n" + bytewise(lambda t, _n, a, b, _p: [f"{clock(t * 1000)},{a:02X}h,{b:02X}h"]),
    "a text column beside": "Time [us],what,Packet,MOSI,MISO\n" + bytewise(lambda t, n, a, b, _p: [f"{t},data,{n},0x{a:02X},0x{b:02X}"], after=0),
}  # fmt: skip


@pytest.mark.parametrize("form", BYTES)
def test_bytes_are_joined_to_the_frames_that_they_were(form: str) -> None:
    trace, story = traced(BYTES[form].encode())
    assert (trace.format, trace.problems) == ("bytes", ())
    assert story.evidence.commands.good == story.evidence.commands.of == FRAMES
    assert story.evidence.replies.good == FRAMES
    assert any(n.startswith("bytes are joined to frames") for n in trace.notes)


def test_bytes_that_nothing_joins_are_refused() -> None:
    even = "Time [us],MOSI,MISO\n" + bytewise(
        lambda t, _n, a, b, _p: [f"{t},0x{a:02X},0x{b:02X}"], after=0
    )
    with pytest.raises(CaptureError, match="do not show where a frame ends"):
        traced(even.encode())
    with pytest.raises(CaptureError, match="'10' in column 'MOSI' may be decimal or hexadecimal"):
        traced(b"Time [us],packet,MOSI,MISO\n1,0,10,1\n2,0,9,20\n")
    with pytest.raises(CaptureError, match="no column to join bytes by select"):
        open_capture(
            io.BytesIO(BYTES["packet numbers"].encode()), options=OpenOptions(join="select")
        )
    # what is asked for is done: one byte, one frame
    with open_capture(io.BytesIO(even.encode()), options=OpenOptions(join="none")) as capture:
        sizes = [c for part in capture.frame_transfers() for c in part.clocks.tolist()]
    assert sizes == [8] * (2 * FRAMES)


def test_a_cell_that_is_no_byte_is_located() -> None:
    text = BYTES["packet numbers"].replace("0x", "zz", 7).replace("zz", "0x", 6)
    trace, _ = traced(text.encode())
    [problem] = trace.problems
    assert "is no byte" in problem.found
    assert (problem.place.line, problem.place.column) == (5, text.split("\n")[4].index("zz") + 1)


def test_a_table_of_bytes_that_was_cut_short_says_so() -> None:
    whole = gzip.compress(BYTES["packet numbers"].encode() * 40, mtime=0)
    trace, _ = traced(whole[: len(whole) - 40])
    assert any(p.found.startswith("the table ends at line") for p in trace.problems)


def test_a_row_of_bytes_without_end_is_not_kept() -> None:
    trace, _ = traced(BYTES["packet numbers"].encode() + b"0" * (1 << 20))
    assert any(p.found.startswith("a line of more than 262144 bytes") for p in trace.problems)


# --- extended dumps -----------------------------------------------------------------------------------
def extended(dump: str) -> str:
    """The same dump with port values and strengths (states as IEEE 1364-2005, 18.4, from memory)."""
    head, body = dump.split("$enddefinitions $end\n")
    names = dict(re.findall(r"\$var wire 1 (\S+) (\S+)", head))
    place = {code: f"<{i}" for i, code in enumerate(names)}
    head = re.sub(r"\$var wire 1 (\S+) (\S+)", lambda m: f"$var port 1 {place[m[1]]} {m[2]}", head)

    def value(found: re.Match[str]) -> str:
        out = names[found[2]] in ("miso", "sdo")
        state = {"0": "DL", "1": "UH", "z": "ZT", "x": "NX"}[found[1]][out]
        low, high = {"0": (6, 0), "1": (0, 6), "z": (0, 0), "x": (6, 6)}[found[1]]
        return f"p{state} {low} {high} {place[found[2]]}"

    body = re.sub(r"(?m)^([01zx])(\S+)$", value, body).replace("$dumpvars", "$dumpports")
    return f"{head}$enddefinitions $end\n{body}$vcdclose #{MADE.end} $end\n"


def test_an_extended_dump() -> None:
    trace, story = traced(extended(DUMP).encode())
    assert trace.problems == ()
    assert story.evidence.commands.good == story.evidence.replies.good == FRAMES
    assert trace.end == traced(DUMP.encode())[0].end


def test_a_damaged_extended_dump_is_located() -> None:
    text = extended(DUMP)
    line = text.split("\n").index("p" + re.search(r"(?m)^p(\S \d \d <0)$", text)[1]) + 1  # type: ignore[index]
    broken = re.sub(r"(?m)^p\S \d \d <0$", "p@ 6 0 <0", text, count=1)
    trace, _ = traced(broken.encode())
    assert trace.problems[0].place.line == line


# --- compressed waveforms -----------------------------------------------------------------------------
def test_a_compressed_waveform_is_the_dump_it_was_made_with(tmp_path: Path, need_tool: Any) -> None:
    """GHDL writes both forms of one simulation; the general waveform library reads the other."""
    pytest.importorskip("pywellen")
    ghdl = need_tool("ghdl")
    source = Path(__file__).parents[1] / "vhdl" / "story.vhd"
    (tmp_path / "story.txt").write_text("R 1\nR F\nW A 200\nD 100\nS 0 6\nR 0\nM 1\nR 0\nD 10\n")
    run = [ghdl, "-r", "--std=08", "bench"]
    for step in (["-a", "--std=08", str(source)], ["-e", "--std=08", "bench"]):
        subprocess.run([ghdl, *step], cwd=tmp_path, check=True, capture_output=True)
    found = []
    for form in ("vcd", "fst"):
        subprocess.run(
            [*run, f"--{form}=story.{form}"], cwd=tmp_path, check=True, capture_output=True
        )
        with open_capture(tmp_path / f"story.{form}") as capture:
            assert capture.format == form
            trace = trace_capture(capture, [CHIP])
        assert trace.problems == ()
        found.append(
            (trace.frames, trace.walkers[0].log.times("end").tolist(), tell(trace).telling)
        )
    assert found[0] == found[1]
    assert found[0][0] == 5


def test_what_is_no_waveform_is_one_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "cut.fst"
    path.write_bytes(b"\0\0\0\0\0\0\0\x01\x49" + bytes(40))
    monkeypatch.setitem(sys.modules, "pywellen", None)
    with pytest.raises(CaptureError, match="library that reads it is not installed"):
        open_capture(path)
    with pytest.raises(CaptureError, match="from a stream"):
        open_capture(io.BytesIO(path.read_bytes()))


# --- set-ups ------------------------------------------------------------------------------------------
def command(*arguments: str) -> tuple[int, str]:
    out = io.StringIO()
    status = main(list(arguments), Context(stdout=out, stderr=out, environ={}))
    return status, out.getvalue()


def test_one_set_up_serves_a_folder(tmp_path: Path) -> None:
    """Lines that nobody can name; what is kept beside a capture goes before what its folder says."""
    names = dict(zip(NAMES, ("a", "b", "c", "d"), strict=True))
    text = DUMP
    for name, other in names.items():
        text = text.replace(f" {name} $end", f" {other} $end")
    (tmp_path / "one.vcd").write_text(text)
    lines = "clock: a, select: b, command: c, reply: d"
    (tmp_path / "gateword.setup.yaml").write_text(f"gateword_setup: 1\nchannels: {{{lines}}}\n")
    _, said = command("capture", str(tmp_path / "one.vcd"), "--map", "quoll16", "--explain-setup")
    assert re.search(r"reply +bench\.d +given", said)
    assert "gateword.setup.yaml" in said.replace("\n", "")
    assert trace_file(tmp_path / "one.vcd", [CHIP]).walkers[0].log.sorter.believed.any()
    (tmp_path / "one.vcd.setup.yaml").write_text(
        f"gateword_setup: 1\nchannels: {{{lines}}}\nspi: {{mode: 3}}\n"
    )
    _, said = command("capture", str(tmp_path / "one.vcd"), "--map", "quoll16", "--explain-setup")
    assert re.search(r"mode +3 +as told", said)


def test_the_reading_is_shown_and_nothing_judged(tmp_path: Path) -> None:
    path = tmp_path / "bytes.csv"
    path.write_text(BYTES["packet numbers"])
    status, said = command("capture", str(path), "--map", "quoll16", "--explain-setup")
    assert status == 0
    for row in (
        r"format +bytes +by content", r"column +Time \[us\] +times, 1e-6 s", r"column +Packet ID +joins bytes to frames",
        r"column +MOSI +bytes on SDI, hexadecimal", r"frames +16 bits",
    ):  # fmt: skip
        assert re.search(row, said), said
    path.write_text(plain("[us]", "note,", "start,"))
    _, said = command("capture", str(path), "--map", "quoll16", "--explain-setup", "--mode", "2")
    assert re.search(r"column +note +left out", said)
    assert re.search(r"column +Time \[us\] +times in us", said)
    assert re.search(r"mode +2 +as told", said)
    assert re.search(r"bit order +msb first +map quoll16", said)


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
