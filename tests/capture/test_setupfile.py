"""The set-up kept beside a capture: read, written, and every problem with its place."""

from __future__ import annotations

import contextlib
import os
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats.opening import OpenOptions
from regmap.capture.setupfile import (
    CaptureSetup,
    dump_setup,
    json_schema,
    load_setup,
    save_setup,
    setup_path,
)
from regmap.capture.spi import SpiSetup
from regmap.errors import FileError

#: more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"

FULL = """\
gateword_setup: 1
format: csv
channels: {clock: D0, select: D1, command: D2, reply: "-"}
spi: {mode: 1, select: active_high, bit_order: lsb_first, frame_clocks: 24, gap: 2 us, segment: gap}
thresholds: {low: 0.8 V, high: 2.0 V, lines: {sdo: {low: 500 mV, high: 1.5 V}}}
table: {delimiter: ";", decimal: ",", time_unit: us}
raw: {rate: 24 MHz, sample_bytes: 2, byte_order: big, lines: {D0: 0, D1: 15}}
frames: {bits: 24}
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
    assert setup.options == OpenOptions(
        thresholds=(0.8, 2.0),
        line_thresholds={"sdo": (0.5, 1.5)},
        delimiter=";",
        decimal=",",
        time_unit="us",
        rate=Fraction(24_000_000),
        lines={"D0": 0, "D1": 15},
        sample_bytes=2,
        byte_order="big",
        frame_bits=24,
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
        "frames: [1]\n"
    )
    with pytest.raises(FileError) as caught:
        load_setup(path)
    said = [str(p).removeprefix(str(path)) for p in caught.value.problems]
    for part in (
        ":1:1: error: the key 'formt'; expected one of gateword_setup, format",
        ":2:12: error: the key 'clok'; expected one of clock, ",
        ":4:9: error: '7'; expected a whole number 0..3",
        ":5:11: error: 'low'; expected one of active_low, active_high",
        ":6:8: error: '2 V' is a voltage",
        ":7:3: error: the key 'gap' again",
        ":8:19: error: low 2 V above high 1 V",
        ":9:13: error: '0 Hz'; expected more than 0",
        ":9:30: error: '99'; expected a whole number 0..63",
        ":10:9: error: a list; expected a list of frames",
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
    with pytest.raises(FileError, match="no such file"):
        load_setup(tmp_path / "none.yaml")
    (tmp_path / "b.yaml").write_bytes(b"\xff\xfe\xfa")
    with pytest.raises(FileError, match="not UTF-8"):
        load_setup(tmp_path / "b.yaml")
    with pytest.raises(FileError, match="cannot be written"):
        save_setup(CaptureSetup(), tmp_path / "no" / "x.yaml")


volts = st.integers(0, 50).map(lambda v: v / 10)
pairs = st.tuples(volts, volts).map(sorted).map(tuple)
names = st.text("abcXYZ01_", min_size=1, max_size=6)


@settings(max_examples=80 if EVERY else 16, derandomize=not EVERY, deadline=None)
@given(
    st.builds(
        CaptureSetup,
        format=st.sampled_from([None, "vcd", "csv", "raw", "frames"]),
        channels=st.dictionaries(st.sampled_from(["clock", "select", "fault"]), names),
        options=st.builds(
            OpenOptions,
            thresholds=st.none() | pairs,
            line_thresholds=st.dictionaries(names, pairs),
            delimiter=st.sampled_from([None, ",", "\t", " ", "|"]),
            time_unit=st.sampled_from([None, "us"]),
            rate=st.none() | st.integers(1, 10**9).map(Fraction),
            frame_bits=st.none() | st.integers(1, 64),
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


@settings(max_examples=120 if EVERY else 24, derandomize=not EVERY, deadline=None)
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


def test_old_names_are_read_and_noted(tmp_path: Path) -> None:
    path = tmp_path / "spi.csv.setup.yaml"
    path.write_text(
        "spi: {select: active high, bit order: lsb, frame clocks: 24}\n"
        "table: {time unit: us}\n"
        "raw: {rate: 24 MHz, sample bytes: 2, byte order: big, lines: {D0: 0}}\n"
        "words: {bits: 24}\n"
    )
    setup = load_setup(path)
    assert setup.spi == {"select_active_low": False, "bit_order": "lsb", "frame_clocks": 24}
    options = setup.options
    assert (options.time_unit, options.sample_bytes, options.byte_order) == ("us", 2, "big")
    assert options.frame_bits == 24
    told = [(p.place.line, p.place.column, p.found) for p in setup.notes]
    assert told == [
        (1, 15, "'active high' is now called 'active_high'"),
        (1, 28, "'bit order' is now called 'bit_order'"),
        (1, 39, "'lsb' is now called 'lsb_first'"),
        (1, 44, "'frame clocks' is now called 'frame_clocks'"),
        (2, 9, "'time unit' is now called 'time_unit'"),
        (3, 21, "'sample bytes' is now called 'sample_bytes'"),
        (3, 38, "'byte order' is now called 'byte_order'"),
        (4, 1, "'words' is now called 'frames'"),
    ]
    save_setup(setup, path)
    assert load_setup(path).notes == ()
    assert "gateword_setup: 1" in path.read_text()


def test_the_schema_for_editors_says_what_the_reader_says(tmp_path: Path) -> None:
    check = jsonschema.Draft202012Validator(json_schema())
    check.validate(yaml.safe_load(FULL))
    path = tmp_path / "x.setup.yaml"
    for broken in (
        "spi: {mode: 4}",
        "spi: {select: low}",
        "formt: csv",
        "thresholds: {lines: {a: {low: 1 V}}}",
    ):
        path.write_text(broken)
        with pytest.raises(FileError):
            load_setup(path)
        assert list(check.iter_errors(yaml.safe_load(broken))), broken
