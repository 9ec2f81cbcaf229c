"""Captures decoded to events against the floor: numpy reads the same bytes and counts newlines.

Run: python tests/bench/bench_trace.py [--megabytes 100]

Everything is measured in one run on one machine; only the ratios mean anything. The captures are
invented: a Numbat-24 that is polled and served with a setting now and then, a Bilby-32 whose measured
values change with every read, and random words, which no chip would send.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_capture import _text, floor, timed

from regmap.bank import Bank
from regmap.bulk import flawless, split
from regmap.capture.opening import open_capture
from regmap.codec import Codec
from regmap.mapfile import load_map
from regmap.model import Chip
from regmap.trace.story import tell
from regmap.trace.timeline import timeline
from regmap.trace.tracer import How, Trace, trace_capture

MODES = {"numbat24": 0, "bilby32": 3}


def words_vcd(path: Path, command: np.ndarray, reply: np.ndarray, bits: int, half: int = 100) -> None:
    """A VCD of four SPI lines (mode 1) that carries these words, one select each; 1 ns a tick."""
    span = (2 * bits + 12) * half
    with path.open("wb") as out:
        out.write(
            b"$timescale 1 ns $end\n$var wire 1 ! sclk $end\n"
            b'$var wire 1 " ncs $end\n$var wire 1 # mosi $end\n$var wire 1 % miso $end\n'
            b'$enddefinitions $end\n#0\n$dumpvars\n0!\n1"\n0#\n0%\n$end\n'
        )
        last = np.zeros(2, np.uint8)
        shifts = np.arange(bits - 1, -1, -1, dtype=np.uint64)
        for first in range(0, len(command), 4096):
            count = min(4096, len(command) - first)
            base = (first + np.arange(count, dtype=np.int64) + 1) * span
            edge = np.arange(2 * bits, dtype=np.int64)
            t_data = (base[:, None] + (edge[::2] + 2) * half + 7).ravel()
            times = [(base[:, None] + (edge + 2) * half).ravel(), base, base + (2 * bits + 3) * half]
            values = [np.tile((1 - edge % 2).astype(np.uint8), count), np.zeros(count, np.uint8), np.ones(count, np.uint8)]
            codes = [ord("!"), ord('"'), ord('"')]
            for line, (words, code) in enumerate(((command, ord("#")), (reply, ord("%")))):
                data = ((words[first : first + count, None] >> shifts) & np.uint64(1)).astype(np.uint8).ravel()
                moved = np.flatnonzero(np.diff(data, prepend=last[line]))
                times.append(t_data[moved])
                values.append(data[moved])
                codes.append(code)
                last[line] = data[-1]
            ids = np.concatenate([np.full(len(t), c, np.uint8) for t, c in zip(times, codes, strict=True)])
            t, v = np.concatenate(times), np.concatenate(values)
            order = np.argsort(t, kind="stable")
            out.write(_text(t[order], v[order], ids[order]))


def polled(frames: int) -> tuple[np.ndarray, np.ndarray, int]:
    """A Numbat-24 at work: five status registers in turn, a service and a changed setting now and then."""
    chip = load_map("numbat24")
    codec, bank = Codec(chip), Bank.at_reset(load_map("numbat24"))
    names = ["STATUS", "VDS_FAULTS", "GATE_FAULTS", "SUPPLY_FAULTS", "SYSTEM_FAULTS"]
    reads = [codec.read(chip.registers[n], bank) for n in names]
    serve = codec.write(chip.registers["SERVE"], 0x6B, bank)
    control = [codec.write(chip.registers["CONTROL"], w, bank) for w in (0x80, 0x00)]
    sent = [reads[i % 5] for i in range(1000)]
    sent[500], sent[900] = serve, control[0]
    answers = [[codec.build_reply(s, 0, {"asleep": True}, {"toggle": t}) for s in sent] for t in (0, 1)]
    command = np.resize(np.array([s.word for s in sent], np.uint64), frames)
    reply = np.resize(np.array([answers[i % 2][i] for i in range(1000)], np.uint64), frames)
    command[900::2000] = control[1].word
    return command, np.concatenate((np.zeros(1, np.uint64), reply[:-1])), 24


def measuring(frames: int) -> tuple[np.ndarray, np.ndarray, int]:
    """A Bilby-32 whose temperature differs with every read."""
    from regmap.bulk import build

    chip = load_map("bilby32")
    codec = Codec(chip)
    sent = [codec.read(chip.registers["TEMP"], None, {"toggle": t}) for t in (1, 0)]
    command = np.resize(np.array([s.word for s in sent], np.uint64), frames)
    frame = chip.default_frame()
    layout = frame.replies["read"]
    rng = np.random.default_rng(2)
    parts = split(frame.command, command)
    given = {p.name: parts[p.of] for p in layout.parts if p.kind == "echo"}
    data = layout.of_kind("data")
    assert data is not None
    given[data.name] = rng.integers(0, 1 << 12, frames).astype(np.uint64)
    fine = layout.named("fine")
    assert fine is not None
    given[fine.name] = np.ones(frames, np.uint64)
    reply = build(layout, given)
    assert flawless(layout, reply).all()
    return command, np.concatenate((np.zeros(2, np.uint64), reply[:-2])), 32


def random_words(frames: int) -> tuple[np.ndarray, np.ndarray, int]:
    """Words that no chip would send."""
    rng = np.random.default_rng(1)
    return rng.integers(0, 1 << 24, frames, np.uint64), rng.integers(0, 1 << 24, frames, np.uint64), 24


CASES: dict[str, tuple[Callable[[int], tuple[np.ndarray, np.ndarray, int]], str, int]] = {
    "polled": (polled, "numbat24", 1210),
    "measuring": (measuring, "bilby32", 1030),
    "random": (random_words, "numbat24", 1080),
}


def made(case: str, megabytes: int) -> Path:
    """The capture of a case in about that size, in the temporary directory, made once."""
    path = Path(tempfile.gettempdir()) / f"gateword-trace-{case}-{megabytes}.vcd"
    if not path.exists():
        make, _, per_megabyte = CASES[case]
        part = path.with_suffix(".new")
        words_vcd(part, *make(max(2000, megabytes * per_megabyte)))
        part.rename(path)
    return path


@cache
def chip_of(case: str) -> Chip:
    """The chip of a case; the dump is in mode 1, whatever the map says."""
    chip = load_map(CASES[case][1])
    return replace(chip, spi=replace(chip.spi, mode=1))


def decoded(path: Path, case: str) -> Trace:
    """The whole capture to events."""
    with open_capture(path) as capture:
        return trace_capture(capture, [chip_of(case)], How())


def peak(case: str, megabytes: int) -> float:
    """Peak memory in MB of a fresh process that decodes the file and tells its story."""
    text = (
        "import sys; sys.path.insert(0, sys.argv[1]); import bench_trace as b;"
        "t = b.decoded(b.made(sys.argv[2], int(sys.argv[3])), sys.argv[2]); b.tell(t);"
        "print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0])"
    )
    run = [sys.executable, "-c", text, str(Path(__file__).parent), case, str(megabytes)]
    return int(subprocess.run(run, check=True, capture_output=True, text=True).stdout) / 1024


def main() -> None:
    """Print all ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--cases", nargs="*", default=list(CASES))
    args = parser.parse_args()
    for case in args.cases:
        path = made(case, args.megabytes)
        base = timed(floor, path, 5)
        size = path.stat().st_size / 1e6
        took = timed(lambda p, c=case: decoded(p, c).frames, path, 3)
        trace = decoded(path, case)
        said = timed(lambda _, t=trace: len(tell(t).sentences), path, 1)
        lines = timed(lambda _, t=trace: sum(1 for _ in timeline(t)), path, 1)
        print(f"{case}: {size:.0f} MB, {trace.frames} frames, floor {base:.4f} s")
        print(f"  to events      {took:7.3f} s   {took / base:6.1f} times the floor (at most 15)")
        print(f"  the story      {said:7.3f} s   the timeline {lines:.3f} s, {len(trace.framer.tables[0])} pairs")
        print(f"  peak memory    {peak(case, args.megabytes):7.0f} MB (under 500)")


if __name__ == "__main__":
    main()
