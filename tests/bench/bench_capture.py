"""Capture decoding against its floor: numpy reads the same bytes and counts newlines.

Run: python tests/bench/bench_capture.py [--megabytes 100]

Everything is measured in one run on one machine; only the ratios mean anything. The capture is
invented: four SPI lines, random words, made with numpy and cached in the temporary directory.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from regmap.capture.formats.opening import open_capture
from regmap.capture.lines.channels import find_roles
from regmap.capture.spi import SpiSetup, pack
from regmap.capture.transfers.stream import TransferBuilder, iter_transfers

BITS = 24


def spi_vcd(path: Path, frames: int, bits: int = BITS, half: int = 50, seed: int = 1) -> None:
    """Write a VCD of four SPI lines (mode 1: data leaves on the rising edge) with `frames` bursts.

    Time unit 1 ns, clock period 2*`half`, one time token before each group of changes.
    """
    rng = np.random.default_rng(seed)
    span = (2 * bits + 10) * half
    with path.open("wb") as out:
        out.write(
            b"$comment invented capture $end\n$timescale 1 ns $end\n$scope module bench $end\n"
            b'$var wire 1 ! sclk $end\n$var wire 1 " ncs $end\n$var wire 1 # mosi $end\n'
            b"$var wire 1 % miso $end\n$upscope $end\n$enddefinitions $end\n"
            b'#0\n$dumpvars\n0!\n1"\n0#\n0%\n$end\n'
        )
        last = np.zeros(2, np.uint8)
        for first in range(0, frames, 4096):
            count = min(4096, frames - first)
            base = (first + np.arange(count, dtype=np.int64) + 1) * span
            data = rng.integers(0, 2, (2, count * bits), dtype=np.uint8)
            edge = np.arange(2 * bits, dtype=np.int64)
            t_clock = (base[:, None] + (edge + 2) * half).ravel()
            v_clock = np.tile((1 - edge % 2).astype(np.uint8), count)
            t_data = (base[:, None] + (edge[::2] + 2) * half + 7).ravel()
            times = [t_clock, base, base + (2 * bits + 3) * half]
            values = [v_clock, np.zeros(count, np.uint8), np.ones(count, np.uint8)]
            codes = [ord("!"), ord('"'), ord('"')]
            for line, code in ((0, ord("#")), (1, ord("%"))):
                moved = np.flatnonzero(np.diff(data[line], prepend=last[line]))
                times.append(t_data[moved])
                values.append(data[line][moved])
                codes.append(code)
                last[line] = data[line][-1]
            ids = np.concatenate(
                [np.full(len(t), c, np.uint8) for t, c in zip(times, codes, strict=True)]
            )
            t, v = np.concatenate(times), np.concatenate(values)
            order = np.argsort(t, kind="stable")
            out.write(_text(t[order], v[order], ids[order]))


def _text(t: np.ndarray, v: np.ndarray, ids: np.ndarray) -> bytes:
    digits = 12
    rows = np.full((len(t), digits + 5), 10, np.uint8)
    keep = np.ones(rows.shape, bool)
    rows[:, 0] = ord("#")
    rest = t.copy()
    for column in range(digits, 0, -1):
        rows[:, column] = 48 + rest % 10
        rest //= 10
    keep[:, 1:digits] = t[:, None] >= 10 ** np.arange(digits - 1, 0, -1, dtype=np.int64)
    rows[:, digits + 2] = 48 + v
    rows[:, digits + 3] = ids
    again = np.flatnonzero(np.diff(t) == 0) + 1
    keep[again, : digits + 2] = False
    return rows[keep].tobytes()


def made(megabytes: int) -> Path:
    """A VCD of about that size in the temporary directory, made once."""
    path = Path(tempfile.gettempdir()) / f"gateword-bench-{megabytes}.vcd"
    if not path.exists():
        part = path.with_suffix(".new")
        spi_vcd(part, max(10, megabytes * 1060))
        part.rename(path)
    return path


def floor(path: Path) -> int:
    """numpy reads the bytes and counts newlines."""
    return int(np.count_nonzero(np.fromfile(path, np.uint8) == 10))


def edges(path: Path) -> int:
    """The capture reader alone: all edges, block after block."""
    with open_capture(path) as capture:
        return sum(len(e) for block in capture.blocks() for e in block.edges.values())


def transfers(path: Path) -> int:
    """Edges to timed transfers with both words, channels found by name."""
    count = 0
    with open_capture(path) as capture:
        finding = find_roles(capture.peek())
        builder = TransferBuilder(SpiSetup(mode=1), finding.roles, capture.tick)
        for part in iter_transfers(capture, builder):
            count += len(part.command) + len(part.reply)
    return count


def plain_loop(path: Path) -> int:
    """A plain loop over lines that only collects edges by channel."""
    found: dict[str, list[tuple[int, str]]] = {}
    now = 0
    with path.open() as lines:
        for line in lines:
            if line.startswith("$enddefinitions"):
                break
        for line in lines:
            first = line[0]
            if first == "#":
                now = int(line[1:])
            elif first != "$":
                found.setdefault(line[1:-1], []).append((now, first))
    return sum(map(len, found.values()))


def general_library(path: Path) -> int:
    """A short script on a general VCD library: its tokens, collected by channel."""
    from vcd.reader import TokenKind, tokenize

    found: dict[str, list[tuple[int, object]]] = {}
    now = 0
    with path.open("rb") as stream:
        for token in tokenize(stream):
            if token.kind is TokenKind.CHANGE_TIME:
                now = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                change = token.scalar_change
                found.setdefault(change.id_code, []).append((now, change.value))
    return sum(map(len, found.values()))


def timed(work: Callable[[Path], int], path: Path, times: int = 3) -> float:
    """The best of some runs, in seconds."""
    best = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        work(path)
        best = min(best, time.perf_counter() - start)
    return best


def peak(megabytes: int) -> float:
    """Peak memory in MB of a fresh process that decodes the file to transfers."""
    text = (
        "import sys; sys.path.insert(0, sys.argv[1]); import bench_capture as b;"
        "b.transfers(b.made(int(sys.argv[2]))); print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0])"
    )
    run = [sys.executable, "-c", text, str(Path(__file__).parent), str(megabytes)]
    return int(subprocess.run(run, check=True, capture_output=True, text=True).stdout) / 1024


def main() -> None:
    """Print all ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--sizes", type=int, nargs="*", default=[1, 10, 100])
    parser.add_argument("--library-megabytes", type=int, default=5)
    size = parser.parse_args().megabytes
    path = made(size)
    real = path.stat().st_size / 1e6
    base = timed(floor, path, 5)
    print(f"{real:.0f} MB, floor {base:.4f} s ({real / base:.0f} MB/s)")
    rows = [("edges", edges, 5), ("transfers", transfers, 7), ("plain loop", plain_loop, 1)]
    found = {}
    for name, work, times in rows:
        found[name] = timed(work, path, times)
        print(f"{name:12s} {found[name]:8.3f} s   {found[name] / base:8.1f} times the floor")
    print(f"plain loop / transfers: {found['plain loop'] / found['transfers']:.1f} (at least 5)")
    print(f"transfers / floor: {found['transfers'] / base:.1f} (at most 15)")

    args = parser.parse_args()
    small = made(args.library_megabytes)
    ours, theirs = timed(transfers, small), timed(general_library, small, 1)
    print(
        f"general library / transfers on {args.library_megabytes} MB: {theirs / ours:.0f} (at least 50)"
    )

    for megabytes in args.sizes:
        one = made(megabytes)
        took = timed(transfers, one)
        print(
            f"{one.stat().st_size / 1e6:8.1f} MB: {1e9 * took / one.stat().st_size:.2f} ns a byte, peak {peak(megabytes):.0f} MB"
        )

    bits = np.random.default_rng(0).integers(0, 2, (500_000, 24), dtype=np.uint8)
    best = min(_once(lambda: pack(bits)) for _ in range(5))
    print(f"packing 24-bit frames: {len(bits) / best / 1e6:.1f} million a second (at least 5)")


def _once(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


if __name__ == "__main__":
    main()
