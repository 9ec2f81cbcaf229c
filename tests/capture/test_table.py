"""CSV in many dialects, raw samples, lists of frames, opening by content."""

from __future__ import annotations

import gzip
import io
import os
import sys
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.arrays import X, Z
from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.capture.lines.channels import find_roles
from regmap.capture.lines.signals import Signals
from regmap.capture.spi import Roles, SpiSetup, join
from regmap.capture.transfers.stream import read_transfers
from regmap.errors import CallError, CaptureError

#: more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"

WORDS = [(0x8421, 0x0000), (0x1234, 0xFFFF), (0xFFFF, 0x5A5A), (0x0001, 0x8000)]


def steps() -> list[tuple[int, int, int, int, int]]:
    """(microseconds, sclk, ncs, mosi, miso) at every change of a mode-0 bus."""
    out = [(0, 0, 1, 0, 0)]
    now = 10
    for a, b in WORDS:
        out.append((now, 0, 0, a >> 15, b >> 15))
        for k in range(15, -1, -1):
            now += 5
            out.append((now, 1, 0, a >> k & 1, b >> k & 1))
            now += 5
            n = max(k - 1, 0)
            out.append((now, 0, 0, a >> n & 1, b >> n & 1))
        now += 5
        out.append((now, 0, 1, a & 1, b & 1))
        now += 20
    return out


def check(data: bytes, said: str = "", **options: object) -> Signals:
    """The table holds the words above, whole and in small blocks, plain and packed."""
    kind = options.pop("format", None)
    for block in (64, 300, 1 << 20):
        for bytes_ in (data, gzip.compress(data)):
            with open_capture(
                io.BytesIO(bytes_),
                format=kind,
                options=OpenOptions(block=block, **options),
                name="t.csv",
            ) as c:  # type: ignore[arg-type]
                roles = find_roles(c.peek()).roles
                t, _ = read_transfers(c, SpiSetup(mode=0), roles)
                assert list(zip(t.command.tolist(), t.reply.tolist(), strict=True)) == WORDS, (
                    c.notes
                )
                assert not c.problems
                assert said in " ".join(c.notes)
                starts = [Fraction(v) for v in (10, 195, 380, 565)]
                assert [t.seconds(int(s)) * 10**6 for s in t.start] == starts
    with open_capture(io.BytesIO(data), format=kind, options=OpenOptions(**options)) as c:  # type: ignore[arg-type]
        return c.read()


def volts(level: int, k: int) -> float:
    return 3.3 * level + (0.11 if k % 2 else -0.07)


def samples() -> list[tuple[int, int, int, int, int]]:
    rows, out = steps(), []
    for (t, *v), (until, *_) in zip(rows, [*rows[1:], (rows[-1][0] + 5,)], strict=True):
        out += [(at, *v) for at in range(t, until, 5)]
    return out  # type: ignore[return-value]


