"""Generated ways between modes, compiled and run against simulated chips: what they leave behind, what the watch sees.

The suite takes two stages and two compilers; GATEWORD_ALL_TARGETS=1 takes all.
"""

from __future__ import annotations

import ctypes
import os
import re
import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.behaviour.settings import setting_registers
from regmap.behaviour.transition import enabling
from regmap.cheader import Options, generate
from regmap.cheader.names import word
from regmap.cli.header import with_derived
from regmap.frames.codec import from_wire, wire_bytes
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.twin import Twin

from .test_header_damage import OK, Rig
from .written import GD

HERE = Path(__file__).parent / "header"
DEVICES = Path(__file__).parents[2] / "devices"
ALL = os.environ.get("GATEWORD_ALL_TARGETS") == "1"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
COMPILERS = {
    "gcc": STRICT,
    "clang": [*STRICT, "-Wno-unused-const-variable"],
    "g++": ["-std=c++11", "-x", "c++", "-Wall", "-Wextra", "-Werror", "-fsyntax-only"],
    "avr-gcc": [*STRICT, "-mmcu=atmega328p", "-c", "-o", "/dev/null"],
    "arm-none-eabi-gcc": [*STRICT, "-mcpu=cortex-m0", "-c", "-o", "/dev/null"],
}

MODES = {
    "coolant_pump": "  limp:\n    after: [OT_WARN, controller]\n    settings: {GATE_HS: {SOURCE: 80 mA}, GATE_LS: {SOURCE: 80 mA}, SENSE.OC_TH: 18 mV}\n",
    "conveyor_drum": "  near:\n    after: [controller]\n    settings: {OVERCURRENT.THRESHOLD: 60 mV}\n  asleep: {after: [controller], driving: no, settings: {CONTROL.SLEEP: asleep}}\n",
    "wombat24": "  calm:\n    after: [controller]\n    driving: no\n    settings: {GATE.SOURCE: 60 mA, TIMING.DEAD_TIME: 1 us}\n",
    "bilby32": "  calm:\n    after: [controller]\n    settings: {LIMIT.TRIP: 40 mV, VDS.THRESHOLD: 300 mV}\n",
    "potoroo40": "  calm:\n    after: [controller]\n    settings: {OUTPUT.SOURCE: 60 mA, DEAD.TIME: 1 us}\n",
}
BARE = {
    "wombat24": "settings:\n  GATE: {SOURCE: 120 mA, SINK: 250 mA, FULL_DRIVE: 1 us}\n  TIMING: {BLANKING: 1.5 us, DEAD_TIME: 500 ns}\n",
    "bilby32": "settings:\n  DRIVE: {RANGE: strong, SOURCE: 300 mA, SINK: 500 mA}\n  LIMIT.TRIP: 60 mV\n",
    "potoroo40": "supply.voltage: 12 V\nexternal: {GAIN_PIN: x10}\nsettings:\n  OUTPUT: {SOURCE: 150 mA, FULL_DRIVE: 1.5 us}\n",
}  # fmt: skip


