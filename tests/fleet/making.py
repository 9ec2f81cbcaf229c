"""Captures of a fleet that does not exist, made by simulated chips, with the truth about each beside it.

All of it is invented: units, firmware versions, disturbances. The truth is what was done to the simulated chip,
not what any reader of ours found. Run: python tests/fleet/making.py FOLDER COUNT [STAGE]
"""

from __future__ import annotations

import csv
import random
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "captures"))
try:
    from make_captures import Controller
finally:
    sys.path.pop(0)

_BRIDGE = ("VDS_UH", "VDS_UL", "VDS_VH", "VDS_VL", "VDS_WH", "VDS_WL")

#: stage -> (registers that are polled, request that clears all, faults of its map that are put in, by their names)
SCENES: dict[str, tuple[tuple[str, ...], str, tuple[str, ...]]] = {
    "coolant_pump": (("STATUS1", "STATUS2"), "SERVICE.CLEAR = clear", ("VDS_UL", "VDS_VH", "OT", *_BRIDGE, "UV_PUMP")),
    "conveyor_drum": (("STATUS", "VDS_FAULTS"), "CLEAR_ALL", ("VDS_VH", "VDS_UL", *_BRIDGE)),
    "radiator_fan": (("STATUS1", "STATUS2"), "SERVICE.CLEAR = clear", ("VDS_UL", "VDS_VH", "OT", *_BRIDGE, "UV_PUMP")),
}  # fmt: skip

#: what is done besides to a capture of a whole fleet, and how often in a hundred
KINDS = {"": 50, "fault": 25, "two": 13, "power": 6, "dead": 6}


@dataclass(frozen=True)
class Truth:
    """What was done to the chip of one capture: faults and when each began; or its power or its reply were lost."""

    file: str
    unit: str
    firmware: str
    faults: tuple[tuple[str, float], ...] = ()
    kind: str = ""
    stage: str = ""

    @property
    def fault(self) -> str:
        """The only fault, or nothing."""
        return self.faults[0][0] if self.faults else ""


def capture_of(
    stage: str, seed: int, faults: Sequence[str] = (), kind: str = "fault"
) -> tuple[str, list[float]]:
    """(value change dump, instants at which the faults begin in it)."""
    status, clear, _ = SCENES[stage]
    c = Controller(stage, seed)
    c.twin.wait(Fraction(seed % 99_991, 1_000_000))  # no two captures are of equal bytes
    c.bring_up()
    begun = []
    for place, fault in enumerate(faults):
        begun.append(c.twin.clock.seconds + Fraction(1_300 + 1_000 * place + seed % 400, 1_000_000))
        c.twin.disturb(f"{fault.lower()} at {float(begun[-1] * 1000):.4f} ms for 60 us")
    if kind == "power":
        now = float(c.twin.clock.seconds * 1000)
        c.twin.disturb(f"no_power at {now + 1.4:.4f} ms for 700 us")
    c.poll(2, *status)
    if kind == "dead":
        c.twin.disturb("dead_reply high")
    c.poll(3, *status)
    if kind not in ("power", "dead"):
        c.ask(clear)
        c.poll(2, *status)
    return c.text(), [float(b) for b in begun]


def write_manifest(folder: Path, truths: Sequence[Truth]) -> None:
    """A manifest of the captures in their folder."""
    with (folder / "manifest.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", "unit", "firmware", "test"])
        writer.writerows([Path(t.file).name, t.unit, t.firmware, "soak (invented)"] for t in truths)


def make(
    folder: Path, count: int, stage: str = "coolant_pump", *, new: str = "", seed: int = 1
) -> list[Truth]:
    """`count` captures with a manifest; every fourth one disturbed, and with `new` all of firmware 2.1 by it."""
    folder.mkdir(parents=True, exist_ok=True)
    truths = []
    for number in range(count):
        firmware = ("2.0", "2.1")[number % 2]
        what = SCENES[stage][2][0] if number % 4 == 2 else ""
        if new and firmware == "2.1":
            what = new
        some = [what] if what else []
        text, begun = capture_of(stage, seed * 10_000 + number, some)
        path = folder / f"run{number:04}.vcd"
        path.write_text(text)
        told = tuple(zip(some, begun, strict=True))
        truths.append(Truth(path.as_posix(), f"unit{number % 7}", firmware, told, stage=stage))
    write_manifest(folder, truths)
    return truths


def make_fleet(folder: Path, numbers: Iterable[int], seed: int = 1) -> list[Truth]:
    """Captures with these numbers, of all chips in a folder each: three firmware versions, all kinds of disturbances."""
    truths = []
    for number in numbers:
        rng = random.Random(seed * 1_000_003 + number)
        stage = list(SCENES)[number % len(SCENES)]
        firmware = rng.choice(("2.0", "2.1", "2.2"))
        (kind,) = rng.choices(list(KINDS), list(KINDS.values()))
        names = sorted(set(SCENES[stage][2]) if kind == "fault" else set(_BRIDGE))
        some = rng.sample(names, {"fault": 1, "two": 2}.get(kind, 0))
        path = folder / stage / f"run{number:05}.vcd"
        path.parent.mkdir(parents=True, exist_ok=True)
        unit = f"unit{rng.randrange(40):02}"
        text, begun = capture_of(stage, seed * 50_000 + number, some, kind)
        path.write_text(text)
        told = tuple(zip(some, begun, strict=True))
        truths.append(Truth(path.as_posix(), unit, firmware, told, kind, stage))
    return truths


if __name__ == "__main__":
    make(Path(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:4])
