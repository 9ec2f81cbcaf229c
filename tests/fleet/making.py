"""Captures of a fleet that does not exist, made by simulated chips, with the truth about each beside it.

All of it is invented: units, firmware versions, disturbances. The truth is what was done to the simulated chip,
not what any reader of ours found. Run: python tests/fleet/making.py FOLDER COUNT [STAGE]
"""

from __future__ import annotations

import csv
import random
import sys
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "captures"))
try:
    from make_captures import Controller
finally:
    sys.path.pop(0)

#: stage -> (status registers, request that clears all, disturbance -> fault it raises)
SCENES: dict[str, tuple[tuple[str, ...], str, dict[str, str]]] = {
    "coolant_pump": (
        ("STATUS1", "STATUS2"),
        "SERVICE.CLEAR = clear",
        {"vds_ul": "VDS_UL", "vds_vh": "VDS_VH", "overtemperature": "OT"},
    ),
    "conveyor_drum": (
        ("STATUS", "VDS_FAULTS"),
        "CLEAR_ALL",
        {"vds_vh": "VDS_VH", "vds_ul": "VDS_UL"},
    ),
}


@dataclass(frozen=True)
class Truth:
    """What was done to the chip of one capture: the fault and when it began, or nothing."""

    file: str
    unit: str
    firmware: str
    fault: str
    begun_s: float


def capture_of(stage: str, seed: int, disturbance: str) -> tuple[str, float]:
    """(value change dump, instant at which the disturbance begins in it)."""
    status, clear, _ = SCENES[stage]
    c = Controller(stage, seed)
    c.twin.wait(Fraction(seed % 9973, 1_000_000))  # no two captures are of equal bytes
    c.bring_up()
    begun = c.twin.clock.seconds + Fraction(2_300 + seed % 400, 1_000_000)
    if disturbance:
        c.twin.disturb(f"{disturbance} at {float(begun * 1000):.4f} ms for 60 us")
    c.poll(5, *status)
    c.ask(clear)
    c.poll(2, *status)
    return c.text(), float(begun)


def make(
    folder: Path, count: int, stage: str = "coolant_pump", *, new: str = "", seed: int = 1
) -> list[Truth]:
    """`count` captures with a manifest; every fourth one disturbed, and with `new` all of firmware 2.1 by it."""
    rng = random.Random(seed)
    usual = list(SCENES[stage][2])
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for number in range(count):
        firmware = ("2.0", "2.1")[number % 2]
        what = rng.choice(usual[:1]) if number % 4 == 2 else ""
        if new and firmware == "2.1":
            what = new
        text, begun = capture_of(stage, seed * 10_000 + number, what)
        path = folder / f"run{number:04}.vcd"
        path.write_text(text)
        fault = SCENES[stage][2][what] if what else ""
        truths.append(Truth(path.as_posix(), f"unit{number % 7}", firmware, fault, begun))
    with (folder / "manifest.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", "unit", "firmware", "test"])
        writer.writerows([Path(t.file).name, t.unit, t.firmware, "soak (invented)"] for t in truths)
    return truths


if __name__ == "__main__":
    make(Path(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:4])
