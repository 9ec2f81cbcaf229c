"""The mistakes of mistakes.py made by two simulators: benches in Verilog and in VHDL that any chip's words are given to.

The benches (verilog/mistakes.v, vhdl/mistakes.vhd) have the edges, the chip's judgement of what arrives, the latency of replies, wires and
probes; from here come only the words, made by `Codec`. Every register is written with the word that it holds, so
that no reply hangs on whether a write arrived. What a log of words shows follows from the same lines: such a log is
test_matrix.py's.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any, ClassVar

import pytest

from regmap.chip.model import Chip


def _matrix() -> ModuleType:
    path = Path(__file__).with_name("test_matrix.py")
    spec = importlib.util.spec_from_file_location("matrix_of_mistakes", path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


matrix = _matrix()
CHIPS, EVERY, edgelevel, mistakes = matrix.CHIPS, matrix.EVERY, matrix.edgelevel, matrix.mistakes
load, told, verdict = matrix.load, matrix.told, matrix.verdict
BENCHES = Path(__file__).parents[1]
#: (folder, what the chip is, what is wrong, words) -> dump
Simulator = Callable[[Path, dict[str, int], dict[str, int], list[int]], str]

#: what the bench is told for each mistake; those made by firmware's words, or by the reader, are told nothing
TOLD: dict[str, dict[str, Any]] = {
    "other clock phase": {"mode": lambda m: m ^ 1},
    "other clock polarity": {"mode": lambda m: m ^ 2},
    "other phase and polarity": {"mode": lambda m: m ^ 3},
    "bit order": {"reversed": 1},
    "byte order": {"bytes": 1},
    "command one clock late": {"shift": 1},
    "command one clock early": {"shift": -1},
    "command two clocks late": {"shift": 2},
    "command three clocks early": {"shift": -3},
    "reply one clock late": {"late": 1},
    "reply two clocks late": {"late": 2},
    "command inverted": {"not_mosi": 1},
    "reply inverted": {"not_miso": 1},
    "command stuck low": {"mosi_is": 0},
    "command stuck high": {"mosi_is": 1},
    "command floating": {"mosi_is": 2},
    "reply stuck high": {"miso_is": 1},
    "reply stuck low": {"miso_is": 0},
    "reply floating": {"miso_is": 2},
    "echo": {"echo": 0},
    "echo half a clock late": {"echo": 60},
    "data probes swapped": {"probes": 1},
    "clock and select probes swapped": {"probes": 2},
    "clock and data probes swapped": {"probes": 3},
    "select inverted": {"select": 3},
    "select probe inverted": {"probes": 4},
    "select tied": {"select": 1},
    "select never active": {"select": 2},
    "select not captured": {"probes": 7},
    "one clock too many": {"behind": 1},
    "one clock too few": {"behind": -1},
    "two frames in one select": {"merge": 1},
    "select after each byte": {"split": 8},
    "eight clocks too many after": {"behind": 8},
    "eight clocks too many before": {"before": 8},
    "check bits complemented": {},
    "check bits zero": {},
    "checksum of another start": {},
    "checksum of another polynomial": {},
    "checksum in reverse order": {},
    "glitches on the clock": {"glitch": 1},
    "noise on replies": {"noise_miso": 1},
    "noise on commands": {"noise_mosi": 1},
    "reply line dies high": {"miso_is": 1, "miso_from": 22},
    "reply line dies low": {"miso_is": 0, "miso_from": 22},
    "reply line open for a while": {"miso_is": 1, "miso_from": 15, "miso_to": 27},
    "one probe on clock and data": {"probes": 5},
    "one probe on both data lines": {"probes": 6},
    "read in a wrong mode": {},
    "sampled too slowly": {"sample": 230},
    "another map": {},
}


def words_of(chip: Chip, firmware: Any = None) -> tuple[list[int], int]:
    """The bench's words, and the number of frames."""
    settled: dict[str, int] = {}
    program = edgelevel.program(chip, settled=settled)
    model = edgelevel.Model(chip)
    model.words.update(settled)

    def replies(sent: Any, refused: bool) -> list[int]:
        out = []
        for model.toggle in (0, 1):
            for before in (0, 1):
                bits = model._reply(sent, error=refused or bool(before))
                out.append(edgelevel.word_of(bits))
        return out

    words = replies(None, refused=False)
    length = chip.default_frame().length
    for sent in program:
        bits = edgelevel.bits_of(sent.word, length)
        said = bits if firmware is None else firmware(bits, 0, None)
        words += [edgelevel.word_of(said), sent.word, *replies(sent, refused=False)]
    return words, len(program)