# Six dialects and more; the same bus in each.
def dialect(kind: str) -> bytes:
    rows = steps()
    if kind == "comma, seconds":
        return (
            "Time [s],SCLK,nCS,MOSI,MISO\n"
            + "".join(f"{t / 1e6:.6f},{','.join(map(str, v))}\n" for t, *v in rows)
        ).encode()
    if kind == "semicolon, decimal comma, ms":
        return (
            "Zeit (ms);sck;cs;copi;cipo\r\n"
            + "".join(f"{t // 1000},{t % 1000:03d};{';'.join(map(str, v))}\r\n" for t, *v in rows)
        ).encode()
    if kind == "tab, ns, quoted, remarks":
        return (
            '# made by hand\n# nothing real\n"time_ns"\t"clk"\t"csn"\t"sdi"\t"sdo"\n'
            + "".join(f"{t * 1000}\t" + "\t".join(map(str, v)) + "\n" for t, *v in rows)
        ).encode()
    if kind == "bar, us, levels as text":
        word = {0: "low", 1: "HIGH"}
        return (
            "time us | sclk | ncs | mosi | miso\n"
            + "".join(f"{t} | " + " | ".join(word[x] for x in v) + "\n" for t, *v in rows)
        ).encode()
    if kind == "space, exponents":
        return (
            "time sclk ncs mosi miso\n"
            + "".join(f"{t * 1e-6:.9e}  " + " ".join(map(str, v)) + "\n" for t, *v in rows)
        ).encode()
    if kind == "volts with a row of units":
        return (
            "time,ch1,ch2,ch3,ch4\ns,V,V,V,V\n"
            + "".join(
                f"{t * 1e-6:+.7E}," + ",".join(f"{volts(x, k):.3E}" for x in v) + "\n"
                for k, (t, *v) in enumerate(rows)
            )
        ).encode()
    if kind == "plain volts, semicolon, comma":
        return (
            "time [us];sclk [V];ncs [V];mosi [V];miso [V]\n"
            + "".join(
                f"{t},0;" + ";".join(f"{volts(x, k):.2f}".replace(".", ",") for x in v) + "\n"
                for k, (t, *v) in enumerate(rows)
            )
        ).encode()
    if kind == "samples with a rate in a remark":
        return (
            "; a table\n# Sample rate: 200 kHz\nsclk,ncs,mosi,miso\n"
            + "".join(",".join(map(str, v)) + "\n" for _, *v in samples())
        ).encode()
    if kind == "sample numbers and a rate given":
        return (
            "sample,sclk,ncs,mosi,miso\n"
            + "".join(f"{k}," + ",".join(map(str, v)) + "\n" for k, (_, *v) in enumerate(samples()))
        ).encode()
    if kind == "only changed fields":
        last: list[object] = [None] * 4
        out = "time,sclk,ncs,mosi,miso\n"
        for t, *v in rows:
            out += (
                f"{t}e-6,"
                + ",".join(str(x) if x != y else "" for x, y in zip(v, last, strict=True))
                + "\n"
            )
            last = list(v)
        return out.encode()
    if kind == "no names":
        return "".join(f"{t}e-6," + ",".join(map(str, v)) + "\n" for t, *v in rows).encode()
    if kind == "bus in hex":
        return (
            "time us,spi\n"
            + "".join(f"{t},0x{v[0] | v[1] << 1 | v[2] << 2 | v[3] << 3:X}\n" for t, *v in rows)
        ).encode()
    raise AssertionError(kind)


@pytest.mark.parametrize(
    "kind",
    [
        "comma, seconds",
        "semicolon, decimal comma, ms",
        "tab, ns, quoted, remarks",
        "bar, us, levels as text",
        "space, exponents",
        "plain volts, semicolon, comma",
        "samples with a rate in a remark",
        "only changed fields",
    ],
)
def test_dialects_with_names(kind: str) -> None:
    check(dialect(kind))


def test_a_rate_given() -> None:
    check(dialect("sample numbers and a rate given"), rate=Fraction(200_000))


@pytest.mark.parametrize("kind", ["volts with a row of units", "no names", "bus in hex"])
def test_dialects_without_useful_names_go_by_behaviour(kind: str) -> None:
    data = dialect(kind)
    with open_capture(io.BytesIO(data), format="csv") as c:
        finding = find_roles(c.peek())
        assert (finding.roles.clock, finding.roles.select) == (0, 1)
        assert {finding.roles.command, finding.roles.reply} == {2, 3}
        assert "by behaviour" in finding.text
        t, _ = read_transfers(c, SpiSetup(mode=0), Roles(clock=0, select=1, command=2, reply=3))
        assert list(zip(t.command.tolist(), t.reply.tolist(), strict=True)) == WORDS


