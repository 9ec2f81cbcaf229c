"""Damaged frames against the generated runtime in C, C++ and Rust, compiled: what it calls good is good.

One thing goes wrong in each run: a bit of a command, a bit of a reply, a reply that is an older one, a frame that the
chip sees twice or never, a dead reply; of status reads also two bits, in two frames or in one. The judge reads the simulated chip's registers, not what the runtime believes.

The suite takes a small sample that never changes. GATEWORD_DAMAGED=400 takes so many bring-ups and so many status reads of
each chip, GATEWORD_EVERY_BIT=1 every bit of every frame there and back, and all else; with `-s` both print how many runs that
were, how many were noticed, and how many were harmless.
"""

from __future__ import annotations

import copy
import ctypes
import importlib.util
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest

from regmap.behaviour.faults import status_registers
from regmap.behaviour.settings import bring_up_sequence
from regmap.cheader import Options
from regmap.cheader.plans import configured
from regmap.frames.codec import from_wire, wire_bytes
from regmap.stages.load import Stage
from regmap.twin import Twin

from .written import GD, TOOLS, put

HERE = Path(__file__).parent
OK, BUSY, WAITING = 0, 7, 8
#: damaged runs for each chip: bring-ups, status reads
BRING_UPS, STATUS_READS = (int(os.environ.get("GATEWORD_DAMAGED", n)) for n in (40, 60))
TOLD = "GATEWORD_DAMAGED" in os.environ or "GATEWORD_EVERY_BIT" in os.environ
EVERY = os.environ.get("GATEWORD_EVERY_BIT") == "1"
TRANSFER = ctypes.CFUNCTYPE(
    ctypes.c_bool,
    ctypes.c_void_p,
    ctypes.POINTER(ctypes.c_uint8),
    ctypes.POINTER(ctypes.c_uint8),
    ctypes.c_uint8,
)
WAIT = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint32)
#: chip -> its stage, and a fault that is raised before the status is read
CHIPS = {
    "quoll16": ("coolant_pump", "vds_uh"),
    "numbat24": ("conveyor_drum", "oc_v"),
    "wombat24": ("wombat24", "ot"),
    "bilby32": ("bilby32", "uv_pump"),
    "potoroo40": ("potoroo40", "oc"),
    "quokka16": ("quokka16", "vds_uh"),
    "kowari16": ("radiator_fan", "vds_uh"),
}
#: chips whose frames have a parity bit and no checksum
PARITY_ONLY = {"quoll16", "quokka16", "kowari16", "wombat24"}
Damage = tuple[str, int, int]  # what, transfer number, bit or age


