"""Random valid maps and random requests: everything that answers which frame, register and effect agrees.

The oracle of effects is `Plain`, a few lines over the YAML document as a plain loader reads it: it
shares nothing with the library. Held to it are encode, decode, the simulated chip, a capture of its
waveform, and the link. `GATEWORD_AGREEMENT=10000 pytest tests/agreement` tries that many maps.
"""

from __future__ import annotations

import importlib.util
import io
import os
import random
from pathlib import Path
from types import ModuleType
from typing import Any

import yaml
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from regmap.behaviour.effects import effects
from regmap.behaviour.machine import Machine
from regmap.capture.formats.opening import open_capture
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.frames.codec import Codec, Sent, bursts, join_bursts, next_counters
from regmap.maps.load import read_map
from regmap.maps.vet import vet
from regmap.trace.tracer import trace_capture
from regmap.twin import Twin

MAPS = int(os.environ.get("GATEWORD_AGREEMENT", "300"))


def beside(path: str) -> ModuleType:
    """A helper module of another folder of tests, which cannot be imported by name."""
    place = Path(__file__).parents[1] / path
    spec = importlib.util.spec_from_file_location(f"beside_{place.parent.name}_{place.stem}", place)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


map_texts = beside("maps/conftest.py").map_texts
Bench = beside("link/bench.py").Bench


def bits_of(text: Any) -> list[int]:
    """Bit numbers of a field as the document writes them, most significant first."""
    found: list[int] = []
    for item in text if isinstance(text, list) else [text]:
        ends = [int(n) for n in str(item).split("..")]
        found += range(ends[0], ends[-1] - 1, -1)
    return found


class Plain:
    """Registers under writes and reads by the words of data sheets, one bit at a time."""

    def __init__(self, document: dict[str, Any]) -> None:
        self.registers = document["registers"]
        self.words = {n: r["reset"] for n, r in self.registers.items()}
        self.written: set[tuple[str, str]] = set()

    def each(self, name: str) -> list[tuple[str, str, int]]:
        """(field, access, bit) of every bit of a register that a field has."""
        fields = self.registers[name]["fields"]
        return [
            (f, body["access"], bit) for f, body in fields.items() for bit in bits_of(body["bits"])
        ]

    def write(self, name: str, word: int) -> None:
        once = set()
        for field, access, bit in self.each(name):
            one, mask = word >> bit & 1, 1 << bit
            if access == "once":
                once.add((name, field))
            takes = access in ("rw", "wo") or (
                access == "once" and (name, field) not in self.written
            )
            if takes:
                self.words[name] = self.words[name] & ~mask | one << bit
            elif access == "sc" or (access == "w1c" and one) or (access == "w0c" and not one):
                self.words[name] &= ~mask
        if any(access not in ("ro", "rc") for _, access, _ in self.each(name)):
            self.written |= once

    def read(self, name: str) -> int:
        """What a read returns; afterwards the bits that it clears are 0."""
        shown = 0
        for _, access, bit in self.each(name):
            if access not in ("wo", "sc"):
                shown |= self.words[name] & 1 << bit
            if access == "rc":
                self.words[name] &= ~(1 << bit)
        return shown


def load(text: str) -> tuple[Chip, Plain]:
    chip, problems = read_map("random.yaml", text=text)
    assert chip is not None, "\n".join(map(str, problems))
    return chip, Plain(yaml.safe_load(text))


class Talk:
    """Requests to a simulated chip, frame by frame, with what came back in which frame."""

    def __init__(self, chip: Chip) -> None:
        self.chip, self.codec, self.out = chip, Codec(chip), io.StringIO()
        self.twin = Twin(chip, seed=1, vcd=self.out)
        self.twin.wait(0.01)
        self.counters: dict[str, int] = {}
        self.sent: list[Sent] = []
        self.replies: list[int] = []

    def ask(self, kind: str, register: str, word: int) -> Sent:
        item, given = self.chip.registers[register], dict(self.counters)
        sent = (
            self.codec.read(item, given=given)
            if kind == "read"
            else self.codec.write(item, word, given=given)
        )
        back = self.twin.transfer(bursts(sent.frame, sent.word) or [sent.word])
        lengths = sent.frame.bursts or (sent.frame.length,)
        self.replies.append(join_bursts(list(zip(back, lengths, strict=True))))
        self.sent.append(sent)
        self.counters.update(next_counters(sent.frame.command, sent.parts))
        return sent


