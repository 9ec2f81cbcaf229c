"""Daisy chains in C, C++ and Rust: streams equal to the library's, and a simulated chain brought up with a stage for each position."""

from __future__ import annotations

import importlib.util
import random
import re
import subprocess
from collections.abc import Callable, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import ModuleType

import pytest

from regmap.behaviour.machine import Machine
from regmap.cheader import Options, generate, select
from regmap.chip.model import Chip, Header
from regmap.errors import CallError, FrameError
from regmap.frames.chain import pack, pack_reply, unpack_reply
from regmap.frames.codec import Codec, command_bytes, from_wire, wire_bytes
from regmap.maps.load import load_map, read_map
from regmap.stages.load import Stage, load_stage
from regmap.twin.chain import TwinChain

from . import test_header_latched as latched
from .written import TOOLS, put, put_program

HERE = Path(__file__).parent / "header"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror",
          "-fsanitize=undefined,address", "-fno-sanitize-recover=all"]  # fmt: skip
STAGE = """
gateword_stage: 1
stage: {{name: part{position}, invented: yes}}
map: quokka16
chain: {{maps: [quokka16, quokka16, quokka16], position: {position}}}
settings:
  MODE.PWM: six_input
  GATE_HS: {{SOURCE: {source} mA, SINK: 160 mA}}
  TIMING.DEAD_TIME: {dead}
"""
SETTINGS = [(33, "1 us"), (56, "600 ns"), (100, "1.4 us")]
#: frames of 13 bits, a reply in the next frame, and a toggle
LATER = """
gateword_map: 1
chip: {name: later, title: replies one frame later (invented), invented: yes}
spi: {mode: 0, extra_clocks: last_count}
frames:
  only:
    length: 13
    command:
      rw:   {bits: 12, holds: operation, codes: {read: 0, write: 1}}
      addr: {bits: 11..9, holds: address}
      data: {bits: 8..2, holds: data}
      flip: {bits: 1, holds: counter, start: 1}
      even: {bits: 0, holds: parity, parity: even}
    reply:
      after: 1
      parts:
        same: {bits: 12..10, holds: echo, of: addr}
        two:  {bits: 9, holds: fixed, value: 1}
        data: {bits: 8..2, holds: data}
        odd:  {bits: 1, holds: parity, parity: odd, over: 12..2}
        even: {bits: 0, holds: parity, parity: even, over: [11, 9, 7, 5, 3], over_command: 12..2}
commands:
  CLEAR: {parts: {rw: 1, addr: 7, data: 1}, summary: clears nothing}
registers:
  ONE: {address: 1, width: 7, reset: 0x15, fields: {A: {bits: 6..4}, B: {bits: 3..0}}}
  TWO: {address: 2, width: 7, reset: 0x2A, fields: {C: {bits: 6..0}}}
chain:
  headers: [{length: 9, value: 0x155}, {length: 7, value: 0, count: 3..0, commands: {CLEAR: 6}}]
sequences:
  configure: [{configure: [ONE, TWO]}, {verify: all}]
"""


def helper() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "header_twin", Path(__file__).parent / "test_header_twin.py"
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def stages(folder: Path, positions: list[int]) -> list[Stage]:
    found = []
    for position in positions:
        source, dead = SETTINGS[position]
        path = folder / f"part{position}.yaml"
        path.write_text(STAGE.format(position=position, source=source, dead=dead), "utf-8")
        found.append(load_stage(path))
    return found


def latched_stages(folder: Path) -> list[Stage]:
    """Two chips whose replies hold a flag of a rejected frame, which stays up."""
    text = latched.MAP.format(access="w1c", way="write_1", after=1)
    (folder / "latch24.yaml").write_text(f"{text}chain: {{}}\n", "utf-8")
    found = []
    for position in (0, 1):
        path = folder / f"latched{position}.yaml"
        chain = f"chain: {{maps: [latch24.yaml, latch24.yaml], position: {position}}}\n"
        path.write_text(
            latched.STAGE.replace("SOURCE: 9", f"SOURCE: {9 + position}") + chain, "utf-8"
        )
        found.append(load_stage(path))
    return found


languages = pytest.mark.parametrize("language", TOOLS)


