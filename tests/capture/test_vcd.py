"""Value change dumps: the standard's example, other writers, a plain reference reader, damage."""

from __future__ import annotations

import gzip
import io
import os
import re
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import vcd as pyvcd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.capture.arrays import HIGH, LOW, X, Z
from regmap.capture.formats.opening import open_capture
from regmap.capture.formats.source import CaptureSource
from regmap.capture.formats.vcd import VcdCapture
from regmap.capture.formats.vcdhead import HeaderReader
from regmap.capture.lines.signals import Signals
from regmap.errors import CaptureError

#: more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"

HEAD = (
    b"$timescale 1 ns $end\n$scope module m $end\n"
    b'$var wire 1 ! a $end\n$var wire 1 " b $end\n$var wire 4 # v [3:0] $end\n'
    b"$var wire 1 %% c $end\n$upscope $end\n$enddefinitions $end\n"
)

# IEEE 1364-2005, chapter 18: the facts of the standard's own example of a four-state dump
# (identifiers, values and times as printed there; layout retold).
STANDARD = rb"""$date June 26, 1989 10:05:41 $end
$version VERILOG-SIMULATOR 1.0a $end
$timescale 1 ns $end
$scope module top $end
$scope module m1 $end
$var trireg 1 *@ net1 $end
$var trireg 1 *# net2 $end
$var trireg 1 *$ net3 $end
$upscope $end
$scope task t1 $end
$var reg 32 (k accumulator[31:0] $end
$var integer 32 {2 index $end
$upscope $end
$upscope $end
$enddefinitions $end
$comment
Note: $dumpvars was executed at time '#500'.
All initial values are dumped at this time.
$end
#500
$dumpvars
x*@
x*#
x*$
bx (k
bx {2
$end
#505
0*@
1*#
1*$
b10zx1110x11100 (k
b1111000101z01x {2
#510
0*$
#520
1*$
#530
0*$
bz (k
#535
$dumpall 0*@ 1*# 0*$
bz (k
b1111000101z01x {2
$end
#540
1*$
#1000
$dumpoff
x*@
x*#
x*$
bx (k
bx {2
$end
#2000
$dumpon
z*@
1*#
0*$
b0 (k
bx {2
$end
#2010
1*$
#2020
0*$
"""


def read(data: bytes, block: int = 1 << 20) -> Signals:
    with VcdCapture(CaptureSource(io.BytesIO(data), "t.vcd"), block=block) as capture:
        signals = capture.read()
        return Signals(
            **{n: getattr(signals, n) for n in signals.__slots__ if n not in ("notes", "problems")},
            notes=capture.notes,
            problems=capture.problems,
        )


def changes(signals: Signals, name: str) -> list[tuple[int, int]]:
    edges = signals[name]
    return list(zip(edges.times.tolist(), edges.values.tolist(), strict=True))


@pytest.mark.parametrize("block", [64, 97, 1 << 20])
@pytest.mark.parametrize("ends", [b"\n", b"\r\n", b" \t\n\n"])
def test_the_standards_example(block: int, ends: bytes) -> None:
    s = read(STANDARD.replace(b"\n", ends), block)
    assert not s.problems
    assert s.tick == Fraction(1, 10**9)
    assert (s.start, s.end) == (500, 2020)
    assert len(s.channels) == 3 + 64
    assert changes(s, "top.m1.net1") == [(505, LOW), (1000, X), (2000, Z)]
    assert changes(s, "net2") == [(505, HIGH), (1000, X), (2000, HIGH)]
    assert changes(s, "net3") == [
        (505, 1),
        (510, 0),
        (520, 1),
        (530, 0),
        (540, 1),
        (1000, X),
        (2000, 0),
        (2010, 1),
        (2020, 0),
    ]
    acc, index = "top.t1.accumulator", "top.t1.index"
    assert s.bus_at(acc, 500) == "x" * 32
    assert s.bus_at(acc, 505) == "0" * 18 + "10zx1110x11100"
    assert s.bus_at(index, 505) == "0" * 18 + "1111000101z01x"
    assert (
        s.bus_at(acc, 530) == "z" * 32
    )  # a short z extends with z, a short x with x (from memory)
    assert s.bus_at(acc, 1500) == "x" * 32
    assert s.bus_at(acc, 2000) == "0" * 32
    assert s.bus_at(index, 2020) == "x" * 32


