"""`gateword capture` from the shell against the floor: numpy reads the same bytes and counts newlines.

Run: python tests/bench/bench_command.py [--megabytes 100] [--csv 300] [--large 2000]

Everything in one run on one machine; only the ratios mean anything. The captures are invented: a Numbat-24 whose every
frame writes another word ("news"), one that is polled, and the polled one as a table.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_capture import floor
from bench_trace import decoded, made, words_vcd

from regmap.frames.bulk import build, flawless
from regmap.maps.load import load_map

CAPTURES = Path(__file__).parents[2] / "captures"


def news(frames: int, *, held: bool = True) -> tuple[np.ndarray, np.ndarray, int]:
    """A Numbat-24 of which every frame writes a random word to one of its registers.

    Each reply shows what the register held before; not `held`, zeros, so that nearly every frame is refused as well.
    """
    chip = load_map("numbat24")
    frame = chip.default_frame()
    rng = np.random.default_rng(3)
    places = [
        r
        for r in chip.registers.values()
        if r.holds_settings and r.readable and r.address is not None
    ]
    chosen = rng.integers(0, len(places), frames)
    address = np.array([r.address for r in places], np.uint64)[chosen]
    masks = np.array([r.settings for r in places], np.uint64)[chosen]
    parts = {p.kind: p.name for p in frame.command.parts}
    code = 0
    for part in frame.command.parts:
        if part.kind == "operation":
            code = part.codes["write"]
    written = rng.integers(0, 1 << 8, frames).astype(np.uint64) & masks
    given = {
        parts["operation"]: np.full(frames, code, np.uint64),
        parts["address"]: address,
        parts["data"]: written,
    }
    command = build(frame.command, given)
    layout = frame.reply_to("write") or frame.reply_to("read")
    assert layout is not None
    echoed = {p.name: given[p.of] for p in layout.parts if p.kind == "echo" and p.of in given}
    toggles = {
        p.name: np.arange(frames).astype(np.uint64) & np.uint64((1 << p.width) - 1)
        for p in layout.parts
        if p.kind == "counter"
    }
    before = np.zeros(frames, np.uint64)
    for place, register in enumerate(places):
        mine = np.flatnonzero(chosen == place)
        before[mine] = np.concatenate(([register.reset], written[mine[:-1]])) if len(mine) else 0
    part = layout.of_kind("data")
    assert part is not None
    content = {part.name: before} if held else {}
    reply = build(layout, {**echoed, **toggles, **content})
    assert flawless(frame.command, command).all()
    assert flawless(layout, reply).all()
    return command, np.concatenate((np.zeros(1, np.uint64), reply[:-1])), 24


def news_vcd(megabytes: int, *, held: bool = True) -> Path:
    """That capture in the temporary directory, made once."""
    kind = "news" if held else "refused"
    path = Path(tempfile.gettempdir()) / f"gateword-bench-{kind}-{megabytes}.vcd"
    if not path.exists():
        part = path.with_suffix(".new")
        words_vcd(part, *news(max(100, megabytes * 1080), held=held))
        part.rename(path)
    return path


def table(megabytes: int) -> Path:
    """A table of times and four levels, a row for each instant at which a line moves."""
    path = Path(tempfile.gettempdir()) / f"gateword-bench-{megabytes}.csv"
    if path.exists():
        return path
    part = path.with_suffix(".new")
    source = made("polled", min(100, megabytes))
    rows: list[bytes] = []
    level = {b"!": b"0", b'"': b"1", b"#": b"0", b"%": b"0"}
    text = source.read_bytes().split(b"$end\n", 6)[-1]
    span = 0
    with part.open("wb") as out:
        out.write(b"Time [ns],sclk,ncs,mosi,miso\n")
        body: list[tuple[int, bytes]] = []
        now = -1
        for line in text.split(b"\n"):
            if line[:1] == b"#":
                if now >= 0:
                    body.append((now, b",".join(level.values())))
                now = int(line[1:])
            elif line[:1] in (b"0", b"1"):
                level[line[1:]] = line[:1]
            if len(body) > 400_000:
                break
        period = body[-1][0] + 10_000
        size = 0
        while size < megabytes * 1_000_000:
            rows = [b"%d,%s\n" % (t + span, v) for t, v in body]
            piece = b"".join(rows)
            out.write(piece)
            size += len(piece)
            span += period
    part.rename(path)
    return path


def shell(*arguments: str) -> tuple[float, float, float]:
    """(seconds by the clock, of processor time, MB at the most) of one run from the shell."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    text = "import sys; from regmap.cli.main import main; code = main(sys.argv[1:]); print(open('/proc/self/status').read().split('VmHWM:')[1].split()[0], file=sys.stderr); sys.exit(code)"
    done = subprocess.run(
        [sys.executable, "-c", text, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, check=False
    )  # fmt: skip
    took = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return took, cpu, int(done.stderr.split()[-1]) / 1024


def best(work: Callable[[], tuple[float, float, float]], times: int) -> tuple[float, float, float]:
    return min(work() for _ in range(times))


def floor_of(path: Path) -> float:
    found = float("inf")
    for _ in range(5):
        start = time.perf_counter()
        floor(path)
        found = min(found, time.perf_counter() - start)
    return found


def row(name: str, took: float, base: float, limit: float, memory: float) -> None:
    print(
        f"{name:34s} {took:7.2f} s  {took / base:6.1f} times the floor (at most {limit:g})  {memory:4.0f} MB"
    )


def main() -> None:
    """Print all ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--csv", type=int, default=300)
    parser.add_argument("--large", type=int, default=0)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    polled, fresh = made("polled", args.megabytes), news_vcd(args.megabytes)
    base = floor_of(polled)
    print(f"{polled.stat().st_size / 1e6:.0f} MB, floor {base:.4f} s; {os.cpu_count()} cores")

    def once() -> tuple[float, float, float]:
        start = time.perf_counter()
        decoded(polled, "polled")
        return time.perf_counter() - start, 0, 0

    # the first time the map is read too
    row("to events, in one process", best(once, args.rounds)[0], base, 6, 0)
    took, _, memory = best(
        lambda: shell("capture", str(polled), "--map", "numbat24", "--mode", "1", "--summary"),
        args.rounds,
    )
    row("polled, summary", took, base, 6, memory)
    base = floor_of(fresh)
    for name, options, limit in (
        ("every frame news, summary", ["--summary"], 40),
        ("every frame news, text", [], 120),
    ):
        took, _, memory = best(
            lambda o=options: shell("capture", str(fresh), "--map", "numbat24", "--mode", "1", *o),
            1,
        )  # type: ignore[misc]
        row(name, took, base, limit, memory)
    if args.csv:
        path = table(args.csv)
        base = floor_of(path)
        took, _, memory = best(
            lambda: shell("capture", str(path), "--map", "numbat24", "--mode", "1", "--summary"), 1
        )
        row(f"{args.csv} MB table, summary", took, base, 20, memory)
    if args.large:
        path = made("polled", args.large)
        took, _, memory = best(
            lambda: shell("capture", str(path), "--map", "numbat24", "--mode", "1", "--summary"), 1
        )
        print(
            f"{path.stat().st_size / 1e9:.1f} GB: {took:.1f} s, {memory:.0f} MB at the most (under 250)"
        )
    small = best(lambda: shell("capture", str(CAPTURES / "pump_short.vcd"), "--map", "quoll16"), 5)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    for _ in range(5):
        subprocess.run([sys.executable, "-c", "import numpy"], check=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    numpy = (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime) / 5
    print(
        f"a small capture from the shell: {small[1]:.2f} s of processor time, {small[1] / numpy:.1f} times an import of numpy (at most 2.5)"
    )


if __name__ == "__main__":
    main()
