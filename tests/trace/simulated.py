"""Mistakes of wiring and framing made by a VHDL simulator: what its probe recorded.

The bench (tests/vhdl/lines.vhd) moves the edges, the wires and the chip's pins; it knows no map.
Which bits stand in a word and what the chip answers comes from `edgelevel`. The bench runs twice: what the chip samples does not
depend on what it answers, so the first run tells what it was asked, the second has the answers.
"""

from __future__ import annotations

import importlib.util
import random
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

TESTS = Path(__file__).parents[1]


def _beside(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


edgelevel = _beside("edgelevel")

INVERTED, LOW, HIGH, OPEN, NOISY, SOME_LOW, SOME_HIGH = range(1, 8)
CLK, SEL, SDI, SDO = range(4)
#: what the wires and the probe do in each mistake that is not firmware's, mode's or the select's alone; others follow
#: from the mistake itself
WIRES: dict[str, dict[str, int]] = {
    "command inverted": {"up": INVERTED},
    "reply inverted": {"down": INVERTED},
    "command stuck low": {"up": LOW},
    "command stuck high": {"up": HIGH},
    "command floating": {"up": OPEN},
    "reply stuck high": {"down": HIGH},
    "reply stuck low": {"down": LOW},
    "reply floating": {"down": OPEN},
    "data probes swapped": {"on_sdi": SDO, "on_sdo": SDI},
    "clock and select probes swapped": {"on_clk": SEL, "on_sel": CLK},
    "clock and data probes swapped": {"on_clk": SDI, "on_sdi": CLK},
    "select inverted": {"pin": 1},
    "select tied": {"pin": 2},
    "select never active": {"pin": 3},
    "select probe inverted": {"on_sel": SEL + 10},
    "glitches on the clock": {"glitch": 1},
    "noise on replies": {"down": NOISY},
    "noise on commands": {"up": NOISY},
    "reply line dies high": {"down": SOME_HIGH, "first": 22},
    "reply line dies low": {"down": SOME_LOW, "first": 22},
    "reply line open for a while": {"down": SOME_HIGH, "first": 15, "last": 27},
    "one probe on clock and data": {"on_sdi": CLK},
    "one probe on both data lines": {"on_sdo": SDI},
}
#: mistakes whose channel is not there
MISSING = {"select not captured": "sel"}


@dataclass
class Bench:
    """The bench, compiled in its folder by `build`."""

    folder: Path

    def build(self) -> None:
        """Compile it. The folder keeps what is compiled."""
        self._call("ghdl", "-a", "--std=08", str(TESTS / "vhdl" / "lines.vhd"))
        self._call("ghdl", "-e", "--std=08", "lines")

    def _call(self, *words: str) -> None:
        done = subprocess.run(words, cwd=self.folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr

    def simulate(self, rows: list[tuple[str, str, bool]], options: dict[str, int]) -> list[str]:
        """Run it; what the chip sampled, a text for each select, as 0, 1 and others."""
        (self.folder / "words").write_text(
            "".join(f"{len(s)} {s} {a} {int(e)}\n" for s, a, e in rows)
        )
        given = [f"-g{n}={v}" for n, v in options.items()]
        self._call("ghdl", "-r", "--std=08", "lines", *given, "--vcd=lines.vcd")
        return (self.folder / "seen").read_text().split("\n")


def recorded(bench: Bench, name: str, case: Any, chip: Any) -> str:
    """The dump of the bench's probe with this mistake on this chip; "" where the chip cannot have it."""
    wrong = case.make(chip)
    if wrong is None:
        return ""
    spi, frame = chip.spi, chip.default_frame()
    options = {
        "chip_mode": spi.mode,
        "mode": wrong.mode(spi.mode) if wrong.mode is not None else spi.mode,
        "act": 0 if spi.select_active_low else 1,
        "late": wrong.late_reply,
        "every": wrong.sample,
        "echo": -1 if wrong.echo is None else wrong.echo,
        **WIRES.get(name, {}),
    }
    told = (wrong.to_chip, wrong.from_chip, wrong.glitch, wrong.probe, wrong.select or None)
    assert name in WIRES or name in MISSING or told == (None,) * 5, f"no wires for {name}"

    def wired(bits: list[int]) -> str:
        return "".join("01z"[b] for b in (bits if spi.msb_first else bits[::-1]))

    frames = edgelevel.bits_sent(chip, wrong, random.Random(1))
    asked = [
        (wired(part), "z" * len(part), place == len(parts) - 1)
        for parts in frames
        for place, part in enumerate(parts)
    ]
    sampled = iter(bench.simulate(asked, options))
    model = edgelevel.Model(chip)
    pattern = frame.bursts or (frame.length,)
    rows = []
    for parts in frames:
        seen = [[{"0": 0, "1": 1}.get(c, 2) for c in next(sampled, "")] for _ in parts]
        if wrong.select:
            answer: list[int] = []
        else:
            whole = [b for s in seen for b in (s if spi.msb_first else s[::-1])]
            reply, _ = model.answer(whole if len(parts) == len(pattern) else [])
            model.pending.append(reply)
            answer = model.pending.pop(0) if frame.after else model.pending.pop()
        used = 0
        for place, part in enumerate(parts):
            piece = answer[used : used + len(part)]
            used += len(part)
            piece += [piece[-1] if piece else 2] * (len(part) - len(piece))
            rows.append((wired(part), wired(piece), place == len(parts) - 1))
    bench.simulate(rows, options)
    dump = (bench.folder / "lines.vcd").read_text()
    return probe_of(dump, "ncs" if spi.select_active_low else "cs", MISSING.get(name, ""))


def probe_of(dump: str, select: str, missing: str) -> str:
    """The scope `probe` of a dump alone, its select named as the trade names it."""
    head, _, body = dump.partition("$enddefinitions")
    kept: dict[str, str] = {}
    scopes: list[str] = []
    for words in re.findall(r"\$(scope|upscope|var)\s+(.*?)\s*\$end", head, re.DOTALL):
        if words[0] == "scope":
            scopes.append(words[1].split()[-1].lower())
        elif words[0] == "upscope":
            scopes.pop()
        elif scopes and scopes[-1] == "probe":
            _, _, code, called = words[1].split()[:4]
            if called.lower() != missing:
                kept[code] = {"sel": select}.get(called.lower(), called.lower())
    assert len(kept) == 4 - bool(missing), kept
    unit = re.search(r"\$timescale\s+(.*?)\s*\$end", head, re.DOTALL)
    assert unit
    lines = [f"$timescale {unit[1]} $end", "$scope module probe $end"]
    lines += [f"$var wire 1 {c} {n} $end" for c, n in kept.items()]
    lines += ["$upscope $end", "$enddefinitions $end"]
    for line in body.partition("$end")[2].split("\n"):
        if line.startswith("#") or (line[:1] in "01xzXZuUwWhHlL-" and line[1:].strip() in kept):
            lines.append(line)
    return "\n".join(lines) + "\n"
