"""A chip that is reset between two frames of a routine, while the controller goes on: what is called good is configured.

The runtime in C, C++ and Rust runs against simulated chips, whose registers are the judge: before each transfer of each routine a
supply dip puts every register at its reset value and the flag of power-up up. The maps are the bundled ones and invented ones that
tell of a reset in a register only, or nowhere. A chip that replies nothing of it shows it by its settings alone.

The suite takes some drivers and a small sample of the transfers that never changes, the last ones among them, for nothing is read
back after those; GATEWORD_EVERY_BIT=1 takes every transfer of every routine of every driver, and with `-s` prints the counts.
"""

from __future__ import annotations

import ctypes
import itertools
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from regmap.behaviour.faults import status_registers
from regmap.chip.model import Chip, Fault
from regmap.cli.header import with_derived
from regmap.stages.load import Stage, load_stage

from . import test_header_latched as latched
from . import test_header_modes as modes
from .test_header_damage import BUSY, EVERY, OK, WAITING, Rig, snapshot, told, twin_tests
from .written import GD, TOOLS

FRAME_ERROR, EXPECT, REJECTED, RESET, MONITOR = 2, 3, 4, 6, 9
#: nothing but the settings tells that this chip was reset
SILENT = "nothing tells"
#: the flag of power-up stands in replies, and no check bits cover it
BARE_FLAG = "a bare flag"
OWN = [f"{k}, {n} later" for k in (SILENT, BARE_FLAG) for n in range(3)]
KINDS = [*latched.KINDS, *OWN]
BUNDLED = [
    "coolant_pump",
    "conveyor_drum",
    "radiator_fan",
    "fan_second_source",
    "pump_second_source",
]
BARE = ["wombat24", "bilby32", "potoroo40", "quokka16"]
SUITE = [("coolant_pump", "c"), ("conveyor_drum", "cpp"), ("wombat24", "c"), ("bilby32", "c"), ("potoroo40", "rust"),
         ("a command, 1 later", "c"), (f"{SILENT}, 1 later", "rust"), (f"{BARE_FLAG}, 0 later", "c"),
         (f"{BARE_FLAG}, 2 later", "cpp"), (f"{BARE_FLAG}, 1 later", "rust")]  # fmt: skip
RIGS = list(itertools.product([*BUNDLED, *BARE, *KINDS], TOOLS)) if EVERY else SUITE
#: transfers of a routine that the suite takes, beside the last ones
SOME, LAST = 4, 4


def own_stage(kind: str, folder: Path) -> Stage:
    """The stage of a chip whose map knows no flag of power-up, or one whose replies have it bare."""
    text = latched.MAP.format(access="w1c", way="write_1", after=kind.rpartition(", ")[2][0])
    if kind.startswith(BARE_FLAG):
        reply = text.index("    reply:")
        head, tail = text[:reply], text[reply:]
        tail = tail.replace(
            "rej:  {bits: 23, holds: status, fault: SPI}",
            "por:  {bits: 23, holds: status, fault: POR}",
            1,
        )
        own = "crc:  {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}"
        assert own in tail
        tail = tail.replace(own, "mark: {bits: 7..0, holds: fixed, value: 0x5A}", 1)
        (folder / "latch24.yaml").write_text(head + tail, "utf-8")
        (folder / "latched.yaml").write_text(latched.STAGE, "utf-8")
        return load_stage(folder / "latched.yaml")
    lines = [x for x in text.splitlines() if not x.startswith(("  POR:", "  power_up:"))]
    assert len(lines) == len(text.splitlines()) - 2
    text = (
        "\n".join(lines)
        .replace(", POR: {bits: 0, reset: 1}", "")
        .replace("reset: 0x01", "reset: 0")
    )
    (folder / "latch24.yaml").write_text(text, "utf-8")
    (folder / "latched.yaml").write_text(latched.STAGE, "utf-8")
    return load_stage(folder / "latched.yaml")


def stage_of(kind: str, folder: Path) -> Stage:
    if kind in OWN:
        return own_stage(kind, folder)
    if kind in latched.KINDS:
        return latched.own_stage(kind, folder)
    if kind in BUNDLED:
        return load_stage(kind)
    if kind in modes.BARE:
        return modes.stage_of(kind, folder)
    return twin_tests().stage_of(kind, folder)


