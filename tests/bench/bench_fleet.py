"""A survey of captures and of logs against pandas' own read of the same file, and two workers against one.

Run: python tests/bench/bench_fleet.py [--captures 200] [--units 80] [--rows 25000]
The whole fleet: --captures 5000 --units 2000. Everything is measured in one run on one machine; processor
time where a core is meant, the clock where workers are. All captures and logs are invented.
"""

# ruff: noqa: T201 -- a benchmark prints
from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[1] / "fleet"))

import logmaking
from making import make

from regmap.fleet.batches import decode_fields
from regmap.fleet.captured import Against, rows_of
from regmap.fleet.logfiles import columns_of, survey_logs
from regmap.fleet.logs import LogReading, kept_rows, tables_of
from regmap.fleet.sources import find_sources
from regmap.fleet.survey import survey
from regmap.fleet.writing import read_table
from regmap.maps.load import load_map
from regmap.stages.load import load_stage


def used(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def clock(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def bundled() -> None:
    """The captures of this repository, each held against its stage: bar 20 ms of processor time each."""
    stages = {"pump": "coolant_pump", "wrong": "coolant_pump", "drum": "conveyor_drum"}
    for path in sorted((Path(__file__).parents[2] / "captures").glob("*.vcd")):
        first = path.name.partition("_")[0]
        stage = load_stage(stages[first]) if first in stages else None
        chips = (load_map("numbat24"),) * 2 if stage is None else (stage.chip,)
        against = Against(chips, stage)
        best = min(used(lambda a=against, p=path: rows_of(str(p), a)) for _ in range(20))
        print(f"{path.name}: {best * 1000:.1f} ms of processor time")


def captures(folder: Path, count: int) -> None:
    bundled()
    truths = make(folder / "night", count, new="")
    stage = load_stage("coolant_pump")
    against = Against((stage.chip,), stage)
    sources = find_sources([folder / "night"], folder / "night" / "manifest.csv")
    rows_of(sources[0].file, against)
    some = sources[: min(count, 100)]
    each = used(lambda: [rows_of(s.file, against) for s in some]) / len(some)
    print(f"one small capture: {each * 1000:.1f} ms of processor time")
    times = {
        n: clock(lambda n=n: survey(sources, against, folder / f"w{n}", workers=n)) for n in (1, 2)
    }
    print(
        f"{count} captures: 1 worker {times[1]:.1f} s, 2 workers {times[2]:.1f} s, ratio {times[1] / times[2]:.2f}"
    )
    found = {
        (r["file"], r["fault"])
        for r in read_table(folder / "w2", "faults")
        if r["role"] == "first cause"
    }
    truth = {(t.file, t.fault) for t in truths if t.fault}
    print(f"faults: {len(truth)} done, {len(found & truth)} found, {len(found - truth)} false")
    same = all(
        (folder / "w1" / f"{t}.csv").read_bytes() == (folder / "w2" / f"{t}.csv").read_bytes()
        for t in ("faults", "registers", "captures", "timing")
    )
    print(f"tables of 1 and 2 workers equal: {same}")


def logs(folder: Path, units: int, rows: int) -> None:
    chip = load_map("quoll16")
    truth = logmaking.write_fleet(folder / "logs", units, rows)
    files = sorted(str(p) for p in (folder / "logs").iterdir())
    reading = LogReading(Against((chip,)), columns_of(files[0], chip, {}, "ns"))
    table = pq.read_table(files[0])
    count = len(table)
    import pandas  # not at the top: workers load this file again

    floor = used(lambda: pandas.read_parquet(files[0]))
    fields = used(
        lambda: sum(len(b) for b in decode_fields(reading, table.to_batches(max_chunksize=1 << 17)))
    )
    explained = used(lambda: tables_of(reading, kept_rows(reading, table)))
    for name, taken in (("pandas reads", floor), ("fields", fields), ("explained", explained)):
        print(
            f"{name}: {count / taken / 1e6:.2f} million rows/s a core, {taken / floor:.1f} times pandas' read"
        )
    sources = find_sources([folder / "logs"])
    times = {}
    for workers in (1, 2):
        times[workers] = clock(
            lambda n=workers: survey_logs(
                sources, reading.against, reading.columns, folder / f"l{n}", workers=n
            )
        )
    print(
        f"{units * rows} rows: 1 worker {times[1]:.1f} s, 2 workers {times[2]:.1f} s, ratio {times[1] / times[2]:.2f}"
    )
    found = sum(r["role"] != "normal" for r in read_table(folder / "l2", "faults"))
    print(f"intervals: {truth} put in, {found} found")


def memory(folder: Path, units: int, rows: int) -> None:
    """Largest process of a survey of an eighth of the logs and of all, in one process each."""
    files = max(units // 100, 1)
    logmaking.write_fleet(folder / "logs", units, rows)
    for some in sorted({max(files // 8, 1), files}):
        words = [
            sys.executable,
            "-m",
            "regmap.cli",
            "survey",
            "--log",
            "--map",
            "quoll16",
            "--time-unit",
            "ns",
            "--workers",
            "1",
        ]
        names = sorted(str(p) for p in (folder / "logs").iterdir())[:some]
        process = subprocess.Popen(
            [*words, "-o", str(folder / f"m{some}"), *names],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=Path(__file__).parents[2],
        )  # fmt: skip
        told = os.wait4(process.pid, 0)[2]
        print(f"survey of {some * min(units, 100) * rows} rows: {told.ru_maxrss / 1024:.0f} MB")


def apart(what: str, *arguments: str) -> None:
    """One part of this file in a process of its own."""
    subprocess.run([sys.executable, __file__, "--only", what, *arguments], check=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--captures", type=int, default=200)
    parser.add_argument("--units", type=int, default=80)
    parser.add_argument("--rows", type=int, default=25_000)
    parser.add_argument("--only", choices=("captures", "logs", "memory"))
    args = parser.parse_args()
    if args.only is None:
        for part in ("captures", "logs", "memory"):
            apart(
                part,
                "--captures",
                str(args.captures),
                "--units",
                str(args.units),
                "--rows",
                str(args.rows),
            )
    else:
        with tempfile.TemporaryDirectory() as temporary:
            if args.only == "captures":
                captures(Path(temporary), args.captures)
            elif args.only == "memory":
                memory(Path(temporary), args.units, args.rows)
            else:
                logs(Path(temporary), args.units, args.rows)
