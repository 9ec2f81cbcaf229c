"""Random valid maps: they load, and encode, decode, mutate, decode hold; three codecs agree."""

from __future__ import annotations

import os
from collections.abc import Callable

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.chip.bits import mask_of
from regmap.chip.model import Chip, Layout
from regmap.frames import bulk, structs
from regmap.frames.codec import (
    Codec,
    build,
    bursts,
    from_wire,
    inspect,
    join_bursts,
    split,
    wire_bytes,
)
from regmap.maps.load import read_map
from regmap.maps.vet import vet

Maps = Callable[..., st.SearchStrategy[str]]
#: as many maps as the rest of the agreement is asked for
MAPS = int(os.environ.get("GATEWORD_AGREEMENT", "120"))
slow = settings(max_examples=MAPS, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def load(text: str) -> Chip:
    chip, problems = read_map("random.yaml", text=text)
    assert chip is not None, "\n".join(map(str, problems)) + "\n" + text
    return chip


def covered(layout: Layout) -> set[int]:
    """Bits of which a single flip cannot pass: under a guard, in a guard, or fixed."""
    bits: set[int] = set()
    for part in layout.parts:
        if part.kind == "parity" or (
            part.kind == "crc" and part.crc is not None and part.crc.poly & 1
        ):
            bits |= {*part.over, *part.bits}
        elif part.kind in ("fixed", "chip", "crc"):
            bits |= set(part.bits)
    return bits


@slow
@given(data=st.data())
def test_encode_decode_mutate_decode(random_maps: Maps, data: st.DataObject) -> None:
    chip = load(data.draw(random_maps()))
    codec = Codec(chip)
    # a reply in the same frame, put together at random, may tell of what is not in yet
    assert all(p.severity == "warning" or "goes out with clock" in p.found for p in vet(chip))
    register = data.draw(st.sampled_from(list(chip.registers.values())))
    word = data.draw(st.integers(0, register.mask))
    read, write = codec.read(register), codec.write(register, word)
    for sent, carried in ((read, None), (write, word)):
        seen = codec.decode_command(sent.word)
        assert not seen.flaws
        assert (seen.kind, seen.register, seen.data) == (sent.kind, register, carried)
        assert seen.parts == sent.parts
        bit = data.draw(st.integers(0, sent.frame.length - 1))
        broken = codec.decode_command(sent.word ^ 1 << bit)
        if bit in covered(sent.frame.command):
            assert broken.flaws
        else:
            assert broken.flaws or broken.parts != sent.parts

    content = data.draw(st.integers(0, register.mask))
    status = {
        p.name: data.draw(st.booleans())
        for p in read.frame.reply_to("read").parts
        if p.kind == "status"
    }  # type: ignore[union-attr]
    reply = codec.build_reply(read, content, status)
    answer = codec.decode_reply(reply, read)
    assert not answer.flaws
    assert answer.data == content
    assert dict(answer.status) == status
    bit = data.draw(st.integers(0, read.frame.length - 1))
    broken_answer = codec.decode_reply(reply ^ 1 << bit, read)
    if bit in covered(answer.layout):
        assert broken_answer.flaws
    else:
        assert broken_answer.flaws or broken_answer.parts != answer.parts


@slow
@given(data=st.data())
def test_codec_declarations_and_arrays_agree(random_maps: Maps, data: st.DataObject) -> None:
    chip = load(data.draw(random_maps()))
    codec = Codec(chip)
    frame = chip.default_frame()
    kind = data.draw(st.sampled_from(["command", "reply"]))
    layout = frame.command if kind == "command" else frame.reply_to("read")
    assert layout is not None
    top = (1 << layout.length) - 1
    raw = data.draw(st.lists(st.integers(0, top), min_size=1, max_size=12))
    # words that fit, too: random ones hardly ever do
    raw += [build(layout, _loose(layout, w)) for w in raw]
    words = np.array(raw, dtype=np.uint64)

    parts = bulk.split(layout, words)
    ok = bulk.flawless(layout, words)
    for place, word in enumerate(raw):
        expected = split(layout, word)
        assert {n: int(v[place]) for n, v in parts.items()} == expected
        assert bool(ok[place]) == (not inspect(layout, word))
        pieces = bursts(frame, word)
        sent = [wire_bytes(v, n, msb_first=chip.spi.msb_first) for v, n in pieces]
        joined = b"".join(sent)
        assert structs.parse_parts(chip, frame, layout, joined) == expected
        assert structs.build_parts(chip, frame, layout, expected) == joined
        back = [
            (from_wire(b, n, msb_first=chip.spi.msb_first), n)
            for b, (_, n) in zip(sent, pieces, strict=True)
        ]
        assert join_bursts(back) == word
    free = {n: v for n, v in parts.items() if not n.startswith("guard")}
    rebuilt = bulk.build(layout, free)
    for place in range(len(raw)):
        assert int(rebuilt[place]) == build(layout, {n: int(v[place]) for n, v in free.items()})

    if kind == "command":
        many = bulk.BulkCodec(chip)
        kinds, found = many.kinds(frame, words), many.registers(frame, words)
        for place, word in enumerate(raw):
            one = codec.decode_command(word)
            assert {bulk.READ: "read", bulk.WRITE: "write", bulk.UNKNOWN: "unknown"}[
                int(kinds[place])
            ] == one.kind
            name = one.register.name if one.register is not None else None
            index = int(found[place])
            assert (many.names[index] if index >= 0 else None) == name


def _loose(layout: Layout, word: int) -> dict[str, int]:
    """Parts of a word with everything put right that `inspect` looks at, guards left to be filled."""
    values = {}
    for part in layout.parts:
        if part.kind in ("parity", "crc", "fixed", "chip"):
            continue
        values[part.name] = split(layout, word)[part.name]
        if part.kind == "operation":
            values[part.name] = next(iter(part.codes.values()))
    return values


@slow
@given(data=st.data())
def test_resets_and_masks_are_those_of_the_text(random_maps: Maps, data: st.DataObject) -> None:
    """The model against the document read by a plain YAML loader: nothing lost, nothing moved."""
    import yaml

    text = data.draw(random_maps())
    chip = load(text)
    document = yaml.safe_load(text)
    assert list(chip.registers) == list(document["registers"])
    for name, register in chip.registers.items():
        written = document["registers"][name]
        assert (register.address, register.reset) == (written["address"], written["reset"])
        assert [f.name for f in register.fields] == list(written["fields"])
        claimed = 0
        for field in register.fields:
            assert not claimed & mask_of(field.bits)
            claimed |= mask_of(field.bits)
            assert field.access == written["fields"][field.name]["access"]
        assert register.reserved == register.mask & ~claimed
