"""One flipped bit in any frame that check bits cover is rejected, by everything that looks at frames.

Every request and every answer of the shipped maps and the maps of the tests, every covered bit of each: `decode`, the
judge of captures, the simulated chip, what the link makes of replies, and the compiled header. The suite tries every
ninth of them; `GATEWORD_ALL_FLIPS=1 pytest -s tests/agreement/test_flips.py` all, and prints the counts. A whole
capture stands beside it, so that the path from the waveform on is no other one.
"""

from __future__ import annotations

import importlib.util
import io
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from types import ModuleType

import pytest
import yaml

from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.capture.formats.opening import open_capture
from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Chip, Layout
from regmap.errors import CallError
from regmap.frames.codec import GUARDS, Codec, Sent, bursts
from regmap.frames.layouts import alternatives
from regmap.link.trade import Ask, Composer, Trade
from regmap.maps.load import load_map, read_map
from regmap.trace.frames.decoded import Judge
from regmap.trace.frames.pairs import Pair
from regmap.trace.tracer import trace_capture
from regmap.twin import Twin

from .compiled import Batch, Row
from .maps import make

HERE = Path(__file__).parents[1]
EVERY = 1 if os.environ.get("GATEWORD_ALL_FLIPS") == "1" else 9
RANDOM_MAPS = 100 if EVERY == 1 else 12
COUNTS: Counter[str] = Counter()


