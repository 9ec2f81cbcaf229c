"""A chain's status and its restart, a stream a call: what they tell and leave is what the ones that wait tell and leave.

In C, C++ and Rust, compiled, against simulated chains; one thing goes wrong in each run: a bit of a stream there or back, an
older stream, one that is sent twice, a dead line. The judge is the simulated chips' registers. The suite takes a small sample that
never changes; GATEWORD_EVERY_BIT=1 takes every bit of every stream of a status read, and with `-s` prints the counts.
"""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.behaviour.faults import status_registers
from regmap.cheader import Options
from regmap.frames.codec import from_wire, wire_bytes
from regmap.stages.load import Stage
from regmap.twin.chain import TwinChain
from regmap.twin.core import Core

from .test_header_chain import HERE, STRICT, latched_stages, right, stages
from .test_header_damage import EVERY, OK, TOLD, Damage, snapshot
from .test_header_reset import tells_of_a_reset
from .written import TOOLS, put, put_program

#: damaged status reads and damaged bring-ups, each with a restart, of each language and chain
READS, RESTARTS = 24, 8


#: chain -> its stages, bits of a stream, and what is disturbed before its status is read
CHAINS: dict[str, tuple[Callable[[Path], list[Stage]], int, list[str]]] = {
    "quokka16": (lambda folder: stages(folder, [1, 0, 2]), 64, ["2: vds_uh", "0: vds_ul"]),
    "latch24": (latched_stages, 48, ["1: oc"]),
}


@dataclass
class Asked:
    """The program at the other end, and the simulated chain that it talks to, with one damage on the way."""

    process: subprocess.Popen[bytes]
    stages: list[Stage]
    bits: int
    twin: TwinChain
    damage: Damage | None = None
    sent: int = 0
    replies: list[bytes] = field(default_factory=list)

    def ask(self, letter: str, damage: Damage | None = None) -> list[str]:
        """The answer's words: result, position, most streams of one call, waits inside calls, then words of the status."""
        self.damage, self.sent, self.replies = damage, 0, []
        answers, asks = self.process.stdout, self.process.stdin
        assert answers is not None
        assert asks is not None
        asks.write(letter.encode())
        while (op := answers.read(1)) != b"M":
            if op == b"T":
                asks.write(self._stream(self._came(answers.read(1)[0])))
            else:
                assert op == b"W", op
                self.twin.wait(Fraction(int.from_bytes(self._came(4), "little"), 1_000_000))
        return answers.readline().decode().split()

    def _came(self, size: int) -> bytes:
        """So many bytes: a pipe may give them in pieces."""
        data = b""
        assert self.process.stdout is not None
        while len(data) < size:
            data += self.process.stdout.read(size - len(data))
        return data

    def _stream(self, data: bytes) -> bytes:
        what, number, which = self.damage or ("", -1, 0)
        now = what if number == self.sent else ""
        if now == "reset":
            self.twin.cores[which].power_up()
        self.sent += 1
        stream = from_wire(data, 8 * len(data), msb_first=True) >> (8 * len(data) - self.bits)
        if now == "command":
            stream ^= 1 << which
        [got] = self.twin.transfer([(stream, self.bits)]) if now != "never" else [0]
        if now == "twice":
            [got] = self.twin.transfer([(stream, self.bits)])
        if now == "reply":
            got ^= 1 << which
        reply = wire_bytes(got, self.bits, msb_first=True)
        if now == "older":
            reply = self.replies[-which]
        elif now in ("gone", "never"):
            reply = (b"\0" if which else b"\xff") * len(data)
        self.replies.append(reply)
        return reply

    def cores(self) -> list[Core]:
        return [snapshot(core) for core in self.twin.cores]

    def back(self, cores: list[Core]) -> None:
        """The simulated chips as they were; the program's counters in step with them again."""
        self.twin.cores[:] = [snapshot(core) for core in cores]
        assert self.ask("y")[0] == str(OK)


