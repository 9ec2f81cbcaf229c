"""Daisy chains: several chips, the same or different, behind one chip select."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regmap.behaviour.plan import plan
from regmap.chip.model import Chain, Header
from regmap.cli.main import main
from regmap.errors import CallError, FrameError
from regmap.frames.chain import chips_in, pack, pack_reply, unpack, unpack_reply
from regmap.frames.codec import Codec, wire_bytes
from regmap.maps.load import load_map


def test_chips_of_the_same_map_with_header_bytes() -> None:
    """Three quokka16: two header bytes, then the frames of c, b, a; the replies alike."""
    chip = load_map("quokka16")
    assert chip.chain is not None
    a, b, c = (plan(chip, [t])[0].sent.word for t in ("read:STATUS1", "LOCK.KEY = open", "read:ID"))
    stream = pack(chip.chain, [(w, 16) for w in (a, b, c)])
    assert stream[1] == 16 + 48
    whole = [0x5A, 0x30 | 3, c >> 8, c & 255, b >> 8, b & 255, a >> 8, a & 255]
    assert wire_bytes(*stream) == bytes(whole)
    assert unpack(chip.chain, stream, [16, 16, 16]) == [a, b, c]
    assert chips_in(chip.chain, stream[1], 16) == 3
    # the headers come back first
    back = pack_reply(chip.chain, [(w, 16) for w in (0x2801, 0x4155, 0x6AE3)])
    assert wire_bytes(*back) == bytes([0x5A, 0x33, 0x6A, 0xE3, 0x41, 0x55, 0x28, 0x01])
    assert unpack_reply(chip.chain, back, [16, 16, 16]) == [0x2801, 0x4155, 0x6AE3]


def test_frames_cut_into_bytes() -> None:
    """The same chain with frames in pieces: the upper bytes of c, b, a, then their lower bytes."""
    chip = load_map("quokka16")
    assert chip.chain is not None
    chip = replace(chip, chain=replace(chip.chain, split=8, reply_headers="between"))
    assert chip.chain is not None
    a, b, c = (plan(chip, [t])[0].sent.word for t in ("read:STATUS1", "LOCK.KEY = open", "read:ID"))
    stream = pack(chip.chain, [(w, 16) for w in (a, b, c)])
    assert stream[1] == 16 + 48
    expected = bytes([0x5A, 0x30 | 3, c >> 8, b >> 8, a >> 8, c & 255, b & 255, a & 255])
    assert wire_bytes(*stream) == expected
    assert unpack(chip.chain, stream, [16, 16, 16]) == [a, b, c]
    assert chips_in(chip.chain, stream[1], 16) == 3
    # on the way back the first byte of every chip comes before the headers
    codec = Codec(chip)
    replies = [codec.build_reply(codec.decode_command(w), 0x155) for w in (a, b, c)]
    back = pack_reply(chip.chain, [(w, 16) for w in replies])
    x, y, z = replies
    assert wire_bytes(*back) == bytes(
        [z >> 8, y >> 8, x >> 8, 0x5A, 0x33, z & 255, y & 255, x & 255]
    )
    assert unpack_reply(chip.chain, back, [16, 16, 16]) == replies


def test_chips_of_different_maps() -> None:
    chain = Chain()
    words = [(0x8000, 16), (0x40002C, 24), (0x28340000, 32)]
    stream = pack(chain, words)
    assert stream == (0x28340000_40002C_8000, 72)
    assert unpack(chain, stream, [16, 24, 32]) == [w for w, _ in words]
    assert pack_reply(chain, words) == stream


def test_what_does_not_fit() -> None:
    bundled = load_map("quokka16").chain
    assert bundled is not None
    chain = replace(bundled, split=8)
    with pytest.raises(CallError, match="a chain of no chips"):
        pack(chain, [])
    with pytest.raises(CallError, match="0x10000 does not fit a frame of 16 bits"):
        pack(chain, [(0x10000, 16)])
    with pytest.raises(CallError, match="frames of 16, 24 bits cannot share pieces of 8 bits"):
        pack(chain, [(1, 16), (1, 24)])
    with pytest.raises(CallError, match="16 chips do not fit the 4 bits"):
        pack(chain, [(1, 16)] * 16)
    value, bits = pack(chain, [(1, 16), (2, 16)])
    with pytest.raises(FrameError, match="a stream of 48 bits; 3 chips make it 64"):
        unpack(chain, (value, bits), [16, 16, 16])
    wrong = value ^ 1 << (bits - 16)  # lowest bit of the second header: the count
    with pytest.raises(FrameError, match="a count of 3 chips where there are 2"):
        unpack(chain, (wrong, bits), [16, 16])
    with pytest.raises(FrameError, match="header 1 of the chain holds 0xDA where 0x5A stands"):
        unpack(chain, (value ^ 1 << (bits - 1), bits), [16, 16])
    with pytest.raises(FrameError, match="no whole number of frames of 16 bits"):
        chips_in(chain, 40 + 1, 16)


headers = st.builds(
    lambda length, value, count: Header(
        length=length,
        value=value % (1 << length),
        count_bits=tuple(range(3, -1, -1)) if count else (),
    ),
    st.integers(4, 16),
    st.integers(0, 1 << 16),
    st.booleans(),
)
chains = st.builds(
    lambda h, split, at: Chain(headers=tuple(h), split=split, reply_headers=at),
    st.lists(headers, max_size=2),
    st.sampled_from([0, 4, 8, 16]),
    st.sampled_from(["start", "between", "none"]),
)


@given(chains, st.sampled_from([8, 12, 16, 24, 32]), st.data())
def test_round_trips(chain: Chain, length: int, data: st.DataObject) -> None:
    words = data.draw(st.lists(st.integers(0, (1 << length) - 1), min_size=1, max_size=5))
    pairs = [(w, length) for w in words]
    stream = pack(chain, pairs)
    assert unpack(chain, stream, [length] * len(words)) == words
    assert chips_in(chain, stream[1], length) == len(words)
    back = pack_reply(chain, pairs)
    assert unpack_reply(chain, back, [length] * len(words)) == words


@given(
    st.lists(st.tuples(st.integers(0, 255), st.sampled_from([8, 16, 24])), min_size=1, max_size=5)
)
def test_round_trips_of_different_chips(pairs: list[tuple[int, int]]) -> None:
    chain = Chain()
    lengths = [n for _, n in pairs]
    assert unpack(chain, pack(chain, pairs), lengths) == [w for w, _ in pairs]


CHAINED = """
gateword_map: 1
chip: {name: small}
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..0, holds: data}}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b0101}, data: {bits: 11..0, holds: data}}}
commands:
  REST: {parts: {op: 0, address: 7}}
