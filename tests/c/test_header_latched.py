"""A flag that says "a frame was rejected" and stays up until it is cleared: while it is, nothing is called good.

Own invented maps, one for each way to clear a flag and for replies that come 0, 1 and 2 frames later; none clears it in
its bring-up. The runtime in C, C++ and Rust runs against the simulated chip, whose registers are the judge; of the
shipped maps those whose replies hold such a flag.
"""

from __future__ import annotations

import itertools
import os
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.behaviour.faults import status_registers
from regmap.cheader import Options, generate
from regmap.stages.load import Stage, load_stage
from regmap.twin import Twin

from .test_header_damage import OK, Rig, damages, snapshot, twin_tests
from .written import TOOLS

ALL = os.environ.get("GATEWORD_EVERY_BIT") == "1"
FRAME_ERROR, REJECTED = 2, 4
MAP = """
gateword_map: 1
chip: {{name: latch24, title: tells of rejected frames in its replies (invented), invented: yes}}
spi: {{mode: 1}}
frames:
  only:
    length: 24
    command:
      rw:   {{bits: 23, holds: operation, codes: {{write: 0, read: 1}}}}
      addr: {{bits: 22..19, holds: address}}
      two:  {{bits: 18..16, holds: fixed, value: 0b010}}
      data: {{bits: 15..8, holds: data}}
      crc:  {{bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}}
    reply:
      after: {after}
      parts:
        rej:  {{bits: 23, holds: status, fault: SPI}}
        any:  {{bits: 22, holds: status, fault: ANY}}
        one:  {{bits: 21..20, holds: fixed, value: 0b01}}
        addr: {{bits: 19..16, holds: echo, of: addr}}
        data: {{bits: 15..8, holds: data}}
        crc:  {{bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}}
commands:
  CLEAR: {{parts: {{rw: 0, addr: 12, data: 0xC1}}, effects: [clear_faults], summary: clears every fault}}
registers:
  STAT:
    address: 1
    access: {access}
    reset: 0x01
    fields: {{OC: {{bits: 7}}, SPI: {{bits: 6}}, POR: {{bits: 0, reset: 1}}}}
  SUM: {{address: 9, access: ro, fields: {{ANY: {{bits: 0}}}}}}
  DRIVE: {{address: 2, reset: 0x44, writable: not locked, fields: {{SOURCE: {{bits: 7..4}}, SINK: {{bits: 3..0}}}}}}
  TIME: {{address: 3, reset: 0x15, writable: not locked, fields: {{DEAD: {{bits: 7..4}}, BLANK: {{bits: 3..0}}}}}}
  LOCK: {{address: 7, access: wo, fields: {{KEY: {{bits: 7..0, role: lock, options: {{0: none, 0xC2: lock, 0x3D: open}}}}}}}}
states:
  locked: {{entered_by: [LOCK.KEY = lock], left_by: [LOCK.KEY = open, reset]}}
faults:
  ANY: {{at: SUM.ANY, title: Any, severity: note, cleared_by: [CLEAR], summary_of: [OC, SPI]}}
  OC: {{at: STAT.OC, title: Overcurrent, cleared_by: [{way}, CLEAR]}}
  SPI: {{at: STAT.SPI, title: Frame rejected, severity: warn, cleared_by: [{way}], raised_by: [check_bits, clocks]}}
  POR: {{at: STAT.POR, title: Reset, severity: note, cleared_by: [{way}], normal_at_power_up: yes}}
sequences:
  power_up: [{{expect: STAT.POR = 1}}]
  unlock: [{{write: LOCK.KEY = open}}]
  configure: [{{configure: all}}, {{verify: all}}]
  lock: [{{write: LOCK.KEY = lock}}]
  clear_faults: [{{command: CLEAR}}]
"""
STAGE = """
gateword_stage: 1
stage: {name: latched, invented: yes}
map: latch24.yaml
settings: {DRIVE: {SOURCE: 9, SINK: 10}, TIME: {DEAD: 7, BLANK: 2}}
"""
#: way to clear -> (access of the status register, way)
WAYS = {
    "a 1 written": ("w1c", "write_1"),
    "a value written": ("w1c", "STAT.SPI = 1"),
    "a read": ("rc", "read"),
    "a command": ("ro", "CLEAR"),
}
KINDS = [f"{w}, {n} later" for w, n in itertools.product(WAYS, range(3))]
SUITE = [("a 1 written, 1 later", "c"), ("a command, 0 later", "c"), ("a read, 2 later", "c"), ("a 1 written, 0 later", "cpp"),
         ("a read, 1 later", "cpp"), ("a command, 2 later", "rust"), ("a 1 written, 1 later", "rust"), ("potoroo40", "c"),
         ("numbat24", "cpp"), ("potoroo40", "rust")]  # fmt: skip