def build(
    folder: Path,
    need_tool: Callable[[str], str],
    language: str,
    source: Stage | Chip,
    others: Sequence[Stage] = (),
    *,
    chain: int = 0,
    status: bool = True,
) -> Path:
    """The program of one language; of stages it brings a chain up, of a map alone it only packs and unpacks."""
    tool = need_tool(TOOLS[language])
    put(source, language, folder, Options(prefix="gd", chain=chain), others)
    program = folder / "chain"
    tables = not isinstance(source, Chip)
    if language == "c":
        main = (HERE / "chain.c").read_text("utf-8")
        if not status:  # no faults and no status registers in this map
            head, _, rest = main.partition("    (void)memset(words, 0, sizeof words);\n")
            tail = rest.partition("    gd_chain_begin(&chain, gd_chain_readback_steps);\n")
            unused = "    gd_word_t words[GD_CHAIN_CHIPS][GD_STATUS_COUNT];\n    unsigned k;\n"
            main = head.replace(unused, "") + tail[1] + tail[2]
        (folder / "chain.c").write_text(main, "utf-8")
        flags = ["-DGD_CHAIN_TABLES"] if tables else []
        command = [
            tool,
            *STRICT,
            *flags,
            "-I",
            folder,
            "-I",
            HERE,
            folder / "chain.c",
            "-o",
            program,
        ]
    else:
        text = put_program("chain", language, folder)
        if language == "cpp":
            flags = [*["-DGD_CHAIN_TABLES"][: int(tables)], *["-DNO_STATUS"][: int(not status)]]
            command = [
                tool,
                "-std=c++17",
                *STRICT[1:],
                "-Wold-style-cast",
                *flags,
                "-I",
                folder,
                text,
                "-o",
                program,
            ]
        else:
            flags = [
                *["--cfg", "tables"][: 2 * int(tables)],
                *["--cfg", "no_status"][: 2 * int(not status)],
            ]
            command = [
                tool,
                "--edition",
                "2021",
                "-D",
                "warnings",
                "-A",
                "unexpected_cfgs",
                *flags,
                text,
                "-o",
                program,
            ]
    subprocess.run(command, check=True)
    return program


def variants() -> list[Chip]:
    """One map, its stream in every shape."""
    chip = load_map("quokka16")
    assert chip.chain is not None
    later, problems = read_map("later.yaml", text=LATER)
    assert later is not None, problems
    cut = replace(chip, chain=replace(chip.chain, split=8, reply_headers="between"))
    bare = replace(chip, chain=replace(chip.chain, headers=(), split=5))
    silent = replace(chip, chain=replace(chip.chain, reply_headers="none"))
    assert later.chain is not None
    assert Header(length=9, value=0x155) in later.chain.headers
    return [chip, cut, bare, silent, later]


