"""Every bundled chip, simulated at random, recorded, traced: belief ends where the simulated chip does.

The simulated chip shares the map's behaviour with the trace, so this proves the way in between: recorder,
dump, edges, transfers, bursts, latency, frames by state, pages, guards; not the behaviour itself.
"""

from __future__ import annotations

import io
import random
from typing import Any

import pytest

from regmap.behaviour.plan import plan
from regmap.behaviour.settings import bring_up_sequence
from regmap.errors import CallError
from regmap.frames.codec import bursts, next_counters
from regmap.frames.recogniser import Recogniser
from regmap.maps.load import load_map
from regmap.trace.findings.wiring import diagnose
from regmap.trace.telling.story import tell
from regmap.twin import Twin

CHIPS = ["quoll16", "quokka16", "kowari16", "numbat24", "wombat24", "bilby32", "potoroo40"]


class Session:
    """A simulated chip with a recorder, driven by requests as firmware would."""

    def __init__(self, name: str, seed: int) -> None:
        self.chip = load_map(name)
        self.out = io.StringIO()
        self.twin = Twin(self.chip, seed=seed, vcd=self.out)
        self.twin.wait(0.005)
        self.parts: dict[str, int] = {}

    def send(self, sent: Any) -> None:
        self.twin.transfer(bursts(sent.frame, sent.word))
        # rolling counters go on from frame to frame
        self.parts.update(next_counters(sent.frame.command, sent.parts))

    def ask(self, *requests: str) -> None:
        bank = self.twin.machine.bank
        layout = Recogniser(self.chip).frame_in_force(bank).command
        given = {n: v for n, v in self.parts.items() if layout.named(n) is not None}
        for planned in plan(self.chip, requests, bank, given):
            self.send(planned.sent)

    def trace(self, traced: Any) -> Any:
        self.twin.close()
        return traced(self.out.getvalue(), self.chip)


def test_something_is_recorded(traced: Any) -> None:
    session = Session("quoll16", 1)
    session.ask("read:ID")
    assert session.trace(traced).walkers[0].belief.bank.word("ID") == 0x161


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("seed", [1, 2])
def test_belief_ends_where_the_chip_does(name: str, seed: int, traced: Any) -> None:
    rng = random.Random(seed)
    session = Session(name, seed)
    chip = session.chip
    for action in bring_up_sequence(chip, session.twin.machine.bank.copy(), ("unlock",)):
        if action.sent is not None:
            session.send(action.sent)
    # a page is selected by hand; what needs a given counter is left to the map's own plans
    registers = [
        r
        for r in chip.registers.values()
        if (r.page is None or not chip.page_select)
        and Recogniser(chip).frame_for(r, session.twin.machine.bank) is not None
    ]
    written = set()
    for _ in range(60):
        register = rng.choice(registers)
        try:
            if rng.random() < 0.5 or not register.holds_settings:
                session.ask(f"read:{register.name}")
            elif "LOCK" not in register.name and "KEY" not in register.name:
                word = (
                    rng.getrandbits(register.width) & ~register.reserved | register.reserved_write
                )
                session.ask(f"{register.name}=0x{word:X}")
                written.add(register.name)
        except CallError:
            continue
    after = max(f.after for f in chip.frames.values())
    for register in registers:
        if register.readable:
            session.ask(f"read:{register.name}")
    for _ in range(after):
        session.ask(f"read:{registers[0].name}")
    truth = {r.name: session.twin.word(r.name) for r in chip.registers.values()}
    trace = session.trace(traced)
    walker = trace.walkers[0]
    assert [m for m in diagnose(trace).mistakes if m.grave] == []
    bank = walker.belief.bank
    assert written
    for register in registers:
        mask = register.read_back
        known = bank.known.get(register.name, 0) & mask
        if register.name in written:
            assert known == mask, register.name
        assert not (bank.words.get(register.name, 0) ^ truth[register.name]) & known, register.name
    assert not [
        n.text
        for _, some in walker.notes()
        for n in some
        if n.kind == "impossible" and n.register in written
    ]


@pytest.mark.parametrize("name", CHIPS)
def test_the_plan_of_every_chip_is_read_back_as_written(name: str, traced: Any) -> None:
    """The map's own bring-up at reset values: every frame is taken, nothing is refused, no fault is seen."""
    session = Session(name, 3)
    chip = session.chip
    for action in bring_up_sequence(chip, session.twin.machine.bank.copy()):
        if action.wait is not None:
            session.twin.wait(action.wait.typ)
        if action.sent is not None:
            session.send(action.sent)
    trace = session.trace(traced)
    story = tell(trace)
    assert story.diagnosis.grave == ()
    assert story.counts.get("rejected", 0) == 0
    assert not [w for w in trace.walkers[0].belief.writes if w.why or w.denied >= 0]
    assert trace.breaches == ()
