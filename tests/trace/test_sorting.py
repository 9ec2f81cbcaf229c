"""The bulk path tells of every pair what the one-by-one path tells; and belief does not depend on it."""

from __future__ import annotations

import io
import os
import random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.capture.formats.opening import OpenOptions, open_capture
from regmap.chip.bank import Bank
from regmap.frames.bulk import COMMAND, READ, WRITE
from regmap.frames.codec import Codec
from regmap.maps.load import load_map
from regmap.trace.frames.decoded import Judge
from regmap.trace.frames.framer import Framer
from regmap.trace.frames.sorting import Sorter, measured
from regmap.trace.tracer import trace_capture

#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
PLAIN = ["quoll16", "numbat24", "bilby32"]


def word_pair(chip: Any, rng: random.Random) -> tuple[int, int]:
    """A command and a reply: sound, spoilt by a bit, or random."""
    codec = Codec(chip)
    length = chip.default_frame().length
    register = rng.choice(list(chip.registers.values()))
    if chip.commands and rng.random() < 0.2:
        sent = codec.command(rng.choice(list(chip.commands.values())))
    elif rng.random() < 0.5:
        sent = codec.read(register)
    else:
        sent = codec.write(register, rng.getrandbits(register.width))
    reply = codec.build_reply(sent, rng.getrandbits(register.width))
    command = sent.word
    kind = rng.random()
    if kind < 0.15:
        command ^= 1 << rng.randrange(length)
    elif kind < 0.3:
        reply ^= 1 << rng.randrange(length)
    elif kind < 0.4:
        command, reply = rng.getrandbits(length), rng.getrandbits(length)
    elif kind < 0.45:
        reply = rng.choice([0, (1 << length) - 1])
    return command, reply


@settings(max_examples=30 if EVERY else 8, derandomize=not EVERY, deadline=None)
@given(name=st.sampled_from(PLAIN), seed=st.integers(0, 2**32))
def test_bulk_tells_what_the_codec_tells(name: str, seed: int) -> None:
    chip = load_map(name)
    rng = random.Random(seed)
    length, after = chip.default_frame().length, chip.default_frame().after
    rows = [word_pair(chip, rng) for _ in range(40)]
    replies = [0] * after + [r for _, r in rows]
    text = "".join(
        f"{c:0{length // 4}X} {replies[i]:0{length // 4}X}\n"
        for i, (c, _) in enumerate([*rows, *rows[:after]])
    )
    with open_capture(
        io.BytesIO(text.encode()), format="frames", options=OpenOptions(frame_bits=length)
    ) as capture:
        framer = Framer([chip])
        for part in capture.frame_transfers():
            framer.feed(part)
        framer.finish()
    table = framer.tables[0]
    judge = Judge(chip)
    assert judge.plain
    sorter = Sorter(chip, judge, table)
    bank = Bank(chip)
    sorter.update(bank)
    for ident in range(len(table)):
        decoded = judge.decode(table[ident], bank)
        sent = decoded.sent
        kind = int(sorter.kind[ident])
        if not decoded.taken:
            assert kind == 0
        else:
            assert sent is not None
            wanted = (
                {"read": READ, "write": WRITE}.get(sent.kind)
                if sent.command is None
                else COMMAND + list(chip.commands).index(sent.command.name)
            )
            assert kind == wanted
            number = int(sorter.register[ident])
            assert (sorter.names[number] if number >= 0 else None) == (
                sent.register.name if sent.register else None
            )
        if kind:
            assert bool(sorter.believed[ident]) == (decoded.believed is not None)
        if sorter.inert[ident]:
            assert not decoded.taken
            assert decoded.believed is None


