"""The whole fleet: thousands of captures and millions of logged rows with known truth, surveyed and held against it.

Everything is invented. What was made or surveyed stays in the folder, so that a run that was ended goes on.
Run: python tests/fleet/whole.py captures FOLDER 5000
     python tests/fleet/whole.py logs FOLDER 2000 25000
"""

# ruff: noqa: T201 -- told while it runs
from __future__ import annotations

import csv
import json
import pickle
import resource
import sys
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
try:
    import logmaking
    from logmaking import LogTruth, unit_rows
    from making import SCENES, Truth, make_fleet, write_manifest
finally:
    sys.path.pop(0)

from regmap.fleet.captured import Against
from regmap.fleet.logfiles import columns_of, survey_logs
from regmap.fleet.sources import find_sources
from regmap.fleet.survey import survey
from regmap.fleet.writing import read_table
from regmap.maps.load import load_map
from regmap.stages.load import load_stage

Tell = Callable[[str], None]
#: captures and units that are made before the next word is said
_SOME = 50


def tell(text: str) -> None:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{time.strftime('%H:%M:%S')} {peak:.0f} MB: {text}", flush=True)


def _kept(path: Path, made: Callable[[], object]) -> object:
    """What was made before, or is now."""
    if not path.is_file():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.with_suffix(".part").write_bytes(pickle.dumps(made()))
        path.with_suffix(".part").replace(path)
    return pickle.loads(path.read_bytes())


# --- captures ----------------------------------------------------------------------------------------
def captures(folder: Path, count: int, tell: Tell = tell, workers: int | None = None) -> None:
    """Make `count` captures of all chips, survey them, compare each with what was done to its chip."""
    truths: list[Truth] = []
    for first in range(0, count, _SOME):
        numbers = range(first, min(first + _SOME, count))
        truths += _kept(folder / "truth" / f"{first}.pickle", lambda n=numbers: make_fleet(folder / "night", n))  # type: ignore[arg-type, misc]  # fmt: skip
        tell(f"{len(truths)} of {count} captures")
    for stage in SCENES:
        mine = {t.file: t for t in truths if t.stage == stage}
        if not mine:
            continue
        write_manifest(folder / "night" / stage, list(mine.values()))
        chip = load_stage(stage)
        before = time.process_time()
        done = survey(
            find_sources([folder / "night" / stage], folder / "night" / stage / "manifest.csv"),
            Against((chip.chip,), chip), folder / f"out_{stage}", workers=workers,
            progress=lambda n, of: tell(f"read {n} of {of}") if n % 100 == 0 else None,
        )  # fmt: skip
        assert done.states == {"read": len(mine)}, done.states
        tell(
            f"{stage}: {done.read_now} read in {time.process_time() - before:.1f} s of this process"
        )
        _hold_captures(folder / f"out_{stage}", mine)
        tell(f"{stage}: {len(mine)} captures, {sum(len(t.faults) for t in mine.values())} faults done, all found and no other")  # fmt: skip


def _hold_captures(out: Path, truths: dict[str, Truth]) -> None:
    found: dict[str, list[dict[str, object]]] = {file: [] for file in truths}
    for row in read_table(out, "faults"):
        if row["role"] not in ("normal", "sum"):
            found[str(row["file"])].append(row)
    captures = list(read_table(out, "captures"))
    assert [str(c["file"]) for c in captures] == sorted(truths)
    for told in captures:
        truth = truths[str(told["file"])]
        rows = found[truth.file]
        polls_power_up = "STATUS2" in SCENES[truth.stage][0]
        lost = truth.kind == "power"
        assert (told["unit"], told["firmware"]) == (truth.unit, truth.firmware), truth
        assert told["rejected"] == 0, truth
        assert (told["bad_replies"] == 0) == (truth.kind not in ("power", "dead")), truth
        assert told["resets"] == (lost and polls_power_up), truth
        assert ("replies" in str(told["verdict"])) == (truth.kind in ("power", "dead")), truth
        names = Counter(str(r["fault"]) for r in rows)
        wanted = Counter(n for n, _ in truth.faults)
        if lost and polls_power_up:
            wanted["POR"] += 1  # what the chip tells of a loss of power that nobody expected
        assert names == wanted, (truth, names)
        for row in rows:
            assert (row["role"], row["unit"], row["firmware"]) == ("first cause", truth.unit, truth.firmware)  # fmt: skip
            begun = dict(truth.faults).get(str(row["fault"]))
            if begun is not None:
                assert row["clear_s"] <= begun <= row["raised_s"] < row["gone_s"], truth  # type: ignore[operator]


