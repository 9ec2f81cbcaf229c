"""How many frames a second the arrays recognise, one core: `python tests/bench/bench_recogniser.py`.

A fixed layout (numbat24: checksum) and a chip with two layouts in force at once, of which each word is
read in both. Figures of one run on one machine: compare, do not quote.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from regmap.chip.model import Chip
from regmap.frames.bulk import BulkCodec
from regmap.frames.codec import Codec
from regmap.maps.load import load_map, read_map

COUNT = 2_000_000

TWO = """
gateword_map: 1
chip: {name: two}
spi: {mode: 1}
frames:
  usual:
    length: 24
    command: {op: {bits: 23, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 22..16, holds: address}, data: {bits: 15..8, holds: data}, crc: {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF}}
  other:
    length: 24
    command: {op: {bits: 23, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 22..16, holds: address}, data: {bits: 15..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}
registers:
"""


def two() -> Chip:
    rows = [
        f"  R{i}: {{address: {i}, width: 8, frame: {'other' if i % 3 == 0 else 'usual'}, fields: {{ALL: {{bits: 7..0}}}}}}\n"
        for i in range(30)
    ]
    chip, problems = read_map("two.yaml", text=TWO + "".join(rows))
    assert chip is not None, problems
    return chip


def words_of(chip: Chip) -> np.ndarray:
    codec = Codec(chip)
    made = [codec.read(r).word for r in chip.registers.values()]
    made += [codec.write(r, r.mask & 0x55).word for r in chip.registers.values() if r.takes_writes]
    rng = np.random.default_rng(1)
    words = np.array(made, np.uint64)[rng.integers(0, len(made), COUNT)]
    # one word in ten is damaged
    flips = np.where(
        rng.random(COUNT) < 0.1, np.uint64(1) << rng.integers(0, 24, COUNT).astype(np.uint64), 0
    )
    return words ^ flips


def main() -> None:
    for name, chip in (("fixed layout", load_map("numbat24")), ("two layouts", two())):
        words = words_of(chip)
        many = BulkCodec(chip)
        many.recognise(words[:1000])
        best = min(_timed(many, words) for _ in range(3))
        sys.stdout.write(f"{name}: {COUNT / best / 1e6:.2f} million frames a second\n")


def _timed(many: BulkCodec, words: np.ndarray) -> float:
    start = time.process_time()
    many.recognise(words)
    return time.process_time() - start


if __name__ == "__main__":
    main()