def test_thresholds_are_found_told_and_can_be_given() -> None:
    data = dialect("plain volts, semicolon, comma")
    check(data, "sclk: thresholds")
    check(data, thresholds=(0.8, 2.0))
    with open_capture(
        io.BytesIO(data), options=OpenOptions(line_thresholds={"sclk": (5.0, 6.0)})
    ) as c:
        assert len(c.read()["sclk"]) == 0
    ringing = b"time us,a\n0,0.0\n1,1.4\n2,1.2\n3,1.5\n4,3.3\n5,2.0\n6,2.4\n7,1.7\n8,0.2\n9,1.1\n"
    with open_capture(io.BytesIO(ringing)) as c:
        s = c.read()
        assert [
            (t // 10**6, v)
            for t, v in zip(s["a"].times.tolist(), s["a"].values.tolist(), strict=True)
        ] == [(4, 1), (8, 0)]


def test_unknown_levels_and_exact_times() -> None:
    data = b"time ns,a,b\n-5.5,0,x\n0,1,Z\n1.0000005,0,1\n1.0000006,1,0\n"
    with open_capture(io.BytesIO(data)) as c:
        s = c.read()
    assert s.tick == Fraction(1, 10**15) or s.tick == Fraction(1, 10**12)
    with open_capture(io.BytesIO(b"time ns,a,b\n-5.5,0,x\n0,1,Z\n1.005,0,1\n")) as c:
        s = c.read()
    assert s.tick == Fraction(1, 10**12)
    assert (s.start, s["a"].times.tolist()) == (-5500, [0, 1005])
    assert s["b"].values.tolist() == [Z, 1]
    assert s.initial.tolist() == [0, X]


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"time,a\n0,0\n1,1\n2,7\n3,0\n", None),
        (
            b"time,a,b\n0,0,0\n1,1,0\n2,1\n3,0,1\n",
            "t.csv:4:1: error: a row of 2 values; expected 3 as in the other rows",
        ),
        (b"time,a,b\n0,0,0\n1,1,0\n2,1,q\n3,0,1\n" * 1, None),
        (
            b"time,a,b\n" + b"0,0,0\n1,1,0\n" + b"2,1,0\n" * 450 + b"3,q,1\n",
            "'q' is no logic level; expected 0, 1, x or z",
        ),
        (b"time,a\n0,0\n" + b"2,1\n" * 450 + b"1,0\n5,1\n", "time runs backwards: 1"),
        (b"time,a\n0,0\n" + b"2,1\n" * 450 + b"4e,0\n5,1\n", "'4e' is not a time"),
    ],
)
def test_damage_is_located(data: bytes, found: str | None) -> None:
    try:
        with open_capture(io.BytesIO(data), name="t.csv", format="csv") as c:
            c.read()
            said = [str(p) for p in c.problems]
    except CaptureError as error:
        said = [str(error)]
    if found is not None:
        assert any(found in s for s in said), said
        assert any(s.startswith("t.csv:") for s in said)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "is empty"),
        (b"   \n\n", "holds no text"),
        (b"sclk,ncs\n0,1\n1,0\n1,1\n0,1\n1,0\n", "no column of times"),
        (b"hello world\nthis is prose\n", "no table"),
        (b"\x00\x01\x02\x03" * 100, "binary data of no known format"),
    ],
)
def test_what_is_no_capture(data: bytes, found: str) -> None:
    with pytest.raises(CaptureError, match=found):
        open_capture(io.BytesIO(data), name="x")


def test_calls_that_cannot_be() -> None:
    with pytest.raises(CallError, match="nearest: csv"):
        open_capture(io.BytesIO(b"x"), format="cvs")
    with pytest.raises(CaptureError, match="cannot be opened"):
        open_capture("/nowhere/at/all.vcd")
    with pytest.raises(CaptureError, match="is a folder"):
        open_capture("/")
    with pytest.raises(CallError, match="binary"):
        open_capture(io.StringIO("x"))  # type: ignore[arg-type]


def test_standard_input(monkeypatch: pytest.MonkeyPatch) -> None:
    class Stdin:
        buffer = io.BytesIO(gzip.compress(dialect("comma, seconds")))

    monkeypatch.setattr(sys, "stdin", Stdin())
    with open_capture("-") as c:
        assert c.name == "stdin"
        assert len(c.read()["SCLK"]) == 128