def body(text: bytes) -> bytes:
    return HEAD.replace(b"%%", b"%") + text


# The holes of a throw-away reader, one by one.
@pytest.mark.parametrize("block", [64, 70, 81, 1 << 16])
def test_a_vector_whose_code_is_a_hash_or_looks_like_anything(block: int) -> None:
    head = (
        b"$timescale 1 ns $end\n$var wire 4 # v $end $var wire 2 $ w $end $var wire 2 b1 x $end "
        b"$var wire 2 0! y $end $var wire 2 #5 q $end $enddefinitions $end\n"
    )
    data = (
        head
        + b"#0\nb0000 #\nb00 $\nb00 b1\nb00 0!\nb0 #5\n#5\nb1010 #\nb11 $\nb10 b1\nb1 0!\nb11 #5\n#9\nb1 #\n"
    )
    s = read(data, block)
    assert not s.problems
    assert s.bus_at("v", 5) == "1010"
    assert s.bus_at("v", 9) == "0001"
    assert [s.bus_at(n, 9) for n in "wxyq"] == ["11", "10", "01", "11"]
    assert s.end == 9


@pytest.mark.parametrize("block", [64, 70, 1 << 16])
def test_text_in_a_comment_is_not_data(block: int) -> None:
    s = read(
        body(
            b"#0\n0!\n$comment #7 1! b1010 # $dumpvars\n 0! $end\n#10\n1!\n$comment b1 $end 0! #12 $comment x $end\n"
        ),
        block,
    )
    assert not s.problems
    assert changes(s, "a") == []  # 1 and 0 at the same instant, after 0
    assert s.end == 12


def test_several_values_at_one_instant_leave_the_last() -> None:
    s = read(body(b"#0 0! #5 1! 0! 1! #6 1! 0! 1! #7 0! 1! 0!\n"))
    assert changes(s, "a") == [(5, 1), (7, 0)]
    assert any("no width" in n for n in s.notes)


def test_the_same_time_told_twice_is_one_instant() -> None:
    for block in (64, 1 << 16):
        s = read(
            body(b"#0\n0!\n#5\n1!\n#5\n0!\n#5\n1!\n#6\n0!\n" + b"#9\n1!\n#9\n0!\n" * 20), block
        )
        assert not s.problems
        assert changes(s, "a") == [(5, 1), (6, 0)]


def test_time_running_backwards_is_located_and_ends_the_reading() -> None:
    for block in (64, 1 << 16):
        s = read(body(b"#0\n0!\n#10\n1!\n#20\n0!\n#15\n1!\n#30\n0!\n"), block)
        assert changes(s, "a") == [(10, 1), (20, 0)]
        first = s.problems[0]
        assert "t.vcd:15:1: error: time runs backwards: #15 after #20" in str(first)
        assert first.place.text == "#15"
        assert "reading stops at byte" in str(s.problems[1])
        assert s.end == 20


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (b"#0\n0!\n#1x\n1!\n", "'#1x' is not a time"),
        (b"#0\n0!\n#\n1!\n", "'#' is not a time"),
        (b"#0\n0!\n#12345678901234567890\n1!\n", "too large"),
        (b"#0\n0!\n#5\n1?\n", "'1?': its code is not declared"),
        (b"#0\n0!\n#5\n1\n0!\n", "'1' has no code"),
        (b"#0\n0!\n#5\nq!\n", "'q!' is neither a time nor a change"),
        (b"#0\n0!\n#5\nb12 #\n", "'b12' is not a vector"),
        (b"#0\n0!\n#5\nb11111 #\n", "5 digits for m.v"),
        (b"#0\n0!\n#5\nb1 ?\n", "code '?' is not declared"),
        (b"#0\n0!\n#5\n$var wire 1 z z $end\n1!\n", "$var after $enddefinitions"),
    ],
)
def test_damage_is_located(text: bytes, found: str) -> None:
    s = read(body(text))
    assert any(found in str(p) and p.place.line >= 11 for p in s.problems), s.problems


