"""The watch of the configuration in C, C++ and Rust: what is lost is found in time, at its place, bit for bit.

The time is GD_WATCH_TICKS calls and as many more as GD_WATCH_WORST_US says: a setting is lost right after it was read, and its
reply comes late.
"""

from __future__ import annotations

import random
import re
import shutil
import subprocess
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from regmap.cheader import Options, generate
from regmap.cheader.names import word
from regmap.chip.model import Register
from regmap.stages.load import load_stage

from .test_header_damage import CHIPS, OK, RIGS, Rig, snapshot, twin_tests
from .written import TOOLS

EXPECT, RESET, BUSY, WAIT = 3, 6, 7, 8
FIELDS = 4  # settings of each chip, each at three places of the rotation


@pytest.fixture(scope="module", params=RIGS, ids="-".join)
def rig(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rig:
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    chip, language = request.param
    folder = tmp_path_factory.mktemp(chip)
    stage = twin_tests().stage_of(CHIPS[chip][0], folder)
    it = Rig(stage, folder, need(TOOLS[language]), language)
    assert it.run("init")[0] == OK, it.found()
    it.c.d_keep()
    return it


def found_after(it: Rig, phase: int, lose: Callable[[], None]) -> tuple[int, int]:
    """(calls until the watch says so, its result) when something is lost after `phase` quiet calls."""
    it.c.d_back()
    it.c.d_watch_begin()
    for _ in range(phase):
        assert it.c.d_watch_once() in (BUSY, WAIT)
    lose()
    for calls in range(1, 500):
        result = it.c.d_watch_once()
        if result not in (BUSY, WAIT):
            return calls, result
    raise AssertionError("never found")


@cache
def most(it: Rig) -> int:
    """Calls until a loss is told, at the latest: what the header promises, in C by its macro."""
    header = generate(it.stage, Options(prefix="gd")).header
    late = re.search(r"define GD_WATCH_WORST_US.*GD_WATCH_TICKS \+ (\d+)U\)", header)
    assert late is not None
    # a call later than the frame that reads it at the earliest
    assert int(late[1]) == max(1, *(f.after for f in it.stage.chip.frames.values()), 1)
    return int(it.c.d_ticks()) + int(late[1])


def steps_of(stage_header: str) -> dict[str, int]:
    return {
        n: int(v) for n, v in re.findall(r"#define GD_(\w+)_READBACK_STEP +(\d+)U", stage_header)
    }


@pytest.mark.one_in(2)
def test_every_rotation_is_quiet_while_nothing_is_lost(rig: Rig) -> None:
    it = rig
    ready = it.twin
    it.twin = snapshot(ready)
    it.c.d_back()
    it.c.d_watch_begin()
    assert {it.c.d_watch_once() for _ in range(3 * it.c.d_ticks())} <= {BUSY, WAIT}
    it.twin = ready


@pytest.mark.one_in(2)
def test_a_lost_setting_is_found_in_time_and_at_its_register(rig: Rig) -> None:
    it = rig
    chip, ticks = it.stage.chip, it.c.d_ticks()
    places = steps_of(generate(it.stage, Options(prefix="gd")).header)
    ready = it.twin
    rng = random.Random(3)
    fields = [
        f
        for r in chip.registers.values()
        if word(r.name) in places
        for f in r.fields
        if f.setting and r.read_back & f.mask == f.mask and f.ref != chip.page_select
    ]
    assert fields
    for field in rng.sample(fields, min(FIELDS, len(fields))):
        register: Register = chip.registers[field.register]
        bit = 1 << rng.choice(field.bits)
        if chip.frames and any(
            field.ref in f.when.names() for f in chip.frames.values() if f.when is not None
        ):
            continue  # another layout: nothing fits any more, which the next frame tells
        for phase in (0, ticks // 2, ticks - 1):
            it.twin = snapshot(ready)
            before = it.twin.machine.bank.words[register.name]
            calls, result = found_after(
                it,
                phase,
                lambda b=before, r=register, m=bit: it.twin.machine.bank.learn(r.name, ~b, m),
            )
            assert calls <= most(it), field.ref
            assert result == EXPECT, field.ref
            step, _, _, differ = it.found()
            where = places[word(register.name)]
            # a complement shows in its own register too
            if not any(r.complement_of for r in chip.registers.values()):
                assert (step, differ) == (where, bit), field.ref
                assert not it.c.d_in_lock()
    it.twin = ready


def test_a_lock_that_opens_is_found(rig: Rig) -> None:
    it = rig
    chip = it.stage.chip
    if not any(s.do == "expect" for s in chip.sequences.get("lock", ())):
        assert chip.name in ("wombat24", "bilby32", "potoroo40")
        return
    ready = it.twin
    for phase in (0, it.c.d_ticks() // 2):
        it.twin = snapshot(ready)

        def opened() -> None:
            bank = it.twin.machine.bank
            for name in bank.states:
                bank.states[name] = not bank.states[name] if "lock" in name else bank.states[name]
            it.twin.machine.settle()

        calls, result = found_after(it, phase, opened)
        assert (result, calls <= most(it)) == (EXPECT, True)
        assert it.found()[3] != 0
    it.twin = ready


def test_reserved_bits_that_change_are_found(rig: Rig) -> None:
    it = rig
    kept = {
        r.name: r.kept & r.shows
        for r in it.stage.chip.registers.values()
        if r.kept & r.shows and r.settings
    }
    assert bool(kept) == (it.stage.chip.name in ("numbat24", "bilby32", "potoroo40"))
    ready = it.twin
    for name, mask in kept.items():
        for bit in (mask & -mask, 1 << mask.bit_length() - 1):
            it.twin = snapshot(ready)
            before = it.twin.machine.bank.words[name]
            calls, result = found_after(
                it, 1, lambda n=name, b=before, m=bit: it.twin.machine.bank.learn(n, ~b, m)
            )
            assert (result, calls <= most(it)) == (EXPECT, True)
            assert it.found()[3] == bit
    it.twin = ready


def test_a_reset_is_found_and_warm_start_or_init_mend_it(rig: Rig) -> None:
    it = rig
    ready = it.twin
    it.twin = snapshot(ready)
    calls, _ = found_after(it, it.c.d_ticks() // 2, it.twin.power_up)
    assert calls <= most(it)
    it.begin()
    assert it.run("init")[0] == OK, it.found()
    assert it.configured() == []
    it.twin = ready


def test_one_copy_of_the_rows() -> None:
    """Readback, lock and warm start are parts of the bring-up's table where the map's order allows it."""
    for name in ("coolant_pump", "conveyor_drum"):
        header = generate(load_stage(name), Options(prefix="gd")).header
        for table in ("warm", "readback", "locked"):
            assert re.search(
                rf"^#define gd_{table}_steps \(&gd_init_steps\[\d+U\]\)$", header, re.M
            )
        assert "verify_words" not in header


def test_a_period_that_is_too_long_stops_the_build(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    gcc = need_tool("gcc")
    assert shutil.which("gcc")
    header = generate(load_stage("coolant_pump"), Options(prefix="gd")).header
    (tmp_path / "gd.h").write_text(header, "utf-8")
    most = int(re.search(r"GD_WATCH_PERIOD_MOST_US +(\d+)U", header)[1])  # type: ignore[index]
    for period, status in ((most, 0), (most + 1, 1)):
        done = subprocess.run(
            [
                gcc,
                "-std=c99",
                f"-DGD_WATCH_PERIOD_US={period}U",
                "-fsyntax-only",
                "-x",
                "c",
                tmp_path / "gd.h",
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == status, done.stderr
        assert ("called too seldom" in done.stderr) == bool(status)