@settings(max_examples=15 if EVERY else 5, derandomize=not EVERY, deadline=None)
@given(name=st.sampled_from(PLAIN), seed=st.integers(0, 2**32), repeats=st.integers(1, 6))
def test_belief_does_not_depend_on_what_is_passed_over(name: str, seed: int, repeats: int) -> None:
    """With every frame looked at one by one the words believed, the faults and the states are the same."""
    chip = load_map(name)
    rng = random.Random(seed)
    length = chip.default_frame().length
    few = [word_pair(chip, rng) for _ in range(12)]
    rows = [rng.choice(few) for _ in range(10 * repeats)]
    text = "".join(f"{c:0{length // 4}X} {r:0{length // 4}X}\n" for c, r in rows).encode()

    def run(*, slow: bool) -> Any:
        with open_capture(
            io.BytesIO(text), format="frames", options=OpenOptions(frame_bits=length)
        ) as capture:
            if not slow:
                return trace_capture(capture, [chip])
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr(
                    Sorter,
                    "_numbered",
                    lambda self, rows: np.arange(self._count, self._count + len(rows)),
                )
                patch.setattr("regmap.trace.belief.walker.Walker._frame", _always(patch))
                return trace_capture(capture, [chip])

    fast, slow = (run(slow=s).walkers[0] for s in (False, True))
    assert fast.belief.bank.words == slow.belief.bank.words
    assert fast.belief.bank.known == slow.belief.bank.known
    assert fast.belief.bank.states == slow.belief.bank.states
    assert [
        (i.fault, i.raised, i.gone if i.gone_time >= 0 else -1) for i in fast.faults.intervals
    ] == [(i.fault, i.raised, i.gone if i.gone_time >= 0 else -1) for i in slow.faults.intervals]


def _always(patch: pytest.MonkeyPatch) -> Any:
    """`Walker._frame` that never lets a frame be passed over."""
    del patch
    from regmap.trace.belief.walker import Walker

    original = Walker._frame

    def frame(self: Any, batch: Any, place: int, ident: int, canon: int) -> None:
        original(self, batch, place, ident, canon)
        self.version += 1

    return frame


def test_measured_values_are_told_once(talk: Any, traced: Any, items: Any) -> None:
    """A register that only measures may change with every read: that is no news, yet it can be asked for."""
    chip = load_map("bilby32")
    name = "TEMP"
    assert name in [r.name for r in measured(chip)]
    lines = talk("bilby32")
    for value in range(52):
        sent = lines.codec.read(chip.registers[name], None, {"toggle": (value + 1) % 2})
        lines.raw(sent.word, lines.codec.build_reply(sent, value))
    trace = traced(lines)
    told = [i for i in items(trace) if getattr(i, "register", "") == name]
    assert len(told) == 1
    assert trace.walkers[0].log.measured_at(name, trace.end) == 49


def test_a_counter_that_skips(talk: Any, traced: Any, notes: Any) -> None:
    lines = talk("bilby32")
    for toggle in (1, 0, 1, 1, 0):
        sent = lines.codec.read(lines.chip.registers["ID"], None, {"toggle": toggle})
        lines.raw(sent.word, lines.codec.build_reply(sent, 0xB32))
    found = [(n, t) for n, t in notes(traced(lines), "rejected") if "counter" in t]
    assert found == [
        (3, "counter is 1; 0 follows 1: a frame is missing from the capture, or was rejected")
    ]


def test_frames_by_state(talk: Any, traced: Any, notes: Any) -> None:
    """Wombat-24: once SAFETY.CRC is on, frames have 32 bits; belief follows and reads them."""
    chip = load_map("wombat24")
    lines = talk("wombat24")
    from regmap.behaviour.machine import Machine
    from regmap.behaviour.plan import plan

    machine = Machine(chip, lines.bank)
    for text in ("read:FAULT", "SAFETY.CRC=on"):
        for planned in plan(chip, [text], lines.bank):
            lines.raw(planned.sent.word, 0)
            machine.apply(planned.sent)
    for counter in (1, 2, 3):
        sent = lines.codec.read(chip.registers["FAULT"], lines.bank, {"counter": counter})
        assert sent.frame.length == 32
        lines.frames.append((lines._tick(), sent, 0))
    trace = traced(lines)
    # two frames of 24 bits, three of 32, none of them rejected (the replies are, being zeros)
    assert not [t for _, t in notes(trace, "rejected") if "not a frame" in t]
    assert trace.walkers[0].log.titles(trace.walkers[0].log.idents())["read FAULT"] == 4