@pytest.mark.parametrize(
    ("head", "found"),
    [
        (b"", "ends in its declarations"),
        (b"$timescale 1 ns $end\n$var wire 1 ! a $end\n", "ends in its declarations"),
        (b"\x00\x01\x02 binary \xff", "among the declarations"),
        (b"$var port 1 <0 a $end $enddefinitions $end", "extended dump"),
    ],
)
def test_unusable_declarations(head: bytes, found: str) -> None:
    with pytest.raises(CaptureError, match=found):
        read(head)


def test_timescales() -> None:
    for factor in (1, 10, 100):
        for unit, power in (("s", 0), ("ms", -3), ("us", -6), ("ns", -9), ("ps", -12), ("fs", -15)):
            for text in (f"{factor}{unit}", f"{factor} {unit}", f"\n\t{factor}\n{unit}\n"):
                data = f"$timescale {text} $end $var wire 1 ! a $end $enddefinitions $end #0 0! #3 1!\n"
                assert read(data.encode()).tick == factor * Fraction(10) ** power
    s = read(b"$timescale 3 ns $end $var wire 1 ! a $end $enddefinitions $end #0 0!\n")
    assert s.tick == Fraction(3, 10**9)
    assert "time scale 3ns" in str(s.problems[0])
    s = read(b"$timescale 1 lightyear $end $var wire 1 ! a $end $enddefinitions $end #0 0!\n")
    assert "1lightyear" in str(s.problems[0])


def test_aliases_and_duplicates() -> None:
    s = read(
        b"$timescale 1 ns $end $scope module t $end $var wire 1 ! clk $end $scope module u $end "
        b"$var wire 1 ! sclk $end $var wire 1 !a clk $end $upscope $end $var wire 1 # clk $end $upscope $end "
        b"$enddefinitions $end #0 0! 1!a 0# #4 1! #5 0!a\n"
    )
    assert s.find("t.u.sclk").index == s.find("sclk").index
    assert [c.name for c in s.channels] == ["t.clk", "t.u.clk", "t.clk"]
    assert s.channels[0].aliases == ("t.u.sclk",)
    assert "declared twice" in str(s.problems[0])
    assert changes(s, "t.u.clk") == [(5, 0)]


def test_reals_become_levels_with_hysteresis() -> None:
    s = read(
        b"$timescale 1 us $end $var real 64 ! volts $end $var wire 1 a d $end $enddefinitions $end\n"
        b"#0 r0.1 ! 0a #1 r1.6 ! #2 r3.3 ! 1a #3 r1.7 ! #4 r2.9e0 ! #5 r0 ! #6 r-1e-3 ! #7 rnope !\n"
    )
    assert changes(s, "volts") == [(2, 1), (5, 0), (7, X)]
    assert changes(s, "d") == [(2, 1)]
    assert "'nope' is not a real number" in str(s.problems[0])
    assert "thresholds" in s.notes[0]


