"""Reading a line in many ways at once tells of each way what it tells alone, and bulk words what single ones do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from regmap.chip.bank import Bank
from regmap.frames.bulk import BulkCodec, build, split
from regmap.frames.codec import Codec
from regmap.frames.words import GUARDS
from regmap.maps.load import load_map
from regmap.trace.filed import trace_file
from regmap.trace.findings.ways import WayReader
from regmap.trace.findings.wiring import _reader
from regmap.trace.frames.decoded import Decoded, plausible, plausible_words

CHIPS = ["quoll16", "quokka16", "kowari16", "numbat24", "wombat24", "bilby32", "potoroo40"]
CAPTURES = Path(__file__).parents[2] / "captures"


@pytest.mark.parametrize("name", CHIPS)
def test_words_are_as_plausible_together_as_alone(name: str) -> None:
    chip = load_map(name)
    seen, bank, draw = Codec(chip).recogniser, Bank(chip), np.random.default_rng(7)
    sound = 0
    for frame in chip.frames.values():
        words = draw.integers(0, 1 << min(frame.length, 63), 400, np.uint64)
        # reads of everything and writes of zeros: what a controller in its right mind sends
        values = split(frame.command, words)
        kinds = {part.name: part.kind for part in frame.command.parts}
        for part, value in values.items():
            value[:200] *= kinds[part] != "data"
        # ... with check bits that fit, as those of words at random seldom do
        free = {n: v for n, v in values.items() if kinds[n] not in (*GUARDS, "fixed", "chip")}
        words = np.concatenate((words, build(frame.command, free, words.shape)))
        told = plausible_words(BulkCodec(chip), frame, words)
        for word, found in zip(words.tolist(), told.tolist(), strict=True):
            sent = seen.command(word, bank, frame, frame.length)
            alone = Decoded(sent=sent, trouble="; ".join(f.text for f in sent.flaws))
            assert plausible(alone, chip) == found, (frame.name, hex(word))
            sound += found
    assert sound


@pytest.mark.parametrize(
    ("file", "maps"),
    [("pump_dead_reply.vcd", ["quoll16"]), ("drum_short.vcd", ["quoll16"]), ("chain_pair.vcd", ["numbat24"] * 2)],
)  # fmt: skip
def test_a_way_among_others_is_as_alone(file: str, maps: list[str]) -> None:
    reader = _reader(trace_file(CAPTURES / file, [load_map(m) for m in maps]), None)
    assert reader is not None
    for role in ("command", "reply"):
        ranked: list[Any] = reader.ranked(role)
        assert len({f.way for f in ranked}) == len(ranked) > 40
        for fit in ranked[::7]:
            alone = WayReader(reader.transfers, reader.setup, reader.chips, None)
            assert alone.fit(role, fit.way) == fit
