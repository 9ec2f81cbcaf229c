"""Logs of a fleet that does not exist, with the truth beside them: what was written into which rows, and why.

Everything is invented. Words are put together from bit positions of the bundled map quoll16's document (STATUS1:
UV_SUPPLY 8, VDS_UL 6, ANY 0; STATUS2: POR 9, OC_V 2), not by any reader of ours.
Run: python tests/fleet/logmaking.py FOLDER UNITS ROWS
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

UV, VDS, ANY, OC = 1 << 8, 1 << 6, 1 << 0, 1 << 2
POR = 1 << 9
SECOND = 1_000_000_000


@dataclass(frozen=True, order=True)
class LogTruth:
    """One interval that was put into a log; instants in ns, -1 for none."""

    unit: str
    raised: int
    fault: str
    clear: int
    gone: int
    role: str
    cause: str
    masked: bool


def unit_rows(
    number: int, rows: int, seed: int = 1, rate: float = 3.0
) -> tuple[dict[str, np.ndarray], list[LogTruth]]:
    """(columns with the gaps as masks, truth) of one unit: about `rate` events, missing reads, one power-up."""
    rng = np.random.default_rng((seed, number))
    unit = f"U{number:05}"
    time = (np.arange(rows) * 10 * SECOND + rng.integers(0, SECOND, rows)).astype(np.int64)
    status1, status2 = np.zeros(rows, np.uint64), np.zeros(rows, np.uint64)
    status2[:2] = POR
    missing1 = rng.random(rows) < 0.03
    missing2 = np.zeros(rows, bool)
    missing2[2:] = rng.random(rows - 2) < 0.03
    missing2[2] = missing1[0] = missing1[2] = False
    off = number % 5 == 0  # this unit's configuration masks the VDS monitors
    events = []
    slots = max(int(rows // 40), 1)
    for slot in rng.choice(slots, min(int(rng.poisson(rate)), slots), replace=False):
        begin = int(slot * 40 + 6 + rng.integers(0, 10))
        end = begin + int(rng.integers(3, 18))
        if end + 4 < rows:
            events.append((begin, end, int(rng.integers(0, 3))))
    truth = [LogTruth(unit, int(time[0]), "POR", -1, int(time[2]), "normal", "", False)]

    def put(begin: int, end: int, fault: str, status: int, role: str, cause: str) -> None:
        there = np.flatnonzero(~(missing1, missing2)[status - 1])
        inside = there[(there >= begin) & (there < end)]
        if len(inside):
            before, after = there[there < begin], there[there >= end]
            truth.append(LogTruth(
                unit, int(time[inside[0]]), fault, int(time[before[-1]]), int(time[after[0]]) if len(after) else -1,
                role, cause, off and fault == "VDS_UL",
            ))  # fmt: skip

    for begin, end, kind in events:
        status1[begin:end] |= np.uint64(ANY)
        # the rows of the edges are read, so that it is known what was first
        missing1[begin - 1 : begin + 3] = missing2[begin - 1 : begin + 3] = False
        if kind == 0:
            status1[begin:end] |= np.uint64(VDS)
            root = "VDS_UL"
        elif kind == 1:
            status1[begin:end] |= np.uint64(UV)
            status1[begin + 1 : end] |= np.uint64(VDS)
            root = "UV_SUPPLY"
        else:
            status2[begin:end] |= np.uint64(OC)
            root = "OC_V"
        put(begin, end, root, 2 if kind == 2 else 1, "first cause", root)
        if kind == 1:
            put(begin + 1, end, "VDS_UL", 1, "follow-on", root)
        put(begin, end, "ANY", 1, "sum", root)
    reset = np.zeros(rows, bool)
    reset[0] = True
    mode = np.full(rows, 0x0AA, np.uint64)
    if off:
        mode[:] = MODE_OFF
    columns = {
        "time": time, "unit": np.full(rows, unit, object), "STATUS1": np.ma.array(status1, mask=missing1),
        "STATUS2": np.ma.array(status2, mask=missing2), "MODE": mode, "reset": reset,
    }  # fmt: skip
    return columns, truth


#: MODE of which VDS_ACT (bits 3..2 of the map's document) is off: code 1
MODE_OFF = 0x4


def arrow_of(columns: dict[str, np.ndarray]) -> pa.Table:
    """The rows of one unit as Arrow."""
    arrays = {}
    for name, values in columns.items():
        mask = np.ma.getmaskarray(values) if isinstance(values, np.ma.MaskedArray) else None
        arrays[name] = pa.array(np.ma.getdata(values), mask=mask)
    return pa.table(arrays)


def fleet_log(units: int, rows: int, seed: int = 1) -> tuple[pa.Table, list[LogTruth]]:
    """The log of all units, mixed up, and the truth in order."""
    tables, truth = [], []
    for number in range(units):
        columns, told = unit_rows(number, rows, seed)
        tables.append(arrow_of(columns))
        truth += told
    whole = pa.concat_tables(tables).combine_chunks()
    mixed = np.random.default_rng(seed).permutation(len(whole))
    return whole.take(pa.array(mixed)), sorted(truth)


def write_fleet(folder: Path, units: int, rows: int, seed: int = 1, at_once: int = 100) -> int:
    """A Parquet file for every `at_once` units; gives the number of intervals that are no power-up."""
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for first in range(0, units, at_once):
        tables = []
        for number in range(first, min(first + at_once, units)):
            columns, told = unit_rows(number, rows, seed)
            tables.append(arrow_of(columns))
            count += sum(t.role != "normal" for t in told)
        pq.write_table(pa.concat_tables(tables), folder / f"log{first:05}.parquet")
    return count


if __name__ == "__main__":
    print(write_fleet(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))  # noqa: T201