def stage_of(name: str, folder: Path) -> Stage:
    if name in BARE:
        head = f"gateword_stage: 1\nstage: {{name: bare, invented: yes}}\nmap: {name}\n{BARE[name]}"
    else:
        head = (DEVICES / f"{name}.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    stage, problems = read_stage(folder / "stage.yaml", text=f"{head}\nmodes:\n{MODES[name]}")
    assert stage is not None, [str(p) for p in problems]
    return stage


def written(stage: Stage, folder: Path) -> str:
    made = generate(stage, with_derived(Options(prefix="gd"), stage))
    (folder / "gd.h").write_text(made.header, "utf-8")
    return made.header


def numbers(header: str) -> dict[str, int]:
    return {n: int(v) for n, v in re.findall(r"#define GD_DRIVE_MODE_(\w+)\s+(\d+)U", header)}


def converse(
    program: Path, twin: Twin, tamper: dict[int, Callable[[], None]], seen: list[dict[str, int]]
) -> str:
    """Answer for the chip; what its registers hold after each way, and the program's report."""
    spi = twin.chip.spi
    with subprocess.Popen(
        [program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        while op := process.stdout.read(1):
            if op == b"T":
                size = process.stdout.read(1)[0]
                data = b""
                while len(data) < size:
                    data += process.stdout.read(size - len(data))
                sent = from_wire(data, 8 * size, msb_first=spi.msb_first)
                [got] = twin.transfer([(sent, 8 * size)])
                process.stdin.write(wire_bytes(got, 8 * size, msb_first=spi.msb_first))
            elif op == b"W":
                twin.wait(Fraction(int.from_bytes(process.stdout.read(4), "little"), 1_000_000))
            else:
                number = process.stdout.read(1)[0]
                seen.append(dict(twin.machine.bank.words))
                if number in tamper:
                    tamper[number]()
                process.stdin.write(b"\0")
        report = process.stderr.read().decode()
        assert process.wait(10) == 0, report
    return report


@pytest.mark.parametrize("name", MODES if ALL else ["coolant_pump", "conveyor_drum", "bilby32"])
def test_ways_lead_where_they_say_and_the_watch_goes_with_them(
    name: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """There, back and there again; the last time a setting is lost under way, which the watch of that mode finds."""
    stage = stage_of(name, tmp_path)
    there_and_back(stage, numbers(written(stage, tmp_path)), tmp_path, need_tool)


def there_and_back(
    stage: Stage,
    modes: dict[str, int],
    folder: Path,
    need_tool: Callable[[str], str],
    *defines: str,
) -> None:
    """The first mode entered twice on a simulated chip, with what the watch sees."""
    assert {"AS_STATED", *(m.upper() for m in stage.modes)} <= set(modes)
    other = next(iter(stage.modes))
    a, b = modes["AS_STATED"], modes[other.upper()]
    program = folder / "modes"
    ways = f"-DWAYS={a}, {b}, {b}, {a}, {a}, {b}"
    subprocess.run(
        [need_tool("gcc"), *STRICT, "-Wno-unused-const-variable", ways, *defines, "-I", folder, HERE / "modes.c", "-o", program],
        check=True,
    )  # fmt: skip
    go_there_and_back(stage, program)


def open_lock(twin: Twin) -> None:
    """Opens the lock of a simulated chip."""
    bank = twin.machine.bank
    for name in bank.states:
        bank.states[name] = not bank.states[name] if "lock" in name else bank.states[name]
    twin.machine.settle()


def watch_the_lock(stage: Stage, program: Path) -> None:
    """After each of three ways the lock opens, or the chip is reset: the watch of that mode finds it."""
    seen = any(s.do == "expect" for s in stage.chip.sequences.get("lock", ()))
    for number in range(3):
        for lose in (open_lock, Twin.power_up) if seen else (Twin.power_up,):
            twin = Twin(stage.chip)
            report = converse(program, twin, {number: lambda t=twin, go=lose: go(t)}, [])  # type: ignore[misc]
            found = [int(n) for n in re.findall(r"watch \d+: (\d+)", report)]
            assert found[:number] == [7] * number, report
            assert found[number] in ((3,) if lose is open_lock else (2, 3, 4, 6)), (
                number,
                lose.__name__,
                report,
            )


def go_there_and_back(stage: Stage, program: Path) -> None:
    """A program that goes from the stage as stated to its first mode, back and there again, each watched."""
    other = next(iter(stage.modes))
    twin = Twin(stage.chip)
    seen: list[dict[str, int]] = []
    changed = [
        r
        for r in setting_registers(stage.chip)
        if (stage.bank.words[r.name] ^ stage.modes[other].bank.words[r.name])
        & r.settings
        & r.read_back
    ]
    assert changed
    enable = {i.register: i.mask for i, _, _ in enabling(stage.chip).values()}

    def lose() -> None:
        register = changed[0]
        mask = register.settings & ~enable.get(register.name, 0)
        twin.machine.bank.words[register.name] ^= mask & -mask

    report = converse(program, twin, {2: lose}, seen)
    assert re.findall(r"way \d+: (\d+)", report) == ["0", "0", "0"], report
    for words, wanted in zip(seen, (stage.modes[other], stage, stage.modes[other]), strict=True):
        for register in changed:
            assert (
                words[register.name] ^ wanted.bank.words[register.name]
            ) & register.settings == 0
    # BUSY is 7, EXPECT 3: nothing found, nothing found, found
    assert re.findall(r"watch \d+: (\d+)", report) == ["7", "7", "3"], report
    assert "nowhere: 1" in report
    watch_the_lock(stage, program)


@pytest.mark.parametrize("name", MODES)
def test_where_a_mode_reads_a_register_is_told(name: str, tmp_path: Path) -> None:
    """The step that the watch tells has the number of the mode's own macro, or of the stage's where it is the same."""
    stage = stage_of(name, tmp_path)
    header = written(stage, tmp_path)
    told = dict(re.findall(r"#define GD_(\w+)_READBACK_STEP\s+(\d+)U", header))
    seen = 0
    for mode in ("as stated", *stage.modes):
        piece = word(mode)
        table = re.search(rf"gd_{piece.lower()}_readback_steps\[.*?\}};", header, re.S)
        if table is None:
            continue  # rows of another table
        # the comment right above each row
        rows = [m[1] for m in re.finditer(r"/\*((?:(?!\*/).)*)\*/\s*\{", table[0], re.S)]
        reads = [re.match(r" read (\w+) $", row) for row in rows]
        for index, found in enumerate(reads):
            register = found[1] if found is not None else ""
            own = told.get(f"{piece}_{word(register)}", told.get(word(register)))
            if own is None or register in {r[1] for r in reads[:index] if r is not None}:
                continue
            assert int(own) == index, (mode, register)
            seen += 1
    assert seen >= 3


#: a board that differs from the pump in what it sets, has its own limp mode, and a mode that the pump has not
OTHER_BOARD = (
    ("name: coolant_pump", "name: other_board"),
    ("SOURCE: 120 mA", "SOURCE: 150 mA"),
    ("WINDOW: 60 ms", "WINDOW: 100 ms"),
)
OTHER_MODES = (
    MODES["coolant_pump"].replace("80 mA", "62 mA").replace("18 mV", "27 mV")
    + "  calm: {after: [controller], driving: no, settings: {TIMING.DEAD_TIME: 2 us}}\n"
)


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Stage], Path, str]:
    """The pump and another board, both with modes, in one header; where it is, and what it says."""
    folder = tmp_path_factory.mktemp("boards")
    first = stage_of("coolant_pump", folder)
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    for old, new in OTHER_BOARD:
        assert old in text
        text = text.replace(old, new, 1)
    second, problems = read_stage(folder / "b.yaml", text=f"{text}\nmodes:\n{OTHER_MODES}")
    assert second is not None, [str(p) for p in problems]
    options = with_derived(Options(prefix="gd"), first, [second])
    made = generate(first, options, (), [second])
    (folder / "gd.h").write_text(made.header, "utf-8")
    return [first, second], folder, made.header


@pytest.mark.parametrize("how", ["BOARD", "GD_VARIANT"])
@pytest.mark.parametrize("board", [0, 1])
def test_each_of_several_boards_goes_its_own_ways(
    how: str, board: int, boards: tuple[list[Stage], Path, str], need_tool: Callable[[str], str]
) -> None:
    """Chosen when it is compiled and when it runs: the ways of a board lead to the settings of that board."""
    stages, folder, header = boards
    there_and_back(stages[board], numbers(header), folder, need_tool, f"-D{how}={board}")


def test_what_each_of_several_boards_has(boards: tuple[list[Stage], Path, str]) -> None:
    """Trip currents, modes and what follows on faults: of each board what its own header says of it."""
    stages, _, header = boards
    own = [generate(s, with_derived(Options(prefix="gd"), s)).header for s in stages]
    trip = r"#define GD_{}(TRIP_\w+_(?:MIN|TYP|MAX)) +(\d+)U"
    for stage, text, piece in zip(stages, own, ("", "OTHER_BOARD_"), strict=True):
        alone = re.findall(trip.format(""), text)
        assert len(alone) >= 9
        assert re.findall(trip.format(piece), header) == alone, stage.name
    assert [n for n in numbers(header) if n not in numbers(own[0])] == ["CALM"]
    row = (
        r"\{(?:GD_VARIANT_(\w+), )?GD_DRIVE_MODE_(\w+), GD_FAULT_ID_(\w+), GD_DRIVE_MODES?_(\w+)\}"
    )
    told = re.findall(row, header)
    for stage, text in zip(stages, own, strict=True):
        mine = {t[1:] for t in told if t[0] == stage.name.upper()}
        assert mine == {t[1:] for t in re.findall(row, text)}
        assert mine
    # which board it is must be said: nothing enters a mode without it
    outside = header[: header.index("#if defined(GD_VARIANT)\n\n/* `enter_variant`")]
    assert "gd_enter(" not in outside


@pytest.mark.parametrize("compiler", COMPILERS if ALL else ["g++", "avr-gcc"])
def test_several_boards_compile_without_a_warning(
    compiler: str,
    boards: tuple[list[Stage], Path, str],
    tmp_path: Path,
    need_tool: Callable[[str], str],
) -> None:
    _, folder, _ = boards
    source = tmp_path / "all.c"
    source.write_text('#include "gd.h"\nextern uint8_t go(gd_spi_t *spi, gd_task_t *task, uint8_t board, uint16_t *f);\nuint8_t go(gd_spi_t *spi, gd_task_t *task, uint8_t board, uint16_t *f)\n{\n    (void)gd_watch_variant_mode_begin(task, board, 1U);\n    return gd_enter_variant(spi, board, 0U, 1U, f);\n}\n')  # fmt: skip
    flags = [*COMPILERS[compiler], "-Wno-unused-const-variable", "-Wno-unused-function"]
    tail = [] if "-o" in flags or "-fsyntax-only" in flags else ["-c", "-o", tmp_path / "x"]
    done = subprocess.run(
        [need_tool(compiler), *flags, "-I", folder, source, *tail],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("compiler", COMPILERS if ALL else ["clang", "avr-gcc"])
def test_headers_with_modes_compile_without_a_warning(
    compiler: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    stage = stage_of("conveyor_drum", tmp_path)
    modes = numbers(written(stage, tmp_path))
    assert len(modes) == 3
    source = tmp_path / "all.c"
    source.write_text((HERE / "modes.c").read_text().replace("WAYS", "0U, 1U"))
    if compiler in ("avr-gcc", "arm-none-eabi-gcc"):
        source.write_text('#include "gd.h"\nextern uint8_t go(gd_spi_t *spi, uint16_t *f);\nuint8_t go(gd_spi_t *spi, uint16_t *f)\n{\n    return gd_enter(spi, 0U, 1U, f);\n}\n')  # fmt: skip
    flags = [*COMPILERS[compiler], "-Wno-unused-const-variable"]
    tail = [] if "-o" in flags or "-fsyntax-only" in flags else ["-o", tmp_path / "x"]
    done = subprocess.run(
        [need_tool(compiler), *flags, "-I", tmp_path, "-I", HERE, source, *tail],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_a_complement_that_does_not_follow_is_found(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """A limit counts only while another register holds its complement: entering a mode reads that one back, too."""
    stage = stage_of("bilby32", tmp_path)
    it = Rig(stage, tmp_path, need_tool("gcc"), "c", with_derived(GD, stage))
    failed = ctypes.c_uint16()
    assert it.run("init")[0] == OK
    take = it.twin.machine.write

    def stuck(register, word):  # type: ignore[no-untyped-def]
        held = it.twin.machine.bank.words["LIMIT_N"]
        outcome = take(register, word)
        it.twin.machine.bank.learn("LIMIT_N", held, 0xFF)
        return outcome

    it.twin.machine.write = stuck  # type: ignore[method-assign]
    assert it.c.d_enter(0, 1, ctypes.byref(failed)) == 3
    assert it.found()[3] == it.twin.machine.bank.words["LIMIT_N"] ^ ~stage.modes["calm"].bank.words["LIMIT"] & 0xFF  # fmt: skip


def test_a_way_that_is_not_clean_has_no_table_and_is_told(tmp_path: Path) -> None:
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    late = MODES["coolant_pump"].replace("after: [", "within: 5 us\n    after: [")
    (tmp_path / "s.yaml").write_text(f"{text}\nmodes:\n{late}")
    stage = load_stage(tmp_path / "s.yaml")
    made = generate(stage, with_derived(Options(prefix="gd"), stage))
    assert any("as stated to limp is left out" in n for n in made.notes)
    assert "gd_as_stated_to_limp_steps" not in made.header
    assert "gd_limp_to_as_stated_steps" in made.header


def test_what_follows_on_faults_is_data(tmp_path: Path) -> None:
    header = written(stage_of("coolant_pump", tmp_path), tmp_path)
    rows = re.findall(r"\{GD_DRIVE_MODE_(\w+), GD_FAULT_ID_(\w+), GD_DRIVE_MODES?_(\w+)\}", header)
    assert ("AS_STATED", "OT_WARN", "LIMP") in rows
    assert ("LIMP", "OT_WARN", "LIMP") in rows
    assert ("AS_STATED", "OV_SUPPLY", "NONE") in rows
