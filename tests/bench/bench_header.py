"""Generation time against a bare interpreter, and code and table size on Cortex-M0.

Run: python tests/bench/bench_header.py [--runs 15] [--registers 200]

One run alternates whole processes: `python -c pass` (the floor) and `gateword header` on a map
of that many registers. Medians; only the ratios mean anything; processor time bears a busy machine. The aim is 6 times the floor at 200 registers.

Sizes are those of header and source compiled with -Os for a Cortex-M0 (arm-none-eabi-gcc): text
is code, constants are tables and texts; both stay in flash.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from regmap.cheader import Options, generate, select
from regmap.maps.load import bundled, load_map
from regmap.stages.load import load_stage

AIM = 6.0


def big_map(registers: int) -> str:
    """An invented chip with that many registers of three fields each."""
    lines = [
        "gateword_map: 1",
        "chip: {name: big, title: many registers (invented), invented: yes}",
        "spi: {mode: 1}",
        "frames:",
        "  word:",
        "    length: 40",
        "    command:",
        "      rw:      {bits: 39, holds: operation, codes: {write: 0, read: 1}}",
        "      address: {bits: 38..24, holds: address}",
        "      data:    {bits: 23..8, holds: data}",
        "      crc:     {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF}",
        "    reply:",
        "      parts:",
        "        spare: {bits: 39..24, holds: ignored}",
        "        data:  {bits: 23..8, holds: data}",
        "        crc:   {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF}",
        "registers:",
    ]
    for index in range(registers):
        lines += [
            f"  R{index:03d}:",
            f"    address: 0x{index:X}",
            "    reset: 0",
            f"    summary: register {index}",
            "    fields:",
            "      CURRENT: {bits: 15..12, scale: {step: 10 mA, offset: 10 mA, tolerance: 20 %}, summary: a current}",
            "      TIME: {bits: 11..8, scale: {step: 100 ns, offset: 100 ns, tolerance: 10 %}, summary: a time}",
            "      MODE: {bits: 7..6, options: {0: none, 1: one, 2: two, 3: three}, summary: a mode}",
            "    reserved: {5..0: 0}",
        ]
    return "\n".join(lines) + "\n"


def seconds(command: list[str], env: dict[str, str]) -> tuple[float, float]:
    """Elapsed and processor seconds of one whole process."""
    begin = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env
    ) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0, command
    return time.perf_counter() - begin, used.ru_utime + used.ru_stime


def measure(runs: int, registers: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "big.yaml").write_text(big_map(registers), "utf-8")
        header = folder / "big.h"
        base = [sys.executable, "-m", "regmap.cli", "header", str(folder / "big.yaml")]
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "header, definitions": [
                *base,
                "--only",
                "addresses,masks,options,resets",
                "-o",
                str(folder / "d.h"),
            ],
            "header, everything": [*base, "-o", str(header)],
        }
        # compiled modules are kept, as those of an installed package are
        env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
        taken: dict[str, list[tuple[float, float]]] = {key: [] for key in commands}
        for turn in range(runs + 1):
            for key, command in commands.items():
                spent = seconds(command, env)
                if turn:  # the first turn warms caches and compiles modules
                    taken[key].append(spent)
        print(
            f"{registers} registers, {header.stat().st_size} bytes of header, {runs} runs, medians"
        )
        floors = [statistics.median(t[k] for t in taken["python -c pass"]) for k in (0, 1)]
        for key, values in taken.items():
            elapsed, used = (statistics.median(v[k] for v in values) for k in (0, 1))
            print(
                f"  {key:<22} elapsed {elapsed * 1000:6.1f} ms, {elapsed / floors[0]:4.1f} times the floor;"
                f"  processor {used * 1000:6.1f} ms, {used / floors[1]:4.1f} times"
            )
        print(f"  aim: {AIM:.0f} times the floor")


def size_of(made: object, folder: Path, gcc: str) -> tuple[int, int]:
    """(code, constants) in bytes."""
    (folder / "gd.h").write_text(made.header, "ascii")  # type: ignore[attr-defined]
    (folder / "gd.c").write_text(str(made.source), "ascii")  # type: ignore[attr-defined]
    flags = ["-std=c99", "-mcpu=cortex-m0", "-mthumb", "-Os", "-ffreestanding"]
    subprocess.run([gcc, *flags, "-c", "gd.c", "-o", "gd.o"], cwd=folder, check=True)
    tool = gcc.replace("gcc", "size")
    done = subprocess.run(
        [tool, "-A", "gd.o"], cwd=folder, capture_output=True, text=True, check=True
    )
    code = constants = changing = 0
    for line in done.stdout.splitlines():
        cells = line.split()
        if len(cells) == 3 and cells[1].isdigit():
            if cells[0].startswith(".text"):
                code += int(cells[1])
            elif cells[0].startswith(".rodata"):
                constants += int(cells[1])
            elif cells[0].startswith((".data", ".bss")):
                changing += int(cells[1])
    assert changing == 0, "nothing may lie in RAM"
    return code, constants


def sizes() -> None:
    gcc = shutil.which("arm-none-eabi-gcc")
    if gcc is None:
        print("arm-none-eabi-gcc is not installed: no sizes")
        return
    print("Cortex-M0, -Os, bytes in flash; nothing in RAM")
    print(f"  {'':<16} {'checksum':<8} {'code':>6} {'tables':>7}   total without the fault table")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for item, path in bundled("devices").items():
            source = (
                load_map(item) if "gateword_map" in path.read_text("utf-8") else load_stage(item)
            )
            for crc in ("table", "loop"):
                options = Options(prefix="gd", split=True, include="gd.h", crc=crc)
                code, constants = size_of(generate(source, options), folder, gcc)
                bare = Options(
                    prefix="gd",
                    split=True,
                    include="gd.h",
                    crc=crc,
                    sections=select(without=["faults"]),
                )
                small = sum(size_of(generate(source, bare), folder, gcc))
                print(f"  {item:<16} {crc:<8} {code:>6} {constants:>7}   {small:>6}")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--registers", type=int, default=200)
    arguments = parser.parse_args()
    measure(arguments.runs, arguments.registers)
    sizes()


if __name__ == "__main__":
    main()