def test_the_vectorised_and_the_patient_way_agree() -> None:
    """Remarks and quotation marks force the row-by-row way; the result is the same."""
    rng = np.random.default_rng(4)
    rows = [f"{k * 7},{a},{b}" for k, (a, b) in enumerate(rng.integers(0, 2, (3000, 2)).tolist())]
    plain = ("time us,a,b\n" + "\n".join(rows) + "\n").encode()
    rough = (
        "time us,a,b\n"
        + "\n".join(
            f'"{r.split(",")[0]}", {r.split(",")[1]} ,{r.split(",")[2]}\n# remark\n' for r in rows
        )
        + "\n"
    ).encode()
    found = []
    for data in (plain, rough):
        for block in (100, 1 << 20):
            with open_capture(io.BytesIO(data), options=OpenOptions(block=block)) as c:
                s = c.read()
                assert not c.problems
                found.append([(e.times.tolist(), e.values.tolist()) for e in s.edges])
    assert all(f == found[0] for f in found)
    assert len(found[0][0][0]) > 1000


@settings(max_examples=120 if EVERY else 24, derandomize=not EVERY, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**6), st.integers(0, 9999), st.integers(0, 1), st.sampled_from("01xz")
        ),
        min_size=2,
        max_size=40,
    ),
    st.integers(64, 200),
)
def test_values_against_a_plain_reader(rows: list[tuple[int, int, int, str]], block: int) -> None:
    rows = sorted(rows)
    data = "time ms,a,b\n" + "".join(f"{t}.{f:04d},{a},{b}\n" for t, f, a, b in rows)
    with open_capture(
        io.BytesIO(data.encode()), format="csv", options=OpenOptions(block=block)
    ) as c:
        s = c.read()
        assert not c.problems
    last = {t * 10**9 + f * 10**5: (a, b) for t, f, a, b in rows}
    for at, (a, b) in last.items():
        assert s.value_at("a", at) == a
        assert "01xz"[s.value_at("b", at)] == b
    assert s.end == max(last)


@settings(max_examples=150 if EVERY else 30, derandomize=not EVERY, deadline=None)
@given(st.data())
def test_no_table_raises_anything_but_a_capture_error(data: st.DataObject) -> None:
    kinds = [
        "comma, seconds",
        "semicolon, decimal comma, ms",
        "volts with a row of units",
        "bus in hex",
        "space, exponents",
    ]
    text = bytearray(dialect(data.draw(st.sampled_from(kinds)))[: data.draw(st.integers(1, 700))])
    for _ in range(data.draw(st.integers(0, 6))):
        at = data.draw(st.integers(0, max(0, len(text) - 1)))
        text[at : at + data.draw(st.integers(0, 3))] = data.draw(
            st.binary(max_size=4) | st.sampled_from([b"\n", b",", b"e9", b"-", b'"', b";"])
        )
    try:
        with open_capture(io.BytesIO(bytes(text)), options=OpenOptions(block=64)) as c:
            if c.kind == "frames":
                list(c.frame_transfers())
            else:
                s = c.read()
                for e in s.edges:
                    assert (np.diff(e.times) > 0).all()
    except CaptureError:
        pass


@settings(max_examples=150 if EVERY else 30, derandomize=not EVERY, deadline=None)
@given(st.binary(max_size=400), st.sampled_from([None, "vcd", "csv", "frames"]))
def test_random_bytes_in_any_format(data: bytes, kind: str | None) -> None:
    try:
        with open_capture(io.BytesIO(data), format=kind) as c:
            if c.kind == "frames":
                list(c.frame_transfers())
            else:
                c.read()
    except CaptureError:
        pass