# --- logs --------------------------------------------------------------------------------------------
def logs(
    folder: Path, units: int, rows: int, tell: Tell = tell, workers: int | None = None,
    rates: tuple[float, float] = (3.0, 3.0), seed: int = 1, format: str = "parquet",  # noqa: A002
) -> None:  # fmt: skip
    """Write logs of `units` with `rows` each, survey them, compare every interval with what was put in.

    Every other file is of firmware 2.1, the rest 2.0; `rates` are their events for each unit.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    chip = load_map("quoll16")
    words = [(name, pa.uint64()) for name in ("STATUS1", "STATUS2", "MODE")]
    head = [("time", pa.int64()), ("unit", pa.string())]
    schema = pa.schema([*head, *words, ("reset", pa.bool_())])
    files, truth = [], Counter[LogTruth]()
    for first in range(0, units, _SOME):
        path = folder / "logs" / f"log{first:05}.parquet"

        def made(first: int = first, path: Path = path) -> list[LogTruth]:
            told: list[LogTruth] = []
            path.parent.mkdir(parents=True, exist_ok=True)
            with pq.ParquetWriter(path, schema) as out:
                for number in range(first, min(first + _SOME, units)):
                    columns, mine = unit_rows(number, rows, seed, rates[first // _SOME % 2])
                    out.write_table(logmaking.arrow_of(columns).cast(schema))
                    told += mine
            return told

        told = _kept(folder / "truth" / f"log{first}.pickle", made)
        truth.update(told)  # type: ignore[arg-type]
        files.append((path.name, ("2.0", "2.1")[first // _SOME % 2]))
        tell(f"{min(first + _SOME, units) * rows} rows of {units * rows}")
    with (folder / "manifest.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([("file", "firmware"), *((f"logs/{n}", f) for n, f in files)])
    sources = find_sources([folder / "logs"], folder / "manifest.csv")
    columns = columns_of(sources[0].file, chip, {}, "ns")
    begun, used = time.perf_counter(), time.process_time()
    done = survey_logs(
        sources, Against((chip,)), columns, folder / "out", format=format, workers=workers,
        progress=lambda n, of: tell(f"{n} of {of}"),
    )  # fmt: skip
    tell(f"surveyed in {time.perf_counter() - begun:.1f} s, {time.process_time() - used:.1f} s of this process")  # fmt: skip
    assert done.files == sum(done.states.values()), done.states
    assert set(done.states) == {"read"}, done.states
    found = Counter[LogTruth]()
    for r in read_table(folder / "out", "faults"):
        found[LogTruth(
            str(r["unit"]), _ns(r["raised_s"]), str(r["fault"]), _ns(r["clear_s"]), _ns(r["gone_s"]),
            str(r["role"]), str(r["cause"]), bool(r["masked"]),
        )] += 1  # fmt: skip
    assert found == truth, (sum((found - truth).values()), sum((truth - found).values()))
    seen = sum(int(r["frames"]) for r in read_table(folder / "out", "captures"))  # type: ignore[call-overload]
    assert seen == units * rows, (seen, units * rows)
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    tell(f"{units * rows} rows, {sum(truth.values())} intervals put in, all found and no other; largest worker {children.ru_maxrss / 1024:.0f} MB, {children.ru_utime + children.ru_stime:.1f} s of all workers")  # fmt: skip


def _ns(value: object) -> int:
    return -1 if value is None else round(float(value) * 1e9)  # type: ignore[arg-type]


if __name__ == "__main__":
    what, where, *numbers = sys.argv[1:]
    if what == "captures":
        captures(Path(where), int(numbers[0]), workers=int(numbers[1]) if numbers[1:] else None)
    else:
        logs(Path(where), int(numbers[0]), int(numbers[1]))
    print(json.dumps({"what": what, "numbers": numbers, "as_made": True}))
