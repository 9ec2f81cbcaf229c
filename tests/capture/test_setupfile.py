"""The set-up kept beside a capture: read, written, and every problem with its place."""

from __future__ import annotations

import contextlib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats.opening import Options
from regmap.capture.setupfile import CaptureSetup, dump_setup, load_setup, save_setup, setup_path
from regmap.capture.spi import SpiSetup
from regmap.errors import FileError

FULL = """\
format: csv
channels: {clock: D0, select: D1, command: D2, reply: "-"}
spi: {mode: 1, select: active high, bit order: lsb, frame clocks: 24, gap: 2 us, segment: gap}
thresholds: {low: 0.8 V, high: 2.0 V, lines: {sdo: {low: 500 mV, high: 1.5 V}}}
table: {delimiter: ";", decimal: ",", time unit: us}
raw: {rate: 24 MHz, sample bytes: 2, byte order: big, lines: {D0: 0, D1: 15}}
words: {bits: 24}
"""


def test_every_key(tmp_path: Path) -> None:
    path = tmp_path / "spi.csv.setup.yaml"
    assert setup_path(tmp_path / "spi.csv") == path
    path.write_text(FULL)
    setup = load_setup(path)
    assert setup.format == "csv"
    assert setup.channels == {"clock": "D0", "select": "D1", "command": "D2", "reply": "-"}
    assert setup.spi_setup() == SpiSetup(
        mode=1,
        select_active_low=False,
        bit_order="lsb",
        frame_clocks=24,
        gap=Fraction(2, 10**6),
        segment="gap",
    )
    assert setup.spi_setup(SpiSetup(both_edges=True)).both_edges
    assert setup.options == Options(
        thresholds=(0.8, 2.0),
        line_thresholds={"sdo": (0.5, 1.5)},
        delimiter=";",
        decimal=",",
        time_unit="us",
        rate=Fraction(24_000_000),
        lines={"D0": 0, "D1": 15},
        sample_bytes=2,
        byte_order="big",
        word_bits=24,
    )
    save_setup(setup, path)
    assert load_setup(path) == setup
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    path.write_text("")
    assert load_setup(path) == CaptureSetup()
    path.write_text(dump_setup(CaptureSetup()))
    assert load_setup(path) == CaptureSetup()


def test_all_problems_with_their_places(tmp_path: Path) -> None:
    path = tmp_path / "x.setup.yaml"
    path.write_text(
        "formt: vcd\n"
        "channels: {clok: D0}\n"
        "spi:\n  mode: 7\n  select: low\n  gap: 2 V\n  gap: 1 us\n"
        "thresholds: {low: 2 V, high: 1 V}\n"
        "raw: {rate: 0 Hz, lines: {a: 99}}\n"
        "words: [1]\n"
    )
    with pytest.raises(FileError) as caught:
        load_setup(path)
    said = [str(p).removeprefix(str(path)) for p in caught.value.problems]
    for part in (
        ":1:1: error: unknown key 'formt' in the set-up",
        ":2:12: error: unknown key 'clok' in channels",
        ":4:9: error: mode '7'; expected a whole number from 0 to 3",
        ":5:11: error: select 'low'",
        ":6:8: error: gap: '2 V' is a voltage",
        ":7:3: error: key 'gap' twice",
        ":8:19: error: low 2 V above high 1 V",
        ":9:13: error: rate '0 Hz'; expected more than 0",
        ":9:30: error: bit of a '99'",
        ":10:8: error: words is not a mapping",
    ):
        assert any(part in s for s in said), (part, said)
    assert "nearest: clock" in said[1]


@pytest.mark.parametrize(
    "text",
    [
        "a: [",
        "a: *b",
        "&a [*a]",
        "\x00",
        "- 1",
        "spi: {mode: {}}",
        "a: !!python/object:os.system x",
        "{" * 2000,
        "[[[[[[[[[[[[1]]]]]]]]]]]]",
        "? [a]\n: 1",
    ],
)
def test_broken_files(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x.yaml"
    path.write_text(text)
    with pytest.raises(FileError):
        load_setup(path)


def test_unreadable_and_unwritable(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read"):
        load_setup(tmp_path / "none.yaml")
    (tmp_path / "b.yaml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(FileError, match="not UTF-8"):
        load_setup(tmp_path / "b.yaml")
    with pytest.raises(FileError, match="cannot be written"):
        save_setup(CaptureSetup(), tmp_path / "no" / "x.yaml")


volts = st.integers(0, 50).map(lambda v: v / 10)
pairs = st.tuples(volts, volts).map(sorted).map(tuple)
names = st.text("abcXYZ01_", min_size=1, max_size=6)


@settings(max_examples=80, deadline=None)
@given(
    st.builds(
        CaptureSetup,
        format=st.sampled_from([None, "vcd", "csv", "raw", "words"]),
        channels=st.dictionaries(st.sampled_from(["clock", "select", "fault"]), names),
        options=st.builds(
            Options,
            thresholds=st.none() | pairs,
            line_thresholds=st.dictionaries(names, pairs),
            delimiter=st.sampled_from([None, ",", "\t", " ", "|"]),
            time_unit=st.sampled_from([None, "us"]),
            rate=st.none() | st.integers(1, 10**9).map(Fraction),
            word_bits=st.none() | st.integers(1, 64),
        ),
        spi=st.fixed_dictionaries(
            {},
            optional={
                "mode": st.integers(0, 3),
                "select_active_low": st.booleans(),
                "gap": st.integers(1, 10**6).map(lambda n: Fraction(n, 10**9)),
            },
        ),
    )
)
def test_what_is_written_reads_back(
    tmp_path_factory: pytest.TempPathFactory, setup: CaptureSetup
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.setup.yaml"
    save_setup(setup, path)
    assert load_setup(path) == setup


@settings(max_examples=120, deadline=None)
@given(st.data())
def test_no_set_up_raises_anything_else(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    text = bytearray(FULL.encode())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=3))
    path = tmp_path_factory.getbasetemp() / "fuzz.setup.yaml"
    path.write_bytes(bytes(text))
    with contextlib.suppress(FileError):
        load_setup(path)