def simulated(folder: Path, simulator: Simulator, chip: Chip, name: str) -> str:
    """The dump of the chip's words with this mistake."""
    mistake = mistakes.CASES[name].make(chip)
    words, frames = words_of(chip, mistake.firmware if not TOLD[name] else None)
    frame, spi = chip.default_frame(), chip.spi
    bursts = frame.bursts or (frame.length,)
    parts = [p for p in frame.command.parts if p.kind in ("operation", "address", "page")]
    given = {
        "length": frame.length,
        "burst": bursts[0] if len(bursts) == 2 else 0,
        "after": frame.after,
        "header": bursts[0]
        if len(bursts) == 2
        else frame.length - min(b for p in parts for b in p.bits),
        "chip": spi.mode,
        "lsb": int(not spi.msb_first),
        "level": int(not spi.select_active_low),
        "frames": frames,
    }
    wrong = {k: v(spi.mode) if callable(v) else v for k, v in TOLD[name].items()}
    return simulator(folder, given, wrong, words)


class Icarus:
    """verilog/mistakes.v: numbers on the command line."""

    def __init__(self, folder: Path) -> None:
        self.program = folder / "bench.vvp"
        command = ["iverilog", "-g2005", "-o", str(self.program), str(BENCHES / "verilog" / "mistakes.v")]  # fmt: skip
        subprocess.run(command, check=True, capture_output=True)

    def __call__(
        self, folder: Path, given: dict[str, int], wrong: dict[str, int], words: list[int]
    ) -> str:
        (folder / "words").write_text("\n".join(f"{w:x}" for w in words) + "\n")
        said = [f"+{k}={v}" for k, v in {**given, **wrong}.items()]
        command = ["vvp", "-n", str(self.program), "+words=words", *said]
        subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=60)
        return (folder / "mistakes.vcd").read_text()


class Ghdl:
    """vhdl/mistakes.vhd: the numbers are the first line of the file of words; the dump has nine values."""

    ORDER: ClassVar = [
        "mode",
        "reversed",
        "bytes",
        "shift",
        "before",
        "behind",
        "merge",
        "split",
        "late",
        "not_mosi",
        "not_miso",
        "echo",
        "select",
        "glitch",
        "noise_mosi",
        "noise_miso",
        "mosi_is",
        "miso_is",
        "miso_from",
        "miso_to",
        "probes",
        "sample",
    ]
    RIGHT: ClassVar = {"echo": -1, "mosi_is": -1, "miso_is": -1, "miso_to": 1 << 30}

    def __init__(self, folder: Path) -> None:
        source = str(BENCHES / "vhdl" / "mistakes.vhd")
        for step in (["-a", "--std=08", source], ["-e", "--std=08", "mistakes"]):
            subprocess.run(["ghdl", *step], cwd=folder, check=True, capture_output=True)

    def __call__(
        self, folder: Path, given: dict[str, int], wrong: dict[str, int], words: list[int]
    ) -> str:
        right = {**dict.fromkeys(self.ORDER, 0), **self.RIGHT, "mode": given["chip"]}
        row = [*given.values(), *{**right, **wrong}.values()]
        lines = [" ".join(map(str, row)), *(f"{w:016X}" for w in words)]
        (folder / "words").write_text("\n".join(lines) + "\n")
        lines = ["sclk", "cs" if given["level"] else "ncs", "mosi", "miso"]
        if wrong.get("probes") == 7:
            lines.pop(1)
        (folder / "waves").write_text(
            "$ version 1.1\n" + "".join(f"/mistakes/{n}\n" for n in lines)
        )
        run = ["ghdl", "-r", "--std=08", "mistakes", "--vcd=mistakes.vcd", "--read-wave-opt=waves"]
        subprocess.run(run, cwd=folder, check=True, capture_output=True, timeout=60)
        return (folder / "mistakes.vcd").read_text()


