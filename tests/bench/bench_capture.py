"""Capture decoding against its floor: numpy reads the same bytes and counts newlines.

Run: python tests/bench/bench_capture.py [--megabytes 100]

Everything is measured in one run on one machine; only the ratios mean anything. The capture is
invented: four SPI lines, random words, made with numpy and cached in the temporary directory.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

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
            b"$var wire 1 ! sclk $end\n$var wire 1 \" ncs $end\n$var wire 1 # mosi $end\n"
            b"$var wire 1 % miso $end\n$upscope $end\n$enddefinitions $end\n"
            b"#0\n$dumpvars\n0!\n1\"\n0#\n0%\n$end\n"
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
            ids = np.concatenate([np.full(len(t), c, np.uint8) for t, c in zip(times, codes, strict=True)])
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