def beside(path: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"beside_{Path(path).stem}", HERE / path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def maps() -> Iterator[tuple[str, Chip]]:
    """Every shipped map, every map file of the tests, the small ones of single traits, and random ones."""
    for name in ("quoll16", "quokka16", "kowari16", "numbat24", "bilby32", "potoroo40", "wombat24"):
        yield name, load_map(name)
    for path in ("behaviour/access.yaml", "behaviour/traits.yaml", "golden/small.yaml"):
        yield path, load_map(HERE / path)
    traits = beside("maps/test_traits.py")
    for name in ("CODES", "SPACES", "FAMILIES", "ANSWERS", "OVER", "SHARED", "CHAINED"):
        yield name, getattr(traits, name)
    yield "TWENTY", traits.load(traits.TWENTY.format(keys=""))
    for seed in range(RANDOM_MAPS):
        text = yaml.safe_dump(make(seed).document, sort_keys=False)
        chip, _ = read_map("random.yaml", text=text)
        assert chip is not None
        yield f"random {seed}", chip


def covered(layout: Layout) -> list[int]:
    """The bits that check bits cover, and these themselves."""
    found: set[int] = set()
    for part in layout.parts:
        if part.kind in GUARDS:
            found |= {*part.over, *part.bits}
    return sorted(found)


@dataclass(frozen=True)
class Asked:
    """A frame of a chip in this state."""

    sent: Sent
    bank: Bank


def everything(chip: Chip) -> Iterator[Asked]:
    """A frame for each read, write and command, in each set of layouts that can be in force."""
    for bank in alternatives(chip, Bank.at_reset(chip)):
        texts = [f"read:{n}" for n, r in chip.registers.items() if r.readable]
        texts += [f"{n} = 0x{w:X}" for n, r in chip.registers.items() if r.takes_writes
                  for w in {r.reset, r.mask & 0x5A5A_5A5A_5A5A_5A5A}]  # fmt: skip
        texts += list(chip.commands)
        seen = set()
        for text in texts:
            try:
                planned = plan(chip, [text], bank)[-1]
            except CallError:
                continue  # a forbidden code, or no frame for it
            if planned.sent.word not in seen:
                seen.add(planned.sent.word)
                yield Asked(planned.sent, bank)


def sample(bits: list[int], at: int) -> list[int]:
    return [b for i, b in enumerate(bits) if (at + i) % EVERY == 0]


def rejected_by_twin(chip: Chip, asked: Asked, word: int) -> bool:
    twin = Twin(chip)
    twin.machine.bank = asked.bank.copy()
    before = twin.accepted, dict(twin.machine.bank.words)
    twin.transfer(bursts(asked.sent.frame, word))
    status = {f.register for f in chip.faults.values()}
    now = {n: w for n, w in twin.machine.bank.words.items() if n not in status}
    return twin.accepted == before[0] and now == {n: before[1][n] for n in now}


@pytest.fixture(scope="module")
def batch(tmp_path_factory: pytest.TempPathFactory, need_tool: Callable[[str], str]) -> Batch:
    return Batch(tmp_path_factory.mktemp("flips"), need_tool("gcc"))


def test_every_flipped_bit_is_rejected_by_everything(batch: Batch) -> None:
    for number, (name, chip) in enumerate(maps()):
        rows: list[Row] = []
        codec, judge, composer = Codec(chip), Judge(chip), Composer(chip)
        COUNTS["maps"] += 1
        for place, asked in enumerate(everything(chip)):
            sent, bank = asked.sent, asked.bank
            COUNTS["frames"] += bool(covered(sent.frame.command))
            for bit in sample(covered(sent.frame.command), place):
                word = sent.word ^ 1 << bit
                told = (name, sent.kind, hex(sent.word), bit)
                assert codec.decode_command(word, bank, bits=sent.bits).flaws, told
                pair = Pair(word=word, unknown=0, bits=sent.bits, flags=0, replies=())
                assert judge.decode(pair, bank).trouble, told
                assert rejected_by_twin(chip, asked, word), told
                rows.append(Row("check", sent.frame.name, 0, word, False))
                COUNTS["commands flipped"] += 1
            rows.append(Row("check", sent.frame.name, 0, sent.word, True))
            layout = codec.reply_layout(sent, bank=bank)
            if layout is None or not covered(layout):
                continue
            reply = codec.build_reply(sent, 0, bank=bank)
            COUNTS["replies"] += 1
            for bit in sample(covered(layout), place):
                flipped = reply ^ 1 << bit
                told = (name, sent.kind, hex(sent.word), "reply", hex(reply), bit)
                # in the layouts that it can have; those of another case may take it
                if not all_reject(codec, asked, flipped):
                    COUNTS["taken by another case of the reply"] += 1
                    continue
                after = sent.frame.after
                pair = Pair(word=sent.word, unknown=0, bits=sent.bits, flags=0,
                            replies=((after, flipped, 0, sent.bits),))  # fmt: skip
                assert judge.decode(pair, bank).believed is None, told
                assert damaged(composer, chip, asked, flipped), told
                if no_layout(codec, sent, flipped):
                    rows.append(Row("reply_errors", sent.frame.name, sent.word, flipped, False))
                COUNTS["replies flipped"] += 1
        batch.add(number, chip, rows)
        if len(batch.maps) >= 8:
            batch.run()
    batch.run()
    COUNTS["calls of C"] = batch.rows
    sys.stdout.write(f"{dict(COUNTS)}\n")
    assert COUNTS["commands flipped"] > 500
    assert COUNTS["replies flipped"] > 500


def all_reject(codec: Codec, asked: Asked, flipped: int) -> bool:
    answer = codec.decode_reply(flipped, asked.sent, bank=asked.bank, beyond=True)
    return bool(answer.flaws)


def no_layout(codec: Codec, sent: Sent, flipped: int) -> bool:
    """Whether no layout of the frame takes it: the header may not know which was asked for."""
    return all(codec._answer(flipped, sent, layout).flaws for layout in sent.frame.replies.values())


def damaged(composer: Composer, chip: Chip, asked: Asked, flipped: int) -> bool:
    """What the link makes of an exchange in which this reply comes."""
    sent = asked.sent
    ask = (
        Ask("command", command=sent.command)
        if sent.command is not None
        else Ask(sent.kind, sent.register, sent.data)
    )
    count = 1 + sent.frame.after
    raw = [0] * count
    raw[-1] = flipped
    trade = Trade([ask] * count, [sent] * count, raw=raw)
    composer.decode(trade, asked.bank)
    del chip
    return trade.clean(0) is None and bool(trade.damage)


@pytest.mark.parametrize("name", ["numbat24", "quoll16", "bilby32"])
def test_a_capture_rejects_them_too(name: str) -> None:
    """The same in a waveform: each flipped frame is one that the chip does not take."""
    chip, rng = load_map(name), Random(name)
    codec, out = Codec(chip), io.StringIO()
    twin = Twin(chip, vcd=out)
    twin.wait(0.01)
    register = next(r for r in chip.registers.values() if r.readable and r.access.value == "ro")
    sent, flipped = codec.read(register), []
    for _ in range(20):
        word = sent.word ^ 1 << rng.choice(covered(sent.frame.command))
        flipped.append(word)
        twin.transfer(bursts(sent.frame, word))
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="flips") as capture:
        (walker,) = trace_capture(capture, [chip]).walkers
    assert [walker.log.title(i) for i in walker.log.idents().tolist()] == ["rejected"] * len(
        flipped
    )


def test_a_flip_that_nothing_covers_is_no_part_of_this() -> None:
    """The bits that the test above flips are those of check bits: each word without one has none."""
    chip = load_map("numbat24")
    sent = Codec(chip).read(next(iter(chip.registers.values())))
    bare = replace(
        sent.frame.command,
        parts=tuple(p for p in sent.frame.command.parts if p.kind not in GUARDS),
    )
    assert covered(bare) == []
    assert mask_of(tuple(covered(sent.frame.command))) == (1 << sent.bits) - 1
    assert Machine(chip).bank.words