registers:
  A: {address: 1, fields: {ALL: {bits: 11..0}}}
  ID: {address: 2, access: ro, reset: 0x123, fields: {ALL: {bits: 11..0}}}
chain:
  headers:
    - {length: 8, value: 0b1000_0000, count: 5..0, commands: {REST: 6}}
    - {length: 8, value: 0b1100_0000}
  split: 8
"""


def test_encode_sends_a_frame_to_one_chip_of_a_chain(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two headers, 10 000011 counting three chips, then byte by byte the farther chip first."""
    file = tmp_path / "small.yaml"
    file.write_text(CHAINED, encoding="utf-8")
    for position in range(3):
        far = [0xA000] * 3  # reads of ID
        far[2 - position] = 0x1155  # the write of A
        expected = [0x83, 0xC0, *(w >> 8 for w in far), *(w & 0xFF for w in far)]
        request = ["encode", str(file), "A=0x155", "--chain", "3", "--position", str(position)]
        assert main([*request, "--bytes"]) == 0
        shown = capsys.readouterr()
        assert shown.out.strip() == bytes(expected).hex(" ").upper()
        assert f"position {position} of 3; the others read ID" in " ".join(shown.err.split())
        assert main([*request, "--json", "--to-all", "REST"]) == 0
        made = json.loads(capsys.readouterr().out)
        assert made["chain"] == {"chips": 3, "position": position}
        assert made["frames"][0]["bytes"] == [bytes([0xC3, *expected[1:]]).hex()]
    assert main(["encode", str(file), "A=0x155", "--position", "1"]) == 2
    assert "--position belongs to a daisy chain" in capsys.readouterr().err
    assert main(["encode", str(file), "A=0x155", "--chain", "2", "--to-all", "RUN"]) == 2
    assert "no header of the chain gives 'RUN'" in capsys.readouterr().err
