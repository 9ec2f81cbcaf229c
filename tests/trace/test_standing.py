"""Frames that told nothing before are passed over: what is told is what a look at every one of them tells.

The judge is the walker's own look at each frame, which knows nothing of what was looked at before.
"""

from __future__ import annotations

import os
import random
from typing import Any

import pytest

from regmap.chip.bank import Bank
from regmap.frames.codec import Codec
from regmap.maps.load import load_map
from regmap.trace.belief import standing
from regmap.trace.belief.standing import Silences
from tests.trace.test_plain import everything, listed, traced

SEEDS = range(300 if os.environ.get("GATEWORD_EVERY_CAPTURE") == "1" else 4)

#: Draws in which many frames are passed over.
MANY = {("numbat24", 1), ("quoll16", 1), ("bilby32", 2)}


def drive(chip: Any, rng: random.Random, rounds: int) -> str:
    """A list of words: a few settings to and fro, all status polled between, now and then anything else.

    Faults come and go in registers and status bits, replies are damaged, die for a while or show other settings.
    """
    codec, bank = Codec(chip), Bank.at_reset(chip)
    length = chip.default_frame().length
    held = {n: r.reset for n, r in chip.registers.items()}
    settings = [r for r in chip.registers.values() if r.holds_settings and not r.in_replies]
    polled = [r for r in chip.registers.values() if r.readable and not r.in_replies and r not in settings]  # fmt: skip
    two = rng.sample(settings, min(2, len(settings)))
    words = {r.name: [rng.getrandbits(r.width) & ~r.reserved | r.reserved_write for _ in range(2)] for r in two}  # fmt: skip
    flags = sorted({p.name for f in chip.frames.values() for r in f.replies.values() for p in r.parts if p.kind == "status"})  # fmt: skip
    status = dict.fromkeys(flags, False)
    commands, replies = [], []

    def say(sent: Any, shown: int) -> None:
        reply = codec.build_reply(sent, shown, status)
        kind = rng.random()
        if kind < 0.01:
            reply ^= 1 << rng.randrange(length)
        elif kind < 0.015:
            reply = rng.choice((0, (1 << length) - 1))
        commands.append(sent.word)
        replies.append(reply)

    for key in chip.keys.values() if rng.random() < 0.7 else ():
        for step in key.steps:
            name, _, value = (t.strip() for t in step.partition("="))
            if name in chip.registers:
                say(codec.write(chip.registers[name], int(value, 0), bank), held[name])
    for turn in range(rounds):
        register = rng.choice(two)
        word = words[register.name][turn % 2]
        say(codec.write(register, word, bank), held[register.name])
        if rng.random() < 0.98:
            held[register.name] = word
        for other in polled:
            say(codec.read(other, bank), held[other.name])
        kind = rng.random()
        if kind < 0.05 and flags:
            status[rng.choice(flags)] ^= True
        elif kind < 0.1 and polled:
            some = rng.choice(polled)
            held[some.name] ^= 1 << rng.randrange(some.width)
        elif kind < 0.2:
            some = rng.choice(settings)
            say(codec.read(some, bank), held[some.name])
        elif kind < 0.25:
            some = rng.choice(settings)
            held[some.name] = rng.getrandbits(some.width)
            say(codec.write(some, held[some.name], bank), held[some.name])
        elif kind < 0.27 and chip.commands:
            say(codec.command(rng.choice(list(chip.commands.values()))), 0)
    return listed(chip, commands, replies)


@pytest.mark.parametrize("name", ["numbat24", "quoll16", "bilby32"])
@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.one_in(2)
def test_what_is_told_is_the_same(name: str, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    chip = load_map(name)
    text = drive(chip, random.Random(seed), 120)
    passed = 0
    original = Silences.met

    def counted(self: Silences, canon: int) -> bool:
        nonlocal passed
        found = original(self, canon)
        passed += found
        return found

    # looked for however seldom it is of use
    monkeypatch.setattr(standing, "_LOOKS", 1 << 30)
    monkeypatch.setattr(Silences, "met", counted)
    fast = everything(traced(chip, text))
    monkeypatch.setattr(Silences, "met", lambda *_: False)
    slow = everything(traced(chip, text))
    for one, other in zip(fast, slow, strict=True):
        assert one == other
    if (name, seed) in MANY:
        assert passed > 20
