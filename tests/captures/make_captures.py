"""Makes the bundled captures that a simulated chip wrote. Run: python tests/captures/make_captures.py

Same seed, same virtual clock, same files: a test compares what is bundled with what this makes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable
from fractions import Fraction
from functools import cache
from pathlib import Path

from regmap.behaviour.plan import plan
from regmap.behaviour.settings import BRING_UP, bring_up_sequence
from regmap.frames.codec import bursts
from regmap.stages.load import load_stage
from regmap.twin import Twin

FOLDER = Path(__file__).parents[2] / "captures"
stage_named = cache(load_stage)


class Controller:
    """Sends what a controller's firmware would, to a simulated chip that records."""

    def __init__(self, stage: str, seed: int) -> None:
        self.stage = stage_named(stage)
        self.out = io.StringIO()
        self.twin = Twin(self.stage.chip, seed=seed, vcd=self.out)
        self.twin.wait(Fraction(50, 1_000_000))

    def ask(self, *requests: str) -> None:
        """Frames for these requests, as they are on the chip's side now."""
        for planned in plan(self.stage.chip, requests, self.twin.machine.bank):
            self.twin.transfer(bursts(planned.sent.frame, planned.sent.word))

    def bring_up(self, sequences: Iterable[str] = BRING_UP) -> None:
        """The map's sequences with the stage's settings."""
        for action in bring_up_sequence(self.stage.chip, self.stage.bank, sequences):
            if action.wait is not None:
                self.twin.wait(action.wait.typ)
            if action.sent is not None:
                self.twin.transfer(bursts(action.sent.frame, action.sent.word))

    def poll(self, count: int, *registers: str, period: Fraction = Fraction(1, 1000)) -> None:
        """Read these registers once a period."""
        for _ in range(count):
            start = self.twin.clock.seconds
            self.ask(*(f"read:{name}" for name in registers))
            self.twin.wait(max(Fraction(0), start + period - self.twin.clock.seconds))

    def text(self) -> str:
        self.twin.close()
        return self.out.getvalue()


def drum_bring_up() -> str:
    """A Numbat-24 from power-up to configured, read back and locked, then polled."""
    c = Controller("conveyor_drum", 1)
    c.bring_up()
    c.poll(3, "STATUS")
    return c.text()


def drum_short() -> str:
    """High side V trips its VDS monitor for 40 us while a Numbat-24 is polled; then it is cleared."""
    c = Controller("conveyor_drum", 2)
    c.bring_up(("unlock", "configure", "lock"))
    now = c.twin.clock.seconds
    c.twin.disturb(f"vds_vh at {float((now + Fraction(32, 10_000)) * 1000):.4f} ms for 40 us")
    c.poll(5, "STATUS")
    c.ask("read:VDS_FAULTS", "read:GATE_FAULTS", "CLEAR_ALL", "read:VDS_FAULTS")
    c.poll(3, "STATUS")
    return c.text()


def pump_brown_out() -> str:
    """The supply of a configured Quoll-16 dips below what the logic needs: it comes back at reset."""
    c = Controller("coolant_pump", 3)
    c.bring_up(("unlock", "configure", "lock"))
    now = c.twin.clock.seconds
    start = (now + Fraction(25, 10_000)) * 1000
    c.twin.disturb(f"undervoltage at {float(start):.4f} ms for 1500 us")
    c.twin.disturb(f"no_power at {float(start) + 1.2:.4f} ms for 1800 us")
    c.poll(9, "STATUS1", "STATUS2", "GATE_HS")
    return c.text()


def pump_dead_reply() -> str:
    """SDO of a Quoll-16 breaks in mid-work and is pulled high: every word reads all ones."""
    c = Controller("coolant_pump", 4)
    c.bring_up(("unlock", "configure", "lock"))
    c.poll(3, "STATUS1", "STATUS2")
    c.twin.disturb("dead_reply high")
    c.poll(5, "STATUS1", "STATUS2", "ID")
    return c.text()


def pump_locked_write() -> str:
    """Firmware writes a gate current to a Quoll-16 that it has locked before; the write is refused."""
    c = Controller("coolant_pump", 5)
    c.bring_up(("unlock", "configure", "lock"))
    c.poll(1, "STATUS2")
    c.ask("GATE_HS.SOURCE = 270 mA", "read:GATE_HS")
    c.poll(1, "STATUS2")
    c.ask(
        "LOCK.KEY = open",
        "GATE_HS.SOURCE = 270 mA",
        "read:GATE_HS",
        "LOCK.KEY = locked",
        "read:STATUS2",
    )
    return c.text()


CAPTURES: dict[str, Callable[[], str]] = {
    "drum_bring_up.vcd": drum_bring_up,
    "drum_short.vcd": drum_short,
    "pump_brown_out.vcd": pump_brown_out,
    "pump_dead_reply.vcd": pump_dead_reply,
    "pump_locked_write.vcd": pump_locked_write,
}


def main() -> None:
    for name, make in CAPTURES.items():
        temporary = FOLDER / (name + ".part")
        temporary.write_text(make(), encoding="ascii", newline="\n")
        temporary.replace(FOLDER / name)


if __name__ == "__main__":
    main()