def requests(chip: Chip, rng: random.Random, count: int) -> list[tuple[str, str, int]]:
    names = list(chip.registers)
    found = []
    for _ in range(count):
        name = rng.choice(names)
        register = chip.registers[name]
        kind = "read" if not register.takes_writes or rng.random() < 0.4 else "write"
        found.append((kind, name, rng.getrandbits(register.width)))
    return found


@settings(
    max_examples=MAPS,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.generate],  # a case takes too long to be made smaller
    derandomize=MAPS <= 300,
)
@given(text=map_texts(), seed=st.integers(0, 1 << 32))
def test_all_that_answers_agrees(text: str, seed: int) -> None:
    chip, plain = load(text)
    # a reply in the same frame, put together at random, may tell of what has not come in yet: no chip
    assume(not [p for p in vet(chip) if p.severity == "error"])
    rng = random.Random(seed)
    talk = Talk(chip)
    believer = Machine(chip)
    answers: list[int | None] = []
    for kind, name, word in requests(chip, rng, 12):
        before = dict(plain.words)
        sent = talk.ask(kind, name, word)
        answers.append(plain.read(name) if kind == "read" else None)
        if kind == "write":
            plain.write(name, word)
        # decode: the same register, kind and data
        seen = talk.codec.decode_command(sent.word)
        assert (seen.kind, seen.register and seen.register.name, seen.flaws) == (kind, name, ())
        assert kind == "read" or seen.data == word
        # the simulated chip's registers
        truth = {n: talk.twin.word(n) for n in chip.registers}
        for other in chip.registers:
            claimed = sum(1 << b for _, _, b in plain.each(other))
            assert (truth[other] ^ plain.words[other]) & claimed == 0, (
                other,
                kind,
                name,
                hex(word),
            )
        # what encode and decode say of the change is what changed, bit by bit
        told = effects(believer, sent)
        changed = {
            f"{name}.{f}"
            for f, _, bit in plain.each(name)
            if (before[name] ^ plain.words[name]) >> bit & 1
        }
        assert {c.field.ref for c in told.changes} == changed, (
            kind,
            name,
            hex(before[name]),
            hex(word),
        )
    check_replies(talk, answers, plain)
    check_capture(talk, plain)
    check_link(chip, text, rng)


def check_replies(talk: Talk, answers: list[int | None], plain: Plain) -> None:
    """The reply to each read, in the frame in which it comes, has what the oracle read."""
    for index, (sent, expected) in enumerate(zip(talk.sent, answers, strict=True)):
        place = index + sent.frame.after
        if place >= len(talk.replies) or expected is None:
            continue
        answer = talk.codec.decode_reply(talk.replies[place], sent)
        assert not answer.flaws
        if sent.frame.after or not sent.frame.bursts:
            claimed = (
                sum(1 << b for _, _, b in plain.each(sent.register.name)) if sent.register else 0
            )
            assert answer.data is not None
            assert answer.data & claimed == expected, (index, sent)


def check_capture(talk: Talk, plain: Plain) -> None:
    """The waveform, read as a stranger's: the same count of frames, none rejected, nothing believed wrong."""
    talk.twin.close()
    with open_capture(io.BytesIO(talk.out.getvalue().encode()), name="random") as capture:
        trace = trace_capture(capture, [talk.chip])
    walker = trace.walkers[0]
    assert trace.frames == len(talk.sent)
    bank = walker.belief.bank
    for name in talk.chip.registers:
        for field, access, bit in plain.each(name):
            if access not in ("ro",) and bank.known.get(name, 0) >> bit & 1:
                wrong = (bank.words[name] ^ plain.words[name]) >> bit & 1
                assert not wrong, (name, field, access, bit)


def check_link(chip: Chip, text: str, rng: random.Random) -> None:
    """Over the adapter: what the link calls good is what the chip holds, and nothing is refused but for a reason."""
    _, plain = load(text)
    bench = Bench(chip)
    for kind, name, word in requests(chip, rng, 6):
        try:
            if kind == "write":
                bench.link.write(name, word)
                continue
            reading = bench.link.read(name)
        except CallError as error:
            if "no register that can be read without effect" in str(error):
                return
            raise
        if reading.good:
            register = chip.registers[name]
            steady = register.shows & ~sum(1 << b for _, a, b in plain.each(name) if a == "rc")
            assert (reading.word ^ bench.twin.word(name)) & steady == 0, (name, reading)
