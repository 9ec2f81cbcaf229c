"""Frames from transfers: chains, bursts, latency; the same however the capture is cut."""

from __future__ import annotations

import io
import os
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats.opening import open_capture
from regmap.capture.spi import Transfers, join
from regmap.chip.model import Chain, Header
from regmap.frames.chain import pack, pack_reply
from regmap.maps.load import load_map
from regmap.trace.frames.framer import Framer, stream_slices

#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"


def transfers(rows: list[tuple[str, str]]) -> Transfers:
    """Transfers of bit strings (command, reply)."""
    length = {len(c) for c, _ in rows}
    parts = []
    for clocks in sorted(length):
        text = "".join(
            f"{int(c, 2):0{(clocks + 3) // 4}X} {int(r, 2):0{(clocks + 3) // 4}X}\n"
            for c, r in rows
        )
        from regmap.capture.formats.opening import OpenOptions

        with open_capture(
            io.BytesIO(text.encode()), format="frames", options=OpenOptions(frame_bits=clocks)
        ) as capture:
            parts += list(capture.frame_transfers())
    whole = join(parts)
    assert whole is not None
    return whole


CHAINS = st.builds(
    Chain,
    headers=st.sampled_from(
        [
            (),
            (
                Header(length=8, value=0x30, count_bits=(3, 2, 1, 0)),
                Header(length=8, value=0x5A),
            ),
        ]
    ),
    split=st.sampled_from([0, 4, 8]),
    reply_headers=st.sampled_from(["start", "between", "none"]),
)


@settings(deadline=None)
@given(chain=CHAINS, words=st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=4))
def test_slices_find_what_the_chain_packs(chain: Chain, words: list[int]) -> None:
    """The places of every word in the stream against `regmap.frames.chain`, which builds streams from words."""
    lengths = [16] * len(words)
    for reply, packer in ((False, pack), (True, pack_reply)):
        value, bits = packer(chain, [(w, 16) for w in words])
        text = f"{value:0{bits}b}"
        for word, pieces in zip(words, stream_slices(chain, lengths, reply=reply), strict=True):
            assert int("".join(text[o : o + n] for o, n in pieces), 2) == word


@settings(max_examples=40 if EVERY else 12, derandomize=not EVERY, deadline=None)
@given(
    words=st.lists(
        st.tuples(st.integers(0, 0xFFFFFF), st.integers(0, 0xFFFFFF)), min_size=1, max_size=30
    ),
    cuts=st.lists(st.integers(0, 30), max_size=4),
    name=st.sampled_from(["quoll16", "numbat24", "bilby32"]),
)
def test_replies_pair_with_commands_however_the_capture_is_cut(
    words: list[tuple[int, int]], cuts: list[int], name: str
) -> None:
    """Frame n's reply is the word that came `after` frames later; none for the last ones."""
    chip = load_map(name)
    length, after = chip.default_frame().length, chip.default_frame().after
    rows = [(c & ((1 << length) - 1), r & ((1 << length) - 1)) for c, r in words]
    whole = transfers([(f"{c:0{length}b}", f"{r:0{length}b}") for c, r in rows])
    framer = Framer([chip])
    found: list[tuple[int, int | None]] = []
    edges = [0, *sorted(min(c, len(rows)) for c in cuts), len(rows)]
    parts = [whole.take(np.arange(a, b)) for a, b in pairwise(edges) if b > a]
    batches = [b for p in parts for b in framer.feed(p)] + framer.finish()
    for batch in batches:
        assert batch.first == len(found)
        for ident in batch.idents.tolist():
            pair = framer.tables[0][ident]
            word, hidden, bits = pair.reply(after)
            assert hidden == 0
            found.append((pair.word, word if bits else None))
    wanted = [
        (c, rows[i + after][1] if i + after < len(rows) else None) for i, (c, _) in enumerate(rows)
    ]
    assert found == wanted


def test_equal_words_share_a_number() -> None:
    chip = load_map("quoll16")
    framer = Framer([chip])
    one = framer.feed(
        transfers([("1000000000000000", "0010100000000001")] * 5 + [("1" + "0" * 15, "0" * 16)])
    )[0]
    two = framer.feed(transfers([("1" + "0" * 15, "0" * 16)]))[0]
    assert len(set(one.idents[:5].tolist())) == 1
    assert one.idents[5] == two.idents[0] != one.idents[0]
    assert len(framer.tables[0]) == 2


def test_bursts_make_one_frame() -> None:
    """A frame that travels in two selects (16 and 24 bits) is one; one that lacks its second is told."""
    from regmap.capture.spi import Transfers

    chip = load_map("potoroo40")
    first = transfers([("0" * 15 + "1", "1" * 16)])
    second = transfers([("1" * 24, "0" * 24)])
    whole = join([first, second, first, second, first])
    assert isinstance(whole, Transfers)
    framer = Framer([chip])
    batches = framer.feed(whole) + framer.finish()
    pairs = [framer.tables[0][i] for b in batches for i in b.idents.tolist()]
    assert [p.bits for p in pairs] == [40, 40, 16]
    assert pairs[0].word == 0x0001FFFFFF
    assert pairs[0].reply(0)[0] == 0xFFFF000000
    assert framer.joined == 2


def test_empty_selects_are_counted_apart() -> None:
    chip = load_map("quoll16")
    whole = transfers([("1" * 16, "0" * 16)] * 3)
    empty = whole.take(np.arange(3))
    object.__setattr__(empty, "clocks", np.array([16, 0, 16]))
    framer = Framer([chip])
    assert sum(len(b) for b in framer.feed(empty)) == 2
    assert framer.dropped == 1


@pytest.mark.parametrize("count", [2, 3])
def test_a_chain_with_headers_gives_each_chip_its_words(count: int, traced: Any) -> None:
    """Quokka-16 in a chain: headers, bytes interleaved, replies between; every chip reads its own ID."""
    chip = load_map("quokka16")
    from regmap.frames.codec import Codec

    codec = Codec(chip)
    assert chip.chain is not None
    lines = []
    for _ in range(4):
        sent = [codec.read(chip.registers["ID"]) for _ in range(count)]
        stream, bits = pack(chip.chain, [(s.word, 16) for s in sent])
        answer = [(codec.build_reply(s, 0x171), 16) for s in sent]
        reply, _ = pack_reply(chip.chain, answer)
        lines.append(f"{stream:0{bits // 4}X} {reply:0{bits // 4}X}")
    trace = traced("\n".join(lines), [chip] * count, chain=chip.chain)
    assert [w.log.count for w in trace.walkers] == [4] * count
    assert all(w.belief.bank.word("ID") == 0x171 for w in trace.walkers)
