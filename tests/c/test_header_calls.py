"""What is asked a call a tick does what the routine that waits does: counters in step, a flag cleared, monitors tested, modes entered.

In C, C++ and Rust, compiled, against simulated chips; one thing goes wrong in each run, and the chip is reset in some: the same
result, the same frames, the same chip in the end. No call sends more than a frame, none waits.
"""

from __future__ import annotations

import ctypes
import itertools
from collections.abc import Callable
from fractions import Fraction

import pytest

from regmap.cli.header import with_derived

from .test_header_damage import BUSY, EVERY, OK, WAITING, Damage, Rig, damages, snapshot
from .test_header_reset import stage_of
from .written import GD, TOOLS

RESYNC, CLEAR, MONITORS, ENTER = range(4)
#: map or kind of map, and what its driver can be asked
ASKED = {
    "wombat24": {RESYNC, MONITORS, ENTER},
    "potoroo40": {RESYNC, CLEAR, ENTER},
    "a read, 1 later": {RESYNC, CLEAR},
}
RUNS = 24


@pytest.fixture(scope="module", params=itertools.product(ASKED, TOOLS), ids=" ".join)
def rig(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Rig, set[int]]:
    kind, language = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    stage = stage_of(kind, folder := tmp_path_factory.mktemp("calls"))
    return Rig(stage, folder, need(TOOLS[language]), language, with_derived(GD, stage)), ASKED[kind]


def waiting(it: Rig, kind: int) -> tuple[int, int]:
    failed = ctypes.c_uint32()
    if kind == MONITORS:
        return it.c.d_monitors(ctypes.byref(failed)), failed.value
    if kind == ENTER:
        return it.c.d_enter(0, 1, ctypes.byref(ctypes.c_uint16())), 0
    return it.run("resync" if kind == RESYNC else "clear_rejected")[0], 0


def ticked(it: Rig, kind: int) -> tuple[int, int]:
    """A call a tick; its waits are kept outside."""
    us, failed = ctypes.c_uint32(), ctypes.c_uint32()
    bursts = max(len(f.bursts) for f in it.stage.chip.frames.values())
    result = it.c.d_job_begin(kind, 0, 1)
    waits, result = it.waits, BUSY if result == OK else result
    while result in (BUSY, WAITING):
        before = len(it.sizes)
        result = it.c.d_job_tick(kind, ctypes.byref(us), ctypes.byref(failed))
        assert len(it.sizes) - before <= bursts
        it.twin.wait(Fraction(us.value, 1_000_000))
    assert it.waits == waits
    return result, failed.value


@pytest.mark.one_in(2)
def test_a_call_a_tick_does_the_same(rig: tuple[Rig, set[int]]) -> None:
    it, can = rig
    it.start()
    assert it.run("init")[0] == OK, it.found()
    it.c.d_keep()
    ready = snapshot(it.twin)
    for kind in range(4):
        if kind not in can:
            assert it.c.d_job_begin(kind, 0, 1) == 0xFFFF
            continue
        it.twin = snapshot(ready)
        it.c.d_back()
        it.arm()
        assert waiting(it, kind) == (OK, 0)
        sizes = list(it.sizes)
        wrong: list[Damage | None] = [None, *damages(sizes, kind, RUNS if not EVERY else 400)]
        wrong += [("reset", number, 0) for number in (0, len(sizes) // 2, len(sizes) - 1)]
        seen = set()
        for damage in wrong:
            found = []
            for way in (waiting, ticked):
                it.twin = snapshot(ready)
                it.c.d_back()
                it.arm(*([damage] if damage is not None else []))
                result = way(it, kind)
                bank = it.twin.machine.bank
                found.append((result, it.sizes, it.found(), dict(bank.words), dict(bank.states)))
            assert found[0] == found[1], (kind, damage)
            seen.add(found[0][0][0])
        assert OK in seen
        assert len(seen) > 1
    if ENTER in can:
        # a mode that is none; and the mode in which the chip is: nothing is sent
        assert it.c.d_job_begin(ENTER, 0, 99) == 10
        it.arm()
        assert it.c.d_job_begin(ENTER, 1, 1) == OK
        assert it.c.d_job_tick(ENTER, *(ctypes.byref(ctypes.c_uint32()) for _ in range(2))) == OK
        assert it.sizes == []