def damages(streams: int, bits: int, seed: int, most: int) -> Iterator[Damage]:
    every: list[Damage] = []
    for number in range(streams):
        every += [(what, number, bit) for what in ("command", "reply") for bit in range(bits)]
        every += [("older", number, age) for age in (1, 2) if number >= age]
        every += [("gone", number, level) for level in (0, 1)]
        every += [("never", number, 0), ("twice", number, 0)]
    return iter(every if EVERY else random.Random(seed).sample(every, min(most, len(every))))


@pytest.fixture(
    scope="module",
    params=[(c, x) for c in CHAINS for x in TOOLS],
    ids="-".join,
)
def asked(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Asked, list[str]]]:
    name, language = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    tool, folder = need(TOOLS[language]), tmp_path_factory.mktemp(name)
    make, bits, disturbances = CHAINS[name]
    found = make(folder)
    made = put(found[0], language, folder, Options(prefix="gd"), found[1:]).header
    clears = "clear_rejected(" in made
    program = folder / "jobs"
    if language == "c":
        source: Path = HERE / "chain_jobs.c"
        command: list[str | Path] = [tool, *STRICT, "-I", folder, "-I", HERE, source]
    elif language == "cpp":
        source = put_program("chain_jobs", language, folder)
        command = [tool, "-std=c++17", *STRICT[1:], "-Wold-style-cast", "-I", folder, source]
    else:
        source = put_program("chain_jobs", language, folder)
        command = [tool, "--edition", "2021", "-D", "warnings", "-A", "dead_code", source]
    if clears:
        command[1:1] = ["--cfg", "clears"] if language == "rust" else ["-DCLEARS"]
    subprocess.run([*command, "-o", program], check=True)
    twin = TwinChain([found[0].chip] * len(found))
    with subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0) as process:  # fmt: skip
        yield Asked(process, found, bits, twin), disturbances
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait() == 0


@pytest.mark.one_in(2)
def test_a_status_read_goes_a_stream_a_call_and_tells_the_same(
    asked: tuple[Asked, list[str]],
) -> None:
    it, disturbances = asked
    it.twin.cores[:] = TwinChain([s.chip for s in it.stages]).cores
    assert it.ask("i")[0] == str(OK)
    for text in disturbances:
        it.twin.disturb(text)
    it.twin.wait(0.001)
    chip = it.stages[0].chip
    names = list(status_registers(chip))
    truth = [core.machine.bank.words[n] for core in it.twin.cores for n in names]
    masks = [sum(f.mask for f in chip.registers[n].fields if any(x.ref == f.ref for x in chip.faults.values())) for n in names] * len(it.stages)  # fmt: skip
    ready = it.cores()
    sound = it.ask("r")
    assert sound[0] == str(OK), sound
    streams = it.sent
    assert any(int(w, 16) & m for w, m in zip(sound[4:], masks, strict=True))
    runs, noticed, silent, unlike = 0, 0, [], []
    for damage in [None, *damages(streams, it.bits, 3, READS)]:
        found = []
        for letter in "rt":
            it.back(ready)
            found.append((it.ask(letter, damage), it.sent))
        (waiting, ticked), runs = (f[0] for f in found), runs + 1
        assert ticked[2:4] == ["1", "0"], damage  # streams of a call at most, waits
        if (waiting[:2], waiting[4:], found[0][1]) != (ticked[:2], ticked[4:], found[1][1]):
            unlike.append((damage, found))
        noticed += ticked[0] != str(OK)
        words = [int(w, 16) for w in ticked[4:]]
        # a rejected command raises faults of its own; a damaged reply never may
        mine = damage is not None and damage[0] == "command"
        if ticked[0] == str(OK) and any(
            w & t & m != t & m or (not mine and (w ^ t) & m)
            for w, t, m in zip(words, truth, masks, strict=True)
        ):
            silent.append(damage)
    if TOLD:
        sys.stdout.write(f"\n{chip.name}: {runs} status reads of a chain, {noticed} noticed, {len(silent)} silent and wrong\n")  # fmt: skip
    assert (unlike, silent) == ([], [])
    assert noticed > runs // 3


