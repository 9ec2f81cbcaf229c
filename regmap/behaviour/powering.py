"""What travels on the SPI between power-up and the first PWM, and on the way back to sleep.

    frames = power_frames(chip, stage.bank)
    frames.bring_up      the map's bring-up sequence, its waits among the frames
    frames.outputs_on    what enables the outputs, where a field does that
    frames.to_sleep      outputs off and the chip sent to sleep, where fields do that

Only the order and the lengths are asked for here; which words are sent hangs on the settings, and is
`bring_up_sequence`'s to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from regmap.record import dataclass

from ..chip.bank import Bank, find
from ..chip.model import Chip, Field, Step
from ..errors import CallError
from ..expr import evaluate
from .machine import Machine
from .settings import Action, counters_after, planned_steps
from .transition import STOP, brought_up, switches

#: where the frames stand, beside the map's sequences and `transition.STOP`
ENABLE, SLEEP = "outputs on", "sleep"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerFrames:
    """The actions of a start and of the way to sleep, in order; `refused` says why there are none.

    `to_sleep` is empty where no field disables the outputs and none sends the chip to sleep; `sleeps`
    says whether one does the latter (else a pin has to).
    """

    bring_up: tuple[Action, ...] = ()
    outputs_on: tuple[Action, ...] = ()
    to_sleep: tuple[Action, ...] = ()
    sleeps: bool = False
    refused: str = ""


def power_frames(chip: Chip, wanted: Bank) -> PowerFrames:
    """The frames of a start to these settings, and of the way to sleep from there.

    Searches ask it for thousands of settings that all take the same frames: it plans once for each state of
    what the map's conditions look at.
    """
    known: dict[object, PowerFrames] = chip.once("powering.frames", lambda _: {})
    key = tuple(_deciding(chip, wanted))
    if key not in known:
        known[key] = _planned(chip, wanted)
    return known[key]


def _deciding(chip: Chip, wanted: Bank) -> Iterator[object]:
    """Everything that order and length of the frames can hang on."""
    yield wanted.supply
    conditions = [f.when for f in chip.frames.values()]
    conditions += [r.writable for r in chip.registers.values()]
    conditions += [s.when for s in chip.states.values()]
    names = {n for c in conditions if c is not None for n in c.names()}
    yield from ((n, wanted.code(n)) for n in sorted(names) if find(chip, n) is not None)
    yield from ((r.name, wanted.words.get(r.name)) for r in chip.registers.values() if r.write_once)


def _planned(chip: Chip, wanted: Bank) -> PowerFrames:
    try:
        machine, bring_up = brought_up(chip, wanted, driving=False)
        gone = list(bring_up)
        on = _switched(machine, {ENABLE: ("drive.enable", True)}, gone)
        off = _switched(machine, {STOP: ("drive.enable", False), SLEEP: ("sleep", True)}, gone)
    except CallError as error:
        return PowerFrames(refused=str(error))
    # how it is left once it sleeps (read back, locked again) is no part of the way there
    last = max((n for n, a in enumerate(off) if a.sequence in (STOP, SLEEP)), default=-1)
    return PowerFrames(
        bring_up=tuple(bring_up),
        outputs_on=tuple(on),
        to_sleep=tuple(off[: last + 1]),
        sleeps=bool(switches(chip, "sleep")),
    )


def _switched(
    machine: Machine, ways: Mapping[str, tuple[str, bool]], gone: list[Action]
) -> list[Action]:
    """The frames that put the switches of these roles on or off, unlocked and locked where it takes that.

    `machine` runs along; the frames are added to those that are `gone` by, whose counters they go on from.
    """
    chip = machine.chip
    steps: dict[str, Iterable[Step]] = {}
    touched: list[Field] = []
    for sequence, (role, on) in ways.items():
        found = switches(chip, role)
        touched += [item for item, _, _ in found.values()]
        steps[sequence] = [
            Step(do="write", targets=(f"{item.ref} = 0x{on_code if on else off_code:X}",))
            for item, on_code, off_code in found.values()
        ]
    registers = [chip.registers[item.register] for item in touched]
    if any(
        r.writable is not None and evaluate(r.writable, machine.bank) is not True for r in registers
    ):
        unlock, lock = (chip.sequences.get(n, ()) for n in ("unlock", "lock"))
        steps = {"unlock": unlock, **steps, "lock": lock}
    made = planned_steps(chip, machine.bank.copy(), steps, machine, counters_after(gone))
    gone += made
    return made