@pytest.fixture(scope="module", params=RIGS, ids=" ".join)
def rig(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rig:
    kind, language = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    folder = tmp_path_factory.mktemp("reset")
    stage = stage_of(kind, folder)
    return Rig(stage, folder, need(TOOLS[language]), language, with_derived(GD, stage))


@dataclass(frozen=True)
class Routine:
    """What is called; from where (0: a chip after power-up, 1: one that works and its controller, 2: a new controller beside it)."""

    name: str
    start: int
    call: Callable[[Rig], int]
    #: what the chip holds then
    mode: Stage | None = None


def enter(it: Rig, source: int, target: int) -> int:
    failed = ctypes.c_uint16()
    result: int = it.c.d_enter(source, target, ctypes.byref(failed))
    return result


def watched(it: Rig) -> int:
    """Two rotations; a watch that finds nothing is good."""
    result: int = it.c.d_watch(2 * it.c.d_ticks() + 4)
    return OK if result in (BUSY, WAITING) else result


def read(it: Rig) -> int:
    """A status read; its words stay at hand."""
    it.words = it.status()
    return it.words[0]


def monitored(it: Rig) -> int:
    """A silent monitor of a chip that is as before is no reset."""
    failed = ctypes.c_uint32()
    result: int = it.c.d_monitors(ctypes.byref(failed))
    return OK if result == MONITOR else result


def routines(it: Rig) -> Iterator[Routine]:
    for name, start in (("init", 0), ("restart", 0), ("restart", 1), ("warm", 2), ("resync", 2), ("resync", 1), ("verify", 1)):  # fmt: skip
        yield Routine(name, start, lambda x, n=name: x.run(n)[0])  # type: ignore[misc]
    if "clear_faults" in it.stage.chip.sequences:
        yield Routine("clear_faults", 1, lambda x: x.run("clear_faults")[0])
    yield Routine("clear_rejected", 1, lambda x: x.run("clear_rejected")[0])
    yield Routine("status", 1, read)
    yield Routine("watch", 1, watched)
    yield Routine("monitors", 1, monitored)
    for number, (name, mode) in enumerate(it.stage.modes.items(), start=1):
        yield Routine(f"enter {name}", 1, lambda x, n=number: enter(x, 0, n), mode)  # type: ignore[misc]


def tells_of_a_reset(chip: Chip, words: list[int], faults: list[Fault]) -> bool:
    """Whether the words of a status read show a fault that is up after power-up."""
    names = list(status_registers(chip))
    for fault in faults:
        field = chip.field(fault.ref)
        assert field is not None
        if words[names.index(fault.register)] & field.mask == (fault.code or 1) << field.bits[-1]:
            return True
    return False


@pytest.mark.one_in(2)
def test_a_reset_between_two_frames_is_never_called_good(rig: Rig) -> None:
    it = rig
    it.start()
    fresh = snapshot(it.twin)
    assert it.run("init")[0] == OK, it.found()
    it.c.d_keep()
    ready = snapshot(it.twin)
    chip = it.stage.chip
    faults = [f for f in chip.faults.values() if f.normal_at_power_up]
    in_replies = any(
        p.fault in {f.name for f in faults}
        for frame in chip.frames.values()
        for layout in frame.replies.values()
        for p in layout.parts
    )
    silent, all_runs, all_noticed = [], 0, 0

    def begin(start: int) -> None:
        it.twin = snapshot(ready if start else fresh)
        if start == 1:
            it.c.d_back()
            it.arm()
        else:
            it.begin()

    for routine in routines(it):
        begin(routine.start)
        result = routine.call(it)
        if result in (0xFFFF, 10):
            continue  # there is none
        assert result == OK, (routine.name, it.found())
        every = range(len(it.sizes))
        some = random.Random(routine.name).sample(every, min(SOME, len(every)))
        runs = noticed = 0
        for number in every if EVERY else sorted({*some, *every[-LAST:]}):
            begin(routine.start)
            it.arm(("reset", number, 0))
            result = routine.call(it)
            runs, noticed = runs + 1, noticed + (result != OK)
            wrong = it.configured(routine.mode) if result == OK else []
            again = number >= len(every) // 2
            if routine.name == "status" and not in_replies and (again or not faults):
                continue  # its words were true when they were read the last time
            if wrong and routine.name == "status" and tells_of_a_reset(chip, it.words[1], faults):
                continue
            if wrong:
                silent.append((routine.name, routine.start, number, len(every), wrong[:3]))
        all_runs, all_noticed = all_runs + runs, all_noticed + noticed
    told("runs with a reset", chip.name, all_runs, all_noticed, len(silent))
    assert silent == []
    assert all_noticed > all_runs // 3


def test_one_wrong_bit_of_a_reply_is_no_reset(rig: Rig) -> None:
    """While the chip is watched: noticed as damage where the map lets the reply be checked; a bare flag is believed the second time."""
    it = rig
    it.start()
    assert it.run("init")[0] == OK
    it.c.d_keep()
    ready = snapshot(it.twin)
    ticks = it.c.d_ticks()
    it.c.d_watch_begin()
    found = set()
    for number in (0, ticks // 2):
        it.arm()
        for _ in range(number + 1):
            it.c.d_watch_once()
        size = it.sizes[number]
        for bit in range(8 * size):
            it.twin = snapshot(ready)
            it.c.d_back()
            it.c.d_watch_begin()
            it.arm(("reply", number, bit))
            results = {it.c.d_watch_once() for _ in range(ticks)}
            found |= results
            assert RESET not in results, (number, bit)
    assert found <= {FRAME_ERROR, EXPECT, REJECTED, BUSY, WAITING}
    assert FRAME_ERROR in found
    # and a reset is one
    it.twin = snapshot(ready)
    it.c.d_back()
    it.c.d_watch_begin()
    it.arm(("reset", 1, 0))
    results = [it.c.d_watch_once() for _ in range(ticks + 3)]
    assert set(results) & {FRAME_ERROR, EXPECT, REJECTED, RESET}