@languages
@pytest.mark.parametrize("index", range(5))
def test_streams_equal_the_library(
    index: int, language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    chip = variants()[index]
    chips = (3, 2, 4, 1, 5)[index]
    chain = chip.chain
    assert chain is not None
    [frame] = chip.frames.values()
    program = build(tmp_path, need_tool, language, chip, chain=chips)
    rng = random.Random(index)
    asked, wanted = [], []
    names = [n for h in chain.headers for n in h.commands]
    for _ in range(400):
        words = [(rng.getrandbits(frame.length), frame.length) for _ in range(chips)]
        commands = rng.getrandbits(1) if names else 0
        stream = pack(chain, words, names if commands else [])
        asked.append(f"P {commands:x} {' '.join(f'{w:x}' for w, _ in words)}")
        wanted.append(command_bytes(chip.spi, *stream).hex())
        value, bits = pack_reply(chain, words)
        if rng.randrange(2):
            value ^= 1 << rng.randrange(bits)
        try:
            found, sound = unpack_reply(chain, (value, bits), [frame.length] * chips), 1
        except FrameError:
            found, sound = [], 0
        raw = wire_bytes(value, bits, msb_first=True)
        asked.append(f"U {raw.hex(' ')}")
        wanted.append(" ".join([f"{sound}", *(f"{w:x}" for w in found)]))
    done = subprocess.run([program, "ask"], input="\n".join(asked) + "\n", capture_output=True, text=True, check=True)  # fmt: skip
    answers = done.stdout.splitlines()
    assert len(answers) == len(wanted)
    assert (
        sum(w.startswith("0") and len(w) == 1 for w in wanted) > 10
        or not chain.headers
        or chain.reply_headers == "none"
    )
    for question, answer, want in zip(asked, answers, wanted, strict=True):
        assert answer == want or (want == "0" and answer.startswith("0 ")), question


def converse(
    program: Path,
    twin: TwinChain,
    bits: int,
    disturbances: list[str],
    tamper: Callable[[], object] = lambda: None,
    damaged: tuple[int, int] = (-1, 0),
) -> tuple[int, str]:
    """Answers for the chain; `damaged` is the stream, by its number, in which one bit goes wrong.

    What the program returns, and what it has reported.
    """
    number = 0
    with subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        assert process.stderr is not None
        while op := process.stdout.read(1):
            if op == b"T":
                size = process.stdout.read(1)[0]
                data = b""
                while len(data) < size:
                    data += process.stdout.read(size - len(data))
                lead = 8 * size - bits if twin.cores[0].chip.spi.extra_clocks == "last_count" else 0
                stream = from_wire(data, 8 * size, msb_first=True)
                stream = stream & (1 << bits) - 1 if lead else stream >> (8 * size - bits)
                stream ^= 1 << damaged[1] if number == damaged[0] else 0
                number += 1
                [got] = twin.transfer([(stream, bits)])
                process.stdin.write(wire_bytes(got, bits, msb_first=True))
            elif op == b"W":
                twin.wait(Fraction(int.from_bytes(process.stdout.read(4), "little"), 1_000_000))
            else:
                for text in disturbances:
                    twin.disturb(text)
                tamper()
                twin.wait(0.001)
                process.stdin.write(b"!")
        report = process.stderr.read().decode()
        return process.wait(), report


@languages
def test_a_chain_is_brought_up_with_a_stage_for_each_position(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    first, *others = stages(tmp_path, [1, 0, 2])
    made = generate(first, Options(prefix="gd"), others)
    program = build(tmp_path, need_tool, language, first, others)
    twin = TwinChain([first.chip] * 3)
    status, report = converse(program, twin, 64, ["2: vds_uh", "0: vds_ul"])
    assert status == 0, report
    assert report.splitlines() == [
        "configured",
        "verified",
        "position 0: VDS_UL",
        "position 2: VDS_UH",
    ]
    for stage in (first, *others):
        for setting in stage.settings:
            assert twin.cores[stage.position].machine.bank.code(setting.name) == setting.choice.code
    assert {s.file for s in (first, *others)} <= set(made.files)
    # frames of each table are those that the library encodes for that position
    codec = Codec(first.chip)
    for stage in (first, *others):
        word = codec.write(first.chip.registers["GATE_HS"], stage.bank.words["GATE_HS"]).word
        name = "gd_init_steps" if stage is first else f"gd_p{stage.position}_init_steps"
        table = made.header.partition(f"{name}[")[2].partition("};")[0]
        assert f"{{0x{word:04X}U, 0U, " in table


@languages
def test_a_chip_of_the_chain_that_loses_its_settings_is_named(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    first, *others = stages(tmp_path, [0, 1, 2])
    program = build(tmp_path, need_tool, language, first, others)
    twin = TwinChain([first.chip] * 3)
    read = twin.cores[1].machine.read

    def stuck(register):  # type: ignore[no-untyped-def]
        if register.name == "GATE_HS":
            twin.cores[1].machine.bank.learn("GATE_HS", 0, 0x1)
        return read(register)

    twin.cores[1].machine.read = stuck  # type: ignore[method-assign]
    status, report = converse(program, twin, 64, [])
    assert status == 1
    assert "position 1, step" in report
    assert "result 3, differ 1" in report


def lose_lock(machine: Machine) -> None:
    machine.bank.states["locked"] = False
    machine.settle()


def lose_setting(machine: Machine) -> None:
    machine.bank.words["GATE_HS"] ^= 0x10


LOSSES: dict[str, Callable[[TwinChain, int], object]] = {
    "the lock": lambda twin, k: lose_lock(twin.cores[k].machine),
    "a setting": lambda twin, k: lose_setting(twin.cores[k].machine),
    "everything": lambda twin, k: twin.cores[k].power_up(),
}


def right(twin: TwinChain, stages: Sequence[Stage]) -> bool:
    """Whether every chip holds the settings of its stage, its lock closed where it has one."""
    return all(
        bank.code(s.name) == s.choice.code and bank.states.get("locked", True)
        for stage in stages
        for bank in [twin.cores[stage.position].machine.bank]
        for s in stage.settings
    )


@languages
def test_what_is_lost_at_any_position_is_found_and_a_restart_brings_it_back(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    first, *others = stages(tmp_path, [0, 1, 2])
    program = build(tmp_path, need_tool, language, first, others)
    header = generate(first, Options(prefix="gd"), others).header
    ticks = int(header.partition("#define GD_WATCH_TICKS")[2].split("U")[0])
    for what, lose in LOSSES.items():
        for position in range(3):
            twin = TwinChain([first.chip] * 3)
            status, report = converse(
                program, twin, 64, [], lambda t=twin, go=lose, k=position: go(t, k)
            )
            found = re.search(r"watch: result (\d) at (\d) after (\d+)", report)
            assert found is not None, (what, position, report)
            assert found[1] in ("3", "6"), (what, position)
            assert int(found[2]) == position, what
            assert int(found[3]) <= ticks + 1, what
            assert (status, "restart: 0" in report) == (0, True), (what, position, report)
            assert right(twin, (first, *others)), (what, position)


@languages
def test_a_bring_up_that_is_damaged_anywhere_goes_on_to_the_end(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Wherever one bit of a stream goes wrong, the chain ends as it must, with or without a restart."""
    first, *others = stages(tmp_path, [2, 0, 1])
    program = build(tmp_path, need_tool, language, first, others)
    again = 0
    for number, bit in [(n, (7 * n) % 48) for n in range(0, 26, 2 if language == "c" else 5)]:
        twin = TwinChain([first.chip] * 3)
        status, report = converse(program, twin, 64, [], damaged=(number, bit))
        assert status == 0, (number, bit, report)
        assert right(twin, (first, *others)), (number, bit)
        again += "restart: 0" in report
    assert again > 2


@languages
def test_a_flag_of_a_rejected_frame_that_stays_up_hides_nothing_in_a_chain(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Its replies hold the flag: a damaged stream stops the bring-up, and the restart clears it first."""
    found = latched_stages(tmp_path)
    program = build(tmp_path, need_tool, language, found[0], found[1:])
    again = 0
    for number, bit in [(n, (11 * n) % 48) for n in range(0, 14, 1 if language == "c" else 3)]:
        twin = TwinChain([found[0].chip] * 2)
        status, report = converse(program, twin, 48, [], damaged=(number, bit))
        assert status == 0, (number, bit, report)
        assert right(twin, found), (number, bit)
        again += "restart: 0" in report
    assert again > 2


@languages
def test_one_chip_of_a_chain_is_not_reached_alone(language: str, tmp_path: Path) -> None:
    """What would send to it a frame of its own is not there."""
    first, *others = stages(tmp_path, [0, 1, 2])
    text = put(first, language, tmp_path, Options(prefix="gd"), others).header
    alone = put(replace(first, chain=()), language, tmp_path).header
    c = (
        "run",
        "tick",
        "exchange",
        "transfer",
        "read_status",
        "resync",
        "restart",
        "watch",
        "watch_begin",
    )
    for name in c if language == "c" else ("run_part", "exchange", "watch_mode_begin", "enter"):
        call = rf"\bgd_{name}\(" if language == "c" else rf"\b{name}\("
        assert not re.search(call, text), name
        assert re.search(call, alone) or name in ("watch_mode_begin", "enter", "run_part"), name
    driver = (
        text[: text.index("// A chip of a chain is not reached alone")] if language != "c" else ""
    )
    for name in ("restart", "watch", "tick", "read_status"):
        assert not re.search(rf"\b{name}\(", driver), name


@languages
def test_a_chain_with_replies_one_frame_later(
    language: str, tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Frames of 13 bits with a counter; the stage's own position has a table, the others idle and are checked too."""
    (tmp_path / "later.yaml").write_text(LATER, "utf-8")
    (tmp_path / "stage.yaml").write_text(
        "gateword_stage: 1\nstage: {name: late, invented: yes}\nmap: later.yaml\n"
        "chain: {maps: [later.yaml, later.yaml], position: 1}\nsettings: {ONE.A: 0b101, TWO.C: 0x55}\n", "utf-8",
    )  # fmt: skip
    stage = load_stage(tmp_path / "stage.yaml")
    program = build(tmp_path, need_tool, language, stage, status=False)
    twin = TwinChain([stage.chip] * 2)
    status, report = converse(program, twin, 16 + 26, [])
    assert (status, report.splitlines()) == (0, ["configured", "verified"])
    assert [c.machine.bank.words["TWO"] for c in twin.cores] == [0x2A, 0x55]


def test_what_c_cannot_do_is_refused_with_a_way_out(tmp_path: Path) -> None:
    first, second = stages(tmp_path, [0, 1])
    with pytest.raises(CallError, match=r"part0 is for position 0, as one before it"):
        generate(first, Options(prefix="gd"), [first])
    with pytest.raises(CallError, match=r"needs a daisy chain"):
        generate(replace(first, chain=()), Options(prefix="gd"), [second])
    other = load_map("quoll16")
    with pytest.raises(
        CallError,
        match=r"chips of several maps \(quokka16, quoll16\).*for itself without the sections frames",
    ):
        generate(replace(first, chain=(first.chip, other)), Options(prefix="gd"))
    # nor is a position of another map passed over where no frames are wanted
    masks = Options(prefix="gd", sections=select(["masks"]))
    mixed = (first.chip, other)
    with pytest.raises(
        CallError, match=r"part1 is of the map quoll16, not of quokka16.*a header for each map"
    ):
        generate(replace(first, chain=mixed), masks, [replace(second, chip=other, chain=mixed)])
    assert "GATE_HS" in generate(replace(first, chain=mixed), masks).header
    with pytest.raises(CallError, match="the map of quoll16 says nothing of chains"):
        generate(other, Options(prefix="gd", chain=2))
    with pytest.raises(CallError, match="20 chips do not fit the 4 bits"):
        generate(first.chip, Options(prefix="gd", chain=20))
