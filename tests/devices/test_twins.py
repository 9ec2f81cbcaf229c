"""The construct declarations and the numpy twin against the codec, on every bundled chip."""

from __future__ import annotations

import numpy as np
import pytest

from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.errors import CallError
from regmap.frames import bulk
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
from regmap.frames.structs import build_parts, frame_struct, parse_parts
from regmap.maps.load import load_map

CHIPS = ["quoll16", "quokka16", "kowari16", "numbat24", "bilby32", "potoroo40", "wombat24"]


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.one_in(3)
def test_all_three_agree_on_every_layout(name: str) -> None:
    chip = load_map(name)
    order = chip.spi.msb_first
    random = np.random.default_rng(20240611)
    for frame in chip.frames.values():
        for layout in [frame.command, *frame.replies.values()]:
            raw = random.integers(0, 1 << 63, 300, dtype=np.uint64) >> np.uint64(63 - layout.length)
            free = [p for p in layout.parts if p.kind not in ("parity", "crc", "fixed", "chip")]
            sound = bulk.build(layout, {p.name: bulk.extract(raw, p.bits) for p in free}, raw.shape)
            words = np.concatenate([raw, sound])
            parts = bulk.split(layout, words)
            guards, ok = bulk.guards_ok(layout, words), bulk.flawless(layout, words)
            for place, word in enumerate(words.tolist()):
                one = split(layout, word)
                assert {n: int(v[place]) for n, v in parts.items()} == one
                flaws = inspect(layout, word)
                assert bool(ok[place]) == (not flaws)
                assert bool(guards[place]) == all(f.kind != "check_bits" for f in flaws)
                sent = [wire_bytes(v, n, msb_first=order) for v, n in bursts(frame, word)]
                assert parse_parts(chip, frame, layout, b"".join(sent)) == one
                assert build_parts(chip, frame, layout, one) == b"".join(sent)
                back = zip(sent, frame.bursts, strict=True)
                assert join_bursts([(from_wire(b, n, msb_first=order), n) for b, n in back]) == word
                assert build(layout, one) == word
            assert bool(bulk.guards_ok(layout, sound).all())


@pytest.mark.parametrize("name", CHIPS)
def test_registers_and_commands_in_bulk(name: str) -> None:
    chip = load_map(name)
    codec, many = Codec(chip), bulk.BulkCodec(chip)
    pages = [0, 1, 2] if chip.page_select else [None]
    for page in pages:
        bank = Bank.at_reset(chip)
        if page is not None:
            field = chip.field(chip.page_select)
            assert field is not None
            bank.put(field, page)
        frame = codec.frame_in_force(bank)
        random = np.random.default_rng(5)
        words = random.integers(0, 1 << 63, 400, dtype=np.uint64) >> np.uint64(63 - frame.length)
        known = [codec.read(r, bank).word for r in chip.registers.values() if not r.frame]
        known += [p.sent.word for c in chip.commands if chip.commands[c].frame == frame.name
                  for p in plan(chip, [c], bank)]  # fmt: skip
        words = np.concatenate([words, np.array(known, dtype=np.uint64)])
        kinds, found = many.kinds(frame, words), many.registers(frame, words, page)
        for place, word in enumerate(words.tolist()):
            one = codec.decode_command(word, bank, frame)
            kind = int(kinds[place])
            if one.command is not None:
                assert list(chip.commands)[kind - bulk.COMMAND] == one.kind
            else:
                assert {"read": bulk.READ, "write": bulk.WRITE}.get(one.kind, bulk.UNKNOWN) == kind
            index = int(found[place])
            name_found = many.names[index] if index >= 0 else None
            assert name_found == (one.register.name if one.register is not None else None)


def test_any_shape_of_array() -> None:
    layout = load_map("numbat24").default_frame().command
    words = np.arange(24, dtype=np.uint64).reshape(2, 3, 4)
    assert bulk.split(layout, words)["data"].shape == (2, 3, 4)
    assert bulk.flawless(layout, words).shape == (2, 3, 4)
    assert bulk.build(layout, {}, (2, 5)).shape == (2, 5)


def test_what_bulk_refuses() -> None:
    layout = load_map("numbat24").default_frame().command
    with pytest.raises(CallError, match="no part 'nothing'"):
        bulk.build(layout, {"nothing": np.zeros(1, dtype=np.uint64)})
    with pytest.raises(CallError, match="does not fit part 'data' of 8 bits"):
        bulk.build(layout, {"data": np.array([256], dtype=np.uint64)})
    with pytest.raises(CallError, match="no values and no shape"):
        bulk.build(layout, {})


def test_what_a_declaration_refuses() -> None:
    chip = load_map("quoll16")
    frame = chip.default_frame()
    with pytest.raises(CallError, match="bursts of 12 bits for a frame of 16"):
        frame_struct(frame.command, [4, 8])
    with pytest.raises(CallError, match="part 'data' of 10 bits cannot hold 1024"):
        build_parts(chip, frame, frame.command, {"rw": 0, "address": 0, "data": 1024, "parity": 0})
