"""A C program with the generated tables brings a simulated chip up and names an injected fault.

The program (`header/bring_up.c`) knows no chip: tables and routines come from the header. It talks
SPI bytes over its standard streams; here they go to the simulated chip.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.cheader import Options, generate
from regmap.frames.codec import from_wire, wire_bytes
from regmap.stages.load import Stage, load_stage
from regmap.twin import Twin

HERE = Path(__file__).parent / "header"
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]

STAGES = {
    # counter and checksum come into force on the way, and frames grow
    "wombat24": """
gateword_stage: 1
stage: {name: layouts, invented: yes}
map: wombat24
settings:
  GATE: {SOURCE: 120 mA, SINK: 250 mA, FULL_DRIVE: 1 us}
  TIMING: {BLANKING: 1.5 us, DEAD_TIME: 500 ns}
  VDS.THRESHOLD: 250 mV
  SENSE: {GAIN: x16, OC_TRIP: 60 mV}
""",
    # pages in the frame, a toggle bit, echoes, replies two frames later, a complement
    "bilby32": """
gateword_stage: 1
stage: {name: pages, invented: yes}
map: bilby32
settings:
  DRIVE: {RANGE: strong, SOURCE: 300 mA, SINK: 500 mA}
  VDS: {THRESHOLD: 200 mV, FILTER: 600 ns}
  LIMIT.TRIP: 60 mV
""",
    # no watchdog
    "quokka16": """
gateword_stage: 1
stage: {name: alone, invented: yes}
map: quokka16
settings:
  MODE.PWM: six_input
  GATE_HS: {SOURCE: 33 mA, SINK: 160 mA}
  TIMING.DEAD_TIME: 1 us
""",
    # a page register, two bursts, least significant bit first
    "potoroo40": """
gateword_stage: 1
stage: {name: bursts, invented: yes}
map: potoroo40
supply.voltage: 12 V
external: {GAIN_PIN: x10}
settings:
  OUTPUT: {SOURCE: 150 mA, FULL_DRIVE: 1.5 us}
  MONITOR: {THRESHOLD: 0.42 V, OC_TRIP: 50 mV}
  DEAD.TIME: 500 ns
""",
}
#: stage, what is injected, what the program must name (first cause first)
CASES = [
    ("coolant_pump", ["uv_supply"], ["UV_SUPPLY"]),
    ("coolant_pump", ["uv_supply", "vds_uh", "oc_v"], ["UV_SUPPLY", "VDS_UH", "OC_V"]),
    ("conveyor_drum", ["oc_v"], ["OC_V"]),
    ("wombat24", ["ot"], ["OT"]),
    ("bilby32", ["uv_pump"], ["UV_PUMP"]),
    ("potoroo40", ["oc"], ["OC"]),
]


def stage_of(name: str, folder: Path) -> Stage:
    if name not in STAGES:
        return load_stage(name)
    path = folder / "stage.yaml"
    path.write_text(STAGES[name], "utf-8")
    return load_stage(path)


def build(stage: Stage, folder: Path, gcc: str, *, split: bool) -> Path:
    made = generate(stage, Options(prefix="gd", split=split))
    (folder / "gd.h").write_text(made.header, "utf-8")
    sources = [HERE / "bring_up.c"]
    if made.source is not None:
        (folder / "gd.c").write_text(made.source, "utf-8")
        sources.append(folder / "gd.c")
    program = folder / "bring_up"
    subprocess.run([gcc, *STRICT, "-O1", "-I", folder, *sources, "-o", program], check=True)
    return program


def converse(program: Path, twin: Twin, faults: list[str]) -> tuple[int, str]:
    """Answer for the chip until the program ends; its exit status and its report."""
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
                assert op == b"M"
                for fault in faults:
                    twin.disturb(fault)
                twin.wait(0.001)
                process.stdin.write(b"!")
        report = process.stderr.read().decode()
        return process.wait(), report


@pytest.mark.parametrize(
    ("name", "inject", "named"), CASES, ids=lambda v: "+".join(v) if isinstance(v, list) else v
)
def test_bring_up_and_name_a_fault(
    name: str,
    inject: list[str],
    named: list[str],
    tmp_path: Path,
    need_tool: Callable[[str], str],
) -> None:
    stage = stage_of(name, tmp_path)
    program = build(stage, tmp_path, need_tool("gcc"), split=len(inject) > 1)
    twin = Twin(stage.chip)
    status, report = converse(program, twin, inject)
    assert status == 0, report
    lines = report.splitlines()
    assert lines[0].startswith("configured: ")
    assert lines[1].startswith("verified: ")
    wanted = [f"fault {n}: {stage.chip.faults[n].title}" for n in named]
    assert lines[2:] == wanted
    # the chip itself holds what the stage wants
    for setting in stage.settings:
        register = setting.name.partition(".")[0]
        if register in stage.chip.registers:
            assert twin.machine.bank.code(setting.name) == setting.choice.code, setting.name


def test_a_chip_that_is_not_there(tmp_path: Path, need_tool: Callable[[str], str]) -> None:
    stage = load_stage("coolant_pump")
    program = build(stage, tmp_path, need_tool("gcc"), split=False)
    twin = Twin(stage.chip, disturbances=["no_power"])
    status, report = converse(program, twin, [])
    assert status == 1
    assert report == "configured: step 1: a damaged reply\n"


def test_a_chip_that_does_not_take_a_setting(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """Stuck bits of a configuration register are found by the readback."""
    stage = load_stage("coolant_pump")
    program = build(stage, tmp_path, need_tool("gcc"), split=False)
    twin = Twin(stage.chip)
    take = twin.machine.write

    def stuck(register, word):  # type: ignore[no-untyped-def]
        outcome = take(register, word)
        twin.machine.bank.learn("TIMING", 0, 0x4)
        return outcome

    twin.machine.write = stuck  # type: ignore[method-assign]
    status, report = converse(program, twin, [])
    assert status == 1
    assert "another word than expected" in report