RIGS = list(itertools.product([*KINDS, "potoroo40", "numbat24"], TOOLS)) if ALL else SUITE
#: overcurrent, by the map
OVERCURRENT = {"potoroo40": "OC", "numbat24": "OC_V"}


def own_stage(kind: str, folder: Path) -> Stage:
    way, _, after = kind.partition(", ")
    access, cleared = WAYS[way]
    text = MAP.format(access=access, way=cleared, after=after[0])
    for other in ("OC", "POR"):  # a value written clears the fault whose it is
        own = f"{other}: {{at: STAT.{other},"
        line = next(x for x in text.splitlines() if own in x)
        text = text.replace(line, line.replace("STAT.SPI = 1", f"STAT.{other} = 1"))
    (folder / "latch24.yaml").write_text(text, "utf-8")
    (folder / "latched.yaml").write_text(STAGE, "utf-8")
    return load_stage(folder / "latched.yaml")


@pytest.fixture(scope="module", params=RIGS, ids=" ".join)
def rig(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Rig:
    kind, language = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    folder = tmp_path_factory.mktemp("latched")
    shipped = {"potoroo40": "potoroo40", "numbat24": "conveyor_drum"}
    stage = (
        twin_tests().stage_of(shipped[kind], folder) if kind in shipped else own_stage(kind, folder)
    )
    return Rig(stage, folder, need(TOOLS[language]), language)


def flags(twin: Twin) -> list[str]:
    """The faults that say that a frame was rejected, as far as they are up."""
    chip = twin.chip
    told = {p.fault for f in chip.frames.values() for x in f.replies.values() for p in x.parts}
    causes = {"check_bits", "clocks"}
    return [n for n, f in chip.faults.items() if n in told and set(f.raised_by) & causes and twin.machine.raised(f)]  # fmt: skip


def latched(it: Rig) -> None:
    """A configured chip that has rejected a frame, its flag up since, and an overcurrent."""
    it.start()
    assert it.run("init")[0] == OK, it.found()
    raise_overcurrent(it)
    it.arm(("command", 0, 3))
    assert it.run("verify")[0] != OK
    it.arm()
    # the reply to the rejected frame itself may be still to come
    assert REJECTED in [it.run("verify")[0] for _ in range(4)]
    assert flags(it.twin)


def raise_overcurrent(it: Rig) -> None:
    """One that is over, but latched."""
    it.twin.machine.set_fault(it.stage.chip.faults[OVERCURRENT.get(it.stage.chip.name, "OC")], True)
    it.twin.machine.settle()


def over(it: Rig) -> bool:
    """Whether the overcurrent still shows."""
    fault = it.stage.chip.faults[OVERCURRENT.get(it.stage.chip.name, "OC")]
    return bool(it.twin.machine.raised(fault))


def right(it: Rig) -> bool:
    """Whether the chip holds every setting of the stage, and its lock is closed."""
    states = it.twin.machine.bank.states
    return it.configured() == [] and all(states[n] for n in states if n == "locked")


def sample(it: Rig, most: int, seed: int) -> list[tuple[str, int, int]]:
    return list(damages(it.sizes, seed, most))


@pytest.mark.one_in(2)
def test_nothing_is_called_good_while_the_flag_is_up(rig: Rig) -> None:
    for name in ("verify", "warm", "clear_faults"):
        latched(rig)
        # its command is sent all the same, and the next one may find the flag down
        for _ in range(1 if name == "clear_faults" else 3):
            rig.arm()
            assert rig.run(name)[0] == REJECTED, name
    latched(rig)
    rig.c.d_watch_begin()
    assert [rig.c.d_watch_once() for _ in range(2 * rig.c.d_ticks())][-1] == REJECTED


def test_the_status_is_read_all_the_same_and_not_called_good(rig: Rig) -> None:
    latched(rig)
    chip = rig.stage.chip
    fault = chip.faults[OVERCURRENT.get(chip.name, "OC")]
    for _ in range(2):
        before = rig.twin.machine.bank.words[fault.register]
        result, words = rig.status()
        assert result == REJECTED
        assert words[status_registers(chip).index(fault.register)] & before == before
        if not flags(rig.twin):
            break  # reading has erased it


def test_the_flag_is_cleared_and_known_to_be(rig: Rig) -> None:
    """By the map's way, undamaged and damaged; what can be cleared alone leaves the overcurrent."""
    latched(rig)
    rig.c.d_keep()
    ready = snapshot(rig.twin)
    rig.arm()
    assert rig.run("clear_rejected")[0] == OK, rig.found()
    assert flags(rig.twin) == []
    alone = any(f.access.value == "w1c" for f in rig.stage.chip.registers[status_of(rig)].fields)
    assert over(rig) == alone
    assert rig.run("verify")[0] == OK
    for wrong in sample(rig, 40, 5):
        rig.twin = snapshot(ready)
        rig.c.d_back()
        rig.arm(wrong)
        result = rig.run("clear_rejected")[0]
        rig.arm()
        if result == OK:
            # the last read may have been rejected itself: the next exchange says so
            assert flags(rig.twin) == [] or rig.run("verify")[0] in (FRAME_ERROR, REJECTED), wrong
            assert right(rig), wrong


def reads_erase(it: Rig) -> bool:
    """Whether reading the status erases it, and the reply comes within the same frame; no frame has a counter then."""
    chip = it.stage.chip
    [frame, *_] = chip.frames.values()
    erased = any(f.access.value == "rc" for r in chip.registers.values() for f in r.fields)
    counts = any(p.kind == "counter" for x in frame.replies.values() for p in x.parts)
    return erased and not frame.after and not counts


def status_of(it: Rig) -> str:
    chip = it.stage.chip
    return chip.faults[OVERCURRENT.get(chip.name, "OC")].register if chip.name == "latch24" else "FAULTS" if chip.name == "potoroo40" else "SYSTEM_FAULTS"  # fmt: skip


@pytest.mark.one_in(2)
def test_two_damages_in_a_row_are_never_called_good(rig: Rig) -> None:
    """The first is told and its flag stays up; whatever the second hits is not called good where it did harm."""
    rig.start()
    assert rig.run("init")[0] == OK
    rig.c.d_keep()
    ready = snapshot(rig.twin)
    draw = random.Random(9)
    runs = silent = 0
    for name in ("clear_faults", "verify", "status", "warm", "restart"):
        rig.twin = snapshot(ready)
        rig.c.d_back()
        raise_overcurrent(rig)
        rig.c.d_keep()
        raised = snapshot(rig.twin)
        rig.arm()
        rig.status() if name == "status" else rig.run(name)
        places = sample(rig, 30, 3)
        for second in places:
            rig.twin = snapshot(raised)
            rig.c.d_back()
            rig.arm(("command", 0, draw.randrange(8)))
            assert rig.run("verify")[0] != OK
            rig.arm(second)
            if name == "status":
                result, _ = rig.status()
                # a read that erases, seen twice: what its first reply held is gone, and nothing counts the frames
                lost = second[0] == "twice" and reads_erase(rig)
                bad = result == OK and not lost
            else:
                result, _ = rig.run(name)
                bad = not right(rig) or (name == "clear_faults" and over(rig))
            runs += 1
            silent += result == OK and bad
    assert runs >= 5 * 5
    assert silent == 0


@pytest.mark.one_in(2)
def test_a_restart_clears_the_flag_first(rig: Rig) -> None:
    """After a damaged bring-up, and after a damaged restart of a chip whose flag is up: never silently wrong, in the end right."""
    rig.start()
    assert rig.run("init")[0] == OK
    for wrong in sample(rig, 40, 1):
        rig.start()
        rig.arm(wrong)
        if rig.run("init")[0] == OK:
            assert right(rig), wrong
        second = random.Random(wrong[1] + wrong[2])
        for attempt in range(4):
            # the first attempt is damaged too
            rig.arm(
                ("command", second.randrange(4), second.randrange(16))
            ) if not attempt else rig.arm()
            result, _ = rig.run("restart")
            assert result != OK or right(rig), wrong
            if attempt and result == OK:
                break
        assert result == OK, (wrong, rig.found())
        assert right(rig)


def test_a_flag_that_no_way_clears_is_told(tmp_path: Path) -> None:
    for way in ("reset", "condition"):
        text = MAP.format(access="ro", way="CLEAR", after=1).replace(
            "cleared_by: [CLEAR], raised_by", f"cleared_by: [{way}], raised_by"
        )
        (tmp_path / "latch24.yaml").write_text(text, "utf-8")
        (tmp_path / "latched.yaml").write_text(STAGE, "utf-8")
        made = generate(load_stage(tmp_path / "latched.yaml"), Options(prefix="gd"))
        assert any("SPI" in n and "no way" in n for n in made.notes) == (way == "reset")
        assert "gd_clear_rejected" not in made.header