def twin_tests() -> ModuleType:
    spec = importlib.util.spec_from_file_location("header_twin", HERE / "test_header_twin.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def snapshot(twin: Twin) -> Twin:
    """A copy that goes its own way; what never changes is shared, which is most of it."""
    chip = twin.chip
    moving = ("bank", "spent", "doubtful", "conditions", "progress")
    shared = [
        chip,
        twin.codec,
        *chip.registers.values(),
        *chip.faults.values(),
        *chip.frames.values(),
    ]
    shared += [*chip.commands.values(), *(f for r in chip.registers.values() for f in r.fields)]
    shared += [v for name, v in vars(twin.machine).items() if name not in moving]
    return copy.deepcopy(twin, {id(x): x for x in shared})


#: chips whose driver in C++ and in Rust the suite damages too; GATEWORD_ALL_LANGUAGES=1 takes every chip in both
SUITE = [("wombat24", "cpp"), ("potoroo40", "cpp"), ("bilby32", "rust"), ("quoll16", "rust")]
RIGS = [(n, "c") for n in CHIPS] + (
    [(n, x) for n in CHIPS for x in ("cpp", "rust")]
    if os.environ.get("GATEWORD_ALL_LANGUAGES") == "1"
    else SUITE
)


def library_command(
    stage: Stage, folder: Path, tool: str, language: str, library: Path, options: Options = GD
) -> list[str | Path]:
    """Writes the driver, and gives what makes a library of it whose routines are those of header/damage.c."""
    made = put(stage, language, folder, options).header
    there = {"monitors": "test_monitors", "clears": " clear_rejected(", "modes": " enter("}
    there = {k: v for k, v in there.items() if v in made}
    if language == "rust":
        source = folder / "damage.rs"
        source.write_text((HERE / "languages" / "damage.rs").read_text("utf-8"), "utf-8")
        has = [x for name in there for x in ("--cfg", name)]
        return [
            tool,
            *has,
            "--edition",
            "2021",
            "-O",
            "--crate-type",
            "cdylib",
            source,
            "-o",
            library,
        ]
    several = ["-DGD_FORMATS"] if len(stage.chip.frames) > 1 else []
    flags = ["-Wall", "-Wextra", "-Werror", "-O1", "-shared", "-fPIC", "-I", folder]
    if language == "cpp":
        has = [f"-D{name.upper()}" for name in there]
        # several libraries in one process: each its own tables
        return [
            tool,
            *has,
            "-std=c++17",
            "-fno-gnu-unique",
            *flags,
            HERE / "languages" / "damage.cpp",
            "-o",
            library,
        ]
    return [tool, *several, "-std=c99", *flags, HERE / "header" / "damage.c", "-o", library]


class Rig:
    """The compiled runtime and a simulated chip, with one damage on the way."""

    def __init__(
        self, stage: Stage, folder: Path, tool: str, language: str = "c", options: Options = GD
    ) -> None:
        self.stage = stage
        self.options = options
        library = folder / "damage.so"
        subprocess.run(self.command(folder, tool, language, library), check=True)
        self.c = ctypes.CDLL(str(library))
        #: what the bring-up leaves locked
        self.states = dict(configured(stage, bring_up_sequence(stage.chip, stage.bank)).bank.states)
        self._calls = (TRANSFER(self._transfer), WAIT(self._wait))
        self.damages: tuple[Damage, ...] = ()
        self.waits = 0
        #: what the last status read told
        self.words: tuple[int, list[int]] = (OK, [])
        self.fresh: dict[str, Twin] = {}
        self.start()

    def command(self, folder: Path, tool: str, language: str, library: Path) -> list[str | Path]:
        """What makes the library."""
        return library_command(self.stage, folder, tool, language, library, self.options)

    def start(self, rejected: str = "zero") -> None:
        if rejected not in self.fresh:
            self.fresh[rejected] = Twin(self.stage.chip, rejected=rejected)
        self.twin = snapshot(self.fresh[rejected])
        self.begin()

    def begin(self, *damages: Damage) -> None:
        """A controller that has just started."""
        self.c.d_begin(*self._calls)
        self.arm(*damages)

    def arm(self, *damages: Damage) -> None:
        """What goes wrong from now on, by the number of the transfer; nothing without any."""
        self.damages = damages
        self.sizes: list[int] = []
        self.replies: list[bytes] = []

    def _transfer(self, _context: object, out: object, into: object, size: int) -> bool:
        now = {d[0]: d[2] for d in self.damages if d[1] == len(self.sizes)}
        msb = self.stage.chip.spi.msb_first
        sent = from_wire(bytes(out[:size]), 8 * size, msb_first=msb)  # type: ignore[index]
        sent ^= sum(1 << d[2] for d in self.damages if d[:2] == ("command", len(self.sizes)))
        older = [r for r in self.replies if len(r) == size]
        if "reset" in now:
            self.twin.power_up()
        if "never" in now:
            got = from_wire(older[-1], 8 * size, msb_first=msb) if older else 0
        else:
            [got] = self.twin.transfer([(sent, 8 * size)])
        if "twice" in now:
            [got] = self.twin.transfer([(sent, 8 * size)])
        got ^= sum(1 << d[2] for d in self.damages if d[:2] == ("reply", len(self.sizes)))
        reply = wire_bytes(got, 8 * size, msb_first=msb)
        if len(older) >= now.get("older", len(older) + 1):
            reply = older[-now["older"]]
        if "gone" in now:
            reply = (b"\0" if now["gone"] else b"\xff") * size
        self.sizes.append(size)
        self.replies.append(reply)
        ctypes.memmove(into, reply, size)  # type: ignore[arg-type]
        return True

    def _wait(self, _context: object, us: int) -> None:
        self.waits += 1
        self.twin.wait(Fraction(us, 1_000_000))

    def run(self, name: str) -> tuple[int, int]:
        """The routine's result, and the step at which it stopped."""
        failed = ctypes.c_uint16(0xFFFF)
        result = getattr(self.c, f"d_{name}")(ctypes.byref(failed))
        return result, failed.value

    def status(self) -> tuple[int, list[int]]:
        words = (ctypes.c_uint64 * 64)()
        result = self.c.d_status(words)
        return result, list(words)[: len(status_registers(self.stage.chip))]

    def status_by_ticks(self) -> tuple[int, list[int]]:
        """As `status`, a call a tick; never more than one frame in one, and no waiting."""
        words = (ctypes.c_uint64 * 64)()
        bursts = max(len(f.bursts) for f in self.stage.chip.frames.values())
        waits, result = self.waits, BUSY
        self.c.d_status_begin()
        while result in (BUSY, WAITING):
            before = len(self.sizes)
            result = self.c.d_status_tick(words)
            assert len(self.sizes) - before <= bursts
        assert self.waits == waits
        return result, list(words)[: len(status_registers(self.stage.chip))]

    def found(self) -> list[int]:
        words = (ctypes.c_uint64 * 4)()
        self.c.d_found(words)
        return list(words)

    def configured(self, mode: Stage | None = None) -> list[str]:
        """Settings of the stage, or of its `mode`, that the chip does not hold, and locks that are not as the bring-up leaves them."""
        bank = self.twin.machine.bank
        return [
            s.name
            for s in (mode or self.stage).settings
            if s.name.partition(".")[0] in self.stage.chip.registers
            and bank.code(s.name) != s.choice.code
        ] + [n for n, closed in self.states.items() if bank.states[n] != closed]


def damages(sizes: list[int], seed: int, most: int) -> Iterator[Damage]:
    """Single damages over all transfers; a sample of `most` that never changes."""
    every: list[Damage] = []
    for number, size in enumerate(sizes):
        every += [("command", number, bit) for bit in range(8 * size)]
        every += [("reply", number, bit) for bit in range(8 * size)]
        every += [("older", number, age) for age in (1, 2) if number >= age]
        every += [("gone", number, level) for level in (0, 1)]
        every += [("never", number, 0), ("twice", number, 0)]
    return iter(every if EVERY else random.Random(seed).sample(every, min(most, len(every))))


def pairs(
    sizes: list[int], seed: int, most: int, *, together: bool = False
) -> list[tuple[Damage, Damage]]:
    """Two bits wrong, in two transfers or `together` in one; always the same sample."""
    draw = random.Random(seed)
    found: set[tuple[Damage, Damage]] = set()
    while len(found) < most:
        one, two = sorted(draw.sample(range(len(sizes)), 2)) if not together else [draw.randrange(len(sizes))] * 2  # fmt: skip
        what = draw.choices(["command", "reply"], k=2) if not together else [draw.choice(["command", "reply"])] * 2  # fmt: skip
        bits = draw.sample(range(8 * min(sizes[one], sizes[two])), 2)
        found.add(((what[0], one, bits[0]), (what[1], two, bits[1])))
    return sorted(found)


def told(what: str, chip: str, runs: int, noticed: int, silent: int) -> None:
    """The figures of a whole count, for those who asked for it."""
    if TOLD:
        sys.stdout.write(
            f"\n{chip}: {runs} damaged {what}: {noticed} noticed, "
            f"{runs - noticed - silent} harmless, {silent} silent and wrong\n"
        )


@pytest.fixture(scope="module", params=RIGS, ids="-".join)
def rig(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Rig, str]:
    chip, language = request.param
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    folder = tmp_path_factory.mktemp(chip)
    name, fault = CHIPS[chip]
    stage = twin_tests().stage_of(name, folder)
    return Rig(stage, folder, need(TOOLS[language]), language), fault


@pytest.mark.one_in(2)
def test_damaged_bring_ups_are_never_called_good(rig: tuple[Rig, str]) -> None:
    it, _ = rig
    it.start()
    result, failed = it.run("init")
    assert (result, it.configured()) == (OK, []), (failed, it.found())
    sizes = it.sizes
    silent, noticed, runs = [], 0, 0
    for damage in damages(sizes, 1, BRING_UPS):
        runs += 1
        it.start("previous" if damage[1] % 2 else "zero")
        it.arm(damage)
        result, _ = it.run("init")
        noticed += result != OK
        if result == OK and it.configured():
            silent.append((damage, it.configured()))
    told("bring-ups", it.stage.chip.name, runs, noticed, len(silent))
    assert silent == []
    assert noticed > min(runs, BRING_UPS) // 3


@pytest.mark.one_in(2)
def test_two_damages_in_a_row_are_never_called_good(rig: tuple[Rig, str]) -> None:
    """Two bits of a bring-up, in two frames; then one of the restart after it. In the end the chip is as it must be."""
    it, _ = rig
    it.start()
    assert it.run("init")[0] == OK
    silent, noticed, lost, runs = [], 0, [], 0
    for wrong in pairs(it.sizes, 5, 300 if EVERY else BRING_UPS // 2):
        it.start("previous" if wrong[0][1] % 2 else "zero")
        it.arm(*wrong)
        result, _ = it.run("init")
        runs += 1
        noticed += result != OK
        if result == OK and it.configured():
            silent.append(wrong)
        for attempt in range(4):
            it.arm(*([("command", wrong[0][1] % 8, wrong[0][2] % 8)] if attempt == 0 else []))
            result, _ = it.run("restart")
            runs += 1
            noticed += result != OK
            if result == OK and it.configured():
                silent.append((wrong, attempt))
            if result == OK and attempt:
                break
        if result != OK:
            lost.append((wrong, it.found()))
    told("bring-ups and restarts, two in a row", it.stage.chip.name, runs, noticed, len(silent))
    assert (silent, lost) == ([], [])
    assert noticed > BRING_UPS // 8


def faulty(it: Rig, fault: str) -> tuple[Twin, list[str], list[int], list[int]]:
    """A configured chip with a fault, as the runtime knows it: its twin, the status registers, their words, and the bits of faults."""
    it.start()
    assert it.run("init")[0] == OK
    it.twin.disturb(fault)
    it.twin.wait(0.001)
    chip = it.stage.chip
    names = list(status_registers(chip))
    bank = it.twin.machine.bank
    truth = [bank.words[n] for n in names]
    item = chip.faults[next(n for n in chip.faults if n.lower() == fault)]
    assert it.twin.machine.raised(item)
    it.c.d_keep()
    shown = [
        sum(
            f.mask
            for f in chip.registers[n].fields
            if any(x.ref == f.ref for x in chip.faults.values())
        )
        for n in names
    ]
    return snapshot(it.twin), names, truth, shown


@pytest.mark.one_in(2)
def test_damaged_status_reads_are_never_called_good(rig: tuple[Rig, str]) -> None:
    it, fault = rig
    chip = it.stage.chip
    ready, names, truth, shown = faulty(it, fault)
    it.arm()
    result, words = it.status()
    assert result == OK, it.found()
    assert [w & t for w, t in zip(words, truth, strict=True)] == truth
    sizes = it.sizes
    singles = [(d,) for d in damages(sizes, 2, STATUS_READS)]
    # few transfers have few single damages: with two in two transfers they are at least 300, or a third more
    more = max(300 - len(singles), 75) if EVERY else STATUS_READS // 3
    silent, noticed, runs = [], 0, 0
    for wrong in [*singles, *pairs(sizes, 3, more)]:
        runs += 1
        result, lost = judged(it, ready, names, truth, shown, wrong)
        noticed += result != OK
        if result == OK and lost:
            silent.append((wrong, lost))
    told("status reads", chip.name, runs, noticed, len(silent))
    assert silent == []
    assert noticed > len(sizes)
    if EVERY:
        assert runs >= 300
    # two bits of one frame: a checksum notices them, parity alone cannot, as the page of the header says
    alike = [
        wrong
        for wrong in pairs(sizes, 4, 300 if EVERY else 20, together=True)
        if (found := judged(it, ready, names, truth, shown, wrong))[0] == OK and found[1]
    ]
    assert not alike or chip.name in PARITY_ONLY
    if TOLD:
        sys.stdout.write(f"{chip.name}: two bits of one frame, silent and wrong: {len(alike)}\n")


def test_a_status_read_goes_a_frame_a_call_and_tells_what_the_one_that_waits_tells(
    rig: tuple[Rig, str],
) -> None:
    """Sound and with every kind of damage: the same result, the same words, as many frames; no wrong word is called good."""
    it, fault = rig
    ready, names, truth, shown = faulty(it, fault)
    it.arm()
    assert it.status()[0] == OK
    runs, noticed, silent, unlike = 0, 0, [], []
    for wrong in [(), *((d,) for d in damages(it.sizes, 6, STATUS_READS // 2))]:
        found = []
        for way in (it.status, it.status_by_ticks):
            result, lost = judged(it, ready, names, truth, shown, wrong, way)
            found.append((result, lost, it.words, len(it.sizes), it.found()))
        runs += 1
        noticed += result != OK
        if found[0] != found[1]:
            unlike.append((wrong, found))
        if result == OK and lost:
            silent.append((wrong, lost))
    told("status reads a call a tick", it.stage.chip.name, runs, noticed, len(silent))
    assert (unlike, silent) == ([], [])
    assert noticed > runs // 3


def judged(
    it: Rig,
    ready: Twin,
    names: list[str],
    truth: list[int],
    shown: list[int],
    wrong: tuple[Damage, ...],
    way: Callable[[], tuple[int, list[int]]] | None = None,
) -> tuple[int, list[str]]:
    """The result of a status read with these damages, and the registers whose faults it tells wrongly."""
    it.twin = snapshot(ready)
    it.c.d_back()
    it.arm(*wrong)
    result, words = it.words = (way or it.status)()
    commands = any(d[0] == "command" for d in wrong)
    # a rejected command raises faults of its own; a damaged reply never may
    bad = [
        w & t != t or (not commands and (w ^ t) & m)
        for w, t, m in zip(words, truth, shown, strict=True)
    ]
    return result, [n for n, b in zip(names, bad, strict=True) if b]


def test_a_stop_says_where_and_which_bits(rig: tuple[Rig, str]) -> None:
    it, _ = rig
    it.start()
    take = it.twin.machine.write
    name, _, field_name = next(
        s for s in it.stage.settings if s.name.partition(".")[0] in it.stage.chip.registers
    ).name.partition(".")
    field = it.stage.chip.registers[name].field(field_name)
    assert field is not None
    low = 1 << field.bits[-1]
    wanted = it.stage.bank.words[name]

    def stuck(register, word):  # type: ignore[no-untyped-def]
        outcome = take(register, word)
        if register.name == name:
            it.twin.machine.bank.learn(name, ~wanted, low)
        return outcome

    it.twin.machine.write = stuck  # type: ignore[method-assign]
    result, failed = it.run("init")
    step, errors, _, differ = it.found()
    assert (result, step, errors, differ) == (3, failed, 0, low)


def test_a_controller_that_restarts_alone_finds_its_chip(rig: tuple[Rig, str]) -> None:
    it, _ = rig
    it.start()
    it.begin()
    assert it.run("init")[0] == OK
    for frames in range(4):  # wherever the counters stand
        it.begin()
        assert it.run("warm") == (OK, 0xFFFF), (frames, it.found())
        assert it.configured() == []
        if frames % 2:
            assert it.run("verify")[0] == OK


@pytest.mark.one_in(2)
def test_a_bring_up_that_stopped_anywhere_goes_on_to_the_end(rig: tuple[Rig, str]) -> None:
    """At every step, whether the controller goes on or restarts too: counters and layouts come back in step."""
    it, _ = rig
    it.start()
    assert it.run("init")[0] == OK
    steps = len(it.sizes)
    ends = []
    for number in range(steps) if EVERY else random.Random(7).sample(range(steps), min(12, steps)):
        for restarted in (False, True) if EVERY else (bool(number % 2),):
            it.start()
            it.arm(("gone", number, int(restarted)))
            it.run("init")
            if restarted:
                it.begin()
            it.arm()
            result, failed = it.run("restart")
            if result != OK or it.configured():
                ends.append((number, restarted, result, failed, it.configured()))
    assert ends == []


def test_a_restart_goes_a_frame_a_call_and_waits_nowhere(rig: tuple[Rig, str]) -> None:
    """From the first step, from one in the middle, and of a chip that was reset: as the restart that waits."""
    it, _ = rig
    it.start()
    assert it.run("init")[0] == OK
    steps = len(it.sizes)
    bursts = max(len(f.bursts) for f in it.stage.chip.frames.values())
    for number in (0, steps // 2, steps - 1, -1):
        it.start()
        it.arm(("gone", number, 0))
        it.run("init")
        if number < 0:
            it.twin.power_up()
        it.begin()
        it.waits = 0
        us = ctypes.c_uint32()
        it.c.d_restart_begin()
        for _ in range(8 * steps + 50):
            before = len(it.sizes)
            result = it.c.d_restart_tick(ctypes.byref(us))
            assert len(it.sizes) - before <= bursts
            it.twin.wait(Fraction(us.value, 1_000_000))
            if result not in (7, 8):
                break
        assert (result, it.configured(), it.waits) == (OK, [], 0), (number, it.found())


def test_a_restart_of_a_chip_that_was_reset_or_works_ends_configured(rig: tuple[Rig, str]) -> None:
    it, _ = rig
    for reset in (False, True):
        it.start()
        assert it.run("init")[0] == OK
        if reset:
            it.twin.power_up()
        it.begin()
        assert it.run("restart")[0] == OK, it.found()
        assert it.configured() == []


@pytest.mark.one_in(2)
def test_the_watch_sees_a_setting_change_and_a_chip_that_was_reset(rig: tuple[Rig, str]) -> None:
    it, _ = rig
    it.start()
    assert it.run("init")[0] == OK
    it.c.d_keep()
    ready = snapshot(it.twin)
    assert it.c.d_watch(100) in (7, 8)
    # every bit that a readback can show, one at a time
    chip = it.stage.chip
    for s in it.stage.settings:
        register, _, name = s.name.partition(".")
        field = chip.registers[register].field(name) if register in chip.registers else None
        if field is None or not chip.registers[register].read_back & field.mask:
            continue
        it.twin = snapshot(ready)
        it.c.d_back()
        it.twin.machine.bank.learn(register, ~it.twin.machine.bank.words[register], field.mask)
        assert it.c.d_watch(100) in (2, 3, 4), s.name
    it.twin = snapshot(ready)
    it.c.d_back()
    it.twin.power_up()
    assert it.c.d_watch(100) in (2, 3, 4, 6)


@pytest.mark.one_in(2)
def test_the_watch_shares_the_spi_with_the_program(rig: tuple[Rig, str]) -> None:
    """No false alarm from replies to other frames, and a change is found all the same."""
    it, _ = rig
    it.start()
    assert it.run("init")[0] == OK
    it.c.d_keep()
    assert it.c.d_shared(200) == 7
    s = next(s for s in it.stage.settings if s.name.partition(".")[0] in it.stage.chip.registers)
    register, _, name = s.name.partition(".")
    field = it.stage.chip.registers[register].field(name)
    assert field is not None
    it.twin.machine.bank.learn(register, ~it.twin.machine.bank.words[register], field.mask)
    assert it.c.d_shared(200) == 3


def test_write_once_is_never_written_unasked(rig: tuple[Rig, str]) -> None:
    """What the end test of the board has written stays, whatever it is."""
    it, _ = rig
    it.start()
    chip = it.stage.chip
    once = [f for r in chip.registers.values() for f in r.fields if f.access == "once"]
    assert bool(once) == (chip.name == "bilby32")
    for field in once:
        it.twin.machine.bank.learn(field.register, 0x2AAA, field.mask)
    assert it.run("init")[0] == OK
    assert it.run("verify")[0] == OK, it.found()
    for field in once:
        assert (it.twin.machine.bank.words[field.register] ^ 0x2AAA) & field.mask == 0


def test_reserved_bits_to_keep_are_kept(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    """Whatever the maker has left in them."""
    stage = twin_tests().stage_of("conveyor_drum", tmp_path)
    it = Rig(stage, tmp_path, need_tool("gcc"))
    kept = {r.name: r.kept for r in stage.chip.registers.values() if r.kept and r.settings}
    assert kept
    for pattern in (0, -1, 0x55, 0xAA):
        it.start()
        for name, mask in kept.items():
            it.twin.machine.bank.learn(name, pattern, mask)
        assert it.run("init")[0] == OK, it.found()
        assert it.configured() == []
        for name, mask in kept.items():
            assert (it.twin.machine.bank.words[name] ^ pattern) & mask == 0
    # a write that damages them is not hidden by the mask of the settings
    [(name, mask)] = kept.items()

    def stuck(register, word):  # type: ignore[no-untyped-def]
        outcome = take(register, word)
        if register.name == name:
            it.twin.machine.bank.learn(name, 0, mask & -mask)
        return outcome

    it.start()
    it.twin.machine.bank.learn(name, -1, mask)
    take = it.twin.machine.write
    it.twin.machine.write = stuck  # type: ignore[method-assign]
    assert it.run("init")[0] == 3
    assert it.found()[3] == mask & -mask