def test_a_restart_goes_a_stream_a_call_and_ends_the_same(asked: tuple[Asked, list[str]]) -> None:
    """Wherever a bring-up has stopped, and of chips that were reset or work: the same frames, the same end."""
    it, _ = asked
    fresh = TwinChain([s.chip for s in it.stages]).cores
    it.twin.cores[:] = [snapshot(core) for core in fresh]
    assert it.ask("i")[0] == str(OK)
    streams = it.sent
    stops = list(damages(streams, it.bits, 4, RESTARTS if not EVERY else 0))
    if EVERY:
        stops = random.Random(4).sample(stops, 400)
    again = list(damages(streams, it.bits, 5, 2)) if not EVERY else []
    runs, ended, wrong, unlike = 0, 0, [], []
    for stop in [None, *stops]:
        it.twin.cores[:] = [snapshot(core) for core in fresh]
        it.ask("i", stop)
        stopped = it.cores()
        for more in (None, again[runs % len(again)] if again else None):
            found = []
            for letter in "ab":
                it.twin.cores[:] = [snapshot(core) for core in stopped]
                answer, frames = it.ask(letter, more), it.sent
                held = right(it.twin, it.stages)
                found.append((answer[:2], frames, held))
                if answer[0] == str(OK) and not held:
                    wrong.append((stop, more, letter))
                if more is None and answer[0] != str(OK):
                    wrong.append((stop, answer))
                assert letter == "a" or (answer[2] in "01", answer[3]) == (True, "0"), stop
            runs, ended = runs + 1, ended + (found[1][0][0] == str(OK))
            if found[0] != found[1]:
                unlike.append((stop, more, found))
    if TOLD:
        sys.stdout.write(f"\n{it.stages[0].chip.name}: {runs} restarts of a chain, {ended} to the end at once, {len(wrong)} wrong\n")  # fmt: skip
    assert (unlike, wrong) == ([], [])
    assert ended > runs // 3


def test_a_chip_that_is_reset_on_the_way_is_never_called_good(
    asked: tuple[Asked, list[str]],
) -> None:
    """One chip of the chain, before every stream of every routine (the suite: of some): what is called good is configured."""
    it, _ = asked
    fresh = TwinChain([s.chip for s in it.stages]).cores
    it.twin.cores[:] = [snapshot(core) for core in fresh]
    assert it.ask("i")[0] == str(OK)
    ready = it.cores()
    chip = it.stages[0].chip
    faults = [f for f in chip.faults.values() if f.normal_at_power_up]
    size = len(status_registers(chip))
    silent, runs, noticed = [], 0, 0
    for letter, known, before in (
        ("i", False, fresh), ("a", False, fresh), ("a", True, ready), ("w", True, ready), ("y", True, ready),
        ("v", True, ready), ("c", True, ready), ("r", True, ready),
    ):  # fmt: skip
        it.twin.cores[:] = [snapshot(core) for core in ready]
        assert it.ask("a")[0] == str(OK)
        it.twin.cores[:] = [snapshot(core) for core in before]
        if known:
            it.back(ready)
        assert it.ask(letter)[0] == str(OK), letter
        every = [("reset", n, k) for n in range(it.sent) for k in range(len(it.stages))]
        last = every[-2 * len(it.stages) :]
        some = [*random.Random(letter).sample(every, min(4, len(every))), *last]
        for damage in every if EVERY else sorted(set(some)):
            it.twin.cores[:] = [snapshot(core) for core in ready]
            assert it.ask("a")[0] == str(OK)
            it.twin.cores[:] = [snapshot(core) for core in before]
            if known:
                it.back(ready)
            answer = it.ask(letter, damage)
            runs, noticed = runs + 1, noticed + (answer[0] != str(OK))
            if answer[0] != str(OK) or right(it.twin, it.stages):
                continue
            words = [int(w, 16) for w in answer[4:]]
            if letter == "r" and tells_of_a_reset(chip, words[damage[2] * size :][:size], faults):
                continue
            silent.append((letter, damage, it.sent))
    if TOLD:
        sys.stdout.write(f"\n{chip.name}: {runs} runs of a chain with a reset, {noticed} noticed, {len(silent)} silent and wrong\n")  # fmt: skip
    assert silent == []
    assert noticed > runs // 2
