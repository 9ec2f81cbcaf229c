"""How long a 3,000-line map takes to vet, against the time PyYAML's C loader needs to compose it.

    python tests/bench/bench_map.py

Both are measured in one run, alternately, so that the ratio says something on a busy machine. The
bar is 10: loading with places, checking every reference, proving the known frames and warning must
not cost more than ten times what turning the text into nodes costs.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import yaml

from regmap.maps.load import find_document
from regmap.maps.vet import check_map

BAR = 10.0
ROUNDS = 15
SHIPPED = ("quoll16", "quokka16", "numbat24", "bilby32", "potoroo40", "wombat24")


def long_map(lines: int = 3000) -> str:
    """A sound map of about so many lines, as written by hand: one register after another."""
    out = [
        "gateword_map: 1", "chip: {name: long32, invented: yes}", "spi: {mode: 1, clock_max: 10 MHz}",
        "frames:", "  word:", "    length: 48", "    command:",
        "      op: {bits: 47..46, holds: operation, codes: {read: 1, write: 2}}",
        "      address: {bits: 45..32, holds: address}", "      data: {bits: 31..8, holds: data}",
        "      crc: {bits: 7..0, holds: crc, polynomial: 0x07, init: 0xFF, over: 47..8}", "    reply:",
        "      after: 1", "      parts:", "        status: {bits: 47..32, holds: ignored}",
        "        data: {bits: 31..8, holds: data}",
        "        crc: {bits: 7..0, holds: crc, polynomial: 0x07, init: 0xFF, over: 47..8}", "registers:",
    ]  # fmt: skip
    number = 0
    while len(out) < lines * 0.7:
        out += [
            f"  REG_{number}:",
            f"    address: 0x{number:03X}",
            "    reset: 0x000041",
            f"    summary: Settings of channel {number}",
            "    fields:",
            "      MODE: {bits: 23..22, options: {0: 'off', 1: slow, 2: fast, 3: reserved}, summary: what it does}",
            "      CURRENT:",
            "        bits: 21..19",
            "        role: gate.source",
            "        summary: gate source current",
            # every register has values of its own, so that no cache makes light of them
            f"        table: {{unit: mA, tolerance: 20 %, typ: [{', '.join(str(n * 1000 + number) for n in range(1, 9))}]}}",
            "      TIME: {bits: 18..12, role: deadtime, scale: {step: 20 ns, offset: 60 ns, tolerance: 12 %}}",
            "      LEVEL: {bits: 9..8, role: uv.threshold, options: {0: 4.5 V, 1: 5.5 V, 2: 7 V, 3: 8 V}, tolerance: 4 %}",
            "      FLAG: {bits: 0, access: ro, summary: something has happened}",
            "    reserved: {11..10: 0, 7..1: keep}",
        ]
        number += 1
    registers = number
    out.append("faults:")
    for index in range(registers):
        if len(out) >= lines - 30:
            break
        out += [
            f"  FAULT_{index}:",
            f"    at: REG_{index}.FLAG",
            "    title: Something has happened",
            "    meaning: The chip has seen something that it should not have seen.",
            "    causes: [the supply is too low, a gate is shorted to its source]",
            "    check_first: [supply at the pin under load, gate-source resistance]",
            "    effect: all gates off",
            f"    masked_when: REG_{index}.MODE == off",
        ]
    out += [
        "rules:",
        "  enough: {require: REG_0.TIME >= 200 ns or REG_1.MODE == slow, because: the stage is slow}",
        "sequences:", "  configure:", "    - {configure: all}", "    - {verify: all}",
        "known_frames:", "  - {does: 'read:REG_0', command: 0x400000000000, source: none}",
    ]  # fmt: skip
    return "\n".join(out) + "\n"


def seconds(work: Callable[[], Any]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    text = long_map()
    chip, problems = check_map("long.yaml", text=text)
    # the one known frame is wrong on purpose: its guard is not that of the map
    assert chip is not None
    assert sum(p.severity == "error" for p in problems) == 1
    loader = yaml.CSafeLoader
    path = Path("long.yaml")
    composed, vetted = [], []
    for _ in range(ROUNDS):
        composed.append(seconds(lambda: yaml.compose(text, Loader=loader)))
        vetted.append(seconds(lambda: check_map(path, text=text)))
    floor, ours = statistics.median(composed), statistics.median(vetted)
    ratio = ours / floor
    sys.stdout.write(
        f"{text.count(chr(10))} lines, {len(chip.registers)} registers: compose {floor * 1e3:.1f} ms,"
        f" load and vet {ours * 1e3:.1f} ms, ratio {ratio:.1f} (bar {BAR:g})\n"
    )
    slow = 0.0
    for name in SHIPPED:
        start = time.process_time()
        check_map(find_document(name))
        slow = max(slow, time.process_time() - start)
    sys.stdout.write(f"shipped maps, each proven whole: at most {slow * 1e3:.0f} ms (bar 1000)\n")
    return 0 if ratio <= BAR and slow < 1 else 1


if __name__ == "__main__":
    raise SystemExit(main())