def test_long_codes_and_times() -> None:
    codes = ["!" * n for n in range(1, 14)]
    head = (
        "$timescale 1 fs $end "
        + " ".join(f"$var wire 1 {c} n{len(c)} $end" for c in codes)
        + " $enddefinitions $end\n"
    )
    rng = np.random.default_rng(3)
    now, text, want = 0, ["#0"] + [f"0{c}" for c in codes], {len(c): [] for c in codes}
    level = dict.fromkeys(want, 0)
    for step in range(600):
        now += int(rng.integers(1, 10 ** int(1 + step // 40)))
        k = int(rng.integers(1, 14))
        level[k] ^= 1
        text += [f"#{now}", f"{level[k]}{'!' * k}"]
        want[k].append((now, level[k]))
    assert 10**15 < now < 10**18
    data = (head + "\n".join(text) + "\n").encode()
    for block in (64, 333, 1 << 20):
        s = read(data, block)
        assert not s.problems
        assert {k: changes(s, f"n{k}") for k in want} == want


# -- a plain reader over tokens as the oracle --------------------------------------------------


def reference(data: bytes) -> dict[str, list[tuple[int, str]]]:
    """Every value of every name by time, the simple way; only for well-formed dumps."""
    head, rest = re.split(rb"\$enddefinitions\s+\$end", data, maxsplit=1)
    names = {
        m[2]: (m[3].decode(), int(m[1]))
        for m in re.finditer(rb"\$var\s+\S+\s+(\d+)\s+(\S+)\s+(\S+)", head)
    }
    tokens, now, found = iter(rest.split()), 0, {}
    for token in tokens:
        if token == b"$comment":
            while next(tokens) != b"$end":
                pass
        elif token[:1] == b"#":
            now = int(token[1:])
        elif token[:1] in b"bB":
            name, width = names[next(tokens)]
            text = token[1:].decode().lower()
            fill = "0" if text[0] == "1" else text[0]
            found.setdefault(name, []).append((now, text.rjust(width, fill)))
        elif token[:1] in b"01xXzZ":
            name, _ = names[token[1:]]
            found.setdefault(name, []).append((now, token[:1].decode().lower()))
    return found


def as_reference(s: Signals, found: dict[str, list[tuple[int, str]]]) -> None:
    for name, values in found.items():
        last = dict(values)
        for t, v in last.items():
            got = s.bus_at(name, t) if len(v) > 1 else "01xz"[s.value_at(name, t)]
            assert got == v, (name, t)


WIDTHS = {"a": 1, "b": 1, "v": 4, "w": 9}
CODES = {"a": "!", "b": "#!", "v": "$", "w": "b0"}


@st.composite
def dumps(draw: st.DrawFn) -> bytes:
    out = (
        ["$timescale 1 ns $end"]
        + [f"$var wire {w} {CODES[n]} {n} $end" for n, w in WIDTHS.items()]
        + ["$enddefinitions $end"]
    )
    now = 0
    for _ in range(draw(st.integers(1, 25))):
        now += draw(st.integers(0, 10**9) | st.integers(0, 3))
        out.append(f"#{now}")
        for _ in range(draw(st.integers(0, 4))):
            name = draw(st.sampled_from(list(WIDTHS)))
            width = WIDTHS[name]
            text = draw(st.text("01xzXZ", min_size=1, max_size=width))
            out.append(
                f"{text}{CODES[name]}"
                if width == 1
                else f"{draw(st.sampled_from('bB'))}{text} {CODES[name]}"
            )
        if draw(st.integers(0, 9)) == 0:
            out.append("$comment #1 b1 1! # $end")
        if draw(st.integers(0, 9)) == 0:
            out.append(draw(st.sampled_from(["$dumpall", "$dumpoff", "$end"])))
    gap = draw(st.sampled_from(["\n", "\r\n", " ", "\n\n \t"]))
    return (gap.join(out) + "\n").encode()


@settings(max_examples=150 if EVERY else 30, derandomize=not EVERY, deadline=None)
@given(dumps(), st.integers(64, 400))
def test_against_the_plain_reader_whatever_the_block(data: bytes, block: int) -> None:
    found = reference(data)
    one, many = read(data), read(data, block)
    assert not one.problems
    as_reference(one, found)
    assert (one.start, one.end) == (many.start, many.end)
    assert (one.initial == many.initial).all()
    for a, b in zip(one.edges, many.edges, strict=True):
        assert a.times.tolist() == b.times.tolist()
        assert a.values.tolist() == b.values.tolist()


@settings(
    max_examples=200 if EVERY else 40,
    derandomize=not EVERY,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
@given(st.data())
def test_no_damage_raises_anything_but_a_capture_error(data: st.DataObject) -> None:
    text = bytearray(
        data.draw(st.sampled_from([STANDARD, body(b"#0\n0!\n#5\n1!\nb01 #\n#7\n0!\n")]))
    )
    for _ in range(data.draw(st.integers(1, 8))):
        if not text:
            break
        at = data.draw(st.integers(0, len(text) - 1))
        how = data.draw(st.integers(0, 3))
        if how == 0:
            text[at] = data.draw(st.integers(0, 255))
        elif how == 1:
            del text[at : at + data.draw(st.integers(1, 40))]
        elif how == 2:
            text[at:at] = data.draw(
                st.binary(max_size=12)
                | st.sampled_from([b"$comment ", b" $end ", b"#", b"b", b" r1 "])
            )
        else:
            text = text[: max(1, at)]
    try:
        s = read(bytes(text), data.draw(st.sampled_from([64, 128, 1 << 16])))
    except CaptureError:
        return
    for edges in s.edges:
        assert (np.diff(edges.times) > 0).all()
        if len(edges):
            assert s.start < edges.times[0]
            assert edges.times[-1] <= s.end


@settings(max_examples=100 if EVERY else 20, derandomize=not EVERY, deadline=None)
@given(st.binary(max_size=300))
def test_random_bytes_behind_good_declarations(junk: bytes) -> None:
    read(body(b"#0\n0!\n") + junk, 64)


# -- cuts and compression ----------------------------------------------------------------------


def long_dump(changes_: int = 4000) -> bytes:
    lines = [b"#%d\n%d!" % (k * 10, k & 1) for k in range(changes_)]
    return body(b"\n".join(lines) + b"\n")


def test_gz_and_a_cut_gz_yield_all_before_the_cut() -> None:
    plain = long_dump()
    whole = read(plain)
    packed = gzip.compress(plain)
    assert read(packed)["a"].times.tolist() == whole["a"].times.tolist()
    two = gzip.compress(plain[:5000]) + gzip.compress(plain[5000:])
    assert read(two)["a"].times.tolist() == whole["a"].times.tolist()
    assert not read(packed + b"\x00" * 64).problems
    cut = read(packed[: len(packed) // 2])
    times = cut["a"].times
    assert 100 < len(times) < 4000
    assert times.tolist() == whole["a"].times[: len(times)].tolist()
    text = str(cut.problems[-1])
    assert re.search(
        r"the capture ends at byte \d+, line \d+, t = .*the compressed data end early", text
    )
    assert cut.problems[-1].place.line > 100
    broken = bytearray(packed)
    broken[len(packed) // 2 : len(packed) // 2 + 30] = b"\xff" * 30
    damaged = read(bytes(broken))
    assert len(damaged["a"]) > 100
    assert damaged.problems


@pytest.mark.parametrize(
    ("tail", "found"),
    [
        (b"#12345", ""),
        (b"#40000\n1", "cut at byte .* a value without its code"),
        (b"#40000\n0", "cut at byte .* a value without its code"),
        (b"#40000\nx", "cut at byte .* a value without its code"),
        (b"#40000\nb10", "a value without its code"),
        (b"#4", "not complete"),
        (b"#40000\n$comment half", "inside a section"),
    ],
)
def test_a_cut_file_says_where_it_ended(tail: bytes, found: str) -> None:
    data = long_dump(4000) + tail
    s = read(data)
    assert len(s["a"]) >= 3998
    said = " ".join(map(str, s.problems)) + " ".join(s.notes)
    assert re.search(found, said), said
    assert f"byte {len(data)}" in said or "backwards" in said


def test_a_stream_without_readinto_that_gives_little_at_a_time() -> None:
    class Slow:
        name = "slow"

        def __init__(self, data: bytes) -> None:
            self.data = io.BytesIO(data)

        def read(self, size: int) -> bytes:
            return self.data.read(min(size, 7))

    with VcdCapture(CaptureSource(Slow(STANDARD), "slow")) as capture:
        assert capture.read().end == 2020


# -- other writers -----------------------------------------------------------------------------


def test_a_dump_of_a_general_python_writer() -> None:
    """pyvcd writes, we read: a second, independent writer."""
    out = io.StringIO()
    rng = np.random.default_rng(5)
    want: dict[str, list[tuple[int, int]]] = {"clk": [], "cs": []}
    with pyvcd.VCDWriter(out, timescale="10 ns", date="today", comment="#5 b1 !") as writer:
        clk = writer.register_var("top.spi", "clk", "wire", size=1, init=0)
        cs = writer.register_var("top.spi", "cs", "wire", size=1, init=1)
        bus = writer.register_var("top", "bus", "reg", size=12, init=0)
        volts = writer.register_var("top", "volts", "real", init=0.0)
        level, words = {"clk": 0, "cs": 1}, []
        for now in range(3, 3000, 7):
            level["clk"] ^= 1
            writer.change(clk, now, level["clk"])
            want["clk"].append((now, level["clk"]))
            if rng.random() < 0.1:
                level["cs"] ^= 1
                writer.change(cs, now, level["cs"])
                want["cs"].append((now, level["cs"]))
            word = int(rng.integers(0, 4096))
            writer.change(bus, now, word)
            writer.change(volts, now, float(level["clk"]) * 3.3)
            words.append((now, word))
    for block in (200, 1 << 20):
        s = read(out.getvalue().encode(), block)
        assert not s.problems
        assert s.tick == Fraction(1, 10**8)
        assert changes(s, "clk") == want["clk"]
        assert changes(s, "cs") == want["cs"]
        assert changes(s, "volts") == want["clk"]
        assert all(s.bus_at("top.bus", t) == f"{w:012b}" for t, w in words)


VERILOG = """
`timescale 1ns/1ps
module bench;
  reg sclk = 0, ncs = 1, mosi = 0; wire miso; reg [15:0] shift; reg [23:0] word; integer i, k; real temp = 1.5;
  assign miso = ncs ? 1'bz : shift[15];
  initial begin
    $dumpfile("FILE"); $dumpvars(0, bench);
    for (k = 0; k < 20; k = k + 1) begin
      word = 16'h8421 ^ (k * 257); shift = ~word[15:0]; #100 ncs = 0; mosi = word[15]; #60;
      for (i = 15; i >= 0; i = i - 1) begin
        #50 sclk = 1; #50 sclk = 0; shift = shift << 1; if (i > 0) mosi = word[i-1];
      end
      #60 ncs = 1; temp = temp + 0.5;
      if (k == 9) begin $dumpoff; #500 $dumpon; end
    end
    $finish;
  end
endmodule
"""


def test_a_dump_of_a_verilog_simulator(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    from regmap.capture.spi import Roles, SpiSetup
    from regmap.capture.transfers.stream import read_transfers

    compiler, runner = need_tool("iverilog"), need_tool("vvp")
    target = tmp_path / "spi.vcd"
    (tmp_path / "bench.v").write_text(VERILOG.replace("FILE", target.as_posix()))
    subprocess.run([compiler, "-o", str(tmp_path / "b"), str(tmp_path / "bench.v")], check=True)
    subprocess.run([runner, str(tmp_path / "b")], check=True, capture_output=True)
    data = target.read_bytes()
    as_reference(
        read(data), {n: v for n, v in reference(data).items() if n not in ("i", "k", "temp")}
    )
    for block in (512, 1 << 20):
        with VcdCapture(CaptureSource.open(target), block=block) as capture:
            roles = Roles(
                **{
                    r: capture.find(f"bench.{n}").index
                    for r, n in (
                        ("clock", "sclk"),
                        ("select", "ncs"),
                        ("command", "mosi"),
                        ("reply", "miso"),
                    )
                }
            )
            transfers, _ = read_transfers(capture, SpiSetup(mode=0), roles)
            assert not capture.problems
        words = [0x8421 ^ (k * 257) for k in range(20)]
        assert transfers.clocks.tolist() == [16] * 20
        assert transfers.command.tolist() == words
        assert transfers.reply.tolist() == [~w & 0xFFFF for w in words]


def test_declarations_are_parsed_once_however_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """A packed dump of few bytes may hold a comment without end: it is not parsed again and again."""
    calls: list[int] = []
    parse = HeaderReader._parse

    def counting(self: HeaderReader, *, final: bool) -> object:
        calls.append(len(self.data))
        return parse(self, final=final)

    monkeypatch.setattr(HeaderReader, "_parse", counting)
    head = b"$comment " + b"a " * (1 << 20) + b"$end\n$timescale 1 ns $end\n$var wire 1 ! a $end\n"
    with open_capture(io.BytesIO(head + b"$enddefinitions $end\n#0\n0!\n"), name="long") as capture:
        assert [c.name for c in capture.channels] == ["a"]
    assert len(calls) == 1
