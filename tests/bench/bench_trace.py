"""Captures decoded to events against the floor: numpy reads the same bytes and counts newlines.

Run: python tests/bench/bench_trace.py [--megabytes 100] [--sizes 1 10 100 1000]

Everything is measured in one run on one machine; only the ratios mean anything: by the clock, where a
second core reads ahead, and by processor time, where it counts as well. The captures are
invented: a Numbat-24 that is polled and served with a setting now and then, a Bilby-32 whose measured
values change with every read, and random words, which no chip would send.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from bench_capture import _text, floor, general_library, plain_loop, timed

from regmap.capture.formats.opening import open_capture
from regmap.capture.lines.channels import find_roles
from regmap.capture.spi import pack
from regmap.capture.transfers.stream import TransferBuilder, iter_transfers
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.frames.bulk import BulkCodec, flawless, split
from regmap.frames.codec import Codec
from regmap.maps.load import load_map
from regmap.trace.telling.story import tell
from regmap.trace.telling.timeline import timeline
from regmap.trace.tracer import How, Trace, spi_setup, trace_capture

BITS = np.random.default_rng(0).integers(0, 2, (1 << 15, 24), dtype=np.uint8)


def words_vcd(
    path: Path, command: np.ndarray, reply: np.ndarray, bits: int, half: int = 100
) -> None:
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
            times = [
                (base[:, None] + (edge + 2) * half).ravel(),
                base,
                base + (2 * bits + 3) * half,
            ]
            values = [
                np.tile((1 - edge % 2).astype(np.uint8), count),
                np.zeros(count, np.uint8),
                np.ones(count, np.uint8),
            ]
            codes = [ord("!"), ord('"'), ord('"')]
            for line, (words, code) in enumerate(((command, ord("#")), (reply, ord("%")))):
                data = (
                    ((words[first : first + count, None] >> shifts) & np.uint64(1))
                    .astype(np.uint8)
                    .ravel()
                )
                moved = np.flatnonzero(np.diff(data, prepend=last[line]))
                times.append(t_data[moved])
                values.append(data[moved])
                codes.append(code)
                last[line] = data[-1]
            ids = np.concatenate(
                [np.full(len(t), c, np.uint8) for t, c in zip(times, codes, strict=True)]
            )
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
    answers = [
        [codec.build_reply(s, 0, {"asleep": True}, {"toggle": t}) for s in sent] for t in (0, 1)
    ]
    command = np.resize(np.array([s.word for s in sent], np.uint64), frames)
    reply = np.resize(np.array([answers[i % 2][i] for i in range(1000)], np.uint64), frames)
    command[900::2000] = control[1].word
    return command, np.concatenate((np.zeros(1, np.uint64), reply[:-1])), 24


def measuring(frames: int) -> tuple[np.ndarray, np.ndarray, int]:
    """A Bilby-32 whose temperature differs with every read."""
    from regmap.frames.bulk import build

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
    return (
        rng.integers(0, 1 << 24, frames, np.uint64),
        rng.integers(0, 1 << 24, frames, np.uint64),
        24,
    )


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


def edges(path: Path, case: str) -> None:
    """The reader alone."""
    del case
    with open_capture(path) as capture:
        for _ in capture.blocks():
            pass


def transfers(path: Path, case: str) -> None:
    """Timed transfers with both words."""
    with open_capture(path) as capture:
        roles = find_roles(capture.peek()).roles
        chip = chip_of(case)
        setup = spi_setup([chip], How(), None, chip.default_frame().length)
        for part in iter_transfers(capture, TransferBuilder(setup, roles, capture.tick)):
            assert len(part.command) == len(part.reply)


def best(works: Sequence[Callable[[], object]], rounds: int) -> list[tuple[float, float]]:
    """The best (seconds by the clock, seconds of processor time) of each work.

    The works take turns, so that a busy moment of the machine does not hit one of them alone.
    """
    found = [(float("inf"), float("inf"))] * len(works)
    for _ in range(rounds):
        for index, work in enumerate(works):
            clock, cpu = time.perf_counter(), time.process_time()
            work()
            clock, cpu = time.perf_counter() - clock, time.process_time() - cpu
            found[index] = min(found[index][0], clock), min(found[index][1], cpu)
    return found


def one_case(case: str, megabytes: int, rounds: int) -> None:
    """A case against the floor, step by step."""
    path = made(case, megabytes)
    steps = {"edges": edges, "transfers": transfers, "events": decoded}
    works = [lambda: floor(path), *(lambda w=w: w(path, case) for w in steps.values())]
    (base, base_cpu), *rows = best(works, rounds)
    trace = decoded(path, case)
    said = timed(lambda _: len(tell(trace).sentences), path, 1)
    lines = timed(lambda _: sum(1 for _ in timeline(trace)), path, 1)
    print(f"{case}: {path.stat().st_size / 1e6:.0f} MB, {trace.frames} frames, floor {base:.4f} s")
    for name, (clock, cpu) in zip(steps, rows, strict=True):
        limit = "  (at most 6)" if name == "events" else ""
        print(
            f"  to {name:10s} {clock:7.3f} s  {clock / base:5.1f} times the floor, processor time {cpu / base_cpu:5.1f} times{limit}"
        )
    print(
        f"  the story     {said:7.3f} s  the timeline {lines:.3f} s, {len(trace.framer.tables[0])} pairs"
    )
    print(
        f"  peak memory   {peak(case, megabytes):7.0f} MB  (under 500 for 100 MB, under 1000 for 2 GB)"
    )


def others(case: str, megabytes: int) -> None:
    """A plain loop over lines, and a script on a general VCD library; both only collect edges."""
    for name, work, size, least in (
        ("plain loop over lines", plain_loop, megabytes, 5),
        ("general VCD library", general_library, min(5, megabytes), 50),
    ):
        path = made(case, size)
        ours, theirs = best([lambda p=path: decoded(p, case), lambda p=path, w=work: w(p)], 2)
        print(
            f"{name}: {theirs[0] / ours[0]:.1f} times as long as decoding to events on {size} MB (at least {least})"
        )


def linear(case: str, sizes: list[int]) -> None:
    """Time for each byte and peak memory by size."""
    for size in sizes:
        path = made(case, size)
        ((clock, _),) = best([lambda p=path: decoded(p, case)], 3 if size <= 100 else 1)
        count = path.stat().st_size
        print(
            f"{count / 1e6:8.1f} MB: {1e9 * clock / count:.2f} ns a byte, peak {peak(case, size):.0f} MB"
        )


def bulk_rate(frames: int = 1 << 15) -> None:
    """Guards, fixed bits, kinds, registers and every part of commands and of what answers them."""
    command, reply, _ = random_words(frames)
    chip = load_map("numbat24")
    frame, codec = chip.default_frame(), BulkCodec(chip)
    answer = frame.reply_to("read")
    assert answer is not None

    def commands() -> None:
        flawless(frame.command, command), split(frame.command, command)
        codec.registers(frame, command, kinds=codec.kinds(frame, command))

    def replies() -> None:
        flawless(answer, reply), split(answer, reply)

    (_, one), (_, two), (_, bits) = best([commands, replies, lambda: pack(BITS)], 20)
    rates = [frames / t / 1e6 for t in (one, two, bits)]
    print(
        "million frames a second (more than 5): commands {:.1f}, replies {:.1f}, bits to words {:.0f}".format(
            *rates
        )
    )


def main() -> None:
    """Print all ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--cases", nargs="*", default=list(CASES))
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--sizes", type=int, nargs="*", default=[1, 10, 100])
    args = parser.parse_args()
    for case in args.cases:
        one_case(case, args.megabytes, args.rounds)
    if args.cases:
        others(args.cases[0], args.megabytes)
        linear(args.cases[0], args.sizes)
    bulk_rate()


if __name__ == "__main__":
    main()