# -- raw samples -------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 2, 4, 8])
@pytest.mark.parametrize("order", ["little", "big"])
def test_raw_samples(size: int, order: str) -> None:
    shift = 8 * size - 4
    rows = [(v[0] << shift | v[1] << 1 | v[2] << 2 | v[3] << 3) for _, *v in samples()]
    data = b"".join(r.to_bytes(size, order) for r in rows)  # type: ignore[arg-type]
    lines = {"sclk": shift, "ncs": 1, "mosi": 2, "miso": 3}
    check(data, rate=Fraction(200_000), lines=lines, sample_bytes=size, byte_order=order)
    cut = data + b"\x01" * (size - 1)
    with open_capture(
        io.BytesIO(cut), options=OpenOptions(rate=Fraction(1), lines=lines, sample_bytes=size)
    ) as c:
        c.read()
        assert bool(c.problems) == (size > 1)


def test_raw_samples_need_a_rate_and_a_map() -> None:
    for options, found in (
        (OpenOptions(rate=Fraction(0), lines={"a": 0}), "sample rate"),
        (OpenOptions(rate=Fraction(1), lines={"a": 9}), "is bit 9"),
        (OpenOptions(rate=Fraction(1), lines={"a": 1, "b": 1}), "both bit 1"),
        (OpenOptions(rate=Fraction(1), lines={"a": 1}, sample_bytes=3), "3 bytes"),
    ):
        with pytest.raises(CallError, match=found):
            open_capture(io.BytesIO(b"\x00\x01"), format="raw", options=options)


# -- words -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "8421 0000\n1234 FFFF\nffff 5a5a\n0001 8000\n",
        "0x8421,0x0000\r\n0x1234,0xFFFF\r\n0xffff,0x5a5a\r\n0x0001,0x8000\r\n",
        "# command; reply\n\n8421h;0000h\n1234h;FFFFh\nFFFFh;5A5Ah\n0001h;8000h",
        "time us, command, reply\n1.5, 0x8421, 0x0000\n2, 0x1234, 0xffff  # remark\n2, 0xffff, 0x5a5a\n7, 0x0001, 0x8000\n",
        "1.5us 8421 0000\n2us 1234 ffff\n2.0us ffff 5a5a\n0.007ms 0001 8000\n",
    ],
)
def test_lists_of_words(text: str) -> None:
    for data in (text.encode(), gzip.compress(text.encode())):
        with open_capture(io.BytesIO(data), name="w.txt") as c:
            assert (c.format, c.kind) == ("frames", "frames")
            t = join(c.frame_transfers())
            assert t is not None
            assert not c.problems
        assert list(zip(t.command.tolist(), t.reply.tolist(), strict=True)) == WORDS
        assert t.clocks.tolist() == [16] * 4
        assert t.number.tolist() == [0, 1, 2, 3]
        if "1.5" in text:
            assert [t.seconds(int(x)) * 10**6 for x in t.start] == [Fraction(3, 2), 2, 2, 7]
        else:
            assert "no times" in c.notes[0]


def test_one_column_wide_words_and_bits() -> None:
    with open_capture(io.BytesIO(b"0123456789abcdef0123456789abcdef\n" * 3)) as c:
        t = join(c.frame_transfers())
        assert t is not None
        assert t.value(1, "command") == 0x0123456789ABCDEF0123456789ABCDEF
        assert not len(t.reply_values)
    with open_capture(
        io.BytesIO(b"0x5\n0x1FF\n"), options=OpenOptions(frame_bits=9), format="frames"
    ) as c:
        t = join(c.frame_transfers())
        assert t is not None
        assert (t.clocks.tolist(), t.command.tolist()) == ([9, 9], [5, 0x1FF])
    with open_capture(
        io.BytesIO(b"8001\n0002\n"), options=OpenOptions(setup=SpiSetup(bit_order="lsb"))
    ) as c:
        t = join(c.frame_transfers())
        assert t is not None
        assert t.command.tolist() == [0x8001, 2]


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (
            b"8001 0000\n8002\n8003 0001\n",
            "w.txt:2:1: error: 1 columns; expected 2 as in the other lines",
        ),
        (b"8001 0000\n80q2 0000\n", "w.txt:2:1: error: '80q2' is no hex frame"),
        (b"8001 0000\n8002 00000\n", "differ in length"),
        (b"0x8001 0x0000\n1 2 3 4\n", "4 columns"),
        (b"time,command\n1.0,8001\n0.5,8001\n", "w.txt:3:1: error: time runs backwards: 0.5"),
    ],
)
def test_damaged_lists_are_located(data: bytes, found: str) -> None:
    with open_capture(io.BytesIO(data), name="w.txt", format="frames") as c:
        parts = list(c.frame_transfers())
        assert sum(map(len, parts)) >= 1
        assert any(found in str(p) for p in c.problems), c.problems