SIMULATORS: dict[str, type[Icarus] | type[Ghdl]] = {"iverilog": Icarus, "ghdl": Ghdl}


def judged(folder: Path, simulator: Simulator, name: str, chip_name: str) -> str:
    case, chip = mistakes.CASES[name], load(chip_name)
    if case.make(chip) is None:
        return ""
    text = simulated(folder, simulator, chip, name)
    spi = {"mode": chip.spi.mode ^ 1} if "mode" in case.how else {}
    other = "wombat24" if chip_name == "numbat24" else "numbat24"
    return verdict(told(text, [load(other) if "map" in case.how else chip], spi), case.names)


def table(folder: Path, tool: str, chosen: Callable[[int, int], bool]) -> dict[str, Counter[str]]:
    simulator = SIMULATORS[tool](folder)
    return {
        name: Counter(
            said
            for turn, chip in enumerate(CHIPS)
            if chosen(place, turn) and (said := judged(folder, simulator, name, chip))
        )
        for place, name in enumerate(TOLD)
    }


def test_every_mistake_is_simulated() -> None:
    assert set(TOLD) == set(mistakes.CASES)
    assert all(TOLD[n] or c.make(load("numbat24")).firmware or c.how for n, c in mistakes.CASES.items())  # fmt: skip


@pytest.mark.parametrize("tool", SIMULATORS)
def test_mistakes_made_by_a_simulator_are_named(tool: str, tmp_path: Path, need_tool: Any) -> None:
    """One mistake in four, each on one of the chips; all on all with GATEWORD_EVERY_CAPTURE=1."""
    need_tool(tool)
    turn = list(SIMULATORS).index(tool)
    found = table(
        tmp_path, tool, lambda p, t: EVERY or (p % 4 == 2 * turn and p // 4 % len(CHIPS) == t)
    )
    total = sum(found.values(), Counter())
    assert total["falsely accused"] == 0, {n: c for n, c in found.items() if c["falsely accused"]}
    assert total["silent"] == 0, {n: c for n, c in found.items() if c["silent"]}
    assert total["named"] >= 0.95 * sum(total.values()), {n: c for n, c in found.items() if c["partly"]}  # fmt: skip


@pytest.mark.parametrize("tool", SIMULATORS)
@pytest.mark.parametrize("chip", CHIPS if EVERY else CHIPS[1::3])
def test_a_sound_simulation_is_not_accused(
    chip: str, tool: str, tmp_path: Path, need_tool: Any
) -> None:
    need_tool(tool)
    story = told(
        simulated(tmp_path, SIMULATORS[tool](tmp_path), load(chip), "another map"), [load(chip)], {}
    )
    assert sum(story.counts.values()) == 44
    assert story.diagnosis.mistakes == ()
    assert story.stops == ()


@pytest.mark.parametrize("chip", ["numbat24", "wombat24"])
def test_a_select_that_rests_explains_a_line_that_says_nothing(
    chip: str, tmp_path: Path, need_tool: Any
) -> None:
    """The chip takes everything for one frame, so SDO rests at one level: not SDO's fault alone."""
    need_tool("iverilog")
    dump = simulated(tmp_path, Icarus(tmp_path), load(chip), "select tied")
    first = told(dump, [load(chip)], {}).diagnosis.mistakes[0]
    assert first.name.startswith("stuck")
    assert first.also == ("select_still",)
    assert "or select alone" in first.text


if __name__ == "__main__":
    import tempfile

    for tool in SIMULATORS:
        with tempfile.TemporaryDirectory() as name:
            found = table(Path(name), tool, lambda _p, _t: True)
        sys.stdout.write(f"{tool} {dict(sum(found.values(), Counter()))}\n")
        for mistake, counts in found.items():
            if set(counts) - {"named"}:
                sys.stdout.write(f"  {mistake}: {dict(counts)}\n")