def test_a_list_without_words() -> None:
    with (
        open_capture(io.BytesIO(b"# nothing\n"), format="frames", name="w") as c,
        pytest.raises(CaptureError, match="no frame in the list"),
    ):
        list(c.frame_transfers())
    with (
        open_capture(io.BytesIO(b"8001\n"), name="w") as c,
        pytest.raises(CallError, match="list of frames"),
    ):
        c.read()


def test_a_column_that_is_empty_for_a_whole_block_keeps_its_value() -> None:
    rows = "".join(
        f"{k},{k & 1},{'3.30' if k in (1, 2) else '0.00' if k == 0 else ''}\n" for k in range(200)
    )
    for block in (64, 1 << 20):
        with open_capture(
            io.BytesIO(("time us,a,b\n" + rows).encode()), options=OpenOptions(block=block)
        ) as c:
            s = c.read()
            assert not c.problems
            assert len(s["a"]) == 199
            assert s["b"].values.tolist() == [1]


def test_a_cut_table_says_where_it_ended() -> None:
    rows = "".join(f"{k},{k & 1},0\n" for k in range(5000))
    data = ("time us,a,b\n" + rows).encode()
    packed = gzip.compress(data)
    with open_capture(io.BytesIO(packed[: len(packed) // 2]), name="t.csv") as c:
        s = c.read()
        assert 500 < len(s["a"]) < 4999
        assert "the compressed data end early" in str(c.problems[-1])
    with open_capture(io.BytesIO(data[:-3]), name="t.csv") as c:
        s = c.read()
        assert len(s["a"]) == 4998
        assert f"byte {len(data) - 3}, line 5001" in str(c.problems[-1])
        assert "its last row is not complete" in str(c.problems[-1])


@pytest.mark.parametrize("mark", [",", ";", "\t", " | "])
def test_tables_of_events(mark: str) -> None:
    last: list[object] = [None] * 4
    rows = []
    for t, *v in steps():
        for name, x, y in zip(
            ("ncs", "mosi", "miso", "sclk"), (v[1], v[2], v[3], v[0]), last, strict=True
        ):
            if x != y:
                rows.append(mark.join((f"{t}.0", name, str(x))))
        last = [v[1], v[2], v[3], v[0]]
    check(
        (mark.join(("time us", "line", "level")) + "\n" + "\n".join(rows) + "\n").encode(),
        "a table of events of 4 lines",
    )
    bad = (
        "time us,line,level\n"
        + "\n".join(f"{k},a,{k & 1}" for k in range(9000))
        + "\n9001,b,1\n9002,a,9\n"
    ).encode()
    with open_capture(io.BytesIO(bad), name="t.csv") as c:
        assert len(c.read()["a"]) >= 8999
        assert "t.csv:9002:6: error: no line 'b' at the start of the table" in str(c.problems[0])
        assert "'9' is no logic level" in str(c.problems[1])


def test_a_byte_order_mark() -> None:
    for head in ("time us,a\n", ""):
        with open_capture(io.BytesIO(("\ufeff" + head + "0,0\n1.5,1\n2.5,0\n").encode())) as c:
            assert c.read().edges[0].values.tolist() == [1, 0]
            assert not c.problems
